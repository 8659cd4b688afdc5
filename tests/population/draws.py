"""One seed, one titration: water, dye, pH, person, pump, camera, mishaps and what is written down.

Seeds 1 to 999 are for tuning; from 5000 up they are held back.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tests.population import acts as acting
from tests.population.acts import Additions, Manner
from tests.population.balances import Constants, Curve, Water, draw_constants
from tests.population.optics import Optics, draw_optics
from tests.population.writing import Habits, draw_habits

FIRST_HELD_BACK_SEED = 5000

EVENTS = {
    "ordinary": 0.71,
    "one-big-addition": 0.06,
    "stops-purple": 0.04,
    "film-stops-in-change": 0.03,
    "never-reached": 0.05,
    "already-blue": 0.02,
    "wrong-ph": 0.04,
    "no-indicator": 0.015,
    "flask-swapped": 0.02,
    "balance-turns": 0.015,
}
"""What happens, and how often."""
_DELIVERIES = {"drops": 0.67, "tap": 0.08, "pump": 0.25}
_FPS = (2.0, 5.0, 8.0, 10.0, 15.0, 25.0, 30.0)
_EXTRA_ML = 3.0


@dataclass(frozen=True)
class Mishaps:
    """What goes wrong with the picture; times on the clock of the recording."""

    steps: tuple[tuple[float, tuple[float, float, float], float], ...] = ()
    """Time, log10 of exposure and balance in each channel, and the part that the reference does
    not undo."""
    drift: tuple[float, float, float] = (0.0, 0.0, 0.0)
    """Density that the lamp gains from the first to the last frame beyond the reference."""
    hands: tuple[tuple[float, float, bool], ...] = ()
    """Begin and end, and whether the frames are flagged."""
    sticks: float = 0.0
    """Change of density below which strong compression keeps the old colour; 0 never."""
    key_every_s: float = 2.0
    spikes: float = 0.0
    """Part of the frames with a glint or a bubble."""
    balance_turn: float = 0.0
    """Density by which the balance goes to blue over the film, not undone by the reference."""


@dataclass(frozen=True)
class Film:
    """How it was filmed."""

    fps: float
    lead_s: float
    """From the first frame to the first addition."""
    tail_s: float
    """From the last addition to the last frame."""
    noise: float
    """Density, from frame to frame."""
    wander: float
    """Density, correlated over `wander_s`."""
    wander_s: float
    spread: float
    """Scatter of the red density over a mixed liquid."""


@dataclass(frozen=True)
class Mixing:
    """How titrant mixes in."""

    lag_s: float
    """Mean time until it is in the bulk."""
    stages: int
    """Of the gamma kernel; 1 is first order."""
    plume_s: float
    plume_gain: float
    """How much more of the plume is in view than its part of the volume."""
    plume_thins: float
    """How many times its volume titrant fills while it is still seen as a plume."""


@dataclass(frozen=True, eq=False)
class Draw:
    """Everything about one titration, and nothing that the program found."""

    seed: int
    event: str
    delivery: str
    ph: float
    ammonia_mol_l: float
    sodium_mol_l: float
    sample_ml: float
    water: Water
    constants: Constants
    curve: Curve
    acts: Additions
    """On the clock of the recording."""
    manner: Manner
    habits: Habits
    film: Film
    first_s: float
    """When the film begins; before it there may have been pours."""
    last_s: float
    mixing: Mixing
    optics: Optics
    mishaps: Mishaps
    rate_ml_min: float | None
    pump_is_logged: bool
    lag_is_stated: bool
    swap_s: float | None = None

    @property
    def end_ml(self) -> float:
        """Equivalence volume."""
        return self.water.equivalence_ml

    @property
    def clock_apart_s(self) -> float:
        """Clock of the recording minus that of the log."""
        return self.habits.clock_s - self.first_s


def draw(seed: int) -> Draw:
    """Draw a titration.

    Parameters
    ----------
    seed:
        1 to 999 for tuning, 5000 up held back.
    """
    rng = np.random.default_rng([20261129, seed])
    event = str(rng.choice(list(EVENTS), p=list(EVENTS.values())))
    delivery = str(rng.choice(list(_DELIVERIES), p=list(_DELIVERIES.values())))
    if event in ("one-big-addition", "stops-purple", "flask-swapped"):
        delivery = "drops"
    ph = float(rng.uniform(7.4, 8.6) if event == "wrong-ph" else rng.uniform(9.6, 10.4))
    ammonia, sodium = float(rng.uniform(0.02, 0.25)), float(np.exp(rng.normal(-3.5, 0.8)))
    sample_ml, water = _water(rng, event)
    constants = draw_constants(rng, ph, ammonia, sodium)
    curve = Curve.of(water, constants, water.equivalence_ml + _EXTRA_ML + 4.0)
    manner, habits = acting.draw_manner(rng), draw_habits(rng, delivery)
    if manner.drops_at_once * habits.near_rows_every > 6:
        habits = replace(habits, near_rows_every=2)
    rate = float(np.exp(rng.uniform(np.log(1.5), np.log(12.0)))) if delivery == "pump" else None
    acts = _acts(rng, event, delivery, manner, curve, water.equivalence_ml, rate)
    film = _film(rng, habits.clock_s)
    acts = acting.later(acts, film.lead_s)
    mixing = Mixing(
        lag_s=float(np.clip(np.exp(rng.normal(np.log(1.5), 0.45)), 0.5, 4.0)),
        stages=int(rng.choice([1, 1, 2, 3])),
        plume_s=float(rng.uniform(0.3, 1.5)),
        plume_gain=float(np.clip(np.exp(rng.normal(0.4, 0.6)), 0.3, 4.0)),
        plume_thins=float(rng.uniform(10.0, 40.0)),
    )
    last_s = float(acts.end_s[-1]) + film.tail_s
    first_s = 0.0
    if event == "film-stops-in-change":
        first_s, last_s = 0.0, _time_in_change(rng, acts, curve, mixing.lag_s)
    elif delivery == "drops" and event == "ordinary" and rng.random() < 0.05:
        first_s = _after_first_pours(acts, water.equivalence_ml)
    swap_s = float(rng.uniform(0.5, 0.8) * last_s) if event == "flask-swapped" else None
    return Draw(
        seed=seed,
        event=event,
        delivery=delivery,
        ph=ph,
        ammonia_mol_l=ammonia,
        sodium_mol_l=sodium,
        sample_ml=sample_ml,
        water=water,
        constants=constants,
        curve=curve,
        acts=acts,
        manner=manner,
        habits=habits if first_s == 0.0 else replace(habits, first="midway", clock_s=first_s),
        film=film,
        first_s=first_s,
        last_s=last_s,
        mixing=mixing,
        optics=draw_optics(rng),
        mishaps=_mishaps(rng, event, first_s, last_s),
        rate_ml_min=rate,
        pump_is_logged=bool(rng.random() < 0.3),
        lag_is_stated=bool(rng.random() < 0.3),
        swap_s=swap_s,
    )


def _water(rng: np.random.Generator, event: str) -> tuple[float, Water]:
    """Sample volume in mL and the flask."""
    titrant = float(rng.choice([0.005, 0.01, 0.01, 0.01, 0.02]))
    end_ml = float(np.clip(np.exp(rng.normal(np.log(10.0), 0.5)), 2.0, 30.0))
    if event == "already-blue":
        end_ml = float(rng.uniform(0.0, 0.02))
    sample = float(rng.choice([25.0, 50.0, 50.0, 100.0]))
    flask = sample + float(rng.uniform(2.0, 60.0))
    metal = 1000.0 * end_ml * titrant
    share = float(rng.choice([rng.uniform(0.0, 0.05), rng.uniform(0.05, 0.7)], p=[0.12, 0.88]))
    dye_umol_l = float(np.clip(np.exp(rng.normal(np.log(15.0), 0.55)), 2.5, 60.0))
    if event == "no-indicator":
        dye_umol_l = 0.01
    buffered = rng.uniform(0.2, 1.0) * 0.03 * metal if rng.random() < 0.1 else 0.0
    return sample, Water(
        flask_ml=flask,
        calcium_umol=metal * (1.0 - share),
        magnesium_umol=metal * share,
        indicator_umol=1e-3 * dye_umol_l * flask,
        titrant_mol_l=titrant,
        mg_edta_umol=float(buffered),
    )


def _acts(
    rng: np.random.Generator,
    event: str,
    delivery: str,
    manner: Manner,
    curve: Curve,
    end_ml: float,
    rate: float | None,
) -> Additions:
    stop_ml = end_ml + float(rng.uniform(0.4, _EXTRA_ML))
    if event in ("never-reached", "flask-swapped", "balance-turns"):
        stop_ml = end_ml * float(rng.uniform(0.3, 0.85))
    elif event == "stops-purple":
        seen = curve.free(np.array([end_ml]))[0]
        wanted = rng.uniform(0.15, 0.75) * max(seen, 0.5)
        stop_ml = max(float(np.interp(wanted, curve.at.free, curve.volume_ml)), 0.3)
    if delivery == "pump":
        assert rate is not None
        return acting.by_pump(rate, stop_ml)
    if delivery == "tap":
        return acting.by_tap(rng, end_ml, stop_ml)
    # A person who meets no change goes on to nowhere in particular.
    if event in ("already-blue", "no-indicator"):
        manner = replace(manner, beyond=int(rng.integers(5, 25)))
        stop_ml = max(stop_ml, 1.0)
    found = acting.by_hand(rng, manner, curve, end_ml, stop_ml)
    if event == "one-big-addition":
        return acting.in_one_go(found, end_ml, float(rng.uniform(0.55, 2.0)))
    return found


def _film(rng: np.random.Generator, clock_s: float) -> Film:
    lead = rng.uniform(20.0, 90.0) if rng.random() < 0.15 else rng.uniform(1.5, 12.0)
    return Film(
        fps=float(rng.choice(_FPS)),
        # A stopwatch that starts after the film starts before the first drop all the same.
        lead_s=float(max(lead, clock_s + 1.0)),
        # Now and then nobody stops the film.
        tail_s=float(rng.uniform(3.0, 25.0) if rng.random() < 0.9 else rng.uniform(30.0, 150.0)),
        noise=float(np.exp(rng.normal(np.log(0.0025), 0.6))),
        wander=float(np.exp(rng.normal(np.log(0.0025), 0.6))),
        wander_s=float(rng.uniform(0.3, 8.0)),
        spread=float(rng.uniform(0.02, 0.12)),
    )


def _after_first_pours(acts: Additions, end_ml: float) -> float:
    """A moment within a pause before half of the way."""
    k = int(np.searchsorted(acts.total_ml, 0.5 * end_ml))
    if k < 1 or k >= acts.begin_s.size:
        return 0.0
    return float(acts.begin_s[k]) - 0.5 * float(acts.begin_s[k] - acts.end_s[k - 1])


def _time_in_change(rng: np.random.Generator, acts: Additions, curve: Curve, lag_s: float) -> float:
    time = np.arange(0.0, float(acts.end_s[-1]) + 5.0, 0.1)
    free = curve.free(acts.volume_at(time))
    k = int(np.searchsorted(free, rng.uniform(0.25, 0.7)))
    return float(time[min(k, time.size - 1)]) + lag_s


def _mishaps(rng: np.random.Generator, event: str, first_s: float, last_s: float) -> Mishaps:
    steps = []
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.6, 0.2, 0.12, 0.08]))):
        exposure = rng.choice([-1.0, 1.0]) * np.log10(rng.uniform(1.03, 1.10))
        balance = np.log10(rng.uniform(0.97, 1.03, 3)) if rng.random() < 0.5 else np.zeros(3)
        shift = exposure + balance
        size = (float(shift[0]), float(shift[1]), float(shift[2]))
        steps.append((float(rng.uniform(first_s, last_s)), size, float(rng.uniform(0.03, 0.3))))
    drift = 0.01 * rng.normal(size=3) if rng.random() < 0.3 else np.zeros(3)
    hands = []
    for _ in range(int(rng.choice([0, 1, 2, 4], p=[0.7, 0.15, 0.1, 0.05]))):
        at = float(rng.uniform(first_s, last_s))
        hands.append((at, at + float(rng.uniform(1.0, 8.0)), bool(rng.random() < 0.7)))
    return Mishaps(
        steps=tuple(sorted(steps)),
        drift=(float(drift[0]), float(drift[1]), float(drift[2])),
        hands=tuple(sorted(hands)),
        sticks=float(rng.uniform(0.008, 0.03)) if rng.random() < 0.1 else 0.0,
        key_every_s=float(rng.choice([1.0, 2.0, 4.0, 8.0])),
        spikes=float(rng.uniform(0.002, 0.03)) if rng.random() < 0.15 else 0.0,
        balance_turn=float(rng.uniform(0.15, 0.35)) if event == "balance-turns" else 0.0,
    )
