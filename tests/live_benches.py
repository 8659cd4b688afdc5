"""Benches at the start of a run, as laboratories look: other coloured things next to the flask.

Plates of stirrers, jugs, beakers and flasks of other liquids, gloves, books, wood. The wine-red
liquid comes from bands of the dye, a lamp and a camera (`tests.population.optics`), everything else
from reflectances in linear light; a film of a second, in which the stirrer shimmers. Nothing
changes colour: it is the moment before the first drop.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from endpoint.recording.frame import ArrayFrame
from tests.population.balances import Curve, Water, draw_constants
from tests.population.optics import Colours, colours_of, draw_optics

Picture = NDArray[np.float32]
Mask = NDArray[np.bool_]
Colour = tuple[float, float, float]

WIDTH, HEIGHT = 480, 270
PLATES: dict[str, Colour] = {
    "teal": (0.01, 0.25, 0.27),
    "blue": (0.03, 0.10, 0.42),
    "white": (0.85, 0.85, 0.84),
    "steel": (0.32, 0.33, 0.34),
    "black": (0.02, 0.02, 0.025),
    "orange": (0.72, 0.21, 0.02),
    "green": (0.05, 0.30, 0.07),
    "violet": (0.19, 0.06, 0.33),
}
THINGS: dict[str, Colour] = {
    "orange jug": (0.80, 0.22, 0.015),
    "red jug": (0.55, 0.03, 0.03),
    "blue beaker": (0.02, 0.13, 0.55),
    "pink cap": (0.80, 0.22, 0.42),
    "yellow bin": (0.80, 0.58, 0.02),
    "green bottle": (0.03, 0.27, 0.08),
    "magenta box": (0.55, 0.03, 0.28),
    "violet bottle": (0.16, 0.05, 0.35),
    "brown bottle": (0.16, 0.05, 0.01),
    "wine-red book": (0.24, 0.02, 0.06),
    "navy cloth": (0.02, 0.03, 0.12),
}
GLOVES: dict[str, Colour] = {
    "blue": (0.08, 0.27, 0.62),
    "violet": (0.26, 0.15, 0.50),
    "pink": (0.75, 0.33, 0.45),
    "black": (0.02, 0.02, 0.02),
    "skin": (0.46, 0.26, 0.18),
}
BENCHES = ("wood", "dark wood", "grey", "white", "blue", "green", "tiles")
SECONDS = ("none", "blue", "red", "yellow", "clear")
_RATE = 10.0


@dataclass(frozen=True)
class Plan:
    """What stands where; lengths are parts of the height of the picture."""

    seed: int
    bench: str
    wall: Colour
    plate: str
    """Colour of the plate under the flask; "" for none."""
    white: str
    """The reference: "sheet", "tile" or "card"."""
    things: tuple[tuple[str, float, float, float, float], ...]
    """Name, middle x, foot y, width, height."""
    second: str
    """What another flask holds."""
    second_x: float
    second_size: float
    glove: str
    """Colour of a hand at the neck; "" for none."""
    vessel: str
    """"flask" or "beaker"."""
    x: float
    foot_y: float
    size: float
    """Width of the foot."""
    level: float
    indicator_umol_l: float
    path_cm: float


@dataclass(frozen=True, eq=False)
class LiveBench:
    """A second of pictures before the first drop."""

    plan: Plan
    frames: list[ArrayFrame]
    liquid: Mask
    """Where the light went through the liquid that will be titrated."""
    other_red: Mask
    """Wine-red liquid of another flask."""


def draw_plan(seed: int) -> Plan:
    """A bench of one seed."""
    rng = np.random.default_rng([seed, 77])

    def one(names: Sequence[str], none: float = 0.0) -> str:
        return "" if rng.random() < none else str(rng.choice(list(names)))

    x = float(rng.uniform(0.38, 0.62)) * WIDTH / HEIGHT
    size = float(rng.uniform(0.28, 0.46))
    foot = float(rng.uniform(0.72, 0.90))
    things = []
    for side in rng.permutation([-1, 1, -1, 1])[: int(rng.integers(1, 5))]:
        wide, tall = float(rng.uniform(0.12, 0.34)), float(rng.uniform(0.16, 0.62))
        at = x + side * (0.55 * size + 0.5 * wide + float(rng.uniform(0.01, 0.35)))
        things.append((one(list(THINGS)), at, foot + float(rng.uniform(-0.12, 0.06)), wide, tall))
    side = float(rng.choice([-1.0, 1.0]))
    second_size = size * float(rng.uniform(0.6, 1.0))
    return Plan(
        seed=seed,
        bench=one(BENCHES),
        wall=tuple(np.clip(rng.uniform(0.15, 0.85) + rng.normal(0, 0.06, 3), 0.02, 0.95)),
        plate=one(list(PLATES), 0.3),
        white=one(("sheet", "tile", "card")),
        things=tuple(things),
        second=str(rng.choice(SECONDS, p=[0.4, 0.22, 0.14, 0.12, 0.12])),
        second_x=x + side * (0.5 * size + 0.5 * second_size + float(rng.uniform(0.03, 0.3))),
        second_size=second_size,
        glove=one(list(GLOVES), 0.65),
        vessel=one(("flask", "flask", "beaker")),
        x=x,
        foot_y=foot,
        size=size,
        level=float(rng.uniform(0.25, 0.45)),
        indicator_umol_l=float(np.exp(rng.uniform(np.log(6.0), np.log(40.0)))),
        path_cm=float(rng.uniform(3.0, 8.0)),
    )


def liquids(plan: Plan) -> dict[str, NDArray[np.float64]]:
    """Linear light over white of the liquids through a whole path, shape (3,)."""
    rng = np.random.default_rng([plan.seed, 78])
    k = draw_constants(rng, 10.0, 0.1, 0.02)
    metal = float(rng.uniform(100.0, 400.0))
    share = float(rng.uniform(0.02, 0.5))
    water = Water(105.0, metal * (1 - share), metal * share, 0.105 * plan.indicator_umol_l, 0.01)
    optics = draw_optics(rng)
    optics = type(optics)(**{**vars(optics), "path_cm": plan.path_cm})
    curve = Curve.of(water, k, 1.2 * water.equivalence_ml)
    colours: Colours = colours_of(optics, water, curve, np.array([1.0]))
    return {
        "red": colours.liquid[0, 0],
        "blue": colours.blue[-1, 0],
        "yellow": np.array([0.85, 0.62, 0.08]),
        "clear": np.array([0.95, 0.95, 0.95]),
    }


def _grid() -> tuple[Picture, Picture]:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    return (x + 0.5) / HEIGHT, (y + 0.5) / HEIGHT


def _over(picture: Picture, cover: NDArray[Any], colour: Any) -> None:
    """Lay a colour, (3,) or (h, w, 3), over the picture."""
    soft = cv2.GaussianBlur(cover.astype(np.float32), (0, 0), 0.7)[..., None]
    picture *= 1.0 - soft
    picture += soft * np.asarray(colour, dtype=np.float32)


def _surroundings(plan: Plan, rng: np.random.Generator) -> Picture:
    """Wall and bench top."""
    x, y = _grid()
    line = plan.foot_y - float(rng.uniform(0.06, 0.28))
    picture = np.empty((HEIGHT, WIDTH, 3), dtype=np.float32)
    picture[:] = plan.wall
    grain = 1.0 + 0.12 * np.sin(70.0 * y + 4.0 * np.sin(3.0 * x + rng.uniform(0, 6)))
    grain += 0.05 * rng.normal(size=(HEIGHT, 1))
    joints = 1.0 - 0.45 * (((x * 6.0) % 1.0 < 0.05) | ((y * 6.0) % 1.0 < 0.05))
    tops: dict[str, Any] = {
        "wood": np.array([0.55, 0.33, 0.16]) * grain[..., None],
        "dark wood": np.array([0.22, 0.10, 0.05]) * grain[..., None],
        "grey": (0.3, 0.3, 0.3),
        "white": (0.75, 0.75, 0.73),
        "blue": (0.16, 0.27, 0.42),
        "green": (0.20, 0.33, 0.24),
        "tiles": np.array([0.62, 0.55, 0.45]) * joints[..., None],
    }
    _over(picture, y > line, tops[plan.bench])
    return picture


def _round(cover: Mask, middle: float, wide: float) -> Picture:
    """Shading of a round thing under light from one side."""
    x, _ = _grid()
    across = np.clip((x - middle) / (0.5 * wide), -1.0, 1.0)
    return np.where(
        cover, 0.45 + 0.55 * np.sqrt(1.0 - 0.9 * across**2) + 0.08 * across, 1.0
    ).astype(np.float32)


def _thing(picture: Picture, rng: np.random.Generator, thing: Any) -> None:
    """A jug, bottle, box or beaker."""
    name, middle, foot, wide, tall = thing
    x, y = _grid()
    up = (foot - y) / tall
    neck: Any = 1.0
    if "bottle" in name:
        neck = np.where(up > 0.72, 0.35, 1.0)
    elif "jug" in name:
        neck = 0.85 + 0.25 * np.clip(up, 0, 1)
    cover = (np.abs(x - middle) < 0.5 * wide * neck) & (up > 0) & (up < 1)
    if "jug" in name:
        ring = np.hypot((x - middle - 0.55 * wide) / (0.28 * wide), (up - 0.55) / 0.28)
        cover |= (ring > 0.65) & (ring < 1.0)
    flat = "book" in name or "box" in name or "cloth" in name
    shade = np.float32(1.0) if flat else _round(cover, middle, wide)[..., None]
    _over(picture, cover, np.asarray(THINGS[name], dtype=np.float32) * shade)
    if not flat and rng.random() < 0.7:
        glint = np.exp(-0.5 * ((x - middle + 0.22 * wide) / (0.03 * wide)) ** 2)
        glint *= np.exp(-0.5 * ((up - 0.6) / 0.18) ** 2) * cover
        picture += np.float32(rng.uniform(0.1, 0.5)) * glint[..., None].astype(np.float32)


def _vessel(plan: Plan, middle: float, size: float) -> tuple[Mask, Mask, Picture]:
    """Glass, liquid and its path (1 in the middle of the foot) of a flask of this size."""
    x, y = _grid()
    tall = (1.45 if plan.vessel == "flask" else 1.25) * size
    foot, neck = 0.5 * size, (0.15 if plan.vessel == "flask" else 0.5) * size
    up = (plan.foot_y - y) / tall
    half = np.where(up < 0.7, foot + (neck - foot) * np.clip(up, 0, 0.7) / 0.7, neck)
    bend = 0.12 * foot * (1.0 - np.sqrt(np.clip(1.0 - ((x - middle) / foot) ** 2, 0, 1))) / tall
    across = np.abs(x - middle) / half
    glass = (across < 1.0) & (up < 1.0) & (up > bend)
    dip = 0.05 * np.sqrt(np.clip(1.0 - across**2, 0, 1))
    liquid = glass & (across < 0.96) & (up < plan.level + dip)
    path = np.sqrt(np.clip(1.0 - across**2, 0.02, 1.0)) * half / foot
    return glass, liquid, path.astype(np.float32)


def _fill(
    picture: Picture, rng: np.random.Generator, vessel: tuple[Mask, Mask, Picture], light: Any
) -> None:
    """A flask with a liquid: it multiplies what stands behind it, and shows the white ground."""
    glass, liquid, path = vessel
    behind = cv2.GaussianBlur(picture, (0, 0), 3.0)
    # What a round flask shows through its liquid is a wide part of the surroundings, blurred.
    behind = np.where(liquid[..., None], 0.5 * behind + 0.5 * behind[liquid].mean(axis=0), behind)
    through = behind * np.asarray(light, dtype=np.float32) ** path[..., None]
    inside = np.where(liquid[..., None], through, 0.9 * behind)
    edge = glass & ~cv2.erode(glass.astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    _over(picture, glass.astype(np.float32), np.where(edge[..., None], 0.55 * behind, inside))
    x, y = _grid()
    for _ in range(2):
        rows, columns = np.nonzero(glass)
        k = int(rng.integers(rows.size))
        at = (columns[k] / HEIGHT, rows[k] / HEIGHT)
        glint = np.exp(-0.5 * ((x - at[0]) / 0.006) ** 2 - 0.5 * ((y - at[1]) / 0.05) ** 2) * glass
        picture += np.float32(rng.uniform(0.1, 0.6)) * glint[..., None].astype(np.float32)


def _ground(picture: Picture, plan: Plan, rng: np.random.Generator) -> None:
    """Plate of the stirrer and the white reference."""
    x, y = _grid()
    wide = plan.size * float(rng.uniform(1.25, 1.9))
    top = plan.foot_y - 0.18 * plan.size
    if plan.white == "sheet":
        _over(
            picture, (np.abs(x - plan.x) < 0.62 * wide) & (y > 0.06) & (y < top + 0.02), (0.82,) * 3
        )
    if plan.plate:
        body = np.asarray(PLATES[plan.plate])
        _over(
            picture, (np.abs(x - plan.x) < 0.5 * wide) & (y > top) & (y < plan.foot_y + 0.2), body
        )
        front = (np.abs(x - plan.x) < 0.5 * wide) & (y > plan.foot_y + 0.07)
        _over(picture, front & (y < plan.foot_y + 0.2), 0.6 * body)
    if plan.white == "tile":
        reach = 0.75 * plan.size
        _over(
            picture, (np.abs(x - plan.x) < reach) & (y > top) & (y < plan.foot_y + 0.05), (0.8,) * 3
        )
    if plan.white == "card":
        at = plan.x + float(rng.choice([-1, 1])) * 0.72 * plan.size
        card = (np.abs(x - at) < 0.13) & (np.abs(y - plan.foot_y + 0.25 * plan.size) < 0.12)
        _over(picture, card, (0.7, 0.7, 0.7))


def _hand(picture: Picture, plan: Plan, rng: np.random.Generator) -> None:
    """A hand at the neck."""
    mask = np.zeros((HEIGHT, WIDTH), dtype=np.uint8)
    side = int(rng.choice([-1, 1]))
    x0 = round(plan.x * HEIGHT)
    tall = (1.45 if plan.vessel == "flask" else 1.25) * plan.size
    y0 = round((plan.foot_y - 0.93 * tall) * HEIGHT)
    for k in range(4):
        cv2.line(mask, (x0 - side * 14, y0 - 12 + 8 * k), (x0 + side * 30, y0 - 12 + 8 * k), 1, 9)
    cv2.line(mask, (x0 + side * 28, y0), (x0 + side * 300, y0 + 60), 1, 38)
    soft = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 7.0)
    shade = (0.5 + 0.5 * soft)[..., None]
    _over(picture, mask, np.asarray(GLOVES[plan.glove], dtype=np.float32) * shade)


def draw_live_bench(
    plan: Plan, count: int = 12, own: str = "red", empty: bool = False
) -> LiveBench:
    """Pictures of a plan, with the truth; `own` is the liquid, and `empty` leaves the flask out."""
    rng = np.random.default_rng([plan.seed, 79])
    colour = liquids(plan)
    picture = _surroundings(plan, rng)
    _ground(picture, plan, rng)
    for thing in plan.things:
        _thing(picture, rng, thing)
    other_red = np.zeros((HEIGHT, WIDTH), dtype=np.bool_)
    if plan.second != "none":
        second = _vessel(plan, plan.second_x, plan.second_size)
        _fill(picture, rng, second, colour[plan.second])
        if plan.second == "red":
            other_red = second[1]
    flask = _vessel(plan, plan.x, plan.size)
    if not empty:
        _fill(picture, rng, flask, colour[own])
    if plan.glove:
        _hand(picture, plan, rng)
    x, y = _grid()
    picture *= (1.0 - 0.2 * ((x - 0.8) ** 2 + (y - 0.4) ** 2))[..., None]
    picture *= np.asarray(rng.uniform(0.93, 1.07, 3), dtype=np.float32)
    frames = []
    noise, jpeg = float(rng.uniform(0.003, 0.02)), int(rng.integers(60, 95))
    for k in range(count):
        wave = cv2.GaussianBlur(rng.normal(size=(HEIGHT, WIDTH)).astype(np.float32), (0, 0), 5.0)
        light = picture * np.where(flask[1], 1.0 + 0.6 * wave, 1.0)[..., None]
        clipped = np.clip(light, 0.0, 1.0, dtype=np.float32)
        shown = np.asarray(cv2.pow(clipped, 1 / 2.2)) + rng.normal(scale=noise, size=light.shape)
        pixels = np.rint(255.0 * np.clip(shown, 0.0, 1.0)).astype(np.uint8)
        good, data = cv2.imencode(".jpg", pixels[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, jpeg])
        assert good
        stored: Any = cv2.imdecode(data, cv2.IMREAD_COLOR_RGB)
        frames.append(ArrayFrame(k, k / _RATE, np.asarray(stored, dtype=np.uint8)))
    grown = cv2.dilate(flask[1].astype(np.uint8), np.ones((3, 3), np.uint8)).astype(bool)
    return LiveBench(plan, frames, grown, other_red & ~grown)
