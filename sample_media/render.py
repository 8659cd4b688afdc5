"""Recordings of titrations, rendered from physics with known truth.

    python -m sample_media.render            # the committed samples
    python -m sample_media.render --family good-steps --seed 7 --out /tmp/film

Chemistry (mass balances) gives the free fraction of the indicator for every mixed volume, dye
spectra x lamp x camera give the colour for every path through the liquid, the traced scene gives
path, reflections and background of every pixel, and mixing, drops, stirrer, exposure, white
balance and noise vary over time. Everything is simulated; nothing was filmed.
"""

from __future__ import annotations

import argparse
import functools
import json
import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.equilibrium import Flask, speciate
from endpoint.sources.synthetic import level_volume_ml
from sample_media import light
from sample_media.scene import NO_VESSEL, VIEWS, Plate, View, project, trace_view

FloatArray = NDArray[np.float64]
_PATHS_CM: FloatArray = np.linspace(0.0, 24.0, 97)
_POUR_ML_S = 0.45
TUNING_VIEWS = ("tile", "stirrer", "beaker", "lightbox")
HELD_BACK_VIEWS = ("far", "close")


@dataclass(frozen=True)
class Recipe:
    """Everything that one recording is made from."""

    name: str
    seed: int = 0
    label: str = ""
    # Chemistry
    sample_ml: float = 100.0
    added_ml: float = 5.0
    hardness_mmol_l: float = 1.2
    magnesium: float = 0.2
    indicator_umol_l: float = 8.0
    mg_edta_mmol: float = 0.0
    ph: float = 10.0
    titrant_mol_l: float = 0.01
    wrong_colour: bool = False
    # Delivery
    mode: str = "steps"
    stop_after_ml: float = 0.8
    """Past the equivalence volume; negative stops before it."""
    coarse_ml: float = 2.0
    fine_ml: tuple[float, ...] = (0.1, 0.05)
    jump_ml: float = 0.0
    """One addition of this size across the end; 0 for none."""
    wait_s: tuple[float, float] = (6.0, 8.0)
    """Pause after coarse and after fine additions."""
    rate_ml_min: float = 4.0
    start_ml: float = 0.0
    """Delivered before the recording starts."""
    mixing_s: float = 1.3
    tell_lag: bool = True
    # Picture
    view: str = "tile"
    lamp: str = "daylight"
    camera: str = light.CAMERAS[0]
    width: int = 640
    height: int = 480
    frames_s: float = 10.0
    exposure: float = 0.8
    exposure_drift: float = 0.04
    balance_drift: float = 0.02
    contrast: float = 0.1
    noise: float = 0.006
    haze: float = 0.01
    shake_px: float = 0.15
    crf: int = 23
    tagged: bool = True
    # Mishaps, as parts of the duration; 0 for none
    light_off_at: float = 0.0
    moved_at: float = 0.0
    no_flask: bool = False

    @property
    def flask(self) -> Flask:
        """Contents for the mass balances."""
        metal = self.hardness_mmol_l * self.sample_ml * 1e-3
        flask_ml = self.sample_ml + self.added_ml
        return Flask(
            volume_ml=flask_ml,
            calcium_mmol=metal * (1.0 - self.magnesium),
            magnesium_mmol=metal * self.magnesium,
            indicator_umol=self.indicator_umol_l * flask_ml * 1e-3,
            titrant_mol_l=self.titrant_mol_l,
            mg_edta_mmol=self.mg_edta_mmol,
            ph=self.ph,
        )


@dataclass(frozen=True, eq=False)
class Plan:
    """Delivery over time: log rows and the true volume."""

    log_s: FloatArray
    log_ml: FloatArray
    true_s: FloatArray
    true_ml: FloatArray
    """Corner points of the true delivered volume."""
    drops_s: FloatArray
    duration_s: float


def plan_of(recipe: Recipe) -> Plan:
    """Additions as a person (or a pump) makes them."""
    rng = np.random.default_rng([recipe.seed, 1])
    end = recipe.flask.equivalence_ml
    stop = max(end + recipe.stop_after_ml, 0.5)
    if recipe.mode == "continuous":
        rate = recipe.rate_ml_min / 60.0
        begin = 4.0
        t = np.array([0.0, begin, begin + (stop - recipe.start_ml) / rate])
        v = np.array([recipe.start_ml, recipe.start_ml, stop])
        t, v = np.append(t, t[-1] + 4.0), np.append(v, stop)
        drops = np.arange(begin, t[2], 0.05 / rate)
        return Plan(t, v, t, v, drops, float(t[-1]))
    volume, time = recipe.start_ml, recipe.wait_s[0]
    log_s, log_ml = [0.0], [volume]
    true_s, true_ml, drops = [0.0], [volume], []
    while volume < stop - 1e-9:
        step, wait = _next_step(recipe, rng, end, volume, stop)
        pour = step / _POUR_ML_S
        drops += list(np.arange(time, time + pour, 0.05 / _POUR_ML_S))
        true_s += [time, time + pour]
        true_ml += [volume, volume + step]
        volume = round(volume + step, 4)
        time += pour + 0.3
        log_s.append(round(time, 2))
        log_ml.append(round(volume, 2))
        time += wait * rng.uniform(0.9, 1.2)
    true_s.append(time)
    true_ml.append(volume)
    return Plan(*map(np.array, (log_s, log_ml, true_s, true_ml, drops)), time)  # type: ignore[arg-type]


def _next_step(
    recipe: Recipe, rng: np.random.Generator, end: float, volume: float, stop: float
) -> tuple[float, float]:
    left = end - volume + rng.normal(0.0, 0.08)
    coarse, fine = recipe.wait_s
    if recipe.jump_ml:
        if left > recipe.jump_ml + 0.4:
            return max(round(min(recipe.coarse_ml, left - recipe.jump_ml * 0.6), 2), 0.1), coarse
        return recipe.jump_ml, fine
    if left > recipe.coarse_ml + 1.3:
        return recipe.coarse_ml, coarse
    if left > 1.2:
        return 0.5, coarse
    if left > 0.45:
        return 0.2, fine
    if left < -1.3:
        return 0.5, coarse
    return float(rng.choice(recipe.fine_ml)), fine


def truth_of(recipe: Recipe) -> dict[str, object]:
    """True values of a recipe."""
    flask = recipe.flask
    hardness = recipe.hardness_mmol_l
    half, most = level_volume_ml(flask, 0.5), level_volume_ml(flask, 0.95)
    return {
        "equivalence_ml": round(flask.equivalence_ml, 4),
        "midpoint_ml": None if math.isnan(half) else round(half, 4),
        "last_red_ml": None if math.isnan(most) else round(most, 4),
        "hardness_mmol_l": hardness,
        "hardness_caco3_mg_l": round(hardness * 100.086, 2),
        "recipe": asdict(recipe),
    }


def mixed_volume(plan: Plan, recipe: Recipe, times: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Delivered and mixed volume at times; the mixing is integrated in small steps."""
    step = 0.01
    fine = np.arange(0.0, plan.duration_s + 1.0, step)
    given = np.interp(fine, plan.true_s, plan.true_ml)
    mixed = np.empty_like(given)
    mixed[0] = given[0]
    keep = math.exp(-step / recipe.mixing_s)
    for k in range(1, fine.size):
        mixed[k] = given[k - 1] + (mixed[k - 1] - given[k - 1]) * keep
    return np.interp(times, fine, given), np.interp(times, fine, mixed)


@functools.lru_cache(maxsize=12)
def _plate(view: str, width: int, height: int, volume_ml: float, empty: bool) -> Plate:
    scene: View = VIEWS[view]
    if empty:
        scene = replace(scene, vessel=NO_VESSEL, burette=False, stirrer=False)
    plate = trace_view(scene, width, height, volume_ml)
    return replace(
        plate,
        **{
            name: getattr(plate, name).astype(np.float32)
            for name in ("reflected", "behind", "path_cm", "shadow_cm", "position")
        },
    )


def _colours(recipe: Recipe, free: float, dilution: float) -> FloatArray:
    """Linear sRGB transmittance for the grid of paths, shape (paths, 3)."""
    amount = recipe.indicator_umol_l * 1e-6 * dilution
    blue = light.YELLOW_FORM if recipe.wrong_colour else light.BLUE_FORM
    through = light.transmittance(amount * (1.0 - free), amount * free, _PATHS_CM, blue)
    return light.camera(recipe.camera, recipe.lamp).see(through).astype(np.float32)


def _through(table: FloatArray, path: FloatArray) -> FloatArray:
    """Colour of every pixel from the table of paths (linear interpolation)."""
    x = np.clip(path * np.float32(1 / _PATHS_CM[1]), 0.0, len(_PATHS_CM) - 1.01)
    low = x.astype(np.int32)
    part = (x - low)[..., None]
    return np.asarray(table.take(low, axis=0) * (1 - part) + table.take(low + 1, axis=0) * part)


def render_frames(recipe: Recipe) -> Iterator[tuple[float, NDArray[np.uint8]]]:
    """Yield (time_s, picture of uint8 RGB) for a recipe."""
    import cv2

    plan = plan_of(recipe)
    rng = np.random.default_rng([recipe.seed, 2])
    times = np.arange(0.0, plan.duration_s, 1.0 / recipe.frames_s)
    given, mixed = mixed_volume(plan, recipe, times)
    free = speciate(recipe.flask, mixed).free_fraction
    flask_ml = recipe.flask.volume_ml
    plate = _plate(
        recipe.view,
        recipe.width,
        recipe.height,
        round(flask_ml + float(np.median(given)), 0),
        recipe.no_flask,
    )
    tip, surface = _drop_way(recipe, flask_ml + float(np.median(given)))
    phase = rng.uniform(0, 2 * np.pi, 6)
    wet = plate.shadow_cm > 0
    for k, t in enumerate(times):
        lag = float(given[k] - mixed[k])
        table = _colours(recipe, float(free[k]), flask_ml / (flask_ml + mixed[k]))
        liquid = _through(table, _with_bar(plate, recipe, t, phase[0]))
        if lag > 0.004 and not recipe.no_flask:
            plume = _plume(plate, lag, t, phase)
            ahead = _colours(recipe, 1.0, flask_ml / (flask_ml + mixed[k]))
            liquid = liquid * (1 - plume) + plume * _through(ahead, plate.path_cm)
        lit = plate.behind.copy()
        lit[wet] *= 0.25 + 0.75 * _through(table, 0.45 * plate.shadow_cm[wet])
        glint = 1.0 + 0.03 * math.sin(7.1 * t + phase[1])
        linear = lit * liquid + plate.reflected * np.float32(glint)
        linear = linear * (1 - recipe.haze) + recipe.haze * float(linear.mean())
        _drop(linear, plan, t, tip, surface)
        yield (
            float(t),
            _expose(
                recipe,
                cv2.GaussianBlur(linear, (0, 0), 0.55),
                t / plan.duration_s,
                t,
                rng,
                phase,
                cv2,
            ),
        )


def _with_bar(plate: Plate, recipe: Recipe, t: float, phase: float) -> FloatArray:
    """Path with the white stirrer bar turning on the bottom of the vessel."""
    if not VIEWS[recipe.view].stirrer:
        return plate.path_cm
    half = 0.10 + 0.20 * abs(math.sin(0.9 * recipe.frames_s * t + phase))
    z, x = plate.position[..., 0], plate.position[..., 1]
    bar = np.exp(-((z / 0.13) ** 4)) * (np.abs(x) < half)
    return np.asarray(plate.path_cm * (1.0 - 0.45 * bar))


def _plume(plate: Plate, lag_ml: float, t: float, phase: FloatArray) -> FloatArray:
    """Part of the way that leads through not yet mixed titrant, shape (h, w, 1)."""
    z, x = plate.position[..., 0], plate.position[..., 1]
    total = np.zeros_like(z)
    for k in range(4):
        swing = 0.55 * math.sin(2.3 * t + phase[k + 1])
        depth = 0.75 - 0.5 * ((0.6 * t + 0.25 * k) % 1.0)
        total += np.exp(-(((x - swing) / 0.22) ** 2) - ((z - depth) / 0.25) ** 2)
    return np.asarray(np.clip(total * min(lag_ml / 0.25, 1.0) * 0.7, 0.0, 0.9))[..., None]


def _drop_way(recipe: Recipe, volume_ml: float) -> tuple[FloatArray, FloatArray]:
    view = VIEWS[recipe.view]
    size = (recipe.width, recipe.height)
    top = project(view, *size, (0.15, 0.0, view.vessel.total_height_cm - 1.0))
    low = project(view, *size, (0.15, 0.0, view.vessel.level_cm(volume_ml)))
    return top, low


def _drop(linear: FloatArray, plan: Plan, t: float, tip: FloatArray, surface: FloatArray) -> None:
    since = t - plan.drops_s
    falling = since[(since >= 0) & (since < 0.15)]
    if falling.size == 0:
        return
    at = tip + (surface - tip) * (falling[-1] / 0.15) ** 2
    radius = max(linear.shape[1] / 300.0, 1.0)
    y0, x0 = int(at[1]), int(at[0])
    for dy in range(-4, 5):
        for dx in range(-3, 4):
            y, x = y0 + dy, x0 + dx
            if 0 <= y < linear.shape[0] and 0 <= x < linear.shape[1]:
                r = math.hypot(dx, dy * 0.7) / radius
                if r < 1.0:
                    linear[y, x] *= 0.55 + 0.6 * (r < 0.4)


@functools.cache
def _codes(contrast: float) -> NDArray[np.uint8]:
    """8-bit codes of 8192 steps of linear light."""
    coded = 255.0 * light.tone(np.linspace(0.0, 1.0, 8192), contrast)
    return np.asarray(np.rint(coded), dtype=np.uint8)


def _expose(recipe, linear, part, t, rng, phase, cv2) -> NDArray[np.uint8]:  # type: ignore[no-untyped-def]
    """Exposure, balance, shake, noise, tone curve, 8 bits."""
    picture = linear
    gain = recipe.exposure * (
        1 + recipe.exposure_drift * math.sin(2 * np.pi * (1.3 * part) + phase[2])
    )
    tint = recipe.balance_drift * math.sin(2 * np.pi * (0.9 * part) + phase[3])
    if recipe.light_off_at and part > recipe.light_off_at:
        gain *= 0.012
    picture = linear * np.array([1 + tint, 1.0, 1 - 0.8 * tint], dtype=np.float32) * gain
    shift = recipe.shake_px * rng.standard_normal(2)
    if recipe.moved_at and part > recipe.moved_at:
        shift = shift + np.array([0.09, -0.05]) * recipe.width
    if np.any(np.abs(shift) > 0.02):
        matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
        size = (picture.shape[1], picture.shape[0])
        picture = cv2.warpAffine(picture, matrix, size, borderMode=cv2.BORDER_REPLICATE)
    spread = np.float32(recipe.noise) * np.sqrt(0.15 + np.clip(picture, 0, 1))
    picture = picture + spread * rng.standard_normal(picture.shape, dtype=np.float32)
    return _codes(recipe.contrast)[(np.clip(picture, 0, 1) * 8191).astype(np.int32)]


# Writing -------------------------------------------------------------------------------------


def _record(recipe: Recipe, recording: str, delivery: str) -> str:
    lag = ""
    if recipe.tell_lag and recipe.mode == "continuous":
        lag = f"mixing_lag_s = {recipe.mixing_s:.1f}\nmixing_lag_uncertainty_s = 0.2\n"
    return f'''# Simulated recording, see README.md in sample_media.
format = 1

[sample]
label = "{recipe.label or recipe.name}"
deliveries_ml = [{recipe.sample_ml / 2:.1f}, {recipe.sample_ml / 2:.1f}]
added_ml = {recipe.added_ml:.1f}

[titrant]
concentration_mol_l = {recipe.titrant_mol_l:.4f}
standard_uncertainty_mol_l = 0.00002

[recording]
{recording}

[delivery]
{delivery}
{lag}
[ware]
burette = {{ nominal_ml = 25, class = "A", division_ml = 0.05 }}
pipette = {{ nominal_ml = 50, class = "A" }}
'''


def _write_common(recipe: Recipe, folder: Path, recording: str, delivery: str) -> Path:
    (folder / f"{recipe.name}.truth.json").write_text(
        json.dumps(truth_of(recipe), indent=1), encoding="utf-8"
    )
    record = folder / f"{recipe.name}.toml"
    record.write_text(_record(recipe, recording, delivery), encoding="utf-8")
    return record


def _write_log(recipe: Recipe, folder: Path) -> str:
    plan = plan_of(recipe)
    rows = "".join(f"{t:.2f},{v:.3f}\n" for t, v in zip(plan.log_s, plan.log_ml, strict=True))
    name = f"{recipe.name}-volumes.csv"
    (folder / name).write_text("time_s,volume_ml\n" + rows, encoding="utf-8")
    mode = "continuous" if recipe.mode == "continuous" else "steps"
    return f'log = "{name}"\nmode = "{mode}"'


def write_film(recipe: Recipe, folder: Path) -> Path:
    """Write film, log, record and truth; return the record's path."""
    import av

    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{recipe.name}.mp4"
    with av.open(str(path), "w", options={"movflags": "+faststart"}) as container:
        stream = container.add_stream("libx264", rate=round(recipe.frames_s))
        stream.width, stream.height, stream.pix_fmt = recipe.width, recipe.height, "yuv420p"
        stream.options = {"crf": str(recipe.crf), "preset": "medium", "g": "100"}
        if recipe.tagged:
            stream.codec_context.color_range = 1
            stream.codec_context.colorspace = 1
            stream.codec_context.color_primaries = 1
            stream.codec_context.color_trc = 1
        for _, picture in render_frames(recipe):
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            coded = frame.reformat(
                format="yuv420p", dst_colorspace=1 if recipe.tagged else 5, dst_color_range=1
            )
            for packet in stream.encode(coded):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return _write_common(recipe, folder, f'video = "{path.name}"', _write_log(recipe, folder))


def write_stills(recipe: Recipe, folder: Path) -> Path:
    """Write one JPEG for every volume, taken after mixing, and the volumes file."""
    from PIL import Image

    stills = folder / recipe.name
    stills.mkdir(parents=True, exist_ok=True)
    for old in stills.glob("*.jpg"):
        old.unlink()
    plan = plan_of(recipe)
    # Just before the next addition begins.
    due = [float(t) - 0.2 for t in plan.true_s[1::2]]
    rows, wanted = [], 0
    for t, picture in render_frames(recipe):
        if wanted < len(due) and t >= due[wanted] - 0.5 / recipe.frames_s:
            name = f"still-{wanted + 1:02d}.jpg"
            Image.fromarray(picture).save(stills / name, quality=90)
            rows.append(f"{name},{plan.log_ml[wanted]:.3f}\n")
            wanted += 1
    log = f"{recipe.name}-volumes.csv"
    (folder / log).write_text("file,volume_ml\n" + "".join(rows), encoding="utf-8")
    return _write_common(recipe, folder, f'stills = "{recipe.name}"', f'per_still = "{log}"')


def write_photometer(recipe: Recipe, folder: Path, comma: bool = False) -> Path:
    """Write absorbances at 530 and 620 nm in a 1 cm cell after every addition."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([recipe.seed, 3])
    volume = plan_of(recipe).log_ml
    flask = recipe.flask
    free = speciate(flask, volume).free_fraction
    amount = 1e-3 * flask.indicator_umol / (flask.volume_ml + volume)
    columns = []
    for nm in (530.0, 620.0):
        k = int(np.argmin(np.abs(light.WAVELENGTHS_NM - nm)))
        mixed = (1 - free) * light.RED_FORM[k] + free * light.BLUE_FORM[k]
        columns.append(amount * mixed + 0.002 + 0.0012 * rng.standard_normal(free.size))
    rows = ["volume_ml", "A530", "A620"]
    lines = [";".join(rows) if comma else ",".join(rows)]
    for v, a, b in zip(volume, *columns, strict=True):
        cells = [f"{v:.2f}", f"{a:.4f}", f"{b:.4f}"]
        lines.append(";".join(cells).replace(".", ",") if comma else ",".join(cells))
    name = f"{recipe.name}.csv"
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    record = _write_common(recipe, folder, f'photometer = "{name}"\npath_cm = 1.0', "")
    text = record.read_text(encoding="utf-8").replace("[delivery]\n\n", "")
    record.write_text(text, encoding="utf-8")
    return record


# Families ------------------------------------------------------------------------------------

GOOD = ("good-steps", "good-pump", "stills", "photometer", "mg-edta-buffer", "no-magnesium", "pale")
REFUSE = (
    "never-reached",
    "already-blue",
    "lights-off",
    "camera-moved",
    "no-flask",
    "wrong-colour",
    "wrong-ph",
)
BRACKET = ("coarse-jump", "last-purple")


def family(name: str, seed: int, *, quick: bool = True, held_back: bool | None = None) -> Recipe:
    """Random but physical recipe of a family; `held_back` chooses scenes kept for evaluation.

    Parameters
    ----------
    name:
        One of `GOOD`, `REFUSE`, `BRACKET`.
    seed:
        Seed of everything random.
    quick:
        Small and short, for tests and studies.
    held_back:
        True: only held-back scenes; False: only tuning scenes; None: any.
    """
    rng = np.random.default_rng([seed, sum(map(ord, name))])
    views = {True: HELD_BACK_VIEWS, False: TUNING_VIEWS, None: TUNING_VIEWS + HELD_BACK_VIEWS}
    base = Recipe(
        name=f"{name}-{seed}",
        seed=seed,
        hardness_mmol_l=float(rng.uniform(0.6, 1.6)),
        magnesium=float(10 ** rng.uniform(np.log10(0.03), np.log10(0.5))),
        indicator_umol_l=float(rng.uniform(4.0, 10.0)),
        ph=float(rng.uniform(9.9, 10.1)),
        stop_after_ml=float(rng.uniform(0.6, 1.2)),
        rate_ml_min=float(rng.uniform(3.0, 6.0)),
        mixing_s=float(rng.uniform(0.7, 2.0)),
        view=str(rng.choice(views[held_back])),
        lamp=str(rng.choice(list(light.LAMPS))),
        exposure=float(rng.uniform(0.65, 0.92)),
        exposure_drift=float(rng.uniform(0.0, 0.06)),
        balance_drift=float(rng.uniform(0.0, 0.03)),
        contrast=float(rng.uniform(0.0, 0.25)),
        noise=float(rng.uniform(0.003, 0.012)),
        haze=float(rng.uniform(0.0, 0.03)),
        crf=int(rng.integers(20, 29)),
    )
    if quick:
        base = replace(base, width=320, height=240, frames_s=5.0, wait_s=(4.0, 6.0))
    return _vary(base, name, rng)


def _vary(base: Recipe, name: str, rng: np.random.Generator) -> Recipe:
    changes: dict[str, dict[str, object]] = {
        "good-steps": {},
        "stills": {},
        "photometer": {"indicator_umol_l": float(rng.uniform(10.0, 50.0))},
        "good-pump": {"mode": "continuous", "stop_after_ml": 1.2},
        "mg-edta-buffer": {"magnesium": 0.0, "mg_edta_mmol": 0.01},
        "no-magnesium": {"magnesium": float(rng.choice([0.0, 0.004]))},
        "pale": {"indicator_umol_l": 2.0},
        "never-reached": {"stop_after_ml": -float(rng.uniform(0.8, 4.0))},
        "already-blue": {"hardness_mmol_l": 0.001, "stop_after_ml": 3.0, "coarse_ml": 0.5},
        "lights-off": {"light_off_at": float(rng.uniform(0.15, 0.35))},
        "camera-moved": {"moved_at": float(rng.uniform(0.15, 0.35))},
        "no-flask": {"no_flask": True},
        "wrong-colour": {"wrong_colour": True},
        "wrong-ph": {
            "ph": float(rng.uniform(8.0, 8.7)),
            "magnesium": float(rng.uniform(0.2, 0.4)),
            "stop_after_ml": 2.0,
        },
        "coarse-jump": {
            "jump_ml": 1.0,
            "stop_after_ml": 1.5,
            "magnesium": float(rng.uniform(0.1, 0.4)),
        },
        "last-purple": {"stop_after_ml": -0.08, "magnesium": 0.2},
    }
    return replace(base, **changes[name])  # type: ignore[arg-type]


def write(recipe: Recipe, folder: Path) -> Path:
    """Write a recipe in the way its family is recorded."""
    if recipe.name.startswith("stills"):
        return write_stills(recipe, folder)
    if recipe.name.startswith("photometer"):
        return write_photometer(recipe, folder)
    return write_film(recipe, folder)


# The committed samples: a school's survey of the springs and wells of its valley ----------------


@dataclass(frozen=True)
class Sample:
    """One committed sample: how it is written and its recipe."""

    kind: str
    recipe: Recipe = field(repr=False)


SAMPLES: tuple[Sample, ...] = (
    Sample(
        "film",
        Recipe(
            "mill-spring",
            11,
            "Mill spring",
            hardness_mmol_l=1.384,
            magnesium=0.18,
            view="tile",
            wait_s=(6.0, 7.0),
        ),
    ),
    Sample(
        "film",
        Recipe(
            "school-well",
            12,
            "School well, pump",
            hardness_mmol_l=0.962,
            magnesium=0.27,
            mode="continuous",
            rate_ml_min=4.0,
            stop_after_ml=1.2,
            view="stirrer",
            lamp="led",
            mixing_s=1.6,
        ),
    ),
    Sample(
        "stills",
        Recipe(
            "chapel-fountain",
            13,
            "Chapel fountain",
            hardness_mmol_l=1.157,
            magnesium=0.12,
            view="beaker",
            lamp="fluorescent",
            width=800,
            height=600,
            frames_s=5.0,
        ),
    ),
    Sample(
        "photometer",
        Recipe(
            "quarry-pond",
            14,
            "Quarry pond",
            hardness_mmol_l=1.718,
            magnesium=0.22,
            indicator_umol_l=22.0,
        ),
    ),
    Sample(
        "film",
        Recipe(
            "chalk-spring",
            15,
            "Chalk spring (no magnesium)",
            hardness_mmol_l=1.243,
            magnesium=0.0,
            view="close",
            lamp="daylight",
            tagged=False,
        ),
    ),
    Sample(
        "film",
        Recipe(
            "deep-well",
            16,
            "Deep well (stopped too early)",
            hardness_mmol_l=1.9,
            magnesium=0.2,
            stop_after_ml=-4.2,
            view="tile",
            lamp="tungsten",
        ),
    ),
    Sample(
        "film",
        Recipe(
            "rain-barrel",
            17,
            "Rain barrel (already blue)",
            hardness_mmol_l=0.001,
            stop_after_ml=3.0,
            coarse_ml=0.5,
            view="lightbox",
            crf=26,
            wait_s=(4.0, 4.0),
            lamp="led",
        ),
    ),
)


def write_samples(folder: Path, only: str | None = None) -> None:
    """Write the committed samples into a folder."""
    for sample in SAMPLES:
        if only is not None and sample.recipe.name != only:
            continue
        if sample.kind == "film":
            path = write_film(sample.recipe, folder)
        elif sample.kind == "stills":
            path = write_stills(sample.recipe, folder)
        else:
            path = write_photometer(sample.recipe, folder, comma=True)
        print(path.name, flush=True)


def main() -> None:
    """Write the samples, or one recording of a family."""
    parser = argparse.ArgumentParser(description="Render simulated recordings")
    parser.add_argument("--family", choices=GOOD + REFUSE + BRACKET)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--full", action="store_true", help="full size and length")
    parser.add_argument("--only", help="name of one sample")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent)
    options = parser.parse_args()
    if options.family:
        print(write(family(options.family, options.seed, quick=not options.full), options.out))
    else:
        write_samples(options.out, options.only)


if __name__ == "__main__":
    main()
