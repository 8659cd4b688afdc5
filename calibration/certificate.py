"""Calibration certificates: what was found, when, by whom, and until when it holds.

A certificate is a JSON file. It carries `Quantity` values with their named contributions, so that
a titrant that was standardised with a burette stays correlated with the sample titrated with it.
"""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from calibration.plain import (
    checked_any,
    checked_number,
    checked_table,
    checked_text,
    frozen_plain,
    plain_of,
    shown,
)
from calibration.problem import CalibrationProblem
from calibration.quantity import Contribution, FrozenTable, Quantity, QuantityProblem, Source
from calibration.reading import Unreadable, json_of, read_text
from calibration.writing import write_whole

FORMAT = 1
"""Version of the format, written into every certificate."""
KINDS = ("titrant", "glassware", "photometer", "camera", "timing", "method")
MAX_BYTES = 5_000_000
"""Bytes of a file beyond which it is refused unread. Assumed, far beyond any certificate."""
MOST = 1e9
"""Largest number in a certificate, any unit: far beyond every value, so that none overflows."""
_PATH = "Check its path; it is taken from the folder of the record."
_REMEDIES = {
    "missing": _PATH,
    "folder": _PATH,
    "special": _PATH,
    "system": _PATH,
    "large": "Check the file name.",
    "text": "Name a certificate, which is a JSON file.",
    "syntax": "Correct it, or make it again.",
}
_NEEDED = ("format", "id", "kind", "what", "date", "operator", "quantities")
_ALLOWED = ("expiry", "readings", "remarks", "details")


class CertificateProblem(CalibrationProblem):
    """A certificate is missing, damaged, expired or belongs to something else."""


def quantity_from_json(data: object, where: str, default_name: str | None = None) -> Quantity:
    """Read what `Quantity.to_json` wrote.

    Parameters
    ----------
    data:
        A dictionary with value, unit and contributions; or, where `default_name` is given, with
        value, unit and standard_uncertainty, as a person would write it.
    where:
        Place named in an error, such as "edta.json: concentration".
    default_name:
        Name of the one contribution of the short form.

    Raises
    ------
    QuantityProblem
        A key is missing, unknown or of the wrong type.
    """
    short = default_name is not None and isinstance(data, dict) and "contributions" not in data
    third = "standard_uncertainty" if short else "contributions"
    table = checked_table(data, ("value", "unit", third), (), where)
    unit = checked_text(table["unit"], f"{where}: unit")
    value = checked_number(table["value"], f"{where}: value")
    if short:
        u = checked_number(table[third], f"{where}: {third}")
        return Quantity.measured(value, unit, u, str(default_name))
    if not isinstance(table[third], dict):
        raise QuantityProblem(f"{where}: contributions is not a table.", 'Write {"name": {...}}.')
    parts = {
        checked_text(name, f"{where}: the name of a contribution"): _contribution_from_json(
            part, f'{where}: contribution "{name}"'
        )
        for name, part in table[third].items()
    }
    return Quantity(value, unit, parts)


def _contribution_from_json(data: object, where: str) -> Contribution:
    optional = ("kind", "degrees_of_freedom", "distribution", "input")
    table = checked_table(data, ("value",), optional, where)
    value = checked_number(table["value"], f"{where}: value")
    dof = table.get("degrees_of_freedom")
    nu = math.inf if dof is None else checked_number(dof, f"{where}: degrees_of_freedom")
    kind = checked_text(table.get("kind", "B"), f"{where}: kind")
    distribution = checked_text(table.get("distribution", "normal"), f"{where}: distribution")
    source = _source_from_json(table.get("input"), f"{where}: input")
    try:
        return Contribution(value, kind, nu, distribution, source)
    except QuantityProblem as problem:
        raise QuantityProblem(f"{where}: {problem.sentence}", problem.remedy) from None


def _source_from_json(data: object, where: str) -> Source | None:
    if data is None:
        return None
    table = checked_table(data, ("estimate", "unit", "standard_uncertainty"), (), where)
    try:
        return Source(
            checked_number(table["estimate"], f"{where}: estimate"),
            checked_text(table["unit"], f"{where}: unit"),
            checked_number(table["standard_uncertainty"], f"{where}: standard_uncertainty"),
        )
    except QuantityProblem as problem:
        sentence = problem.sentence if problem.sentence.startswith(where) else ""
        raise QuantityProblem(sentence or f"{where}: {problem.sentence}", problem.remedy) from None


@dataclass(frozen=True)
class Certificate:
    """One calibration, as it stands in its file.

    Raises
    ------
    CertificateProblem
        The kind is unknown, it expires before it was made, or it holds no quantity.
    """

    identifier: str
    kind: str
    """One of `KINDS`."""
    what: str
    """What was calibrated, in words: "EDTA 0.01 mol/L, bottle 3"."""
    date: datetime.date
    expiry: datetime.date | None
    """Last day on which it may be used; None for no limit."""
    operator: str
    """Initials."""
    quantities: Mapping[str, Quantity]
    readings: Mapping[str, tuple[float, ...]] = FrozenTable()
    """Raw readings by name, in the unit that the name ends with: titre_ml."""
    remarks: tuple[str, ...] = ()
    details: Mapping[str, Any] = FrozenTable()
    """What else belongs to it, as plain values of JSON: {"ware": "burette", "nominal_ml": 50}."""

    def __post_init__(self) -> None:
        object.__setattr__(self, "quantities", FrozenTable(self.quantities))
        series = {name: tuple(values) for name, values in self.readings.items()}
        object.__setattr__(self, "readings", FrozenTable(series))
        object.__setattr__(self, "remarks", tuple(self.remarks))
        object.__setattr__(
            self, "details", frozen_plain(dict(self.details), f"Certificate {self.identifier}")
        )
        if self.kind not in KINDS:
            raise CertificateProblem(
                f'Certificate {self.identifier}: the kind "{self.kind}" is unknown.',
                f"Use one of: {', '.join(KINDS)}.",
            )
        if self.expiry is not None and self.expiry < self.date:
            raise CertificateProblem(
                f"Certificate {self.identifier} expires on {self.expiry}, before its date "
                f"{self.date}.",
                "Check both dates; they are written year-month-day.",
            )
        if not self.quantities:
            raise CertificateProblem(
                f"Certificate {self.identifier} holds no quantity.",
                'Add one under "quantities", with value, unit and standard_uncertainty.',
            )

    def quantity(self, name: str, unit: str, low: float = -MOST, high: float = MOST) -> Quantity:
        """Return one quantity; refuse another unit than expected, and what cannot be true.

        Parameters
        ----------
        name, unit:
            Which, and in which unit.
        low, high:
            Smallest and largest value that can be true, in this unit. Of what can only be above 0
            the standard uncertainty is not larger than the value.

        Raises
        ------
        CertificateProblem
            There is none of that name, its unit is another, or it is out of range.
        """
        found = self.quantities.get(name)
        if found is None:
            raise CertificateProblem(
                f'Certificate {self.identifier} has no quantity "{name}".',
                f"It has: {', '.join(self.quantities)}.",
            )
        if found.unit != unit:
            raise CertificateProblem(
                f'Certificate {self.identifier}: "{name}" is in {found.unit}, '
                f"but {unit} is needed.",
                f"Give it in {unit}.",
            )
        if not low <= found.value <= high:
            raise CertificateProblem(
                f'Certificate {self.identifier}: "{name}" is {found.value:.6g} {unit}, outside '
                f"{low:g} to {high:g} {unit}.",
                "Correct the certificate, or make it again.",
            )
        if not found.standard_uncertainty <= (found.value if low > 0.0 else high):
            raise CertificateProblem(
                f'Certificate {self.identifier}: the uncertainty of "{name}" is '
                f"{found.standard_uncertainty:.3g} {unit}, which is too large.",
                "Correct the certificate, or make it again.",
            )
        return found

    def check_use(self, kind: str, day: datetime.date, accepted: bool = False) -> tuple[str, ...]:
        """Refuse a certificate that does not fit; return what must stand in the result.

        Parameters
        ----------
        kind:
            Kind that is needed, one of `KINDS`.
        day:
            Day of the titration.
        accepted:
            Use it though it is expired or dated after `day`; a sentence then says so.

        Raises
        ------
        CertificateProblem
            It is of another kind, or expired or dated after `day` and not accepted.
        """
        if kind != self.kind:
            raise CertificateProblem(
                f"Certificate {self.identifier} is for {self.kind} ({self.what}), not for {kind}.",
                f"Name a certificate for {kind}.",
            )
        if self.date > day:
            sentence = (
                f"Certificate {self.identifier} is dated {self.date}, after the day of use {day}."
            )
            remedy = "Check its date, the date of the record and the clock of this computer."
        elif self.expiry is not None and day > self.expiry:
            sentence = f"Certificate {self.identifier} ({self.what}) expired on {self.expiry}."
            remedy = "Calibrate again."
        else:
            return ()
        return (self.doubt(sentence, remedy, accepted),)

    def doubt(self, sentence: str, remedy: str, accepted: bool) -> str:
        """Return what must stand in the result where a doubt is accepted, or refuse.

        Raises
        ------
        CertificateProblem
            The doubt is not accepted.
        """
        if not accepted:
            raise CertificateProblem(
                sentence,
                f"{remedy} To use it anyway, accept {self.identifier} by name: "
                "accept = [...] under [certificates] in the record, or --accept-certificate.",
            )
        return f"{sentence} It was used because you asked for it."

    def to_json(self) -> dict[str, object]:
        """Plain dictionary for JSON."""
        return {
            "format": FORMAT,
            "id": self.identifier,
            "kind": self.kind,
            "what": self.what,
            "date": self.date.isoformat(),
            "expiry": None if self.expiry is None else self.expiry.isoformat(),
            "operator": self.operator,
            "quantities": {name: q.to_json() for name, q in self.quantities.items()},
            "readings": {name: list(values) for name, values in self.readings.items()},
            "remarks": list(self.remarks),
            "details": plain_of(self.details),
        }


def certificate_from_json(data: object, where: str) -> Certificate:
    """Read what `Certificate.to_json` wrote; `where` is named in errors.

    Raises
    ------
    CertificateProblem
        A key is missing, unknown or cannot be used.
    """
    try:
        table = checked_table(data, _NEEDED, _ALLOWED, where)
        if table["format"] != FORMAT:
            raise QuantityProblem(
                f"{where}: format is {shown(table['format'])}, this program reads {FORMAT}.",
                "Make the certificate again, or use the program that wrote it.",
            )
        identifier = checked_text(table["id"], f"{where}: id")
        quantities = checked_any(table["quantities"], f"{where}: quantities")
        return Certificate(
            identifier=identifier,
            kind=checked_text(table["kind"], f"{where}: kind"),
            what=checked_text(table["what"], f"{where}: what"),
            date=_day(table["date"], f"{where}: date"),
            expiry=None
            if table.get("expiry") is None
            else _day(table["expiry"], f"{where}: expiry"),
            operator=checked_text(table["operator"], f"{where}: operator"),
            quantities={
                name: quantity_from_json(q, f"{where}: {name}", f"{identifier}: {name}")
                for name, q in quantities.items()
            },
            readings=_readings(table.get("readings", {}), f"{where}: readings"),
            remarks=_remarks(table.get("remarks", []), f"{where}: remarks"),
            details=checked_any(table.get("details", {}), f"{where}: details"),
        )
    except CalibrationProblem as problem:
        named = problem.sentence.startswith(where)
        sentence = problem.sentence if named else f"{where}: {problem.sentence}"
        raise CertificateProblem(sentence, problem.remedy) from None


def _day(value: object, where: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(value if isinstance(value, str) else "")
    except ValueError:
        raise QuantityProblem(
            f"{where} is {shown(value)}, not a day.", 'Write year-month-day: "2026-03-31".'
        ) from None


def _readings(data: object, where: str) -> dict[str, tuple[float, ...]]:
    series = {}
    for name, values in checked_any(data, where).items():
        if not isinstance(values, list):
            raise QuantityProblem(f"{where}: {name} is not a list.", "Write [1.23, 4.56].")
        series[name] = tuple(
            checked_number(v, f"{where}: {name}, number {n}") for n, v in enumerate(values, 1)
        )
    return series


def _remarks(data: object, where: str) -> tuple[str, ...]:
    if not isinstance(data, list):
        raise QuantityProblem(f"{where} is not a list of texts.", 'Write ["..."].')
    return tuple(checked_text(text, where) for text in data)


def read_certificate(path: Path) -> Certificate:
    """Read a certificate file; whether it may be used is `Certificate.check_use`.

    Raises
    ------
    CertificateProblem
        The file cannot be read, is not JSON, or is not a certificate.
    """
    try:
        data = json_of(read_text(path, MAX_BYTES), path.name)
    except Unreadable as why:
        raise CertificateProblem(
            f"The certificate {path.name} cannot be read ({why.reason}).", _REMEDIES[why.kind]
        ) from None
    return certificate_from_json(data, path.name)


def write_certificate(certificate: Certificate, path: Path) -> None:
    """Write a certificate; an older file of that name is replaced only once all is written.

    Raises
    ------
    CertificateProblem
        The file cannot be written.
    """
    text = json.dumps(certificate.to_json(), indent=1, ensure_ascii=False, allow_nan=False)
    try:
        write_whole(path, (text + "\n").encode("utf-8"))
    except OSError as error:
        raise CertificateProblem(
            f"The certificate {path.name} cannot be written: {error.strerror}.",
            "Choose a folder that you can write to.",
        ) from None
