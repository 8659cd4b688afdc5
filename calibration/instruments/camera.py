"""Camera: grey patch, tone curve, colour matrix, and white balance that wanders.

The tool compares the liquid with a white reference in the same picture. Exposure and white balance
then cancel; what does not cancel is the tone curve of the camera, clipped pixels, and how its
channels see colours.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.cells import Section
from calibration.certificate import Certificate, CertificateProblem
from calibration.instruments.chart import (
    VERSIONS,
    find_patches,
    fit_matrix,
    measure_patches,
    patch_names,
    patches_from_middles,
)
from calibration.instruments.pictures import Picture, patch_in_box, read_box, read_picture
from calibration.instruments.tone import Tone, interpolate, srgb
from calibration.instruments.tone_sheet import (
    CHANNELS,
    CLIPPED_SHARE,
    CameraProblem,
    read_tone,
    usable,
)
from calibration.quantity import Quantity
from calibration.sheet import Sheet

FloatArray = NDArray[np.float64]

_LEAST_PATCHES = 12
"""Patches of a chart that must not be clipped: half of the 24, so that nine numbers of a matrix
have more data than they need. Fewer are refused. Assumed."""


def linear_from_encoded(values: ArrayLike, certificate: Certificate) -> FloatArray:
    """Linear light of encoded values by the camera's own tone curve.

    Parameters
    ----------
    values:
        0 to 1, any shape; what lies beyond is set to the end.
    certificate:
        Of kind "camera", with a tone curve.

    Returns
    -------
    0 to 1, of the same shape; strictly rising, 0 at 0 and 1 at 1.

    Raises
    ------
    CertificateProblem
        The certificate holds no tone curve.
    """
    table = certificate.details.get("response")
    if table is None:
        raise CertificateProblem(
            f"Certificate {certificate.identifier} holds no tone curve.",
            "Photograph a step wedge or an exposure series, and calibrate again.",
        )
    return interpolate(table["encoded"], table["linear"], values)


def certificate_from_sheet(sheet: Sheet) -> Certificate:
    """Make a certificate of kind "camera" from a sheet and the pictures that it names.

    Tables, each optional: `[patch]` picture, box; `[wedge]` picture, densities (or reflectances),
    first_box, last_box, density_uncertainty; `[series]` box, exposure_percent with `[[exposure]]`
    picture, exposure_s; `[chart]` picture, version, corner_middles (only where the chart is not
    found by itself); `[[grey]]` picture, box. A box is [left, top, width, height] in pixels.

    Quantities, all "1": "patch unevenness", "patch noise" (densities), "response deviation"
    (density, from sRGB), "colour residual" (median CIEDE2000), "white balance drift" (density).

    Raises
    ------
    SheetProblem
        A cell is missing or cannot be used, a picture cannot be read, or shows something else.
    """
    head = sheet.head()
    quantities: dict[str, Quantity] = {}
    details: dict[str, Any] = {}
    words: list[str] = []
    tone = read_tone(sheet, head.identifier, quantities, details, words)
    if sheet.has("patch"):
        _read_patch(sheet, tone, quantities, words)
    if sheet.has("chart"):
        _read_chart(sheet, tone, quantities, details, words)
    if sheet.has("grey"):
        _read_drift(sheet, tone, head.identifier, quantities, details, words)
    if not quantities:
        raise CameraProblem(
            f"{sheet.name} does not name a picture.",
            "Add [wedge], [[exposure]], [chart], [patch] or [[grey]].",
        )
    sheet.close()
    return Certificate(
        head.identifier, "camera", head.what, head.date, head.expiry, head.operator, quantities,
        {}, (*head.remarks, *words), details,
    )  # fmt: skip


def _linear(encoded: ArrayLike, tone: Tone | None) -> FloatArray:
    return srgb(encoded) if tone is None else tone.to_linear(encoded)


# --- grey patch and white balance ---------------------------------------------------------------


def _read_patch(
    sheet: Sheet, tone: Tone | None, quantities: dict[str, Quantity], words: list[str]
) -> None:
    """Judge a white or grey patch: clipped, even, noisy."""
    part = sheet.section("patch")
    picture = read_picture(part, sheet.folder)
    patch = patch_in_box(picture, read_box(part, "box", picture))
    part.close()
    if patch.clipped_share > CLIPPED_SHARE:
        words.append(
            f"{100 * patch.clipped_share:.0f} % of the patch in {picture.name} is clipped: expose "
            "less, or the reference cannot be trusted."
        )
    if min(patch.mean) < 0.2:
        words.append(f"The patch in {picture.name} is dark: expose more, or use a whiter patch.")
    level = np.array(patch.mean)
    half = 0.5 * np.array(patch.unevenness)
    uneven = float(np.max(_density(level - half, level + half, tone)))
    noise = float(np.max(_density(level - 0.5 * np.array(patch.noise),
                                  level + 0.5 * np.array(patch.noise), tone)))  # fmt: skip
    quantities["patch unevenness"] = Quantity(uneven, "1")
    quantities["patch noise"] = Quantity(noise, "1")
    words.append(
        f"Over the patch the light changes by {uneven:.2g} density"
        + (": turn the lamp or move the camera." if uneven > 0.05 else ", which is even enough.")
        + f" A pixel scatters by {noise:.2g} density."
    )


def _density(low: FloatArray, high: FloatArray, tone: Tone | None) -> FloatArray:
    """Density between two encoded values."""
    dark = np.maximum(_linear(np.maximum(low, 0.0), tone), 1e-5)
    return np.asarray(np.log10(np.maximum(_linear(high, tone), 1e-5) / dark))


def _read_drift(
    sheet: Sheet, tone: Tone | None, identifier: str, quantities: dict[str, Quantity],
    details: dict[str, Any], words: list[str],
) -> None:  # fmt: skip
    """How far the colour of a grey patch wanders over pictures, in their order."""
    from dataclasses import replace

    rows = replace(sheet, table_rows=None).rows("grey", 2)
    density, own = [], []
    for row in rows:
        picture = read_picture(row, sheet.folder)
        patch = patch_in_box(picture, read_box(row, "box", picture))
        row.close()
        if not usable(patch):
            raise row.problem(
                "picture", f'shows a patch in "{picture.name}" that is clipped or black.',
                "Expose the grey patch to the middle of the scale.",
            )  # fmt: skip
        mean, half = np.array(patch.mean), 0.5 * np.array(patch.mean_uncertainty)
        density.append(-np.log10(_linear(mean, tone)))
        own.append(_density(mean - half, mean + half, tone))
    shade = np.array(density)
    tint = shade - shade.mean(axis=1, keepdims=True)
    tint -= tint[0]
    wander = np.ptp(tint, axis=0)
    worst = int(np.argmax(wander))
    u = float(np.max(own)) * math.sqrt(2.0)
    quantities["white balance drift"] = Quantity.measured(
        float(wander[worst]), "1", u, f"{identifier}: white balance drift", kind="A"
    )
    details["grey"] = {"tint": tint.tolist(), "level": (shade.mean(axis=1)).tolist()}
    words += _drift_words(wander, worst, u, tone)


def _drift_words(wander: FloatArray, worst: int, u: float, tone: Tone | None) -> list[str]:
    size = float(wander[worst])
    each = ", ".join(f"{name} {w:.3f}" for name, w in zip(CHANNELS, wander, strict=True))
    if size < max(0.01, 2.0 * u):
        return [f"The white balance holds: {each} density."]
    sentence = f"The white balance drifts: {each} density, most in {CHANNELS[worst]}."
    if tone is None:
        return [sentence, "It cancels where each picture is divided by its own reference patch, "
                "as far as the tone curve is right, which was not measured here."]  # fmt: skip
    left = size * tone.steepest
    return [
        f"{sentence} Each picture is divided by its own reference patch, so that this cancels; "
        f"with the tone curve of this certificate nothing is left of it, with sRGB up to "
        f"{left:.2g} density." + (" Set the white balance by hand anyway." if size > 0.05 else "")
    ]


# --- colour chart -------------------------------------------------------------------------------


def _read_chart(
    sheet: Sheet, tone: Tone | None, quantities: dict[str, Quantity], details: dict[str, Any],
    words: list[str],
) -> None:  # fmt: skip
    """Colour matrix from a 24-patch chart."""
    part = sheet.section("chart")
    picture = read_picture(part, sheet.folder)
    version = part.choice("version", VERSIONS)
    corners = _chart_corners(part, picture)
    part.close()
    try:
        patches = measure_patches(picture, corners)
    except ValueError as error:
        raise part.problem(
            "picture", f'shows a chart in "{picture.name}" of which {error}.',
            "Fill the picture with the chart, or correct corner_middles.",
        ) from None  # fmt: skip
    used = np.array([patch.clipped_share <= CLIPPED_SHARE for patch in patches])
    names = [name for name, good in zip(patch_names(), used.tolist(), strict=True) if not good]
    if used.sum() < _LEAST_PATCHES:
        raise part.problem(
            "picture", f"shows a chart with {len(names)} clipped patches.", "Expose less."
        )
    if names:
        words.append(f"Clipped and left out of the colour matrix: {', '.join(names)}.")
    linear = _linear(np.array([patch.mean for patch in patches]), tone)
    found = fit_matrix(linear, corners.mean(axis=1), used, version)
    median, worst = float(np.median(found.difference)), float(np.max(found.difference))
    if median > 10.0:
        raise part.problem(
            "picture", f"gives colours that do not fit the chart (median CIEDE2000 {median:.0f}).",
            "Check corner_middles: dark skin, bluish green, black, white; and the version.",
        )  # fmt: skip
    quantities["colour residual"] = Quantity(median, "1")
    details["chart"] = {
        "matrix": found.matrix.tolist(), "ratio_matrix": found.ratio_matrix.tolist(),
        "difference": found.difference.tolist(), "version": version, "left_out": names,
        "median": median, "largest": worst, "light_range": found.light_range,
        "tone": "sRGB, assumed" if tone is None else "this certificate",
    }  # fmt: skip
    words.append(
        f"Colours of the chart come out within CIEDE2000 {median:.1f} (median), {worst:.1f} at "
        "worst." + ("" if tone is not None else " The tone curve was taken as sRGB, not measured.")
    )
    if found.light_range > 0.15:
        words.append(
            f"The light on the chart varies by {found.light_range:.2f} density; this was "
            "corrected, but even light is better."
        )


def _chart_corners(part: Section, picture: Picture) -> FloatArray:
    """Corners of the patches: as the sheet says, else as they are found."""
    if part.has("corner_middles"):
        cell = part.numbers("corner_middles", 0, 100_000, 8)
        if len(cell) > 8:
            raise part.problem("corner_middles", "holds more than 8 numbers.", "Give 4 points.")
        middles = np.array(cell).reshape(4, 2) / picture.factor
        a, b = middles[2] - middles[0], middles[3] - middles[1]
        if abs(a[0] * b[1] - a[1] * b[0]) < 1e3:
            raise part.problem(
                "corner_middles", "has points that do not enclose a chart.",
                "Give x, y of dark skin, bluish green, black and white, in this order.",
            )  # fmt: skip
        return patches_from_middles(middles)
    corners = find_patches(picture)
    if corners is None:
        raise part.problem(
            "picture", f'names "{picture.name}", in which no chart was found.',
            "Add corner_middles = [x, y, x, y, x, y, x, y]: the middles of dark skin, bluish "
            "green, black and white.",
        )  # fmt: skip
    return corners
