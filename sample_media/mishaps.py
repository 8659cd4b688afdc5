"""What happens over time while a person films: how the flask moves, hands come, light changes."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sample_media.recipes import Plan

FloatArray = NDArray[np.float64]
_STEP_S = 0.02


@dataclass(frozen=True)
class Cover:
    """A hand or sleeve before the flask."""

    begin_s: float
    end_s: float
    kind: str
    """"hand" or "sleeve": what of the arm lies before the liquid."""
    side: float
    """Direction in degrees that the arm comes from: 0 right, 90 below, 180 left."""
    stays: bool = False
    """The film ends with it."""


@dataclass(frozen=True)
class Pose:
    """Place of the flask against its place at rest."""

    right_cm: float = 0.0
    up_cm: float = 0.0
    tilt_rad: float = 0.0
    size: float = 1.0
    roll_rad: float = 0.0
    """Turn about its own axis."""
    slosh: float = 0.0
    """Slope of the surface of the liquid."""
    hand: float = 0.0
    """1 while a hand holds it, between 0 and 1 while the hand comes or goes."""
    swirled: bool = False


AT_REST = Pose()


def pours_of(plan: Plan) -> FloatArray:
    """Begin and end of every pour in s, shape (n, 2)."""
    rising = np.flatnonzero(np.diff(plan.true_ml) > 1e-9)
    return np.stack([plan.true_s[rising], plan.true_s[rising + 1]], axis=1)


class Movement:
    """Place of a flask that is swirled by hand after every addition.

    Parameters
    ----------
    style:
        "in-hand": held all the time, drifting; "put-down": set down elsewhere after each swirl;
        "swirling": held and swirled without a pause, as while drops fall.
    plan:
        When is poured.
    rng:
        Source of everything random.
    """

    def __init__(self, style: str, plan: Plan, rng: np.random.Generator) -> None:
        t = self._t = np.arange(0.0, plan.duration_s + 1.0, _STEP_S)
        swirl, hand = np.zeros_like(t), np.zeros_like(t)
        rest = np.zeros((t.size, 3))
        for _, end in pours_of(plan):
            begin = end + rng.uniform(0.1, 0.5)
            stop = begin + rng.uniform(1.4, 2.6)
            swirl += _between(t, begin, stop, 0.25)
            hand = np.maximum(hand, _between(t, begin - 0.5, stop + 0.5, 0.35))
            new = rng.normal(0.0, (0.8, 0.22, 0.5))
            part = np.clip((t - stop) / 0.3, 0.0, 1.0)[:, None]
            rest = rest * (1 - part) + new * part
        in_hand = style != "put-down"
        if style == "swirling":
            swirl = 0.75 + 0.25 * _wander(t, rng)
        held = np.ones_like(t) if in_hand else hand
        wander = np.stack([_wander(t, rng) for _ in range(5)])
        phase = 2 * np.pi * np.cumsum(1.75 + 0.2 * wander[4]) * _STEP_S
        radius = swirl * rng.uniform(0.5, 0.9)
        loose = 1.0 if in_hand else 0.25
        self._rows = np.stack(
            [
                rest[:, 0] + held * 0.8 * loose * wander[0] + radius * np.cos(phase),
                rest[:, 1]
                + held * (0.35 + 0.3 * loose * wander[1])
                + 0.35 * radius * np.sin(phase)
                + 0.4 * swirl,
                held * 0.05 * loose * wander[2] + 0.07 * swirl * np.cos(phase + 0.6),
                1.0 + held * 0.02 * loose * wander[3] + 0.02 * swirl * np.sin(phase),
                rest[:, 2] + held * 0.25 * wander[4],
                0.30 * swirl * np.cos(phase - 0.5),
                np.ones_like(t) if in_hand else hand,
                swirl,
            ]
        )

    def at(self, time_s: float) -> Pose:
        """Place at a time."""
        a, b, c, d, e, f, g, swirl = (
            float(np.interp(time_s, self._t, values)) for values in self._rows
        )
        return Pose(a, b, c, d, e, f, g, swirled=swirl > 0.05)


def _between(t: FloatArray, begin: float, end: float, soft_s: float) -> FloatArray:
    return np.asarray(
        np.clip((t - begin) / soft_s, 0, 1) * np.clip((end - t) / soft_s, 0, 1), dtype=float
    )


def _wander(t: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Slow unsteadiness of a hand, about -1 to 1."""
    out = np.zeros_like(t)
    for hertz in (0.07, 0.19, 0.43, 0.9):
        hertz *= rng.uniform(0.7, 1.3)
        out += 0.5 * (0.07 / hertz) ** 0.5 * np.sin(2 * np.pi * hertz * t + rng.uniform(0, 6.3))
    return out


def hunting(
    duration_s: float, size: float, every_s: float, hertz: float, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Course of an automatic control that seeks, overshoots and seeks again.

    A second-order control (damping 0.35) follows targets that jump at random times.

    Returns
    -------
    Times in s and the logarithm of the gain.
    """
    t = np.arange(0.0, duration_s + 1.0, _STEP_S)
    if size == 0:
        return t, np.zeros_like(t)
    target = np.zeros_like(t)
    now = rng.exponential(every_s)
    while now < duration_s:
        target[t >= now] = np.clip(rng.normal(0.0, size), -1.6 * size, 1.6 * size)
        now += 1.0 + rng.exponential(every_s)
    omega = 2 * np.pi * hertz
    value, speed, out = 0.0, 0.0, np.empty_like(t)
    for k, goal in enumerate(target):
        speed += _STEP_S * (omega**2 * (goal - value) - 0.7 * omega * speed)
        value += _STEP_S * speed
        out[k] = value
    return t, out


def reach(cover: Cover, time_s: float) -> tuple[float, float]:
    """How far an arm has come (0 outside to 1 before the flask) and its speed in 1/s."""
    soft = 0.45
    come = np.clip((time_s - cover.begin_s) / soft, 0.0, 1.0)
    leave = 0.0 if cover.stays else np.clip((time_s - cover.end_s) / soft, 0.0, 1.0)
    part = float(come * come * (3 - 2 * come) - leave * leave * (3 - 2 * leave))
    speed = 6 * (come * (1 - come) - leave * (1 - leave)) / soft
    return part, float(speed)


def with_hanging_drops(plan: Plan, drop_ml: float, rng: np.random.Generator) -> Plan:
    """Plan in which the last drop of some pours hangs at the tip and falls later.

    The log holds what the burette shows, which has the hanging drop already; the flask has not.
    """
    times, volumes, drops = [plan.true_s[0]], [plan.true_ml[0]], []
    pours = pours_of(plan)
    for k, (begin, end) in enumerate(pours):
        v0, v1 = np.interp([begin, end], plan.true_s, plan.true_ml)
        late = 0.0
        if rng.uniform() < 0.5:
            late = min(drop_ml * rng.uniform(0.7, 1.2), 0.9 * (v1 - v0))
        next_s = pours[k + 1][0] if k + 1 < len(pours) else plan.duration_s
        times += [begin, end]
        volumes += [v0, v1 - late]
        drops += [t for t in plan.drops_s if begin <= t < end - 0.1]
        if late:
            fall = min(end + rng.uniform(2.0, 12.0), next_s - 0.06)
            times += [fall, fall + 0.03]
            volumes += [v1 - late, v1]
            drops.append(fall - 0.12)
    times.append(plan.duration_s)
    volumes.append(float(plan.true_ml[-1]))
    return replace(
        plan, true_s=np.array(times), true_ml=np.array(volumes), drops_s=np.array(sorted(drops))
    )


def frame_times(duration_s: float, rate: float, vary: bool, rng: np.random.Generator) -> FloatArray:
    """Times of the frames; a phone in dim light drops frames and halves its rate for a while."""
    even = np.arange(0.0, duration_s, 1.0 / rate)
    if not vary:
        return even
    keep = rng.uniform(size=even.size) > 0.12
    for _ in range(3):
        begin = rng.uniform(0.0, duration_s)
        slow = (even > begin) & (even < begin + 0.08 * duration_s)
        keep &= ~(slow & (np.arange(even.size) % 2 == 1))
    keep[0] = True
    jitter = np.clip(rng.normal(0.0, 0.08 / rate, even.size), -0.3 / rate, 0.3 / rate)
    jitter[0] = 0.0
    return np.asarray((even + jitter)[keep])
