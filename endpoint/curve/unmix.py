"""The signal in a colour: dilution undone, and the mix of start and end colour by least squares."""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from endpoint.curve.rising import rising

FloatArray = NDArray[np.float64]

CHANNEL_NOISE = (0.0015, 0.0015, 0.003)
STRAY_LIGHT = 0.003
COMMON_NOISE = 0.005
"""Usual scatter of the red, green and blue channel; light from elsewhere as a part of the
reference, which matters the more the darker a channel is; and scatter of all channels together
(light on the flask alone). They decide how much each channel counts. A channel that is dark at the
blue end no longer follows there, so the others have to speak: that keeps the scale straight.
Assumed."""
_TELLS_NOTHING = 1.0
"""The same for a channel that is clipped: a whole unit of density."""
_SWING, _OFTEN_ALONE = 7, 4.0
"""Points over which a channel swings back, and how many times the variance of single points that is
then: of the mean of 7 squares of normal errors less than one in a thousand. It swings where the
colour changes, so that its mean over a long plateau would tell little of it."""
ROW_NOISE = 0.0015
"""The same for a photometer, the lamp of which does not flicker between two channels. Assumed."""


def undilute(volume_ml: FloatArray, density: FloatArray, flask_ml: float) -> FloatArray:
    """Density as it would be without the titrant added, shape (n, channels).

    Parameters
    ----------
    volume_ml:
        Added volume, shape (n,).
    density:
        As measured, shape (n, channels).
    flask_ml:
        Volume in the flask before the first addition, mL, above 0.
    """
    return np.asarray(density * (1.0 + volume_ml / flask_ml)[:, None])


def ends_of(volume_ml: FloatArray, density: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Colour at the start and at the end: medians of the first and last few points.

    Parameters
    ----------
    volume_ml:
        Rising, shape (n,), n >= 1.
    density:
        Shape (n, channels).

    Returns
    -------
    Two arrays of shape (channels,).
    """
    span = float(np.ptp(volume_ml))
    n = len(volume_ml)
    first = max(1, min(5, int(np.sum(volume_ml <= volume_ml[0] + 0.1 * span)), n // 3))
    last = max(1, min(5, int(np.sum(volume_ml >= volume_ml[-1] - 0.02 * span)), n // 3))
    return np.median(density[:first], axis=0), np.median(density[n - last :], axis=0)


def _backwards(undiluted: FloatArray, change: FloatArray, swings_count: bool) -> FloatArray:
    """Scatter of each channel against its own way, beyond that of single points, shape (channels,).

    In a titration a density goes one way. A channel that swings back, overshoots or wanders keeps
    less well to the mixture than the others and counts less.
    """
    out, swings = np.zeros(change.size), np.zeros(change.size)
    if len(undiluted) < 3:  # Two points go one way by themselves.
        return out
    few = min(_SWING, len(undiluted))
    for k, way in enumerate(np.sign(change)):
        values = undiluted[:, k] * (way or 1.0)
        rest = values - rising(values).values
        alone = 1.4826 * float(np.median(np.abs(np.diff(values)))) / np.sqrt(2.0)
        out[k] = max(float(np.mean(rest**2)) - alone**2, 0.0)
        # Points that err together count as one.
        swing = float(sliding_window_view(rest**2, few).sum(axis=1).max())
        swings[k] = swing if swing > _OFTEN_ALONE * few * alone**2 else 0.0
    # Where all channels swing it is the light, which moves them together.
    more = swings - float(np.median(swings)) if swings_count else 0.0
    return np.asarray(np.sqrt(np.maximum(out, more)))


def unmix(
    volume_ml: FloatArray,
    density: FloatArray,
    sigma: FloatArray,
    flask_ml: float,
    kept: NDArray[np.bool_] | None = None,
    light: FloatArray | None = None,
    clipped: NDArray[np.bool_] | None = None,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Noise-weighted least-squares mix of the start and the end colour.

    Parameters
    ----------
    volume_ml:
        Delivered volume, increasing, shape (n,).
    density, sigma:
        Optical density and its standard deviation, shape (n, channels).
    flask_ml:
        Volume in the flask at the start.
    kept:
        Points that show the colours of start and end, shape (n,); by default all.
    light:
        What exposure adds to all channels of each point, dilution undone, shape (n,); by default
        nothing.
    clipped:
        Channels of a camera with nothing left, shape (3,); the others have to speak.

    Returns
    -------
    signal (n,), its sigma (n,), off_colour (n,), weights (channels,), start and change of the
    undiluted density (channels,). Without any change the weights are 0.
    """
    undiluted = undilute(volume_ml, density, flask_ml)
    if light is not None:
        undiluted = undiluted - light[:, None]
    shown = np.ones(len(volume_ml), dtype=bool) if kept is None else kept
    start, end = ends_of(volume_ml[shown], undiluted[shown])
    change = end - start
    channels = density.shape[1]
    camera = channels == 3
    if camera:
        usual = np.hypot(CHANNEL_NOISE, STRAY_LIGHT * 10.0 ** np.clip(end, 0.0, 3.0))
        if clipped is not None:
            usual = np.where(clipped, _TELLS_NOTHING, usual)
    else:
        usual = np.full(channels, ROW_NOISE)
    if channels > 1:
        # A channel that is clipped swings by itself, and is known already.
        own = clipped is None or not clipped.any()
        usual = np.hypot(usual, _backwards(undiluted[shown], change, own))
    common = COMMON_NOISE if camera else ROW_NOISE
    inverse = np.linalg.inv(np.diag(np.median(sigma, axis=0) ** 2 + usual**2) + common**2)
    strength = float(change @ inverse @ change)
    if strength <= 0.0:
        zero = np.zeros(len(volume_ml))
        return zero, zero + 1.0, zero, np.zeros(channels), start, change
    weights = inverse @ change / strength
    moved = undiluted - start
    signal = moved @ weights
    spread = np.sqrt((sigma**2) @ weights**2)
    rest = moved - signal[:, None] * change
    off = np.linalg.norm(rest, axis=1) / max(float(np.linalg.norm(change)), 1e-9)
    return signal, spread, off, weights, start, change
