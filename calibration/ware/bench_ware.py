"""Ware that a sheet states, by its class or by its certificate, in use on one day."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from calibration.cells import Section
from calibration.certificate import Certificate, read_certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity
from calibration.ware.burette import (
    CalibratedBurette,
    burette_from_certificate,
    calibrated_burette_volume,
    certified_kind,
    deliveries_from_certificate,
)
from calibration.ware.glassware import (
    Temperature,
    Ware,
    burette_volume,
    pipette_deliveries,
    ware_from_table,
)


@dataclass(frozen=True)
class Session:
    """What all volumes of one day's work have in common."""

    identifier: str
    """Of the work; it ends the names of what belongs to this day only."""
    date: datetime.date
    temperature_c: float | None
    """Of all solutions; None where it was not measured."""
    half_width_c: float | None
    """Half width of the temperature, rectangular; None for the default of `glassware`."""
    folder: Path
    """Where the paths of certificates begin."""
    accepted: tuple[str, ...] = ()
    """Identifiers of certificates that are to be used though they are expired."""

    def temperature(self) -> Temperature:
        """Temperature of a piece of ware: one for all, so that pipette and flask cancel."""
        return {
            "temperature_c": self.temperature_c,
            "temperature_half_width_c": self.half_width_c,
            "temperature_name": f"temperature, {self.identifier}",
        }


@dataclass(frozen=True)
class BenchWare:
    """One piece of ware; exactly one of `ware` and `certificate` is there."""

    name: str
    """Kind and name: "burette B2"."""
    nominal_ml: float
    ware: Ware | None
    certificate: Certificate | None
    burette: CalibratedBurette | None = None
    remarks: tuple[str, ...] = ()

    def delivered(
        self, volume_ml: float, label: str, fills: int, start_ml: float, session: Session
    ) -> Quantity:
        """Volume from a burette in mL at 20 °C, with readings of its own.

        Parameters
        ----------
        volume_ml:
            Difference of the readings, or their sum over several fills.
        label:
            Name of this titration.
        fills, start_ml:
            How often it was filled, and the first reading.
        session:
            The day.
        """
        temperature = session.temperature()
        if self.burette is not None:
            return calibrated_burette_volume(
                self.burette, volume_ml, label, start_ml=start_ml, fills=fills, **temperature
            )
        assert self.ware is not None
        return burette_volume(self.ware, volume_ml, label, fills=fills, **temperature)

    def filled(self, times: int, label: str, session: Session) -> Quantity:
        """Sum of fillings of a pipette or a flask, mL at 20 °C; each filling is its own."""
        if self.certificate is not None:
            parts = deliveries_from_certificate(
                self.certificate, times, label, **session.temperature()
            )
        else:
            assert self.ware is not None
            parts = pipette_deliveries(self.ware, times, label=label, **session.temperature())
        total = parts[0]
        for part in parts[1:]:
            total = total + part
        return total


def bench_ware(section: Section, kind: str, session: Session) -> BenchWare:
    """Piece of ware under the key `kind` of the table [ware].

    Either { nominal_ml = 50, class = "A", division_ml = 0.1, name = "B2" }; the name is needed,
    since it is what correlates. Or { certificate = "burette-b2.json" }, or that file name alone.

    Raises
    ------
    CalibrationProblem
        It is missing, has no name, is in no table of limits, or its certificate cannot be used.
    """
    if isinstance(section.cells.get(kind), str):
        return _certified(section, kind, section.text(kind), kind, session)
    table = section.section(kind)
    if table.has("certificate"):
        found = _certified(table, "certificate", table.text("certificate"), kind, session)
        table.close()
        return found
    table.text("name")
    ware = ware_from_table(table.cells, kind, table.where)
    return BenchWare(ware.name, ware.tolerance.nominal_ml, ware, None)


def _certified(section: Section, key: str, named: str, kind: str, session: Session) -> BenchWare:
    try:
        certificate = read_certificate(session.folder / named)
        accepted = certificate.identifier in session.accepted
        remarks: Sequence[str] = certificate.check_use("glassware", session.date, accepted)
        found = certified_kind(certificate)
        if found != kind:
            raise section.problem(
                key,
                f"names {named}, the certificate of a {found}.",
                f"Name the certificate of the {kind}.",
            )
        burette = burette_from_certificate(certificate) if kind == "burette" else None
        nominal = certificate.details.get("nominal_ml")
        if burette is not None:
            nominal = burette.marks_ml[-1]
        name = f"{kind} {certificate.details.get('name')}"
    except CalibrationProblem as problem:
        if problem.sentence.startswith(section.where):
            raise
        raise section.problem(key, f"cannot be used: {problem.sentence}", problem.remedy) from None
    if isinstance(nominal, bool) or not isinstance(nominal, int | float) or not nominal > 0:
        raise section.problem(
            key, f"names {named}, which states no nominal_ml.", "Calibrate that piece again."
        )
    return BenchWare(name, float(nominal), None, certificate, burette, tuple(remarks))
