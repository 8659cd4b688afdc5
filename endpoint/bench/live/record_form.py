"""From a titration record to the values of the set-up form, and what the form cannot hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.bench.live.form import DIVISION_ML, WARE_CLASSES
from endpoint.record.titration import TitrationRecord

_USUAL_ML = 50.0
"""Size of a piece of ware that a record names by its class alone."""


def form_of(record: TitrationRecord, job: AnalysisInputs) -> tuple[dict[str, Any], tuple[str, ...]]:
    """Values for the form, and the names of what the record states beyond it.

    Parameters
    ----------
    record:
        The checked record.
    job:
        What became of it, with certificates read.
    """
    titrant, sample_ml = job.titrant_mol_l, sum(record.deliveries_ml)
    form: dict[str, Any] = {
        "label": record.label,
        "sample_ml": sample_ml,
        "fillings": len(record.deliveries_ml),
        "added_ml": record.added_ml,
        "titrant_mol_l": titrant.value,
        "titrant_uncertainty_mol_l": titrant.standard_uncertainty or None,
    }
    if job.lag_s is not None:
        form["lag_s"], form["lag_uncertainty_s"] = job.lag_s
    if record.seen is not None:
        form |= {
            "mode": record.seen.kind,
            "first_reading_ml": record.seen.start_ml,
            "division_ml": record.seen.division_ml,
        }
    left_out = [name for name, stated in _beyond(record).items() if stated]
    for kind in ("burette", "pipette"):
        stated = record.ware.get(kind)
        held = _piece(stated, kind, sample_ml)
        form |= held
        if stated is not None and not held:
            left_out.append(kind)
    return {k: v for k, v in form.items() if v is not None}, tuple(left_out)


def _beyond(record: TitrationRecord) -> dict[str, bool]:
    return {
        "blank": record.blank_ml is not None or record.blank_result is not None,
        "calcium": record.calcium is not None,
        "temperature": record.temperature_c is not None,
        "certificate of the camera": record.medium_certificate is not None,
        "indicator": record.indicator_name is not None or record.indicator_file is not None,
    }


def _piece(stated: object, kind: str, sample_ml: float) -> dict[str, Any]:
    """Entries of the form for a piece of ware; none if the form has no place for it."""
    table = {"nominal_ml": _USUAL_ML, "class": stated} if isinstance(stated, str) else stated
    if not isinstance(table, Mapping) or "certificate" in table or "standard" in table:
        return {}
    nominal, ware_class = table.get("nominal_ml"), table.get("class")
    if not isinstance(nominal, int | float) or ware_class not in WARE_CLASSES:
        return {}
    if kind == "pipette":
        return {"pipette_class": ware_class, "fillings": max(round(sample_ml / nominal), 1)}
    usual_ml = DIVISION_ML.get(float(nominal))
    if usual_ml is None or table.get("division_ml", usual_ml) != usual_ml:
        return {}
    return {"burette_nominal_ml": float(nominal), "burette_class": ware_class}
