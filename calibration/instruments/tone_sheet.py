"""Tone curve of a camera from a sheet: a step wedge, or an exposure series."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.cells import SheetProblem
from calibration.instruments.pictures import (
    DARK,
    Patch,
    checked_box,
    patch_in_box,
    read_box,
    read_picture,
)
from calibration.instruments.tone import Step, Tone, fit_tone
from calibration.quantity import Quantity
from calibration.sheet import Sheet

FloatArray = NDArray[np.float64]

CHANNELS = ("red", "green", "blue")
CLIPPED_SHARE = 0.01
"""A patch with a larger share of clipped pixels is not used. Assumed: lower, and a few hot pixels
cost a patch; higher, and its mean comes out too dark."""
_LEAST_STEPS = 5
"""Steps or exposures without which no tone curve is fitted: it has four knots or more. Assumed."""


class CameraProblem(SheetProblem):
    """Pictures of a camera do not show what they should."""


def usable(patch: Patch) -> bool:
    """Tell whether a patch is neither clipped nor black."""
    return patch.clipped_share <= CLIPPED_SHARE and min(patch.mean) > DARK


def read_tone(
    sheet: Sheet, identifier: str, quantities: dict[str, Quantity], details: dict[str, Any],
    words: list[str],
) -> Tone | None:  # fmt: skip
    """Tone curve from a step wedge or an exposure series, or None where there is neither.

    What is found is added to `quantities`, `details` and `words` of the certificate.

    Raises
    ------
    SheetProblem
        A cell or a picture cannot be used, or the steps do not show a tone curve.
    """
    has_wedge, has_series = sheet.has("wedge"), sheet.has("exposure") or sheet.has("series")
    if has_wedge and has_series:
        raise CameraProblem(
            f"{sheet.name} holds a wedge and an exposure series.", "Give one of the two."
        )
    if not has_wedge and not has_series:
        return None
    place, patches, lights, u = _wedge(sheet) if has_wedge else _series(sheet)
    good = [usable(patch) for patch in patches]
    if sum(good) < _LEAST_STEPS:
        raise CameraProblem(
            f"{place}: only {sum(good)} of {len(patches)} steps are neither clipped nor black.",
            f"Expose so that {_LEAST_STEPS} or more steps can be told apart.",
        )
    kept = [(p, light) for p, light, ok in zip(patches, lights, good, strict=True) if ok]
    green = np.array([patch.mean[1] for patch, _ in kept])
    _check_order(place, green, np.array([light for _, light in kept]), has_wedge)
    steps = [
        Step(CHANNELS[c], light, u, patch.mean[c], patch.mean_uncertainty[c])
        for patch, light in kept
        for c in range(3)
    ]
    try:
        tone = fit_tone(steps)
    except ValueError:
        raise CameraProblem(
            f"{place}: brighter steps do not come out brighter everywhere.",
            "Check the boxes and the order of the steps, and that the light was even.",
        ) from None
    scatter = float(np.std(tone.residual))
    _store(tone, scatter, kept, has_wedge, identifier, quantities, details)
    words += _tone_words(tone, scatter, len(patches) - sum(good))
    return tone


def _store(
    tone: Tone, scatter: float, kept: list[tuple[Patch, float]], has_wedge: bool,
    identifier: str, quantities: dict[str, Quantity], details: dict[str, Any],
) -> None:  # fmt: skip
    """Put the tone curve into the certificate."""
    quantities["response deviation"] = Quantity.measured(
        tone.deviation["sRGB"], "1", tone.deviation_uncertainty,
        f"{identifier}: response deviation", kind="A",
    )  # fmt: skip
    details["response"] = {
        "encoded": tone.encoded.tolist(), "linear": tone.linear.tolist(),
        "lowest": tone.lowest, "highest": tone.highest, "deviation": dict(tone.deviation),
        "steepest": tone.steepest, "scatter": scatter,
        "from": "step wedge" if has_wedge else "exposure series",
        "steps_encoded": [list(patch.mean) for patch, _ in kept],
        "steps_log_light": [light for _, light in kept],
    }  # fmt: skip


def _tone_words(tone: Tone, scatter: float, left_out: int) -> list[str]:
    name = min(tone.deviation, key=lambda key: tone.deviation[key])
    size = max(tone.deviation[name], 0.005)
    span = math.log10(
        float(tone.to_linear(tone.highest)) / max(float(tone.to_linear(tone.lowest)), 1e-6)
    )
    words = [
        f"The camera follows {name} within {size:.2g} density over {span:.1f} density."
        if size <= 0.05
        else f"The camera follows neither sRGB nor BT.709: a density read through {name} is wrong "
        f"by up to {size:.2g}. Use this certificate."
    ]
    if scatter > 0.03:
        words.append(f"The steps scatter by {scatter:.2g} density about the tone curve.")
    if left_out:
        words.append(f"{left_out} step(s) are clipped or black and were left out.")
    return words


def _check_order(place: str, encoded: FloatArray, log_light: FloatArray, wedge: bool) -> None:
    """Refuse steps that do not get brighter with the light."""
    if np.ptp(encoded) < 0.1:
        raise CameraProblem(
            f"{place}: all steps look alike.",
            "Check the boxes." if wedge else "Switch automatic exposure off.",
        )
    if np.corrcoef(encoded, log_light)[0, 1] < 0.5:
        raise CameraProblem(
            f"{place}: the steps get darker where there should be more light.",
            "Check that the first box belongs to the first density, and that densities and "
            "reflectances are not mixed up."
            if wedge
            else "Give exposure_s in seconds, 0.0167 for 1/60, not 60.",
        )


def _wedge(sheet: Sheet) -> tuple[str, list[Patch], list[float], float]:
    """Place for errors, patches, log10 of their light and its uncertainty."""
    part = sheet.section("wedge")
    picture = read_picture(part, sheet.folder)
    if part.has("reflectances"):
        values = part.numbers("reflectances", 1e-6, 1e6, _LEAST_STEPS)
        if max(values) > 1.0:
            raise part.problem(
                "reflectances", f"holds {max(values):g}, above 1.",
                f"Give fractions; in per cent it would be {max(values) / 100:g}.",
            )  # fmt: skip
        lights = [math.log10(value) for value in values]
    else:
        lights = [-value for value in part.numbers("densities", 0.0, 5.0, _LEAST_STEPS)]
    u = float(part.number("density_uncertainty", 0.0, 0.2, 0.01))
    first, last = read_box(part, "first_box", picture), read_box(part, "last_box", picture)
    part.close()
    patches = []
    for k in range(len(lights)):
        share = k / (len(lights) - 1)
        left, top, width, height = (
            round(a + share * (b - a)) for a, b in zip(first, last, strict=True)
        )
        box = checked_box(part, "last_box", picture, (left, top, width, height))
        patches.append(patch_in_box(picture, box))
    return part.where, patches, lights, u


def _series(sheet: Sheet) -> tuple[str, list[Patch], list[float], float]:
    """As `_wedge`, from one patch at several exposures."""
    part = sheet.section("series")
    percent = float(part.number("exposure_percent", 0.0, 10.0, 1.0))
    patches, lights = [], []
    rows = sheet.rows("exposure", _LEAST_STEPS)
    for row in rows:
        picture = read_picture(row, sheet.folder)
        patches.append(patch_in_box(picture, read_box(part, "box", picture)))
        lights.append(math.log10(row.number("exposure_s", 1e-5, 4.0)))
        row.close()
    part.close()
    return f"{sheet.name}: exposure", patches, lights, percent / 100.0 / math.log(10.0)
