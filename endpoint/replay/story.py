"""What a class is shown of a result, worked out in full: the page only looks things up."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from endpoint.curve.colour_names import blueness_of, name_of, place_of
from endpoint.drawing.svg import MARKS
from endpoint.files.result_json import ResultFileProblem
from endpoint.replay.chemistry import Tables, Water, tabulate, water_of
from endpoint.replay.facts import Facts, facts_of, per_ml_of, titrated_of
from endpoint.replay.numbers import percent
from endpoint.replay.pictures import FlaskPicture, read_pictures
from endpoint.replay.shades import (
    EBT,
    Forms,
    Shade,
    density_at,
    display_density,
    forms_of,
    hex_of,
)
from endpoint.result.kept import KeptResult
from endpoint.result.wording import OF_EBT, answer_text, label_of, volume_rows
from endpoint.rounding import FIXED_SPACE, rounded

FloatArray = NDArray[np.float64]

EXAMPLE = Water(105.0, 25.0, 0.010, 0.20, 20.0)
"""For results without a fit: 2.5 mmol/L in 100 mL, a fifth of it magnesium; not the sample."""
_SMALL_STEP_ML, _MOST_STEPS = 0.05, 700
"""Step of the slider, mL (about a drop), and steps at most; longer titrations have wider ones."""
_MEANINGS = {
    "midpoint": "half of the indicator is free: the middle of the colour change",
    "equivalence": "EDTA equals {metals}: the equivalence point",
    "last_red": "95 % is free: a careful eye sees no more {bound}",
}


@dataclass(frozen=True)
class Mark:
    """One of the three volumes, known by name, shape and row."""

    key: str
    name: str
    meaning: str
    text: str
    shape: str
    value_ml: float
    low_ml: float
    high_ml: float

    @property
    def number(self) -> str:
        """Volume without its interval, rounded as in its text."""
        return self.text.split(FIXED_SPACE)[0]


@dataclass(frozen=True)
class Step:
    """What is to be seen and said at one place of the scrubber."""

    volume_ml: float
    words: str
    """Volume, colour and free part in one line, for the screen reader."""
    colour: Shade
    reading: str
    """Value of the curve in words."""
    level: float
    """The same as a number, on the axis."""
    points: int
    """Points of the curve up to here."""
    picture: int
    """Which picture, -1 for none."""


@dataclass(frozen=True)
class Axis:
    """Vertical axis of the curve."""

    kind: str
    """"free", "shade" or "absorbance"."""
    title: str
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class Story:
    """All that the page shows."""

    label: str
    status: str
    answer: str
    reasons: tuple[tuple[str, str], ...]
    """Sentence and advice each."""
    reason: str
    """Code of the first of them, empty without."""
    marks: tuple[Mark, ...]
    bracket_ml: tuple[float, float | None] | None
    axis: Axis
    volume_ml: FloatArray
    level: FloatArray
    left_out: NDArray[np.bool_]
    fitted: tuple[FloatArray, FloatArray] | None
    steps: tuple[Step, ...]
    pictures: tuple[FlaskPicture, ...]
    drawn_because: str
    """Why the flask is drawn and not shown, empty where there are pictures."""
    forms: Forms
    water: Water | None
    """What the model takes; None with another indicator than Eriochrome Black T."""
    is_example: bool
    """The water of the model is an example and not the sample."""
    tables: Tables | None
    per_ml: float
    """What 1 mL changes in the result, in `per_unit`."""
    per_unit: str
    facts: Facts

    @property
    def can_be_asked(self) -> bool:
        """Whether the end lies where the recording reached, so that a pupil can point at it."""
        if self.bracket_ml is not None:
            return self.bracket_ml[0] < self.steps[-1].volume_ml
        return self.equivalence_ml is not None

    @property
    def own_middle_ml(self) -> float | None:
        """Middle of the change as read off the recording, from the equivalence volume."""
        at = {mark.key: mark.value_ml for mark in self.marks}
        if self.is_example or not {"midpoint", "equivalence"} <= set(at):
            return None
        return at["midpoint"] - at["equivalence"]

    @property
    def equivalence_ml(self) -> float | None:
        """Equivalence volume if it has a value."""
        return next((m.value_ml for m in self.marks if m.key == "equivalence"), None)


def story_of(kept: KeptResult) -> Story:
    """Work out what the page shows.

    Raises
    ------
    ResultFileProblem
        The result has no curve, so there is nothing to replay.
    """
    data = {"indicator": dict(OF_EBT), **kept.document}
    folder, curve = _replayable(kept)
    volume_ml = np.maximum(_volumes(curve, data["inputs"]), 0.0)
    if not 0.0 < volume_ml.max() < 1e4:
        raise ResultFileProblem(
            f"{kept.name} has no added titrant to move through.", "Locate a whole titration."
        )
    pictures = tuple(
        replace(p, volume_ml=float(np.interp(p.volume_ml, curve["volume_ml"], volume_ml)))
        for p in read_pictures(folder)
    )
    axis, level = _levels(kept, curve)
    forms = forms_of(kept)
    water = water_of(data)
    is_example = water is None and data["inputs"].get("indicator", EBT) == EBT
    if is_example:
        water = EXAMPLE
    facts = facts_of(data)
    if not (0.0 < facts.sample_ml < 1e6 and 0.0 < facts.titrant_mol_l < 1e3):
        raise ResultFileProblem(
            f"{kept.name} has an impossible sample volume or titrant concentration.",
            "Correct the record, and run endpoint locate again.",
        )
    per_ml, per_unit = per_ml_of(facts, list(data["indicator"]["metals"]))
    story = Story(
        label=label_of(data)[:120],
        status=kept.status,
        answer=answer_text(data),
        reasons=tuple((str(r["text"]), str(r["advice"])) for r in data["reasons"]),
        reason=str(data["reasons"][0]["code"]) if data["reasons"] else "",
        marks=marks_of(data),
        bracket_ml=_bracket(data),
        axis=axis,
        volume_ml=volume_ml,
        level=level,
        left_out=np.array([bool(flag) for flag in kept.flags], dtype=bool),
        fitted=kept.fitted,
        steps=_steps(kept, axis, volume_ml, level, forms, pictures),
        pictures=pictures,
        drawn_because="" if pictures else _why_drawn(kept, forms),
        forms=forms,
        water=water,
        is_example=is_example,
        tables=None if water is None else tabulate(water),
        per_ml=per_ml,
        per_unit=per_unit,
        facts=facts,
    )
    return story if story.can_be_asked else replace(story, label=_bare(story.label))


def _bare(label: str) -> str:
    """Name of the sample without what was noted behind it, which tells a class what went wrong."""
    return re.split(r"[(\[,;:]|\s[-\u2013\u2014]\s", label)[0].strip() or "Sample"


def _replayable(kept: KeptResult) -> tuple[Path, Mapping[str, FloatArray]]:
    """Folder and curve of a result that has all that a replay needs."""
    curve = kept.curve
    if curve is None or kept.folder is None:
        why = "; ".join(str(r["text"]) for r in kept.document["reasons"][:1])
        raise ResultFileProblem(
            f"{kept.name} has no curve to replay. {why}".strip(),
            "Give the whole folder that endpoint locate --out wrote, of a recording with a flask.",
        )
    if "free_fraction" not in curve or not _densities(curve):
        raise ResultFileProblem(
            f"{kept.name}: curve.csv lacks columns that a replay needs.",
            "Give the folder as endpoint locate --out wrote it, or run it again.",
        )
    return kept.folder, curve


def marks_of(data: Mapping[str, Any]) -> tuple[Mark, ...]:
    """Those of the three volumes that have a value, from early to late in the usual water."""
    found = []
    for full_key, name, text, _ in volume_rows(data):
        key, volume = full_key.removesuffix("_ml"), data[full_key]
        low, high = volume["interval95"]
        words = {"bound": data["indicator"]["bound"], "metals": titrated_of(data)}
        meaning = _MEANINGS[key].format_map(words)
        shape = MARKS[full_key]
        found.append(Mark(key, name, meaning, text, shape, volume["value"], low, high))
    return tuple(sorted(found, key=lambda mark: list(_MEANINGS).index(mark.key)))


def _bracket(data: Mapping[str, Any]) -> tuple[float, float | None] | None:
    volume = data["equivalence_ml"]
    if data["status"] != "bracketed" or volume is None:
        return None
    low, high = volume["interval95"]
    return float(low), None if high is None else float(high)


def _volumes(curve: Mapping[str, FloatArray], inputs: Mapping[str, Any]) -> FloatArray:
    """Delivered volume; what is mixed in where titrant runs on while the colour is seen.

    After a single addition the liquid has all of it: only a stream runs ahead of its colour.
    """
    mixed = curve.get("mixed_volume_ml")
    known = mixed is not None and bool(np.isfinite(mixed).all())
    runs_on = inputs.get("delivery") == "continuous"
    return mixed if runs_on and known and mixed is not None else curve["volume_ml"]


def _densities(curve: Mapping[str, FloatArray]) -> list[str]:
    names = [n for n in curve if n.startswith("density_") and not n.endswith("_sigma")]
    return [n for n in names if bool(np.isfinite(curve[n]).all())]


def _levels(kept: KeptResult, curve: Mapping[str, FloatArray]) -> tuple[Axis, FloatArray]:
    free = curve["free_fraction"]
    if kept.status != "none" and bool(np.isfinite(free).any()):
        # Scatter goes below 0 and above 1; points are drawn where they were measured.
        low, high = float(np.nanmin(free)), float(np.nanmax(free))
        low, high = max(min(0.0, low - 0.02), -0.3), min(max(1.0, high + 0.02), 1.3)
        return Axis("free", "free part of the indicator", low, high), free
    density = density_at(kept)
    if density is not None and kept.document["inputs"].get("indicator", EBT) == EBT:
        shades = [blueness_of(d) for d in density]
        level = np.array([np.nan if s is None else place_of(s) for s in shades])
        return Axis("shade", "colour, from wine red (0) to blue (1)", 0.0, 1.0), level
    name = max(_densities(curve), key=lambda n: float(np.ptp(curve[n])))
    level = curve[name]
    words = name.removeprefix("density_").replace("_", " ")
    top = max(float(np.nanmax(level)), 0.1)
    return Axis("absorbance", f"absorbance, {words}", 0.0, 1.1 * top), level


def _why_drawn(kept: KeptResult, forms: Forms) -> str:
    if density_at(kept) is not None:
        return (
            "This result has no pictures, so the flask is a drawing in the measured colour. "
            "With a film or stills, endpoint locate --out keeps pictures."
        )
    note = "" if forms.is_measured else " and rough densities of its two forms, not measured"
    return (
        "A photometer takes no pictures: the flask is a drawing. Its colour is computed from the "
        f"free part of the indicator{note}."
    )


def _steps(
    kept: KeptResult,
    axis: Axis,
    volume_ml: FloatArray,
    level: FloatArray,
    forms: Forms,
    pictures: tuple[FlaskPicture, ...],
) -> tuple[Step, ...]:
    last_ml = float(volume_ml.max())
    width = _SMALL_STEP_ML
    while last_ml / width > _MOST_STEPS:
        width *= 2.0
    grid = [round(k * width, 4) for k in range(int(np.ceil(last_ml / width - 1e-9)) + 1)]
    density, shown = density_at(kept), display_density(kept)
    known = np.flatnonzero(np.isfinite(level))
    usual = kept.document["inputs"].get("indicator", EBT) == EBT
    steps = []
    for volume in grid:
        k = int(np.argmin(np.abs(volume_ml - volume)))
        y = _level_at(volume, kept, axis, volume_ml[known], level[known])
        colour = forms.at(y if axis.kind == "free" else 0.0)
        if density is not None and not (axis.kind == "free" and forms.is_measured):
            name = name_of(blueness_of(density[k])) if usual else colour.name
            look = density if shown is None else shown
            colour = Shade(hex_of(look[k]), name)
        reading = _reading(axis, y)
        said = [f"{rounded(volume, 2)} mL", *([colour.name] if axis.kind != "absorbance" else [])]
        steps.append(
            Step(
                volume,
                ", ".join([*said, reading] if reading else said),
                colour,
                reading,
                y,
                int(np.sum(volume_ml <= volume + 0.5 * width + 1e-9)),
                _picture_for(volume, pictures),
            )
        )
    return tuple(steps)


def _level_at(
    volume: float, kept: KeptResult, axis: Axis, at_ml: FloatArray, level: FloatArray
) -> float:
    if axis.kind == "free" and kept.fitted is not None:
        return float(np.clip(np.interp(volume, *kept.fitted), 0.0, 1.0))
    if level.size == 0:
        return 0.0
    found = float(np.interp(volume, at_ml, level))
    return float(np.clip(found, 0.0, 1.0)) if axis.kind != "absorbance" else found


def _reading(axis: Axis, y: float) -> str:
    if axis.kind == "free":
        return f"{percent(y)} of the indicator is free"
    return f"{axis.title} {rounded(y, 2)}" if axis.kind == "absorbance" else ""


def _picture_for(volume: float, pictures: tuple[FlaskPicture, ...]) -> int:
    """Nearest picture that was used, of equals the last; one set aside only if all are."""
    used = [k for k, picture in enumerate(pictures) if not picture.aside]
    nearest = used or list(range(len(pictures)))

    def away(k: int) -> tuple[float, int]:
        return round(abs(pictures[k].volume_ml - volume), 3), -k

    return min(nearest, key=away, default=-1)
