"""What a film of a burette is made from, and a family of such films."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

WALL_MM = 1.2


@dataclass(frozen=True)
class BuretteRecipe:
    """Everything that a film of a burette is made from."""

    seed: int = 0
    # Burette
    mm_per_ml: float = 10.6
    division_ml: float = 0.1
    ring_lines: bool = False
    """Whole millilitres go all round the tube."""
    blue_stripe: bool = False
    contact_deg: float = 10.0
    # Readings
    start_ml: float = 1.0
    rate_ml_s: float = 0.3
    pours: tuple[tuple[float, float], ...] = ((1.0, 3.0),)
    """Start of pouring, s, and poured volume, mL."""
    refill: tuple[float, float, float] | None = None
    """Start, s; duration, s; reading after it, mL."""
    hidden: tuple[tuple[float, float], ...] = ()
    """A hand before the tube: from, to in s."""
    duration_s: float = 12.0
    # Camera
    width: int = 160
    height: int = 480
    px_per_mm: float = 2.6
    distance_mm: float = 600.0
    camera_ml: float = 10.0
    """Reading of the scale at the height of the lens."""
    top_ml: float = -0.5
    """Reading at the upper edge of the picture."""
    pitch_deg: float = 0.0
    tilt_deg: float = 0.6
    frames_s: float = 10.0
    blur_px: float = 0.7
    exposure: float = 0.8
    exposure_drift: float = 0.03
    noise: float = 0.008
    shake_px: float = 0.1
    jpeg: int = 80
    # Room
    board: float = 0.85
    board_half_mm: float = 55.0
    room: float = 0.16

    @property
    def inner_mm(self) -> float:
        """Inner radius."""
        return math.sqrt(1000.0 / (math.pi * self.mm_per_ml))

    @property
    def outer_mm(self) -> float:
        """Outer radius."""
        return self.inner_mm + WALL_MM

    def reading_ml(self, time_s: float) -> float:
        """True reading of the lowest point of the meniscus, seen from its own height."""
        volume = self.start_ml
        begin = self.refill
        for start, amount in self.pours:
            if begin is not None and start >= begin[0]:
                continue
            volume += min(max((time_s - start) * self.rate_ml_s, 0.0), amount)
        if begin is None or time_s < begin[0]:
            return volume
        part = min((time_s - begin[0]) / begin[1], 1.0)
        volume += (begin[2] - volume) * part
        for start, amount in self.pours:
            if start >= begin[0] + begin[1]:
                volume += min(max((time_s - start) * self.rate_ml_s, 0.0), amount)
        return volume

    def delivered_ml(self, time_s: float) -> float:
        """True volume that has left the burette since the start of the film."""
        return sum(min(max((time_s - s) * self.rate_ml_s, 0.0), a) for s, a in self.pours)


def burette_family(seed: int) -> BuretteRecipe:
    """Burettes, cameras and pourings as people have them; seeds from 1000 up are held back."""
    rng = np.random.default_rng([23, seed])
    small = rng.uniform() < 0.3
    mm_per_ml = 20.8 if small else 10.6
    px_per_mm = rng.uniform(1.3, 2.2) if small else rng.uniform(2.2, 3.6)
    height = 480
    view_ml = height / px_per_mm / mm_per_ml
    distance = float(rng.uniform(300, 1000))
    top = float(rng.uniform(-1.0, 15.0))
    start = top + float(rng.uniform(0.12, 0.3)) * view_ml
    room_ml = top + 0.9 * view_ml - start
    amounts: list[float] = []
    left = room_ml * rng.uniform(0.6, 1.0)
    while left > 0.15 and len(amounts) < 14:
        amounts.append(min(left, float(rng.choice([2.0, 1.0, 0.5, 0.2, 0.1, 0.05]))))
        left -= amounts[-1]
    rate, t = 0.5, 1.5
    pours = []
    for amount in amounts:
        pours.append((t, amount))
        t += amount / rate + 1.2
    refill: tuple[float, float, float] | None = None
    hidden: tuple[tuple[float, float], ...] = ()
    if rng.uniform() < 0.2:
        refill = (t + 1.0, 3.0, start + float(rng.uniform(-0.2, 0.5)))
        pours += [(t + 6.0, 1.0), (t + 9.5, 0.4)]
        t += 12.0
    if rng.uniform() < 0.3:
        a = rng.uniform(0.2, 0.7) * t
        hidden = ((a, a + 1.5),)
    return BuretteRecipe(
        seed=seed,
        mm_per_ml=mm_per_ml,
        ring_lines=bool(rng.uniform() < 0.4),
        blue_stripe=bool(rng.uniform() < 0.25),
        contact_deg=float(rng.choice([5.0, 15.0])),
        start_ml=start,
        rate_ml_s=rate,
        pours=tuple(pours),
        refill=refill,
        hidden=hidden,
        duration_s=t + 1.5,
        height=height,
        px_per_mm=px_per_mm,
        distance_mm=distance,
        camera_ml=top + float(rng.uniform(-0.15, 1.15)) * view_ml,
        top_ml=top,
        pitch_deg=float(rng.uniform(-5, 5)),
        tilt_deg=float(rng.uniform(-2, 2)),
        frames_s=4.0,
        blur_px=float(rng.uniform(0.6, 1.1)),
        exposure=float(rng.uniform(0.5, 1.0)),
        noise=float(rng.uniform(0.004, 0.015)),
        shake_px=float(rng.uniform(0.0, 0.4)),
        jpeg=int(rng.integers(60, 92)),
        board_half_mm=float(rng.choice([40.0, 80.0])),
    )
