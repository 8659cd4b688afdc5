"""From the form on the set-up page to the record of the run and its job, and back. No paths."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.prepare import job_before_run
from endpoint.problems import RecordProblem
from endpoint.record.titration import TitrationRecord, parse_record

NAME = "The set-up"
START_UNCERTAINTY_S = 0.2
"""Standard uncertainty of a start pressed by hand (common practice, no source)."""
WARE_CLASSES = ("A", "AS", "B")
DIVISION_ML = {10.0: 0.02, 25.0: 0.05, 50.0: 0.1}
"""Nominal volume -> division of the usual burette of that size, mL; ISO 385 has all three."""
_USUAL_ML = 50.0
"""Size of a piece of ware that a record names by its class alone."""


@dataclass(frozen=True)
class Setting:
    """What the person at the bench has stated before the first addition."""

    label: str
    sample_ml: tuple[float, ...]
    """One entry for each filling of the pipette."""
    added_ml: float
    titrant_mol_l: float
    titrant_uncertainty_mol_l: float | None = None
    mode: str = "steps"
    """"steps", "pump", or "meniscus" or "drops" read from the picture."""
    first_reading_ml: float = 0.0
    rate_ml_min: float | None = None
    lag_s: float | None = None
    lag_uncertainty_s: float | None = None
    division_ml: float = 0.1
    """Volume between two printed lines, for "meniscus"."""
    burette_nominal_ml: float | None = None
    burette_class: str = "A"
    pipette_class: str | None = None

    def record(self) -> dict[str, Any]:
        """Tables of the titration record, as `endpoint locate` reads them."""
        delivery: dict[str, Any]
        if self.mode == "pump":
            # A person presses the start; otherwise volumes and pictures share one clock.
            delivery = {
                "rate_ml_min": self.rate_ml_min,
                "clock_offset_s": 0.0,
                "clock_offset_uncertainty_s": START_UNCERTAINTY_S,
            }
        else:
            mode = "steps" if self.mode == "steps" else "continuous"
            delivery = {"log": "volumes.csv", "mode": mode}
        if self.lag_s is not None:
            delivery["mixing_lag_s"] = self.lag_s
        if self.lag_uncertainty_s is not None:
            delivery["mixing_lag_uncertainty_s"] = self.lag_uncertainty_s
        titrant: dict[str, Any] = {"concentration_mol_l": self.titrant_mol_l}
        if self.titrant_uncertainty_mol_l is not None:
            titrant["standard_uncertainty_mol_l"] = self.titrant_uncertainty_mol_l
        ware: dict[str, Any] = {}
        if self.burette_nominal_ml is not None:
            ware["burette"] = {
                "nominal_ml": self.burette_nominal_ml,
                "class": self.burette_class,
                "division_ml": DIVISION_ML[self.burette_nominal_ml],
            }
            ware["first_reading_ml"] = self.first_reading_ml
        if self.pipette_class is not None:
            # One filling is what the pipette holds.
            ware["pipette"] = {"nominal_ml": self.sample_ml[0], "class": self.pipette_class}
        table: dict[str, Any] = {
            "format": 1,
            "sample": {
                "label": self.label,
                "deliveries_ml": list(self.sample_ml),
                "added_ml": self.added_ml,
            },
            "titrant": titrant,
            "recording": {"video": "recording.mp4"},
            "delivery": delivery,
        }
        return {**table, "ware": ware} if ware else table

    def checked(self) -> TitrationRecord:
        """The record, checked as one that was read from a file.

        Raises
        ------
        RecordProblem
            A value is impossible; the sentence names it.
        """
        return parse_record(self.record(), NAME, Path())


def setting_from(form: Mapping[str, Any]) -> Setting:
    """Setting of the values of a form, which `protocol` has checked for kind.

    Raises
    ------
    RecordProblem
        Something is missing or impossible.
    """
    fillings = int(form.get("fillings") or 1)
    sample = form.get("sample_ml")
    titrant = form.get("titrant_mol_l")
    if sample is None or titrant is None:
        what = "The volume of the sample" if sample is None else "The EDTA concentration"
        raise RecordProblem(f"{what} is missing.", "Type it into the form.")
    mode = str(form.get("mode") or "steps")
    if mode == "pump" and form.get("rate_ml_min") is None:
        raise RecordProblem("The pump rate is missing.", "Type it in mL/min.")
    if mode in ("meniscus", "drops") and form.get("first_reading_ml") is None:
        raise RecordProblem(
            "The start reading is missing.",
            "Read the burette with your eye level with the meniscus, and type the reading in mL.",
        )
    nominal = form.get("burette_nominal_ml")
    if nominal is not None and nominal not in DIVISION_ML:
        raise RecordProblem(
            "The bench does not know a burette of this size.", "Choose 10, 25 or 50 mL."
        )
    setting = Setting(
        label=str(form.get("label") or "Sample"),
        sample_ml=(float(sample) / fillings,) * fillings,
        added_ml=float(form.get("added_ml") or 0.0),
        titrant_mol_l=float(titrant),
        titrant_uncertainty_mol_l=form.get("titrant_uncertainty_mol_l"),
        mode=mode,
        first_reading_ml=float(form.get("first_reading_ml") or 0.0),
        rate_ml_min=form.get("rate_ml_min") if mode == "pump" else None,
        lag_s=form.get("lag_s"),
        lag_uncertainty_s=form.get("lag_uncertainty_s"),
        division_ml=float(form.get("division_ml") or 0.1),
        burette_nominal_ml=nominal,
        burette_class=str(form.get("burette_class") or "A"),
        pipette_class=form.get("pipette_class"),
    )
    setting.checked()
    return setting


def job_of(setting: Setting, today: datetime.date) -> AnalysisInputs:
    """Inputs without a delivery, which grows while titrating.

    Parameters
    ----------
    setting:
        What was stated.
    today:
        Day of the titration.

    Raises
    ------
    Problem
        A value is impossible.
    """
    return job_before_run(setting.checked(), today)


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
