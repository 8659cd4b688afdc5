"""Small films of a draw: `scenes` in the colours of `view`, with hands, swirls, shakes, coding."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

from endpoint.analysis.pipeline import analyse
from endpoint.analysis.prepare import prepare
from endpoint.record.titration import read_record
from tests.population.draws import Draw, draw
from tests.population.grading import grade_of
from tests.population.judging import Outcome, compared, rows_of, write_record
from tests.population.optics import Colours, colours_of
from tests.population.scenes import FIELDS, HEIGHT, WIDTH, Picture, Scene, scene_of
from tests.population.view import mixed_at, view_of

FloatArray = NDArray[np.float64]

_PATHS = np.array([0.05, 0.2, 0.4, 0.6, 0.8, 0.95, 1.15])
_MOST_FRAMES = 1500
_SLOWEST_FPS = 2.0


def filmed(drawn: Draw) -> Draw:
    """The draw with the frame rate of its small film."""
    rng = np.random.default_rng([drawn.seed, 22])
    fps = float(rng.choice([5.0, 6.0, 10.0]))
    most = _MOST_FRAMES / max(drawn.last_s - drawn.first_s, 1.0)
    fps = float(np.floor(max(min(fps, most), _SLOWEST_FPS)))
    return replace(drawn, film=replace(drawn.film, fps=fps))


def judged_film(seed: int, folder: Path) -> Outcome:
    """Draw, film, write, ask, compare."""
    cv2.setNumThreads(1)
    drawn = filmed(draw(seed))
    rows = rows_of(drawn)
    scene = write_film(drawn, folder / "film.mp4")
    hold = scene.hold
    record = write_record(drawn, rows, folder)
    grade = grade_of(drawn, rows, hold.faults)

    def ask() -> object:
        job, source = prepare(read_record(record))
        return analyse(source, job)

    shown = (scene.vessel, hold.flask, f"{hold.camera} camera")
    return replace(compared(drawn, rows, grade, ask), picture=shown)


def write_film(drawn: Draw, path: Path) -> Scene:
    """Write a film of a draw that has the frame rate of a film.

    Parameters
    ----------
    drawn:
        From `filmed`.
    path:
        An mp4.
    """
    rng = np.random.default_rng([drawn.seed, 23])
    scene = scene_of(drawn)
    crf = 34 if drawn.mishaps.sticks else int(rng.integers(17, 29))
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=int(drawn.film.fps))
        stream.width, stream.height, stream.pix_fmt = WIDTH, HEIGHT, "yuv420p"
        keys = max(int(drawn.mishaps.key_every_s * drawn.film.fps), 1)
        stream.options = {"crf": str(crf), "preset": "veryfast", "g": str(keys), "threads": "1"}
        for picture in pictures(drawn, scene, rng):
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return scene


def pictures(drawn: Draw, scene: Scene, rng: np.random.Generator) -> Iterator[NDArray[np.uint8]]:
    """Pictures of a film, 8 bits."""
    count = max(int((drawn.last_s - drawn.first_s) * drawn.film.fps), 2)
    time = np.arange(count) / drawn.film.fps
    clock = time + drawn.first_s
    view, titrant = view_of(drawn, time), mixed_at(drawn, clock)
    colours = colours_of(drawn.optics, drawn.water, drawn.curve, _PATHS)
    paint = _Paint(scene, colours, rng)
    shake = _shake(rng, time, scene.hold.camera == "held")
    swirl = float(rng.uniform(1.1, 2.3)), float(rng.uniform(3.0, 8.0))
    grain = _Grain(rng, 0.006 * float(rng.uniform(0.5, 2.0)) + 1.5 * drawn.film.noise)
    for k in range(count):
        liquid = paint.liquid(time[k], titrant.bulk[k], titrant.added[k], float(view.plume[k]))
        if drawn.swap_s is not None and clock[k] > drawn.swap_s:
            liquid = np.broadcast_to(view.bulk[k].mean(axis=0).astype(np.float32), liquid.shape)
        picture = paint.picture(liquid, time[k], swirl)
        if any(begin <= clock[k] < end for begin, end, _ in drawn.mishaps.hands):
            picture = _over(picture, scene.arm)
        turned = cv2.warpAffine(
            picture, shake[k], (WIDTH, HEIGHT), borderMode=cv2.BORDER_REFLECT_101
        )
        picture = np.asarray(turned, dtype=np.float32)
        yield _exposed(picture, drawn, float(clock[k]), grain)


class _Paint:
    """Paints the liquid of one scene."""

    def __init__(self, scene: Scene, colours: Colours, rng: np.random.Generator) -> None:
        self.scene, self.colours = scene, colours
        place = np.interp(scene.path[scene.liquid], _PATHS, np.arange(_PATHS.size))
        self.low = np.minimum(place.astype(int), _PATHS.size - 2)
        self.part = (place - self.low)[:, None].astype(np.float32)
        self.fields = scene.fields[:, scene.liquid]
        self.pace = float(rng.uniform(1.0, 4.0))

    def _tone(self, volume_ml: float, blue: bool = False) -> Picture:
        """Colours of all pixels of liquid for one volume, shape (pixels, 3)."""
        table = self.colours.at(np.array([volume_ml]), blue=blue)[0].astype(np.float32)
        return np.asarray(table[self.low] * (1.0 - self.part) + table[self.low + 1] * self.part)

    def liquid(self, time_s: float, bulk_ml: float, added_ml: float, plume: float) -> Picture:
        """Colours of the pixels of liquid with streaks and plume, shape (pixels, 3)."""
        tone = self._tone(bulk_ml)
        behind = added_ml - bulk_ml
        if behind < 1e-3 and plume < 1e-3:
            return tone
        turn = self.pace * time_s
        k, mix = int(turn) % FIELDS, np.float32(turn % 1.0)
        field = (1.0 - mix) * self.fields[k] + mix * self.fields[(k + 1) % FIELDS]
        if behind >= 1e-3:
            streak = np.clip(3.0 * (field - 0.5), 0.0, 1.0)[:, None]
            tone = tone + streak * (self._tone(bulk_ml + 1.5 * behind) - tone)
        if plume >= 1e-3:
            tinted = np.clip((plume - field) / 0.08 + 0.5, 0.0, 1.0)[:, None]
            tone = tone + tinted * (self._tone(bulk_ml, blue=True) - tone)
        return np.asarray(tone, dtype=np.float32)

    def picture(self, liquid: Picture, time_s: float, swirl: tuple[float, float]) -> Picture:
        """The whole scene, linear light."""
        scene = self.scene
        flask = scene.glass.copy()
        flask[scene.liquid] *= liquid
        cover, shine, hand = scene.cover, scene.shine, scene.hand
        if scene.hold.flask == "swirled":
            way = _way(scene.centre, time_s, swirl)
            layers = np.dstack([flask, cover, shine])
            moved = np.asarray(cv2.warpAffine(layers, way, (WIDTH, HEIGHT)), dtype=np.float32)
            flask, cover, shine = moved[..., :3], moved[..., 3], moved[..., 4]
            hand = np.asarray(cv2.warpAffine(hand, way, (WIDTH, HEIGHT)), dtype=np.float32)
        picture = scene.bench * (1.0 - cover[..., None]) + flask * cover[..., None]
        picture = np.maximum(picture, shine[..., None])
        return _over(picture, hand) if scene.hold.flask == "swirled" else picture


def _over(picture: Picture, shape: Picture) -> Picture:
    return np.asarray(picture * (1.0 - shape[..., 3:]) + shape[..., :3] * shape[..., 3:])


def _way(centre: tuple[float, float], time_s: float, swirl: tuple[float, float]) -> FloatArray:
    """How a swirled flask stands at a time: it circles and leans."""
    turns_s, reach = swirl
    angle = 2.0 * np.pi * turns_s * time_s
    leant = cv2.getRotationMatrix2D(centre, 4.0 * np.sin(angle), 1.0)
    way: FloatArray = np.asarray(leant, dtype=np.float64)
    way[:, 2] += reach * np.array([np.cos(angle), 0.4 * np.sin(angle)])
    return way


def _shake(rng: np.random.Generator, time_s: FloatArray, held: bool) -> FloatArray:
    """Where a camera looks from picture to picture, shape (n, 2, 3)."""
    ways = np.tile(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]), (time_s.size, 1, 1))
    if not held:
        return ways
    for axis in range(2):
        for _ in range(4):
            hertz, size = np.exp(rng.uniform(np.log(0.03), np.log(1.5))), rng.uniform(0.3, 2.0)
            wave = 2.0 * np.pi * hertz * time_s + rng.uniform(0.0, 6.3)
            ways[:, axis, 2] += size * np.sin(wave)
    return ways


def _exposed(picture: Picture, drawn: Draw, clock_s: float, grain: _Grain) -> NDArray[np.uint8]:
    """What the camera writes: exposure, balance, lamp, grain, tone curve, 8 bits."""
    gain = np.full(3, drawn.optics.level)
    for at, shift, _ in drawn.mishaps.steps:
        if clock_s >= at:
            gain *= 10.0 ** np.array(shift)
    part = (clock_s - drawn.first_s) / max(drawn.last_s - drawn.first_s, 1.0)
    gain *= 10.0 ** -(np.array(drawn.mishaps.drift) * part)
    gain *= 10.0 ** (-drawn.mishaps.balance_turn * part * np.array([1.0, 0.35, -0.3]))
    light = np.clip(picture * gain.astype(np.float32), 0.0, 1.0)
    coded = _SRGB[(light * (_SRGB.size - 1)).astype(np.int32)] + grain.any_field()
    return np.clip(coded + 0.5, 0.0, 255.0).astype(np.uint8)


_LINEAR = np.linspace(0.0, 1.0, 1 << 14)
_SRGB: Picture = np.asarray(
    255.0 * np.where(_LINEAR < 0.0031308, 12.92 * _LINEAR, 1.055 * _LINEAR ** (1.0 / 2.4) - 0.055),
    dtype=np.float32,
)


class _Grain:
    """Grain of a sensor: a few fields, turned and shifted, as fresh ones cost most of the time."""

    def __init__(self, rng: np.random.Generator, size: float) -> None:
        shape = (6, HEIGHT + 32, WIDTH + 32, 3)
        self.fields = np.float32(255.0 * size) * rng.standard_normal(shape, dtype=np.float32)
        self.rng = rng

    def any_field(self) -> Picture:
        """Grain of one picture, in codes, shape (h, w, 3)."""
        k, y, x, flip = (int(v) for v in self.rng.integers((0, 0, 0, 0), (6, 32, 32, 2)))
        part = self.fields[k, y : y + HEIGHT, x : x + WIDTH]
        return part[::-1] if flip else part
