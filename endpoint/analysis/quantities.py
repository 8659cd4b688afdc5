"""What a record says of sample, titrant, ware and blank, as quantities with named contributions."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Protocol

from calibration.certificate import Certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity
from calibration.standardisation.factor import factor_on
from calibration.ware.burette import (
    CORRECTIONS_ML,
    WARE_ML,
    CalibratedBurette,
    burette_from_certificate,
    calibrated_burette_volume,
    deliveries_from_certificate,
)
from calibration.ware.glassware import (
    Temperature,
    Ware,
    burette_volume,
    pipette_deliveries,
    ware_from_table,
)
from endpoint.hardness.titre import CONCENTRATIONS_MOL_L
from endpoint.hardness.titre_files import read_runs
from endpoint.hardness.titre_table import TitreSetup
from endpoint.problems import RecordProblem
from endpoint.record.certificates import CertificateBook
from endpoint.record.sample_and_ware import BenchRecord
from endpoint.recording.volume_log import Refill
from endpoint.rounding import format_quantity

BLANK_DEFAULT_U_ML = 0.02
_TITRE_DEFAULT_U_ML = 0.05
"""One drop, for a second titre read by eye (common practice, no source)."""
SampleOf = Callable[[Sequence[float], str], tuple[Quantity, ...]]


class BuretteUse(Protocol):
    """What a burette does to a volume that was read on it."""

    def __call__(self, volume_ml: Quantity, label: str = "") -> Quantity:
        """Volume delivered at 20 °C; a label keeps the readings of several titres apart."""


@dataclass(frozen=True)
class BenchQuantities:
    """Inputs of a hardness but for the titre."""

    deliveries_ml: tuple[Quantity, ...]
    titrant_mol_l: Quantity
    blank_ml: Quantity | None
    burette: BuretteUse | None
    """Turns a volume that was read into the volume delivered at 20 °C; None without a burette."""
    burette_nominal_ml: float | None
    method: Certificate | None
    """Verification of the method on this bench."""
    sample_of: SampleOf
    """Deliveries of the same pipette for other fillings: volumes in mL, and a label."""
    missing: tuple[str, ...]
    """What the record does not state, so that its uncertainty is not in the budget."""
    titrant_words: tuple[str, ...] = ()
    """Which of several standardisations is in force."""


def bench_quantities(
    record: BenchRecord,
    book: CertificateBook,
    *,
    reading_limit_ml: float | None = None,
    refills: Sequence[Refill] = (),
) -> BenchQuantities:
    """Put what a record says into quantities.

    Parameters
    ----------
    record:
        The checked record.
    book:
        Reads the certificates that the record names, and remembers them.
    reading_limit_ml:
        Half width of one reading of the burette; None for a fifth of a division, 0 for a pump.
    refills:
        When the burette was filled again during the titration: both readings of each err.

    Raises
    ------
    Problem
        A file named by the record is missing or cannot be used, or values contradict each other.
    """
    missing: list[str] = []
    try:
        sample_of = _sampler(record, book, missing)
        deliveries = sample_of(record.deliveries_ml, record.label)
        burette = _burette(record, book, reading_limit_ml, missing, refills)
        titrant, titrant_words = _titrant(record, book, missing)
        missing += [
            f"{metal.name} in the sample (no uncertainty stated)"
            for metal in record.other_metals
            if metal.standard_uncertainty_mg_l is None
        ]
        if record.alkalinity_mmol_l is not None and not record.alkalinity_mmol_l[1]:
            missing.append("alkalinity (no uncertainty stated)")
        blank = _blank(record)
    except CalibrationProblem as problem:
        raise RecordProblem(problem.sentence, problem.remedy) from None
    return BenchQuantities(
        deliveries_ml=deliveries,
        titrant_mol_l=titrant,
        blank_ml=blank,
        burette=None if burette is None else burette[0],
        burette_nominal_ml=None if burette is None else burette[1],
        method=None if record.method is None else book.read(record.method, "method", "method"),
        sample_of=sample_of,
        missing=tuple(dict.fromkeys(missing)),
        titrant_words=titrant_words,
    )


def day_of_use(record: BenchRecord, today: datetime.date) -> datetime.date:
    """Day of the titration, by default today.

    Raises
    ------
    RecordProblem
        The record is dated after today.
    """
    if record.day is not None and record.day > today:
        raise RecordProblem(
            f"{record.name}: sample.date is {record.day}, which is in the future (today is "
            f"{today}).",
            "Correct the date, or the clock of this computer.",
        )
    return record.day or today


def titrant_from(certificate: Certificate) -> Quantity:
    """Concentration in mol/L of a certificate of a titrant, or of another standard solution.

    Raises
    ------
    CalibrationProblem
        It is not there, or outside what can be titrated with.
    """
    return certificate.quantity("concentration", "mol/L", *CONCENTRATIONS_MOL_L)


def stated_titrant(
    value_mol_l: float, standard_uncertainty_mol_l: float | None, name: str = "titrant"
) -> Quantity:
    """Concentration in mol/L as typed; without uncertainty where none is known."""
    if standard_uncertainty_mol_l is None:
        return Quantity(value_mol_l, "mol/L")
    return Quantity.measured(
        value_mol_l, "mol/L", standard_uncertainty_mol_l, f"{name}: concentration"
    )


def _titrant(
    record: BenchRecord, book: CertificateBook, missing: list[str]
) -> tuple[Quantity, tuple[str, ...]]:
    """Concentration of the EDTA; of several standardisations also in words which is in force."""
    if record.certificate is not None:
        return titrant_from(book.read(record.certificate, "titrant", "titrant")), ()
    if record.certificates:
        series = book.read_series(record.certificates, "titrant", "titrant")
        found = factor_on(book.day, series)
        return found, (_in_force(book.day, series, found),)
    u = record.standard_uncertainty_mol_l
    if u is None:
        missing.append("concentration of the titrant (no uncertainty stated)")
    return stated_titrant(record.concentration_mol_l or 0.0, u), ()


def _in_force(day: datetime.date, series: Sequence[Certificate], found: Quantity) -> str:
    before = [each for each in series if each.date <= day]
    after = [each for each in series if each.date > day]
    named = [f"{each.identifier} ({each.date})" for each in (*before[-1:], *after[:1])]
    between = f"{'between ' if len(named) == 2 else ''}{' and '.join(named)}"
    shown = format_quantity(found.value, found.expanded_uncertainty(0.95), "mol/L")
    return f"Titrant on {day}: {shown} (95 %), by its standardisation: {between}."


def _temperature(record: BenchRecord) -> Temperature:
    """Water and titrant share the temperature that the record states, so most of it cancels."""
    known = record.temperature_c is not None
    return {
        "temperature_c": record.temperature_c,
        "temperature_half_width_c": record.temperature_half_width_c,
        "temperature_name": f"temperature of water and titrant, {record.label}" if known else None,
    }


def _certificate_path(stated: object) -> Path | None:
    """Path of the certificate that a piece of ware names, if it names one."""
    if isinstance(stated, Path):
        return stated
    path = stated.get("certificate") if isinstance(stated, Mapping) else None
    return path if isinstance(path, Path) else None


def ware_of(record: BenchRecord, kind: str) -> Ware | None:
    """Ware of a class; a bare class such as "A" means the usual 50 mL piece.

    Raises
    ------
    CalibrationProblem
        The ware is not described well enough.
    """
    stated = record.ware.get(kind)
    if stated is None or _certificate_path(stated) is not None or isinstance(stated, Path):
        return None
    if isinstance(stated, str):
        size = {"nominal_ml": 50, "division_ml": 0.1} if kind == "burette" else {"nominal_ml": 50}
        table: Mapping[str, Any] = {**size, "class": stated}
    else:
        table = stated
    return ware_from_table(table, kind, f"{record.name}: ware.{kind}")


def _certified(record: BenchRecord, book: CertificateBook, kind: str, path: Path) -> Certificate:
    """Certificate of a piece of ware, compared with what else the record says of the piece."""
    certificate = book.read(path, "glassware", kind)
    details = certificate.details
    stated = record.ware.get(kind)
    for key in ("name", "nominal_ml", "division_ml", "class"):
        said = stated.get(key) if isinstance(stated, Mapping) else None
        known = details.get(key)
        if said is not None and known is not None and said != known:
            book.doubt(
                path,
                kind,
                f"Certificate {certificate.identifier} is of a {kind} with {key} {known}, but the "
                f"record says {said}.",
                "Name the certificate of this piece.",
            )
    return certificate


def _sampler(record: BenchRecord, book: CertificateBook, missing: list[str]) -> SampleOf:
    """Return what turns nominal volumes into deliveries of the pipette of the record."""
    path = _certificate_path(record.ware.get("pipette"))
    if path is not None:
        certificate = _certified(record, book, "pipette", path)
        volume = certificate.quantity("volume", "mL", *WARE_ML)

        def certified(volumes_ml: Sequence[float], label: str) -> tuple[Quantity, ...]:
            times = _fillings(record, volumes_ml, volume.value)
            if "ware" not in certificate.details:
                return (volume,) * times
            return deliveries_from_certificate(certificate, times, label, **_temperature(record))

        return certified
    pipette = ware_of(record, "pipette")
    if pipette is None:
        missing.append("volume of the sample (no pipette stated)")
        return lambda volumes_ml, label: tuple(Quantity(v, "mL") for v in volumes_ml)

    def by_class(volumes_ml: Sequence[float], label: str) -> tuple[Quantity, ...]:
        times = _fillings(record, volumes_ml, pipette.tolerance.nominal_ml)
        return pipette_deliveries(pipette, times, label=label, **_temperature(record))

    return by_class


def _fillings(record: BenchRecord, volumes_ml: Sequence[float], pipette_ml: float) -> int:
    total = math.fsum(volumes_ml)
    fillings = round(total / pipette_ml)
    if fillings < 1 or abs(fillings * pipette_ml - total) > 0.01 * total:
        raise RecordProblem(
            f"{record.name}: {total:g} mL of sample is not a whole number of fillings of a "
            f"{pipette_ml:g} mL pipette.",
            "Correct sample.volume_ml or ware.pipette.",
        )
    return fillings


def _burette(
    record: BenchRecord,
    book: CertificateBook,
    reading_limit_ml: float | None,
    missing: list[str],
    refills: Sequence[Refill],
) -> tuple[BuretteUse, float | None] | None:
    """Use of the burette, and its size in mL where it is known; a result keeps it and pickles."""
    path = _certificate_path(record.ware.get("burette"))
    if path is not None:
        certificate = _certified(record, book, "burette", path)
        if "ware" not in certificate.details:
            correction = certificate.quantity("correction", "mL", *CORRECTIONS_ML)
            return partial(_corrected, correction), None
        burette = burette_from_certificate(certificate)
        return partial(
            _calibrated, record, burette, (reading_limit_ml, refills)
        ), burette.nominal_ml
    ware = ware_of(record, "burette")
    if ware is None:
        missing.append("volume of the titrant (no burette stated)")
        return None

    return partial(_by_class, record, ware, (reading_limit_ml, refills)), ware.tolerance.nominal_ml


def _corrected(correction: Quantity, volume_ml: Quantity, label: str = "") -> Quantity:
    return volume_ml + correction


def _calibrated(
    record: BenchRecord,
    burette: CalibratedBurette,
    read: tuple[float | None, Sequence[Refill]],
    volume_ml: Quantity,
    label: str = "",
) -> Quantity:
    start = record.first_reading_ml
    filled = _before(read[1], volume_ml.value)
    if start > 0.0 and not filled and start + volume_ml.value > burette.marks_ml[-1]:
        raise RecordProblem(
            f"{record.name}: from the first reading of {start:g} mL, {volume_ml.value:.2f} "
            f"mL reach beyond the {burette.marks_ml[-1]:g} mL of the {burette.name}.",
            "Check ware.first_reading_ml; a burette that is filled again begins at 0.",
        )
    return calibrated_burette_volume(
        burette,
        volume_ml,
        label or record.label,
        start_ml=start,
        fills=_fills(start + volume_ml.value, burette.marks_ml[-1]),
        refills=[(refill.delivered_ml, refill.reading_ml) for refill in filled],
        reading_limit_ml=read[0],
        **_temperature(record),
    )


def _by_class(
    record: BenchRecord,
    ware: Ware,
    read: tuple[float | None, Sequence[Refill]],
    volume_ml: Quantity,
    label: str = "",
) -> Quantity:
    filled = 1 + len(_before(read[1], volume_ml.value))
    return burette_volume(
        ware,
        volume_ml,
        label or record.label,
        fills=max(_fills(volume_ml.value, ware.tolerance.nominal_ml), filled),
        reading_limit_ml=read[0],
        **_temperature(record),
    )


def _before(refills: Sequence[Refill], volume_ml: float) -> list[Refill]:
    """Refills that lie before a delivered volume."""
    return [refill for refill in refills if refill.delivered_ml < volume_ml]


def _fills(volume_ml: float, capacity_ml: float) -> int:
    return max(1, math.ceil(volume_ml / capacity_ml - 1e-9))


def _blank(record: BenchRecord) -> Quantity | None:
    if record.blank_result is not None:
        return of_result(record.blank_result, "blank")
    if record.blank_ml is None:
        return None
    stated = record.blank_uncertainty_ml
    uncertainty = BLANK_DEFAULT_U_ML if stated is None else stated
    return Quantity.measured(record.blank_ml, "mL", uncertainty, "blank")


def of_result(path: Path, group: str) -> Quantity:
    """Titre of a kept result.

    Raises
    ------
    Problem
        It cannot be read, or has no equivalence volume.
    """
    (run,) = read_runs((path,), TitreSetup(), group)
    if run.titre_ml is None:
        raise RecordProblem(
            f"{path.name} has no equivalence volume ({run.status}): {run.reason}",
            f"Titrate the {group} again, or type its titre in the record.",
        )
    return run.titre_ml


def second_titre(
    titre_ml: float, standard_uncertainty_ml: float | None, name: str, burette: BuretteUse | None
) -> Quantity:
    """Titre that was read by eye once, from the same burette; one drop where nothing is stated."""
    u = _TITRE_DEFAULT_U_ML if standard_uncertainty_ml is None else standard_uncertainty_ml
    titre = Quantity.measured(titre_ml, "mL", u, f"{name}: reading of the end")
    return titre if burette is None else burette(titre, name)


def stated_alkalinity(record: BenchRecord) -> Quantity | None:
    """Acid capacity to pH 4.3 that a record states, mmol/L."""
    if record.alkalinity_mmol_l is None:
        return None
    value, u = record.alkalinity_mmol_l
    return Quantity.measured(value, "mmol/L", u or 0.0, f"alkalinity, {record.label}")
