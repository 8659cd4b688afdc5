"""From the form on the set-up page to the record of the run and its job, and back. No paths."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from calibration.problem import Problem
from calibration.ware.tolerance import USUAL_DIVISION_ML
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.bench.live.volumes import MOST_ML
from endpoint.chemistry.indicator_file import named_indicator
from endpoint.problems import RecordProblem
from endpoint.record.titration import TitrationRecord

START_UNCERTAINTY_S = 0.2
"""Standard uncertainty of a start pressed by hand (common practice, no source)."""
WARE_CLASSES = ("A", "AS", "B")
PURPOSES = ("titrant", "burette", "pipette")
"""What a certificate can be chosen for."""
_USUAL_ML = 50.0
"""Size of a piece of ware that a record names by its class alone."""


@dataclass(frozen=True)
class Setting:
    """What the person at the bench has stated before the first addition."""

    label: str
    sample_ml: tuple[float, ...]
    """One entry for each filling of the pipette."""
    added_ml: float
    titrant_mol_l: float | None
    """None where a certificate states it."""
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
    certificates: Mapping[str, str] = field(default_factory=dict)
    """"titrant", "burette", "pipette" -> file of the certificate, in the folder of certificates."""
    blank_ml: float | None = None
    blank_uncertainty_ml: float | None = None
    temperature_c: float | None = None
    analyst: str = ""
    indicator: str = ""

    @property
    def most_ml(self) -> float:
        """Largest reading that the burette can show, mL."""
        return MOST_ML if self.burette_nominal_ml is None else self.burette_nominal_ml

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
        sample: dict[str, Any] = {
            "label": self.label,
            "deliveries_ml": list(self.sample_ml),
            "added_ml": self.added_ml,
        }
        if self.analyst:
            sample["analyst"] = self.analyst
        table: dict[str, Any] = {
            "format": 1,
            "sample": sample,
            "titrant": self._titrant(),
            "recording": {"video": "recording.mp4"},
            "delivery": delivery,
            "blank": _stated(
                volume_ml=self.blank_ml, standard_uncertainty_ml=self.blank_uncertainty_ml
            ),
            "ware": self._ware(),
            "indicator": _stated(name=self.indicator or None),
        }
        return {key: part for key, part in table.items() if part}

    def _titrant(self) -> dict[str, Any]:
        if "titrant" in self.certificates:
            return {"certificate": self.certificates["titrant"]}
        return _stated(
            concentration_mol_l=self.titrant_mol_l,
            standard_uncertainty_mol_l=self.titrant_uncertainty_mol_l,
        )

    def _ware(self) -> dict[str, Any]:
        ware = _stated(temperature_c=self.temperature_c)
        if "burette" in self.certificates:
            ware["burette"] = self.certificates["burette"]
        elif self.burette_nominal_ml is not None:
            ware["burette"] = {
                "nominal_ml": self.burette_nominal_ml,
                "class": self.burette_class,
                "division_ml": USUAL_DIVISION_ML[self.burette_nominal_ml],
            }
        if "burette" in ware:
            ware["first_reading_ml"] = self.first_reading_ml
        if "pipette" in self.certificates:
            ware["pipette"] = self.certificates["pipette"]
        elif self.pipette_class is not None:
            # One filling is what the pipette holds.
            ware["pipette"] = {"nominal_ml": self.sample_ml[0], "class": self.pipette_class}
        return ware


def _stated(**values: Any) -> dict[str, Any]:
    """Values that are stated."""
    return {key: value for key, value in values.items() if value is not None}


def setting_from(form: Mapping[str, Any]) -> Setting:
    """Setting of the values of a form, which `protocol` has checked for kind.

    Raises
    ------
    RecordProblem
        Something is missing or impossible.
    """
    fillings = int(form.get("fillings") or 1)
    certificates = {
        purpose: str(form[f"{purpose}_certificate"])
        for purpose in PURPOSES
        if form.get(f"{purpose}_certificate")
    }
    _check_needed(form, certificates)
    mode = str(form.get("mode") or "steps")
    setting = Setting(
        label=str(form.get("label") or "Sample"),
        sample_ml=(float(form["sample_ml"]) / fillings,) * fillings,
        added_ml=float(form.get("added_ml") or 0.0),
        titrant_mol_l=form.get("titrant_mol_l"),
        titrant_uncertainty_mol_l=form.get("titrant_uncertainty_mol_l"),
        mode=mode,
        first_reading_ml=float(form.get("first_reading_ml") or 0.0),
        rate_ml_min=form.get("rate_ml_min") if mode == "pump" else None,
        lag_s=form.get("lag_s"),
        lag_uncertainty_s=form.get("lag_uncertainty_s"),
        division_ml=float(form.get("division_ml") or 0.1),
        burette_nominal_ml=form.get("burette_nominal_ml"),
        burette_class=str(form.get("burette_class") or "A"),
        pipette_class=form.get("pipette_class"),
        certificates=certificates,
        blank_ml=form.get("blank_ml"),
        blank_uncertainty_ml=form.get("blank_uncertainty_ml"),
        temperature_c=form.get("temperature_c"),
        analyst=str(form.get("analyst") or ""),
        indicator=str(form.get("indicator") or ""),
    )
    if setting.indicator:
        try:
            named_indicator(setting.indicator)
        except RecordProblem as problem:
            raise RecordProblem(problem.sentence, "Choose one of the list.").at(
                "indicator"
            ) from None
    if mode != "pump":
        _check_start(setting)
    return setting


def _check_needed(form: Mapping[str, Any], certificates: Mapping[str, str]) -> None:
    """Refuse a form in which something is missing, and name its field."""
    mode = form.get("mode")
    seen = mode in ("meniscus", "drops")
    typed = "Type it into the form."
    eye = "Read the burette with your eye level with the meniscus, and type the reading in mL."
    for name, what, remedy, needed in (
        ("sample_ml", "The volume of the sample", typed, True),
        ("titrant_mol_l", "The EDTA concentration", typed, "titrant" not in certificates),
        ("rate_ml_min", "The pump rate", "Type it in mL/min.", mode == "pump"),
        ("first_reading_ml", "The start reading", eye, seen),
    ):
        if needed and form.get(name) is None:
            raise RecordProblem(f"{what} is missing.", remedy).at(name)
    for name, of, what in (
        ("lag_uncertainty_s", "lag_s", "the mixing time"),
        ("blank_uncertainty_ml", "blank_ml", "the blank"),
        ("titrant_uncertainty_mol_l", "titrant_mol_l", "the EDTA concentration"),
    ):
        if form.get(name) is not None and form.get(of) is None and name not in certificates:
            raise RecordProblem(
                f"The uncertainty of {what} is given without {what}.",
                f"Type {what} too, or leave its uncertainty out.",
            ).at(of)
    if (form.get("titrant_uncertainty_mol_l") or 0.0) > 0.2 * (form.get("titrant_mol_l") or 1.0):
        raise RecordProblem(
            "The uncertainty of the EDTA concentration is more than a fifth of it.",
            "Type both in mol/L.",
        ).at("titrant_uncertainty_mol_l")


def _check_start(setting: Setting) -> None:
    nominal = setting.burette_nominal_ml
    if nominal is not None and nominal not in USUAL_DIVISION_ML:
        raise RecordProblem(
            "The bench does not know a burette of this size.", "Choose 10, 25 or 50 mL."
        ).at("burette")
    if setting.first_reading_ml > setting.most_ml:
        raise RecordProblem(
            f"The start reading, {setting.first_reading_ml:g} mL, is not on a burette of "
            f"{setting.most_ml:g} mL.",
            "Read the burette again, or choose the burette that you use.",
        ).at("first_reading_ml")


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
    form |= _stated(
        blank_ml=record.blank_ml,
        blank_uncertainty_ml=record.blank_uncertainty_ml,
        temperature_c=record.temperature_c,
        analyst=record.analyst,
        indicator=record.indicator_name,
    )
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
        "result of a blank": record.blank_result is not None,
        "calcium": record.calcium is not None,
        "certificate of the camera": record.medium_certificate is not None,
        "file of an indicator": record.indicator_file is not None,
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
    usual_ml = USUAL_DIVISION_ML.get(float(nominal))
    if usual_ml is None or table.get("division_ml", usual_ml) != usual_ml:
        return {}
    return {"burette_nominal_ml": float(nominal), "burette_class": ware_class}


_WORDS = {
    "sample.volume_ml": ("the volume of water", "sample_ml"),
    "sample.deliveries_ml": ("the volume of water", "sample_ml"),
    "sample.added_ml": ("the volume of buffer and rinse water", "added_ml"),
    "titrant.concentration_mol_l": ("the EDTA concentration", "titrant_mol_l"),
    "titrant.standard_uncertainty_mol_l": (
        "the uncertainty of the EDTA concentration",
        "titrant_uncertainty_mol_l",
    ),
    "titrant.certificate": ("the certificate of the titrant", "titrant_certificate"),
    "delivery.rate_ml_min": ("the pump rate", "rate_ml_min"),
    "delivery.mixing_lag_uncertainty_s": (
        "the uncertainty of the mixing time",
        "lag_uncertainty_s",
    ),
    "delivery.mixing_lag_s": ("the mixing time", "lag_s"),
    "blank.volume_ml": ("the blank", "blank_ml"),
    "blank.standard_uncertainty_ml": ("the uncertainty of the blank", "blank_uncertainty_ml"),
    "ware.first_reading_ml": ("the start reading", "first_reading_ml"),
    "ware.temperature_c": ("the temperature", "temperature_c"),
    "ware.burette": ("the burette", "burette"),
    "ware.pipette": ("the pipette", "pipette_class"),
    "indicator.name": ("the indicator", "indicator"),
}
"""Key of a record -> how the form calls it, and the name of its field."""


def in_words(problem: Problem, setting: Setting) -> Problem:
    """A problem of the record of a run in the words of the form, with its field."""
    field_of = [name for key, (_, name) in _WORDS.items() if key in str(problem)]
    for purpose, by_class in (("burette", "burette"), ("pipette", "pipette_class")):
        if field_of[:1] == [by_class] and purpose in setting.certificates:
            field_of = [f"{purpose}_certificate"]

    def told(text: str) -> str:
        text = re.sub(r"^(The record of the bench|record\.toml): ", "", text)
        for key, (words, _) in _WORDS.items():
            text = text.replace(key, words)
        return text[:1].upper() + text[1:]

    said = type(problem)(told(problem.sentence), told(problem.remedy))
    return said.at(problem.field or next(iter(field_of), ""))
