"""Calcium titrated alone, at pH 12 to 13 or with EGTA."""

from __future__ import annotations

from calibration.problem import CalibrationProblem, Problem
from calibration.quantity import Quantity
from endpoint.analysis.quantities import (
    BLANK_DEFAULT_U_ML,
    BenchQuantities,
    of_result,
    second_titre,
    stated_titrant,
    titrant_from,
)
from endpoint.hardness.formula import hardness
from endpoint.hardness.other_metals import HIGH_PH, subtracted
from endpoint.problems import RecordProblem
from endpoint.record.certificates import CertificateBook
from endpoint.record.sample_and_ware import BenchRecord, CalciumPart


def calcium_of(
    record: BenchRecord, bench: BenchQuantities, book: CertificateBook
) -> Quantity | None:
    """Calcium in mmol/L from the second titration, if there is one.

    Raises
    ------
    Problem
        A file named by the record is missing or cannot be used, or the readings cannot be.
    """
    part = record.calcium
    if part is None:
        return None
    try:
        if part.result is not None:
            titre = of_result(part.result, "calcium titration")
        else:
            u = part.standard_uncertainty_ml
            titre = second_titre(part.titre_ml or 0.0, u, "calcium titration", bench.burette)
        blank = None
        if part.blank_ml:
            name = "calcium titration: blank"
            blank = Quantity.measured(part.blank_ml, "mL", BLANK_DEFAULT_U_ML, name)
        return hardness(
            titre,
            _titrant(part, bench, book),
            bench.sample_of(part.deliveries_ml, f"{record.label}, calcium"),
            blank,
            subtracted(record.other_metals, record.label, treated_for(part.by)),
        ).mmol_l
    except CalibrationProblem as problem:
        raise RecordProblem(problem.sentence, problem.remedy) from None
    except Problem as problem:
        raise RecordProblem(
            f"{record.name}: [calcium] cannot be worked out: {problem.sentence}", problem.remedy
        ) from None


def treated_for(by: str | None) -> str | None:
    """What a way to titrate calcium does to other metals; EGTA takes them up as EDTA does."""
    return HIGH_PH if by == HIGH_PH else None


def _titrant(part: CalciumPart, bench: BenchQuantities, book: CertificateBook) -> Quantity:
    """Solution of its own, or the EDTA of the first titration."""
    if part.certificate is not None:
        return titrant_from(book.read(part.certificate, "titrant", part.reagent))
    if part.concentration_mol_l is not None:
        u = part.standard_uncertainty_mol_l
        return stated_titrant(part.concentration_mol_l, u, part.reagent)
    return bench.titrant_mol_l


def calcium_missing(record: BenchRecord) -> tuple[str, ...]:
    """What the record does not state of the titrant of calcium."""
    part = record.calcium
    stated = part is None or part.standard_uncertainty_mol_l is not None
    if part is None or stated or part.concentration_mol_l is None:
        return ()
    return (f"concentration of the {part.reagent} (no uncertainty stated)",)


def calcium_remarks(record: BenchRecord) -> tuple[str, ...]:
    """What to mind about the blank of calcium titrated alone."""
    part = record.calcium
    if part is None or not record.has_blank or part.blank_ml is not None:
        return ()
    return (
        "The [blank] is not subtracted from the titre of calcium, because other reagents were "
        "in that flask: titrate a blank with them and state it as blank_ml in [calcium].",
    )
