"""From the form on the set-up page to the record of the run and its job. No paths: only numbers."""

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
            # The start is pressed by hand; volumes and pictures have one clock else.
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
        what = "The volume of the sample" if sample is None else "The concentration of EDTA"
        raise RecordProblem(f"{what} is missing.", "Type it in the form.")
    mode = str(form.get("mode") or "steps")
    if mode == "pump" and form.get("rate_ml_min") is None:
        raise RecordProblem("The rate of the pump is missing.", "Type it in mL/min.")
    if mode in ("meniscus", "drops") and form.get("first_reading_ml") is None:
        raise RecordProblem(
            "The start reading is missing.",
            "Read the burette with the eye level with the meniscus, and type it in mL.",
        )
    nominal = form.get("burette_nominal_ml")
    if nominal is not None and nominal not in DIVISION_ML:
        raise RecordProblem("The size of the burette is not known.", "Choose 10, 25 or 50 mL.")
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
