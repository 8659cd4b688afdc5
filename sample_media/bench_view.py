"""Films that show the flask and the burette above it, with known truth for both.

The flask is the traced scene of `picture`, the tube that of `burette_view` before a white card,
the tip and its drops those of `tip_view`; all in linear light, then one camera for the whole
picture. Each part is seen along its own line of sight, so the perspective of the whole is not
that of one lens: nothing is measured across the parts. Everything is simulated.
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_media.burette_recipe import BuretteRecipe
from sample_media.burette_view import burette_light
from sample_media.encode import record_text
from sample_media.h264 import write_h264
from sample_media.picture import coded, linear_frames
from sample_media.recipes import Plan, Recipe, plan_of, truth_of
from sample_media.scene import VIEWS, project
from sample_media.tip_view import TipRecipe, drop_radii_mm, tip_light

FloatArray = NDArray[np.float64]
Float32 = NDArray[np.float32]
_CARD_MM = 52.0
_CARD_LIGHT = 0.85
_FIELDS = 6
_TAP_PX = 6
_FREE_MM = 32.0
"""Free fall from the tip to the mouth of the flask."""


@dataclass(frozen=True, kw_only=True)
class BenchRecipe:
    """A titration filmed with its burette."""

    chemistry: Recipe
    """Scene "tile-open"; its size is that of the lower part of the picture."""
    shows: str
    """"meniscus" or "drops"."""
    above: int
    """Rows of the picture above the scene of the flask."""
    frames_s: float
    """A multiple of the frame rate of the chemistry, which is the rate at which colours change."""
    mm_per_ml: float = 20.8
    start_ml: float = 1.3
    top_ml: float = 0.4
    """Reading at the upper edge of the picture."""
    tilt_deg: float = 0.4
    contact_deg: float = 10.0
    drop_ml: float = 0.046
    drops_s: float = 3.0
    additions: tuple[int, ...] = ()
    """Drops of each addition, for "drops"."""
    wait_s: float = 4.0
    blur_px: float = 0.7
    crf: int = 20
    reading_sd_ml: float = 0.008

    @property
    def size(self) -> tuple[int, int]:
        """Width and height of the picture."""
        return self.chemistry.width, self.chemistry.height + self.above

    @property
    def px_per_mm(self) -> float:
        """Scale at the flask."""
        return self.chemistry.width / VIEWS[self.chemistry.view].field_cm / 10.0


# What is delivered -----------------------------------------------------------------------------


def drop_moments(recipe: BenchRecipe) -> tuple[float, ...]:
    """When each drop lets go, s."""
    rng = np.random.default_rng([recipe.chemistry.seed, 41])
    times, t = [], recipe.wait_s
    for number in recipe.additions:
        for _ in range(number):
            times.append(t)
            t += rng.normal(1.0, 0.06) / recipe.drops_s
        t += recipe.wait_s
    return tuple(times)


def tip_of(recipe: BenchRecipe) -> TipRecipe:
    """Tip with its drops as a patch of the picture."""
    scale = recipe.px_per_mm
    mouth = _mouth_px(recipe)
    moments = drop_moments(recipe)
    gap = 0.6 / recipe.drops_s
    edges = [k for k in range(1, len(moments)) if moments[k] - moments[k - 1] > 2 * gap + 0.5]
    begins = [moments[0], *(moments[k] for k in edges)]
    ends = [*(moments[k - 1] for k in edges), moments[-1]]
    # The tap is open a little before the first and after the last drop of an addition.
    spans = tuple((b - gap, e + 0.1) for b, e in zip(begins, ends, strict=True))
    return TipRecipe(
        seed=recipe.chemistry.seed,
        drop_ml=recipe.drop_ml,
        drops_s=recipe.drops_s,
        open_s=spans,
        duration_s=moments[-1] + recipe.wait_s,
        width=2 * round(15 * scale),
        height=mouth,
        px_per_mm=scale,
        tip_y_mm=mouth / scale - _FREE_MM,
        flask_y_mm=mouth / scale,
        frames_s=recipe.frames_s,
        swirl=False,
        flask=False,
        drops_at_s=moments,
    )


def plan_of_bench(recipe: BenchRecipe) -> Plan:
    """Delivery of the titration: poured, or by drops whose volumes scatter."""
    if recipe.shows == "meniscus":
        return plan_of(recipe.chemistry)
    tip = tip_of(recipe)
    let_go = np.array(drop_moments(recipe))
    volumes = np.cumsum(4.0 / 3.0 * math.pi * drop_radii_mm(tip) ** 3 / 1000.0)
    fall_s = math.sqrt(2.0 * _FREE_MM / 9810.0) + 0.12
    reach = let_go + fall_s
    before = np.r_[0.0, volumes[:-1]]
    times = np.column_stack([reach, reach + 0.02]).ravel()
    levels = np.column_stack([before, volumes]).ravel()
    end = tip.duration_s
    return Plan(
        log_s=np.r_[0.0, reach],
        log_ml=np.r_[0.0, volumes],
        true_s=np.r_[0.0, times, end],
        true_ml=np.r_[0.0, levels, volumes[-1]],
        drops_s=let_go + fall_s - 0.15,
        duration_s=end,
    )


def burette_of(recipe: BenchRecipe, plan: Plan) -> BuretteRecipe:
    """Straight part of the burette as a patch of the picture."""
    scale = recipe.px_per_mm
    pours = []
    for k in range(1, plan.true_s.size):
        rise = float(plan.true_ml[k] - plan.true_ml[k - 1])
        if rise > 1e-9:
            pours.append((float(plan.true_s[k - 1]), rise))
    view_ml = recipe.above / scale / recipe.mm_per_ml
    return BuretteRecipe(
        seed=recipe.chemistry.seed,
        mm_per_ml=recipe.mm_per_ml,
        contact_deg=recipe.contact_deg,
        start_ml=recipe.start_ml,
        rate_ml_s=0.45,
        pours=tuple(pours),
        width=2 * round(0.95 * _CARD_MM * scale),
        height=recipe.above,
        px_per_mm=scale,
        distance_mm=10.0 * VIEWS[recipe.chemistry.view].distance_cm,
        camera_ml=recipe.top_ml + 0.6 * view_ml,
        top_ml=recipe.top_ml,
        duration_s=plan.duration_s,
        board=_CARD_LIGHT,
    )


# The picture -----------------------------------------------------------------------------------


def bench_frames(recipe: BenchRecipe) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield time and picture (height, width, 3), encoded R'G'B'."""
    plan = plan_of_bench(recipe)
    chemistry = recipe.chemistry
    rng = np.random.default_rng([chemistry.seed, 43])
    phase = rng.uniform(0, 2 * np.pi, 6)
    wide, high = recipe.size
    axis = _axis_px(recipe)
    camera = _Camera(recipe, rng, phase, plan.duration_s)
    tube = burette_of(recipe, plan)
    tip = None
    if recipe.shows == "drops":
        drops = tip_of(recipe)
        tip = tip_light(drops, drop_radii_mm(drops), 0.0)
    repeat = round(recipe.frames_s / chemistry.frames_s)
    picture = np.zeros((high, wide, 3), np.float32)
    below = recipe.above
    for n, (t, flask) in enumerate(linear_frames(chemistry, plan, phase)):
        if n == 0:
            picture[:below] = _wall(flask, below)
            _card(recipe, picture, axis)
            wall = picture[below - _TAP_PX : below].copy()
        picture[below - _TAP_PX : below] = wall
        picture[below:] = flask
        if tip is None:
            _lay_tube(recipe, tube, picture, axis, t)
            yield t, camera.take(picture, t)
            continue
        for k in range(repeat):
            shown = next(tip, None)
            if shown is None:
                return
            now = picture.copy()
            left = axis - drops.width // 2
            now[: drops.height, left : left + drops.width] *= shown[2]
            at = (n * repeat + k) / recipe.frames_s
            yield at, camera.take(now, at)


def _axis_px(recipe: BenchRecipe) -> int:
    view = VIEWS[recipe.chemistry.view]
    size = (recipe.chemistry.width, recipe.chemistry.height)
    return round(float(project(view, *size, (0.0, 0.0, view.vessel.total_height_cm))[0]))


def _mouth_px(recipe: BenchRecipe) -> int:
    """Row of the picture at which the mouth of the flask stands."""
    view = VIEWS[recipe.chemistry.view]
    size = (recipe.chemistry.width, recipe.chemistry.height)
    mouth = float(project(view, *size, (0.0, 0.0, view.vessel.total_height_cm))[1])
    return recipe.above + round(mouth)


def _wall(flask: Float32, rows: int) -> Float32:
    """Wall above the scene: its uppermost rows, smooth, a little darker further up."""
    level = np.median(flask[:4], axis=(0, 1))
    fade = np.linspace(0.85, 1.0, rows)[:, None, None]
    return np.asarray(level * fade * np.ones((1, flask.shape[1], 1)), dtype=np.float32)


def _card(recipe: BenchRecipe, picture: Float32, axis: int) -> None:
    """White card behind the burette."""
    if recipe.shows == "meniscus":
        half = round(_CARD_MM * recipe.px_per_mm)
        picture[: recipe.above - _TAP_PX, max(axis - half, 0) : axis + half] = _CARD_LIGHT


def _lay_tube(
    recipe: BenchRecipe, tube: BuretteRecipe, picture: Float32, axis: int, t: float
) -> None:
    """Tube before the card, and below it tap and outlet, down into the neck of the flask."""
    light = _leaning(tube, tube.reading_ml(t), recipe.tilt_deg)
    left = axis - tube.width // 2
    rows = slice(0, recipe.above - _TAP_PX)
    picture[rows, left : left + tube.width] = light[rows]
    scale = recipe.px_per_mm
    view = VIEWS[recipe.chemistry.view]
    scene = (recipe.chemistry.width, recipe.chemistry.height)
    mouth = float(project(view, *scene, (0.0, 0.0, view.vessel.total_height_cm - 1.0))[1])
    top, end = recipe.above - _TAP_PX, recipe.above + round(mouth)
    for row in range(top, end):
        down = (row - top) / scale
        half = 4.0 if down < 12.0 else max(2.2 - 0.05 * (down - 12.0), 1.0)
        a, b = axis - round(half * scale), axis + round(half * scale) + 1
        shade = 0.30 if down < 12.0 else 0.72
        picture[row, a:b] *= np.float32(shade)


@functools.lru_cache(maxsize=4)
def _leaning(tube: BuretteRecipe, reading_ml: float, tilt_deg: float) -> Float32:
    import cv2

    turn = cv2.getRotationMatrix2D((tube.width / 2, tube.height / 2), tilt_deg, 1.0)
    upright, size = burette_light(tube, reading_ml), (tube.width, tube.height)
    how: dict[str, Any] = {"flags": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_REPLICATE}
    return np.asarray(cv2.warpAffine(upright, turn, size, **how), dtype=np.float32)


class _Camera:
    """Exposure, blur, shake, noise, tone curve and 8 bits for the whole picture."""

    def __init__(
        self, recipe: BenchRecipe, rng: np.random.Generator, phase: FloatArray, duration_s: float
    ) -> None:
        self._recipe, self._rng, self._phase = recipe, rng, phase
        self._duration_s = duration_s
        wide, high = recipe.size
        shape = (high + 32, wide + 32, 3)
        self._grain = [rng.standard_normal(shape, dtype=np.float32) for _ in range(_FIELDS)]

    def take(self, linear: Float32, t: float) -> NDArray[np.uint8]:
        """Picture of linear light at a time."""
        import cv2

        r = self._recipe.chemistry
        part = t / self._duration_s
        gain = r.exposure * (
            1 + r.exposure_drift * math.sin(2 * np.pi * 1.3 * part + self._phase[2])
        )
        tint = r.balance_drift * math.sin(2 * np.pi * 0.9 * part + self._phase[3])
        picture: Float32 = np.asarray(
            cv2.GaussianBlur(linear, (0, 0), self._recipe.blur_px), dtype=np.float32
        )
        picture *= np.array([1 + tint, 1.0, 1 - 0.8 * tint], dtype=np.float32) * gain
        dx, dy = r.shake_px * np.sin(np.array([1.7, 2.3]) * t + self._phase[4:6])
        move = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
        moved = cv2.warpAffine(picture, move, self._recipe.size, borderMode=cv2.BORDER_REPLICATE)
        picture = np.asarray(moved, dtype=np.float32)
        field = self._grain[int(self._rng.integers(_FIELDS))]
        j, i = self._rng.integers(0, 32, 2)
        high, wide = picture.shape[:2]
        noise = field[j : j + high, i : i + wide]
        spread = np.clip(picture, 0, 1)
        spread += np.float32(0.15)
        np.sqrt(spread, out=spread)
        spread *= np.float32(r.noise)
        spread *= noise
        picture += spread
        return coded(picture, r.contrast)


# Files -----------------------------------------------------------------------------------------


def readings_of(recipe: BenchRecipe) -> tuple[float, float]:
    """Both readings as a person types them, mL: with a small error, to 0.01 mL."""
    rng = np.random.default_rng([recipe.chemistry.seed, 47])
    whole = float(plan_of_bench(recipe).true_ml[-1])
    start, end = recipe.start_ml, recipe.start_ml + whole
    a, b = rng.normal(0.0, recipe.reading_sd_ml, 2)
    return round(start + a, 2), round(end + b, 2)


def write_bench_film(recipe: BenchRecipe, folder: Path, settings: str = "") -> Path:
    """Write film, record and truth; return the record's path."""
    folder.mkdir(parents=True, exist_ok=True)
    chemistry = recipe.chemistry
    film = folder / f"{chemistry.name}.mp4"
    write_h264(bench_frames(recipe), film, recipe.frames_s, recipe.crf)
    start, end = readings_of(recipe)
    extra = ", division_ml = 0.1" if recipe.shows == "meniscus" else ""
    delivery = f"{recipe.shows} = {{ start_ml = {start}, end_ml = {end}{extra} }}"
    text = record_text(chemistry, f'video = "{film.name}"', delivery)
    if settings:
        text += f"\n[settings]\n{settings}\n"
    path = folder / f"{chemistry.name}.toml"
    path.write_text(text, encoding="utf-8")
    truth = truth_of(chemistry) | {"delivered_ml": float(plan_of_bench(recipe).true_ml[-1])}
    if recipe.shows == "drops":
        truth |= {"drops": len(drop_moments(recipe)), "drop_ml": recipe.drop_ml}
    (folder / f"{chemistry.name}.truth.json").write_text(
        json.dumps(truth, indent=1), encoding="utf-8"
    )
    return path


def bench_recipe(shows: str, seed: int) -> BenchRecipe:
    """Small film of a burette at work; seeds from 1000 up are held back."""
    rng = np.random.default_rng([53, seed])
    base = Recipe(
        name=f"bench-{shows}-{seed}",
        seed=seed,
        magnesium=float(rng.uniform(0.1, 0.4)),
        indicator_umol_l=float(rng.uniform(6.0, 10.0)),
        view="tile-open",
        exposure=float(rng.uniform(0.7, 0.9)),
        noise=float(rng.uniform(0.004, 0.009)),
        contrast=float(rng.uniform(0.0, 0.2)),
        mixing_s=float(rng.uniform(0.7, 1.2)),
        wait_s=(3.6, 4.2),
    )
    if shows == "meniscus":
        chemistry = replace(
            base,
            hardness_mmol_l=float(rng.uniform(0.38, 0.46)),
            stop_after_ml=0.5,
            width=360,
            height=270,
            frames_s=5.0,
        )
        return BenchRecipe(
            chemistry=chemistry,
            shows=shows,
            above=240,
            frames_s=5.0,
            start_ml=float(rng.uniform(1.2, 1.5)),
            tilt_deg=float(rng.uniform(-1.0, 1.0)),
            contact_deg=float(rng.choice([5.0, 15.0])),
            crf=int(rng.integers(18, 24)),
        )
    chemistry = replace(
        base,
        sample_ml=50.0,
        hardness_mmol_l=float(rng.uniform(0.4, 0.5)),
        width=320,
        height=240,
        frames_s=5.0,
    )
    drop_ml = float(rng.uniform(0.040, 0.055))
    end = chemistry.flask.equivalence_ml
    coarse = int((end - 0.5) / drop_ml)
    tens, rest = divmod(coarse, 9)
    additions = (9,) * tens + ((rest,) if rest else ()) + (4, 2, 1, 1, 1, 1, 2, 2, 4)
    return BenchRecipe(
        chemistry=chemistry,
        shows=shows,
        above=90,
        frames_s=25.0,
        wait_s=3.6,
        drop_ml=drop_ml,
        drops_s=float(rng.uniform(2.5, 4.0)),
        additions=additions,
        crf=int(rng.integers(18, 24)),
    )
