"""Pictures of a flask on a bench, drawn with OpenCV over photographs that scikit-image brings.

Nothing is traced: a silhouette with a path of light for every pixel, a card for white, glints, a
hand. It is another make of picture than the program's own sample films.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.population.draws import Draw

FloatArray = NDArray[np.float64]
Picture = NDArray[np.float32]
"""Linear light, shape (h, w, 3) or (h, w)."""

WIDTH, HEIGHT = 240, 180
_PHOTOGRAPHS = ("coffee", "brick", "astronaut", "gravel", "chelsea")
_SKINS = ((0.52, 0.30, 0.21), (0.30, 0.16, 0.10), (0.12, 0.06, 0.04))
_GLOVES = ((0.10, 0.22, 0.55), (0.22, 0.13, 0.42), (0.70, 0.69, 0.66))
_SLEEVES = ((0.72, 0.73, 0.75), (0.05, 0.08, 0.2), (0.30, 0.05, 0.07))
FIELDS = 8


@dataclass(frozen=True)
class Hold:
    """How flask and camera are held."""

    flask: str
    """"stands" on a stirrer, or "swirled" by hand."""
    camera: str
    """"fixed" or "held"."""
    gloves: bool

    @property
    def faults(self) -> tuple[str, ...]:
        """What of it makes a recording hard."""
        found = ["swirled"] if self.flask == "swirled" else []
        return (*found, "held camera") if self.camera == "held" else tuple(found)


@dataclass(frozen=True, eq=False)
class Scene:
    """What stays the same from picture to picture."""

    bench: Picture
    """Everything but flask and hands."""
    cover: Picture
    """How much of a pixel is flask, 0 to 1, shape (h, w)."""
    glass: Picture
    """The empty flask before white, shape (h, w, 3); its liquid multiplies it."""
    shine: Picture
    """Glints that lie over everything, shape (h, w)."""
    liquid: NDArray[np.bool_]
    path: Picture
    """Way of the light through the liquid as a part of the usual one, shape (h, w)."""
    fields: Picture
    """Smooth patterns, each value as its rank from 0 to 1, shape (FIELDS, h, w)."""
    hand: Picture
    """Colour and cover of the hand at the neck, shape (h, w, 4)."""
    arm: Picture
    """The same of an arm across the picture."""
    centre: tuple[float, float]
    vessel: str
    """"flask", "beaker" or "from above"."""
    hold: Hold


def draw_hold(rng: np.random.Generator) -> Hold:
    """A stirrer and a stand more often than hands."""
    return Hold(
        flask=str(rng.choice(["stands", "swirled"], p=[0.7, 0.3])),
        camera=str(rng.choice(["fixed", "held"], p=[0.75, 0.25])),
        gloves=bool(rng.random() < 0.5),
    )


def scene_of(drawn: Draw) -> Scene:
    """Scene of a draw."""
    rng = np.random.default_rng([drawn.seed, 21])
    hold = draw_hold(rng)
    centre = (rng.uniform(95.0, 145.0), rng.uniform(96.0, 108.0))
    vessel = str(rng.choice(["flask", "beaker", "from above"], p=[0.5, 0.2, 0.3]))
    if vessel != "from above":
        cover, liquid, path = _from_the_side(rng, centre, vessel)
    else:
        cover, liquid, path = _from_above(rng, centre)
    light = _light(rng)
    bench = _bench(rng, centre) * light[..., None]
    behind = np.float32(rng.uniform(0.86, 0.97)) * light
    rim = cv2.GaussianBlur(cover, (0, 0), 3.0)
    glass = behind * np.clip(0.35 + 0.65 * rim, 0.0, 1.0)
    glass[~liquid] *= np.float32(rng.uniform(0.85, 0.95))
    clear = np.where(liquid, 1.0, 0.45).astype(np.float32)
    return Scene(
        bench=bench,
        cover=np.asarray(cv2.GaussianBlur(cover * clear, (0, 0), 0.6), dtype=np.float32),
        glass=np.repeat(glass[..., None], 3, axis=2),
        shine=_shine(rng, centre, cover),
        liquid=liquid,
        path=path,
        fields=_fields(rng),
        hand=_hand(rng, centre, cover, hold.gloves),
        arm=_arm(rng, centre, hold.gloves),
        centre=(float(centre[0]), float(centre[1])),
        vessel=vessel,
        hold=hold,
    )


def _grid() -> tuple[Picture, Picture]:
    y, x = np.mgrid[0:HEIGHT, 0:WIDTH].astype(np.float32)
    return x + 0.5, y + 0.5


def _from_the_side(
    rng: np.random.Generator, centre: tuple[float, float], vessel: str
) -> tuple[Picture, NDArray[np.bool_], Picture]:
    """Cover, liquid and path of a conical flask or a beaker seen from the side."""
    x, y = _grid()
    tall = float(rng.uniform(95.0, 130.0))
    foot, neck = 0.36 * tall, 0.12 * tall
    if vessel == "beaker":
        neck = foot = 0.30 * tall
    up = (centre[1] + 0.5 * tall - y) / tall
    half = np.where(up < 0.68, foot + (neck - foot) * np.clip(up, 0.0, 0.68) / 0.68, neck)
    # The foot is round, and seen a little from above.
    bend = 0.10 * foot * (1.0 - np.sqrt(np.clip(1.0 - ((x - centre[0]) / foot) ** 2, 0.0, 1.0)))
    across = np.abs(x - centre[0]) / np.maximum(half, 1.0)
    inside = (across < 1.0) & (up < 1.0) & (up * tall > bend)
    level = float(rng.uniform(0.22, 0.42))
    dip = 0.05 * foot * np.sqrt(np.clip(1.0 - across**2, 0.0, 1.0)) / tall
    liquid = inside & (up < level + dip) & (across < 0.95)
    path = np.sqrt(np.clip(1.0 - across**2, 0.0, 1.0)) * half / (foot + (neck - foot) * 0.25)
    return inside.astype(np.float32), liquid, path.astype(np.float32)


def _from_above(
    rng: np.random.Generator, centre: tuple[float, float]
) -> tuple[Picture, NDArray[np.bool_], Picture]:
    """Cover, liquid and path of a beaker or a flask seen from above on white."""
    x, y = _grid()
    radius, squeeze = float(rng.uniform(40.0, 58.0)), float(rng.uniform(0.8, 1.0))
    away = np.hypot(x - centre[0], (y - centre[1]) / squeeze) / radius
    inside, liquid = away < 1.0, away < 0.93
    path = np.clip(1.05 - 0.25 * away**4, 0.0, 1.1)
    return inside.astype(np.float32), liquid, path.astype(np.float32)


def _light(rng: np.random.Generator) -> Picture:
    """Light that falls off to one side and to the corners, at most 1."""
    x, y = _grid()
    lean = rng.uniform(-0.12, 0.12, 2)
    far = ((x - WIDTH / 2) / WIDTH) ** 2 + ((y - HEIGHT / 2) / HEIGHT) ** 2
    light = 1.0 + lean[0] * (x / WIDTH - 0.5) + lean[1] * (y / HEIGHT - 0.5) - 0.25 * far
    return (light / light.max()).astype(np.float32)


def _bench(rng: np.random.Generator, centre: tuple[float, float]) -> Picture:
    """Part of a photograph, out of focus, with white under the flask or behind it."""
    from skimage import data

    photo = np.asarray(getattr(data, str(rng.choice(_PHOTOGRAPHS)))())
    photo = np.dstack([photo] * 3) if photo.ndim == 2 else photo[..., :3]
    high = int(rng.uniform(0.5, 1.0) * min(photo.shape[0], photo.shape[1] * HEIGHT / WIDTH))
    wide = high * WIDTH // HEIGHT
    top = int(rng.integers(0, photo.shape[0] - high + 1))
    left = int(rng.integers(0, max(photo.shape[1] - wide, 0) + 1))
    part = photo[top : top + high, left : left + wide].astype(np.float32) / 255.0
    part = cv2.resize(part, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA) ** 2.2
    bench = cv2.GaussianBlur(0.75 * part, (0, 0), float(rng.uniform(0.8, 3.0)))
    x, y = _grid()
    if rng.random() < 0.55:  # a sheet that runs up behind the flask
        card = (np.abs(x - centre[0]) < rng.uniform(80, 105)) & (y > rng.uniform(2, 14))
    else:  # a tile under it
        card = (np.abs(x - centre[0]) < rng.uniform(70, 100)) & (y > centre[1] - rng.uniform(5, 60))
    white = float(rng.uniform(0.93, 1.0))
    soft = cv2.GaussianBlur(card.astype(np.float32), (0, 0), 0.8)[..., None]
    return np.asarray(bench * (1.0 - soft) + white * soft, dtype=np.float32)


def _shine(rng: np.random.Generator, centre: tuple[float, float], cover: Picture) -> Picture:
    x, y = _grid()
    shine = np.zeros((HEIGHT, WIDTH), dtype=np.float32)
    for side in (-1.0, 1.0):
        at = centre[0] + side * rng.uniform(14.0, 24.0)
        along = np.exp(-0.5 * ((x - at) / rng.uniform(0.8, 1.8)) ** 2)
        along *= np.exp(-0.5 * ((y - centre[1]) / rng.uniform(10.0, 35.0)) ** 2)
        shine += np.float32(rng.uniform(0.1, 0.6)) * along.astype(np.float32)
    return np.asarray(np.clip(shine * cover, 0.0, 0.9), dtype=np.float32)


def _fields(rng: np.random.Generator) -> Picture:
    fields = np.empty((FIELDS, HEIGHT, WIDTH), dtype=np.float32)
    for k in range(FIELDS):
        rough = rng.normal(size=(HEIGHT, WIDTH)).astype(np.float32)
        wave = cv2.GaussianBlur(rough, (0, 0), float(rng.uniform(3.0, 8.0)))
        order = np.argsort(wave.ravel())
        rank = np.empty(order.size, dtype=np.float32)
        rank[order] = np.linspace(0.0, 1.0, order.size, dtype=np.float32)
        fields[k] = rank.reshape(HEIGHT, WIDTH)
    return fields


def _shape(colour: tuple[float, float, float], mask: NDArray[np.uint8]) -> Picture:
    """Colour and soft cover of a mask, shaded as if it were round."""
    cover = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 1.0)
    round_ = 0.55 + 0.45 * cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 6.0)
    return np.dstack([*(np.float32(c) * round_ for c in colour), cover])


def _hand(
    rng: np.random.Generator, centre: tuple[float, float], cover: Picture, gloves: bool
) -> Picture:
    """A hand at the neck of the flask: fingers, and an arm to one side."""
    mask = np.zeros((HEIGHT, WIDTH), dtype=np.uint8)
    top = int(np.argmax(cover.any(axis=1)))
    side = int(rng.choice([-1, 1]))
    x0, y0 = round(centre[0]), top + 14
    for k in range(4):
        begin = (x0 - side * 10, y0 - 8 + 6 * k)
        cv2.line(mask, begin, (x0 + side * 22, y0 - 8 + 6 * k), 1, 7)
    cv2.line(mask, (x0 + side * 20, y0), (x0 + side * 160, y0 + 25), 1, 26)
    return _shape(_skin(rng, gloves), mask)


def _arm(rng: np.random.Generator, centre: tuple[float, float], gloves: bool) -> Picture:
    """An arm that reaches across flask and white."""
    mask = np.zeros((HEIGHT, WIDTH), dtype=np.uint8)
    x0, y0 = round(centre[0] + rng.uniform(-30, 30)), round(centre[1] + rng.uniform(0, 40))
    cv2.line(mask, (x0, y0), (x0 + 40, HEIGHT + 40), 1, int(rng.uniform(34, 60)))
    cv2.circle(mask, (x0, y0), int(rng.uniform(18, 28)), 1, -1)
    use = _SLEEVES if rng.random() < 0.4 else ()
    colour = use[int(rng.integers(len(use)))] if use else _skin(rng, gloves)
    return _shape(colour, mask)


def _skin(rng: np.random.Generator, gloves: bool) -> tuple[float, float, float]:
    kinds = _GLOVES if gloves else _SKINS
    return kinds[int(rng.integers(len(kinds)))]
