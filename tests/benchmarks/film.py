"""A titration film of any length and size, made cheaply: the flask is drawn once.

Only the liquid is coloured anew, by the mass balances and Beer-Lambert's law, five times a second;
every frame gets grain of its own, so that a decoder has work to do. The record and the log stand
beside the film.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import Flask, speciate
from endpoint.delivery.delivery import Delivery
from tests.drawn_bench import BLUE_FORM, RED_FORM, Bench, draw

_GRAINS = 8
_FRESH_S = 0.2
_LAG_S = 1.5
_SAME = 0.0005
"""Change of the free fraction or the dilution that a repeated group may hide."""


@dataclass(frozen=True)
class FilmRecipe:
    """What is filmed."""

    minutes: float = 10.0
    width: int = 1920
    height: int = 1080
    frames_s: int = 30
    key_every: int = 30
    """Pictures from one key picture to the next; telephones take one a second."""
    mode: str = "steps"
    crf: int = 21
    grain: float = 2.5
    """Standard deviation of the grain in 8-bit levels."""
    seed: int = 1

    @property
    def name(self) -> str:
        """File name without suffix."""
        return (
            f"{self.height}p{self.frames_s}-{self.minutes:g}min-k{self.key_every}-{self.mode}"
            f"-c{self.crf}"
        )

    @property
    def flask(self) -> Flask:
        """Water and indicator in the flask."""
        return Flask(105.0, 0.110, 0.028, indicator_umol=2.0, titrant_mol_l=0.01)

    def log(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Times and volumes of the log: 2 mL, then 0.5 mL, then 0.1 mL additions."""
        end_s = 60.0 * self.minutes
        if self.mode == "continuous":
            return np.array([0.02 * end_s, 0.98 * end_s]), np.array([0.0, 17.0])
        volumes = np.r_[np.arange(0.0, 12.1, 2.0), 12.5, 13.0, 13.2, np.arange(13.3, 14.95, 0.1)]
        volumes = np.r_[volumes, 15.5, 16.5]
        random = np.random.default_rng(self.seed)
        gaps = random.uniform(0.8, 1.2, volumes.size)
        times = np.r_[0.0, np.cumsum(gaps)[:-1]] / float(gaps.sum()) * end_s
        return np.round(times, 2), np.round(volumes, 3)


def write(recipe: FilmRecipe, folder: Path) -> Path:
    """Write film, log and record, unless they are there; return the record's path."""
    folder.mkdir(parents=True, exist_ok=True)
    record = folder / f"{recipe.name}.toml"
    if record.exists():
        return record
    times, volumes = recipe.log()
    rows = [f"{t:.2f},{v:.3f}" for t, v in zip(times, volumes, strict=True)]
    log = folder / f"{recipe.name}.csv"
    log.write_text("\n".join(["time_s,volume_ml", *rows]) + "\n", encoding="utf-8")
    _film(recipe, Delivery(recipe.mode, times, volumes), folder / f"{recipe.name}.mp4")
    record.write_text(
        f"""format = 1
[sample]
label = "Drawn film {recipe.name}"
deliveries_ml = [50.0, 50.0]
added_ml = 5.0
[titrant]
concentration_mol_l = 0.0100
standard_uncertainty_mol_l = 0.00002
[recording]
video = "{recipe.name}.mp4"
[delivery]
log = "{recipe.name}.csv"
mode = "{recipe.mode}"
mixing_lag_s = {_LAG_S}
""",
        encoding="utf-8",
    )
    return record


@dataclass(frozen=True, eq=False)
class _Scene:
    """Code values of the picture, and what is needed to colour the liquid in it."""

    planes: list[NDArray[np.int16]]
    box: tuple[slice, slice]
    behind: NDArray[np.float32]
    """Linear light behind the liquid, shape (rows, columns, 3)."""
    path: NDArray[np.float32]
    """Path through the liquid, shape (rows, columns, 1)."""


def _linear(encoded: NDArray[np.uint8]) -> NDArray[np.float32]:
    x = encoded.astype(np.float32) / 255.0
    return np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4).astype(np.float32)


def _scene(recipe: FilmRecipe) -> _Scene:
    bench = {
        "width": recipe.width,
        "height": recipe.height,
        "drift": 0.0,
        "noise": 0.0,
        "jpeg": 0,
        "stirrer": False,
        "ground": "tile",
    }
    clear = draw(Bench(**bench, change="clear"), 1).frames[0].pixels  # type: ignore[arg-type]
    red = draw(Bench(**bench, change="red"), 1).frames[0].pixels  # type: ignore[arg-type]
    clear_light, red_light = _linear(clear), _linear(red)
    depth = np.log10((clear_light + 1e-3) / (red_light + 1e-3))[..., 1] / (0.5 * RED_FORM[1])
    rows, columns = np.flatnonzero((depth > 0.1).any(axis=1)), np.flatnonzero((depth > 0.1).any(0))
    top, left = int(rows[0]) // 2 * 2, int(columns[0]) // 2 * 2
    box = (slice(top, int(rows[-1]) // 2 * 2 + 2), slice(left, int(columns[-1]) // 2 * 2 + 2))
    y, u, v = _planes(red.astype(np.float32))
    path = np.clip(depth[box], 0.0, None)[..., None].astype(np.float32)
    return _Scene([y, u, v], box, clear_light[box], path)


def _planes(rgb: NDArray[np.float32]) -> list[NDArray[np.int16]]:
    """Y', Cb, Cr of BT.709 in limited range, chroma at half the width and height."""
    r, g, b = np.moveaxis(rgb / np.float32(255.0), -1, 0)
    y = 0.2126 * r + 0.7152 * g + 0.0722 * b
    half = (y.shape[1] // 2, y.shape[0] // 2)
    cb = cv2.resize((b - y) / 1.8556, half, interpolation=cv2.INTER_AREA)
    cr = cv2.resize((r - y) / 1.5748, half, interpolation=cv2.INTER_AREA)
    codes = (219.0 * y + 16.0, 224.0 * cb + 128.0, 224.0 * cr + 128.0)
    return [np.rint(code).astype(np.int16) for code in codes]


def _liquid(scene: _Scene, free: float, dilution: float) -> list[NDArray[np.int16]]:
    density = 0.5 * (RED_FORM * (1 - free) + BLUE_FORM * free) / dilution
    light = scene.behind * 10.0 ** (-scene.path * density.astype(np.float32))
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return _planes((255.0 * encoded).astype(np.float32))


def _film(recipe: FilmRecipe, delivery: Delivery, path: Path) -> None:
    """Write the film group by group; a group in which nothing changes is written again as it is.

    Every group begins with a key picture and stands for itself, so its packets can be repeated.
    """
    import av

    scene = _scene(recipe)
    count = round(60.0 * recipe.minutes * recipe.frames_s)
    mixed = delivery.mixed_volume_at(np.arange(count) / recipe.frames_s, _LAG_S)
    states = np.column_stack([speciate(recipe.flask, mixed).free_fraction, 1.0 + mixed / 105.0])
    starts = np.arange(0, count - recipe.key_every + 1, recipe.key_every)
    source: list[int] = []
    drawn: list[int] = []
    for start in starts:
        part = states[start : start + recipe.key_every]
        last = states[drawn[-1]] if drawn else None
        if last is None or np.abs(part - last).max() > _SAME or _moves(states, drawn[-1], recipe):
            drawn.append(int(start))
        source.append(len(drawn) - 1)
    unfinished = path.with_suffix(".part.mp4")
    with av.open(str(unfinished), "w") as container:
        stream = _stream(container, recipe)
        groups = _encoded(stream, recipe, scene, states, drawn)
        for number, which in enumerate(source):
            shift = (number - which) * recipe.key_every
            for stamp, decode_stamp, key, data in groups[which]:
                packet = av.Packet(data)
                packet.stream, packet.time_base = stream, Fraction(1, recipe.frames_s)
                packet.pts, packet.dts, packet.is_keyframe = (
                    stamp + shift,
                    decode_stamp + shift,
                    key,
                )
                container.mux(packet)
    unfinished.rename(path)


def _moves(states: NDArray[np.float64], start: int, recipe: FilmRecipe) -> bool:
    return bool(np.ptp(states[start : start + recipe.key_every], axis=0).max() > _SAME)


def _stream(container: Any, recipe: FilmRecipe) -> Any:
    options = {
        "preset": "veryfast",
        "crf": str(recipe.crf),
        "g": str(recipe.key_every),
        "keyint_min": str(recipe.key_every),
        "sc_threshold": "0",
    }
    stream = container.add_stream("libx264", rate=recipe.frames_s, options=options)
    stream.width, stream.height, stream.pix_fmt = recipe.width, recipe.height, "yuv420p"
    stream.codec_context.colorspace, stream.codec_context.color_range = 1, 1
    stream.time_base = stream.codec_context.time_base = Fraction(1, recipe.frames_s)
    return stream


_Packet = tuple[int, int, bool, bytes]


def _encoded(
    stream: Any,
    recipe: FilmRecipe,
    scene: _Scene,
    states: NDArray[np.float64],
    drawn: list[int],
) -> list[list[_Packet]]:
    """Packets of every drawn group."""
    import av

    groups: list[list[_Packet]] = []

    def keep(packets: list[Any]) -> None:
        for packet in packets:
            if packet.is_keyframe:
                groups.append([])
            groups[-1].append((packet.pts, packet.dts, packet.is_keyframe, bytes(packet)))

    random = np.random.default_rng(recipe.seed)
    grains = [
        [
            np.rint(random.normal(scale=recipe.grain, size=p.shape)).astype(np.int16)
            for p in scene.planes
        ]
        for _ in range(_GRAINS)
    ]
    pictures = [
        [_bytes(plane + grain) for plane, grain in zip(scene.planes, few, strict=True)]
        for few in grains
    ]
    fresh = max(1, round(_FRESH_S * recipe.frames_s))
    half = tuple(slice(part.start // 2, part.stop // 2) for part in scene.box)
    parts: list[NDArray[np.int16]] = []
    for number, start in enumerate(drawn):
        for k in range(recipe.key_every):
            if k % fresh == 0:
                parts = _liquid(scene, float(states[start + k, 0]), float(states[start + k, 1]))
            which = int(random.integers(_GRAINS))
            picture = av.VideoFrame(recipe.width, recipe.height, "yuv420p")
            for j, box in enumerate((scene.box, half, half)):
                plane = pictures[which][j]
                plane[box] = _bytes(parts[j] + grains[which][j][box])
                _put(plane, picture.planes[j])
            picture.pts = number * recipe.key_every + k
            picture.time_base = Fraction(1, recipe.frames_s)
            keep(stream.encode(picture))
    keep(stream.encode())
    return groups


def _bytes(values: NDArray[np.int16]) -> NDArray[np.uint8]:
    return np.clip(values, 0, 255).astype(np.uint8)


def _put(values: NDArray[np.uint8], plane: Any) -> None:
    rows = np.frombuffer(plane, dtype=np.uint8).reshape(plane.height, plane.line_size)
    rows[:, : values.shape[1]] = values
