"""Where to stop pouring, and how large the additions near the end should be."""

from __future__ import annotations

import math
from dataclasses import dataclass

from endpoint.chemistry.equilibrium import Flask
from endpoint.planner.indicator_error import LAST_RED, level_volumes_ml

DROP_ML = 0.05
"""One drop (common practice, no source)."""
FINE_ML = 0.1
COARSE_ML = 1.0
"""Fine and coarse additions, mL (common practice, no source)."""
FIRST_VIOLET = 0.1
"""Free fraction at which the wine red begins to turn violet (our choice)."""
NEARLY_BLUE = 0.8
"""Free fraction from which drops follow the fine additions (our choice)."""
MOST_FINE_ML = 1.5
"""A slow fade (hardly any magnesium) is not followed in fine additions from further before."""
BEYOND_ML = 0.5
"""A recording goes on so far past the last red, to see the pure blue."""
_SETTLE_PAUSE_S = 5.0
"""Shortest pause after an addition, s, see *How to film* in the README."""
_POUR_ML_S = 0.4
"""Rate of a burette whose tap is open, mL/s. Assumed."""
_TITRE_GUESS_ML = 0.5
"""How well a rough titration tells the titre, mL. Assumed."""


@dataclass(frozen=True)
class Stretch:
    """Part of a titration with additions of one size."""

    kind: str
    """"pour", "coarse", "fine" or "drops"."""
    until_ml: float
    addition_ml: float
    """0 for pouring without a stop."""
    count: int
    pause_s: float
    """Wait after each addition."""

    @property
    def duration_s(self) -> float:
        """Time for pouring or for the pauses, s."""
        return self.count * self.pause_s


@dataclass(frozen=True)
class Pouring:
    """All stretches of one titration whose titre is roughly known."""

    stretches: tuple[Stretch, ...]
    last_red_ml: float

    @property
    def duration_s(self) -> float:
        """Seconds from the first drop to the end."""
        return sum(stretch.duration_s for stretch in self.stretches)

    def volumes_ml(self) -> tuple[float, ...]:
        """Cumulative volumes at which a recording sees the liquid at rest, from 0."""
        volumes = [0.0]
        for stretch in self.stretches:
            if stretch.kind == "pour":
                if stretch.until_ml > 0:
                    volumes.append(stretch.until_ml)
                continue
            start = volumes[-1]
            volumes += [start + k * stretch.addition_ml for k in range(1, stretch.count + 1)]
        return tuple(volumes)


def pouring_for(
    flask: Flask, *, recorded: bool, mixing_lag_s: float = 1.5, drop_ml: float = DROP_ML
) -> Pouring | None:
    """Pouring and additions for a flask; None where it is blue from the start.

    Parameters
    ----------
    flask:
        Contents.
    recorded:
        A recording goes on for `BEYOND_ML` past the last red; the eye stops there.
    mixing_lag_s:
        Time constant of mixing; the pause is about three times it, and 5 s at least.
    drop_ml:
        One drop of the burette.
    """
    violet, nearly, last = (
        float(v) for v in level_volumes_ml(flask, (FIRST_VIOLET, NEARLY_BLUE, LAST_RED))[0]
    )
    if math.isnan(last) or math.isnan(nearly):
        return None
    violet = max(0.0 if math.isnan(violet) else violet, last - MOST_FINE_ML)
    nearly = max(nearly, last - 0.2)
    pause = max(_SETTLE_PAUSE_S, 3.0 * mixing_lag_s)
    # The titre of the rough titration is known to about half a millilitre.
    stop = max(0.0, math.floor(violet - COARSE_ML - _TITRE_GUESS_ML))
    stretches = [Stretch("pour", stop, 0.0, 1, stop / _POUR_ML_S)] if stop > 0 else []
    here = stop
    plan = (
        ("coarse", COARSE_ML, math.floor(violet - 0.5 * FINE_ML)),
        ("fine", FINE_ML, nearly),
        ("drops", drop_ml, last + (BEYOND_ML if recorded else 0.0)),
    )
    for kind, size, target in plan:
        count = max(0, math.floor((target - here) / size + 1e-9))
        if kind == "drops":
            count = max(1, math.ceil((target - here) / size - 1e-9))
        if count:
            here += count * size
            stretches.append(Stretch(kind, here, size, count, pause))
    return Pouring(tuple(stretches), last)
