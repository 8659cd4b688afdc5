"""Simulated live titrations with known truth, up to any moment: by hand or with a pump.

Independent of the guide: mass balances from `endpoint.chemistry.equilibrium.speciate`, colours of
the two forms off from those of the indicator file, bent colour scale, a grey shade on the flask,
drifting light, scatter of frames and of whole seconds, and a first-order mixing lag stepped in
time.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.of_curve import result_of_curve
from endpoint.bench.guidance.guide import GuidanceInputs, Moment
from endpoint.bench.guidance.said import Pace
from endpoint.bench.live.classroom import Classroom, replicate_of
from endpoint.bench.live.form import setting_from
from endpoint.chemistry.equilibrium import Constants, Flask, constants_at, speciate
from endpoint.colour.density import ColourTrace
from endpoint.curve.gathering import from_colour
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.model import Priors
from endpoint.result.document import document
from sample_media.simulated import level_volume_ml
from tests.jobs import job_of

FloatArray = NDArray[np.float64]

RED_FORM = np.array([0.10, 0.55, 0.30])
BLUE_FORM = np.array([0.60, 0.38, 0.12])
FILM_RED = np.array([0.21, 0.50, 0.40])
FILM_BLUE = np.array([0.57, 0.30, 0.12])
"""Forms as a camera shows them in the rendered sample films, on a like scale."""
FIRST_PAST_ML = 0.2
"""How far past the end a first replicate goes: some drops, so that its end point is located."""
_FRAME_S = 0.25
_FAR_ML = 4.0
_FAR_FRAME_S = 1.0


@dataclass(frozen=True)
class Recipe:
    """One simulated flask, camera and operator."""

    flask: Flask
    constants: Constants
    red: FloatArray
    blue: FloatArray
    shade: float
    noise: float
    """Of a frame, as a part of the change."""
    wander: float
    """Of whole seconds, as a part of the change."""
    drift_per_min: float
    bend: float
    kink: float
    lag_s: float
    pump: bool
    rate_ml_s: float
    reaction_s: float
    seed: int


def draw_recipe(seed: int, *, pump: bool | None = None) -> Recipe:
    """Hardness 0.5 to 2 mmol/L, magnesium 0.5 to 50 %, indicator 5 to 60 umol/L, pH 9.8 to 10.2."""
    rng = np.random.default_rng([555, seed])
    metal = 0.1 * rng.uniform(0.5, 2.0)
    magnesium = 10.0 ** rng.uniform(np.log10(0.005), np.log10(0.5))
    base = constants_at(rng.uniform(9.8, 10.2))
    constants = Constants(
        log_ca_edta=base.log_ca_edta + rng.normal(0.0, 0.05),
        log_mg_edta=base.log_mg_edta + rng.normal(0.0, 0.05),
        log_ca_indicator=base.log_ca_indicator + rng.normal(0.0, 0.07),
        log_mg_indicator=base.log_mg_indicator + rng.normal(0.0, 0.07),
    )
    flask = Flask(
        volume_ml=105.0,
        calcium_mmol=metal * (1.0 - magnesium),
        magnesium_mmol=metal * magnesium,
        indicator_umol=rng.uniform(5.0, 60.0) * 0.105,
        titrant_mol_l=0.01,
    )
    strength = rng.uniform(0.3, 1.3)
    mix = rng.uniform()
    red = (1.0 - mix) * RED_FORM + mix * FILM_RED
    blue = (1.0 - mix) * BLUE_FORM + mix * FILM_BLUE
    red = strength * red * np.exp(rng.normal(0.0, 0.08, 3))
    blue = strength * blue * np.exp(rng.normal(0.0, 0.08, 3))
    excess = max(float(blue[0]) - 0.65, 0.0)
    by_pump = bool(rng.uniform() < 0.5) if pump is None else pump
    return Recipe(
        flask=flask,
        constants=constants,
        red=red,
        blue=blue,
        shade=rng.normal(0.0, 0.04),
        noise=10.0 ** rng.uniform(np.log10(0.003), np.log10(0.02)),
        wander=rng.uniform(0.001, 0.004),
        drift_per_min=rng.normal(0.0, 0.005),
        bend=rng.normal(-0.03 - 0.2 * excess, 0.06 + 0.2 * excess),
        kink=rng.normal(0.0, 0.02),
        lag_s=rng.uniform(0.5, 3.0),
        pump=by_pump,
        rate_ml_s=rng.uniform(2.0, 6.0) / 60.0 if by_pump else 0.2 * rng.uniform(0.8, 1.25),
        reaction_s=rng.uniform(0.5, 1.5),
        seed=seed,
    )


@dataclass
class Flow:
    """The flask in time: what was delivered, what has mixed in, what the camera saw."""

    recipe: Recipe
    time_s: float = 0.0
    delivered_ml: float = 0.0
    mixed_ml: float = 0.0
    times: list[float] = field(default_factory=list)
    mixed: list[float] = field(default_factory=list)
    log_s: list[float] = field(default_factory=lambda: [0.0])
    log_ml: list[float] = field(default_factory=lambda: [0.0])
    extra: list[float] = field(default_factory=list)
    grain: list[FloatArray] = field(default_factory=list)
    _wander: float = 0.0

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng([556, self.recipe.seed])

    @property
    def left_ml(self) -> float:
        return self.recipe.flask.equivalence_ml - self.delivered_ml

    def step(self, step_s: float, added_ml: float, *, note: bool) -> None:
        """Go on by one frame in which a volume is added at its beginning."""
        r = self.recipe
        self.delivered_ml += added_ml
        self.time_s += step_s
        self.mixed_ml += (self.delivered_ml - self.mixed_ml) * (1.0 - np.exp(-step_s / r.lag_s))
        if note and r.pump:
            self._pumped()
        elif note and self.delivered_ml > self.log_ml[-1]:
            self.log_s.append(self.time_s - 0.5 * step_s)
            self.log_ml.append(self.delivered_ml)
        keep = np.exp(-step_s / 5.0)
        self._wander = keep * self._wander + np.sqrt(1 - keep**2) * self.rng.normal(0.0, r.wander)
        extra = r.drift_per_min * self.time_s / 60.0 + self._wander
        self.times.append(self.time_s)
        self.mixed.append(self.mixed_ml)
        self.extra.append(extra + r.noise * self.rng.standard_normal())
        self.grain.append(self.rng.normal(0.0, 0.001, 3))

    def density(self) -> FloatArray:
        """What the camera saw, shape (frames, 3)."""
        r = self.recipe
        mixed = np.array(self.mixed)
        f = speciate(r.flask, mixed, r.constants).free_fraction
        bump = f * (1.0 - f)
        shape = f + r.bend * bump + r.kink * bump * (1.0 - 2.0 * f) + np.array(self.extra)
        thinner = r.flask.volume_ml / (r.flask.volume_ml + mixed)
        dye = r.red + shape[:, None] * (r.blue - r.red)
        return np.asarray(r.shade + thinner[:, None] * dye + np.array(self.grain))

    def _pumped(self) -> None:
        """Knots of a pump's log only where its rate changes."""
        if len(self.log_s) > 1:
            before = self.log_ml[-1] - self.log_ml[-2]
            rate = before / (self.log_s[-1] - self.log_s[-2])
            now = (self.delivered_ml - self.log_ml[-1]) / (self.time_s - self.log_s[-1])
            if abs(now - rate) < 1e-9:
                self.log_s.pop()
                self.log_ml.pop()
        self.log_s.append(self.time_s)
        self.log_ml.append(self.delivered_ml)

    @property
    def free_fraction(self) -> float:
        """Truth in the liquid now."""
        return float(
            speciate(self.recipe.flask, self.mixed_ml, self.recipe.constants).free_fraction[0]
        )

    def curve(self) -> Curve:
        """What the chain makes of it so far."""
        n = len(self.times)
        density = self.density()
        trace = ColourTrace(
            index=np.arange(n),
            time_s=np.array(self.times),
            density=density,
            display_density=density.copy(),
            density_sigma=np.full((n, 3), 0.001),
            reference=np.full((n, 3), 0.8),
            spread=np.zeros(n),
            flags=np.zeros(n, dtype=np.int64),
            hue_deg=np.zeros(n),
            chroma=np.zeros(n),
            rgb=np.zeros((n, 3), dtype=np.uint8),
        )
        times, volumes = list(self.log_s), list(self.log_ml)
        if self.recipe.pump and self.time_s > times[-1]:
            times.append(self.time_s)
            volumes.append(self.delivered_ml)
        mode = "continuous" if self.recipe.pump else "steps"
        delivery = Delivery(mode, np.array(times), np.array(volumes))
        return from_colour(trace, delivery, self.recipe.flask.volume_ml)


def inputs_of(recipe: Recipe, *, second: bool = False) -> GuidanceInputs:
    """What the guide is given: nothing of the truth, but for what a first replicate showed."""
    pace = Pace(recipe.pump, 60.0 * recipe.rate_ml_s if recipe.pump else 0.0)
    inputs = GuidanceInputs(titrant_mol_l=0.01, priors=Priors(), pace=pace)
    if not second:
        return inputs
    moment = taught_by_first(recipe)
    return replace(inputs, habit=moment.habit, expected_ml=moment.expected_ml)


def first_of(recipe: Recipe) -> Recipe:
    """The replicate before: the same camera and water, another pipetting and pinch of indicator.

    The titre differs by 0.1 mL (1 sigma), the amount of indicator by a tenth.
    """
    rng = np.random.default_rng([557, recipe.seed])
    flask, amount = recipe.flask, float(np.exp(rng.normal(0.0, 0.1)))
    more = 1.0 + rng.normal(0.0, 0.1) / flask.equivalence_ml
    return replace(
        recipe,
        flask=replace(
            flask,
            calcium_mmol=more * flask.calcium_mmol,
            magnesium_mmol=more * flask.magnesium_mmol,
            indicator_umol=amount * flask.indicator_umol,
        ),
        red=amount * recipe.red,
        blue=amount * recipe.blue,
        seed=recipe.seed + 1_000_000,
    )


def taught_by_first(recipe: Recipe) -> Moment:
    """What the bench hands to the guide of a second flask once the first one is finished."""
    curve = flow_to(first_of(recipe), -FIRST_PAST_ML).curve()
    form = {"label": "Water", "sample_ml": 100.0, "added_ml": 5.0, "titrant_mol_l": 0.01}
    job = job_of(setting_from(form), datetime.date(2026, 11, 25))
    result = result_of_curve(replace(job, delivery=curve.delivery), curve)
    classroom = Classroom()
    classroom.add(replicate_of("Water", result, document(result, {})))
    now = Moment(now_s=0.0, delivered_ml=0.0, blueness=-0.8)
    return classroom.taught(now, "Water", recipe.flask.volume_ml, 0.01)


def flow_to(recipe: Recipe, left_ml: float) -> Flow:
    """Titrate without a guide until so much is left: pour, then smaller and smaller additions."""
    rng = np.random.default_rng([558, recipe.seed])
    flow = Flow(recipe)
    for _ in range(8):
        flow.step(_FRAME_S, 0.0, note=True)
    poured_to = max(rng.uniform(0.5, 2.0), left_ml)
    while flow.left_ml > poured_to:
        step_s = _FAR_FRAME_S if flow.left_ml > _FAR_ML else _FRAME_S
        whole = int(flow.time_s + step_s) > int(flow.time_s)
        flow.step(step_s, recipe.rate_ml_s * step_s, note=recipe.pump or whole)
    pause = round(rng.uniform(3.0, 6.0) / _FRAME_S)
    while flow.left_ml > left_ml:
        size = 0.2 if flow.left_ml > 1.0 else 0.1 if flow.left_ml > 0.4 else 0.05
        frames = max(round(size / recipe.rate_ml_s / _FRAME_S), 1) if recipe.pump else 1
        for k in range(frames):
            flow.step(_FRAME_S, size / frames, note=recipe.pump or k == frames - 1)
        for _ in range(pause):
            flow.step(_FRAME_S, 0.0, note=recipe.pump)
    return flow


def left_at(recipe: Recipe, level: float) -> float:
    """Volume left where a part of the indicator is free, mL."""
    return recipe.flask.equivalence_ml - level_volume_ml(recipe.flask, level, recipe.constants)
