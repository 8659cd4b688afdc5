"""Hardness from titres that were read by eye, direct or as a back titration.

    direct:  hardness = c(EDTA) (V - e - blank) / V_sample; with a blank read by the same eye,
             whose end has the same error, c(EDTA) (V - blank) / V_sample
    back:    hardness = (c(EDTA) V(EDTA) - c(metal) (V - e)) / V_sample

V is the mean titre and e the error of an end read by eye, end minus equivalence volume. It has one
name for one person and indicator, so that it cancels against a titrant that the same person
standardised with the same indicator, also through a certificate file.

In a back titration EDTA is added in excess and the rest is titrated with zinc or magnesium; the
change of colour is from blue to red. It serves waters in which the metal blocks the indicator or
reacts too slowly with EDTA.
"""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from typing import Any

from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity
from calibration.standardisation.end_error import ASSUMED_END_U_ML, end_read_by_eye
from calibration.standardisation.titres import Repeatability, Titre, Titres, mean_of
from calibration.ware.tolerance import titre_remarks
from calibration.wording import listed
from endpoint.analysis.calcium import calcium_missing, calcium_of, calcium_remarks
from endpoint.analysis.quantities import (
    BenchQuantities,
    bench_quantities,
    day_of_use,
    second_titre,
    stated_alkalinity,
    stated_titrant,
    titrant_from,
)
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.chemistry.other_indicators import other_indicator
from endpoint.hardness.formula import (
    Formula,
    Hardness,
    hardness,
    hardness_of,
    sample_inputs,
    subtrahends,
    titrated,
    total_of,
)
from endpoint.hardness.method import with_method
from endpoint.hardness.other_metals import BOILED, blocking, subtracted
from endpoint.hardness.solid import Content, content_of, content_remarks
from endpoint.hardness.split import (
    Split,
    calcium_and_magnesium,
    carbonate_and_other,
    permanent_and_temporary,
)
from endpoint.messages import remark
from endpoint.problems import RecordProblem
from endpoint.record.by_eye import (
    BackTitration,
    BoiledPart,
    EyeRecord,
    known_indicator,
)
from endpoint.record.certificates import CertificateBook, UsedCertificate
from endpoint.verdict.carbonate import LIMIT_MIN

FILLING = ": filling"
_SOMEBODY = "analyst not named"


@dataclass(frozen=True)
class EyeResult:
    """Hardness from titres read by eye, and what it was made from."""

    record: EyeRecord
    titres: Titres
    net_titre_ml: Quantity
    """Mean titre at 20 °C less the error of the end, but where the blank takes that with it; the
    blank is not yet subtracted."""
    blank_ml: Quantity | None
    blank_by_eye: bool
    """Whether the blank was read by the same eye, so that the error of the end cancels."""
    content: Content | None
    """Of the solid, where the sample is the digest of one."""
    hardness: Hardness
    splits: tuple[Split, ...]
    """Calcium and magnesium; permanent and temporary hardness."""
    remarks: tuple[str, ...]
    missing: tuple[str, ...]
    certificates: tuple[UsedCertificate, ...]


def work_out(record: EyeRecord, today: datetime.date) -> EyeResult:
    """Work out the hardness of a record of titres read by eye.

    Parameters
    ----------
    record:
        The checked record.
    today:
        Day of use for certificates where the record has no date.

    Raises
    ------
    Problem
        A file that the record names cannot be used, or the readings cannot be.
    """
    book = CertificateBook(day_of_use(record, today), record.accepted)
    bench = bench_quantities(record, book)
    try:
        titres = _mean(record, bench)
        error, remarks = _end_error(record)
        blank_by_eye = record.blank_ml is not None
        if blank_by_eye:
            error, remarks = Quantity(0.0, "mL"), ()
        net = titres.mean_ml - error
    except CalibrationProblem as problem:
        raise RecordProblem(f"{record.name}: {problem.sentence}", problem.remedy) from None
    others = subtracted(record.other_metals, record.label)
    if record.back_titration is None:
        sample = _without_fillings(bench.deliveries_ml)
        formula = titrated(net, bench.titrant_mol_l, sample, bench.blank_ml, others)
    else:
        formula = _back_titrated(record, record.back_titration, net, others, bench, book)
    total = hardness_of(formula, others)
    if bench.method is not None:
        total = with_method(total, bench.method, bench.titrant_mol_l, "by eye")
        formula = Formula(lambda found: found, (("hardness", total.mmol_l.scaled(1e-3, "mol/L")),))
    splits = []
    calcium = calcium_of(record, bench, book)
    if calcium is not None and record.calcium is not None:
        by = record.calcium.by
        splits.append(calcium_and_magnesium(total.mmol_l, calcium, by, record.other_metals))
    if record.boiled is not None:
        boiled = _boiled(record.boiled, record, bench, titres, error)
        splits.append(permanent_and_temporary(total.mmol_l, boiled, record.other_metals))
    alkalinity = stated_alkalinity(record)
    if alkalinity is not None:
        splits.append(carbonate_and_other(total.mmol_l, alkalinity))
    content = None if record.solid is None else content_of(formula, record.solid)
    return EyeResult(
        record=record,
        titres=titres,
        net_titre_ml=net,
        blank_ml=bench.blank_ml,
        blank_by_eye=blank_by_eye,
        content=content,
        hardness=total,
        splits=tuple(splits),
        remarks=(
            *titres.remarks,
            *_indicator_remarks(record),
            *_flask_remarks(record),
            *([] if content is None else content_remarks(content)),
            *bench.titrant_words,
            *remarks,
            *_size_remarks(titres, bench),
            *calcium_remarks(record),
        ),
        missing=(
            *bench.missing,
            *calcium_missing(record),
            *(() if content is None else content.missing),
        ),
        certificates=book.used,
    )


def _indicator_remarks(record: EyeRecord) -> tuple[str, ...]:
    if known_indicator(record.indicator) is not None:
        return ()
    other = other_indicator(record.indicator)
    said = (
        f"The program does not know the indicator {record.indicator}: make sure that it changes at "
        "the end of this titration."
        if other is None
        else f"{other.sentence}, but the program has no constants for it."
    )
    return (
        f"{said} How far from the equivalence volume it changes is not accounted for, except by "
        "error_ml or a blank read by the same eye.",
    )


def _flask_remarks(record: EyeRecord) -> tuple[str, ...]:
    """What [conditions] and [other_metals] mean for an end that was read by eye."""
    stated, said = record.conditions, []
    indicator = known_indicator(record.indicator) or ERIOCHROME_BLACK_T
    low, high = indicator.ph_range
    if stated.ph is not None and not low <= stated.ph <= high:
        said.append(
            f"The pH of {stated.ph:g} lies outside the {low:g} to {high:g} at which "
            f"{indicator.name} changes sharply. {indicator.words['ph_drift']}."
        )
    if stated.is_chemical:
        said.append(
            "[conditions] does not change the result of titres read by eye: state in error_ml how "
            "far from the equivalence volume the end was read."
        )
    minutes = stated.minutes_since_buffer
    if minutes is not None and minutes > LIMIT_MIN:
        said.append(
            f"The titration began {minutes:g} minutes after the buffer went in, and AOAC 973.52 "
            f"allows {LIMIT_MIN:g} to the end: calcium carbonate may have fallen, so that titres "
            "come out low. The interval does not include this."
        )
    sample_ml = math.fsum(record.deliveries_ml)
    held = blocking(record.other_metals, sample_ml / (sample_ml + record.added_ml))
    if held:
        words = {**indicator.words, "metals": listed(held)}
        found = remark("indicator-blocked", words)
        said.append(f"{found.text} {found.advice}")
    return tuple(said)


def _size_remarks(titres: Titres, bench: BenchQuantities) -> tuple[str, ...]:
    if bench.burette_nominal_ml is None:
        return ()
    nominal, mean = bench.burette_nominal_ml, titres.mean_ml.value
    said = titre_remarks(nominal, mean)
    if mean > nominal:
        said += (
            f"The titre of {mean:.2f} mL needs {math.ceil(mean / nominal)} fillings of the burette "
            f"of {nominal:g} mL, and each adds its error: take less sample, or check the titres.",
        )
    return said


def _mean(record: EyeRecord, bench: BenchQuantities) -> Titres:
    """Mean titre; each carries its own readings and its own fillings of the pipette."""
    listed = []
    for number, volume_ml in enumerate(record.titres_ml, 1):
        own = f"{record.label}, titre {number}"
        volume = Quantity(volume_ml, "mL")
        read = volume if bench.burette is None else bench.burette(volume, own)
        sample = total_of(bench.sample_of(record.deliveries_ml, own))
        fillings = {n: c for n, c in sample.contributions.items() if FILLING in n}
        own_filling = Quantity(0.0, "mL", fillings).scaled(read.value / sample.value)
        listed.append(Titre(read + own_filling, own))
    earlier = None
    if record.repeatability is not None:
        sd, titrations = record.repeatability
        earlier = Repeatability(sd, titrations - 1.0)
    return mean_of(listed, record.label, earlier=earlier)


def _without_fillings(deliveries: tuple[Quantity, ...]) -> tuple[Quantity, ...]:
    """Deliveries without their fillings, which the titres carry."""
    return tuple(
        Quantity(q.value, q.unit, {n: c for n, c in q.contributions.items() if FILLING not in n})
        for q in deliveries
    )


def _end_error(record: EyeRecord) -> tuple[Quantity, tuple[str, ...]]:
    analyst = record.analyst or _SOMEBODY
    stated = record.error_standard_uncertainty_ml
    u = ASSUMED_END_U_ML if stated is None else stated
    error = end_read_by_eye(analyst, record.indicator, record.error_ml or 0.0, u)
    if stated is not None:
        return error, ()
    return error, (
        f"The error of the end read by eye is not stated: 0 mL with the standard uncertainty "
        f"{u:g} mL is taken. It cancels in part where {record.analyst or 'the same person'} "
        "standardised the titrant with the same indicator; recording some of the titrations shows "
        "it.",
    )


def _back_titrated(
    record: EyeRecord,
    back: BackTitration,
    net_ml: Quantity,
    others: list[tuple[str, Quantity]],
    bench: BenchQuantities,
    book: CertificateBook,
) -> Formula:
    if bench.blank_ml is not None:
        raise RecordProblem(
            f"{record.name}: [blank] and [back_titration] cannot be used together.",
            "Titrate the blank in the same way, and subtract its hardness.",
        )
    edta = second_titre(back.edta_ml, back.edta_standard_uncertainty_ml or 0.02, "EDTA added", None)
    if back.metal_certificate is not None:
        metal = titrant_from(book.read(back.metal_certificate, "titrant", "metal solution"))
    else:
        metal = stated_titrant(
            back.metal_mol_l or 0.0, back.metal_standard_uncertainty_mol_l, "metal solution"
        )
    excess = bench.titrant_mol_l.value * edta.value - metal.value * net_ml.value
    if excess <= 0.0:
        raise RecordProblem(
            f"{record.name}: the back titration used more metal ({metal.value * net_ml.value:.4g} "
            f"mmol) than EDTA was added ({bench.titrant_mol_l.value * edta.value:.4g} mmol).",
            "Check edta_ml, both concentrations and the titres.",
        )

    fillings = len(bench.deliveries_ml)

    def model(titrant: Any, edta_ml: Any, metal_mol_l: Any, titre_ml: Any, *rest: Any) -> Any:
        taken = (titrant * edta_ml - metal_mol_l * titre_ml) / total_of(rest[:fillings])
        return taken - total_of(rest[fillings:]) if len(rest) > fillings else taken

    inputs = (
        ("titrant", bench.titrant_mol_l),
        ("EDTA added", edta),
        ("metal solution", metal),
        ("back titre", net_ml),
        *sample_inputs(_without_fillings(bench.deliveries_ml)),
        *subtrahends(others),
    )
    return Formula(model, inputs)


def _boiled(
    part: BoiledPart,
    record: EyeRecord,
    bench: BenchQuantities,
    titres: Titres,
    error_ml: Quantity,
) -> Quantity:
    """Hardness after boiling, mmol/L: same eye, same indicator, same blank."""
    scatter = part.standard_uncertainty_ml
    if scatter is None:
        scatter = max(titres.standard_deviation_ml or 0.0, titres.expected_ml, 0.02)
    titre = second_titre(part.titre_ml, scatter, "boiled sample", bench.burette) - error_ml
    deliveries = bench.sample_of(part.deliveries_ml, f"{record.label}, boiled")
    others = subtracted(record.other_metals, record.label, BOILED)
    return hardness(titre, bench.titrant_mol_l, deliveries, bench.blank_ml, others).mmol_l
