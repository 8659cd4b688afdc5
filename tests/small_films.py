"""The sample films in fewer pixels, for what does not lie in the pixels.

Times, key pictures, logs and colours are those of the samples; a test of a clock, of a report or
of a replay learns the same from them.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av

from tests.places import SAMPLES

SmallFilm = Callable[[str], Path]
"""Record of a small film by the name of its sample."""
SIZES = {
    "chalk-spring": (160, 120),
    "mill-spring": (160, 120),
    # In fewer pixels its flask, which fills little of the picture, is not found.
    "school-well": (240, 180),
}
KEY_EVERY = 100
"""Pictures from one key picture to the next, as in the samples."""


def write_small_film(name: str, folder: Path) -> Path:
    """Write film, log and record of a sample; return the record's path."""
    film = f"{name}.mp4"
    with av.open(str(SAMPLES / film)) as sample, av.open(str(folder / film), "w") as small:
        source = sample.streams.video[0]
        target: Any = small.add_stream("libx264", rate=source.average_rate)
        target.width, target.height = width, height = SIZES[name]
        target.pix_fmt = "yuv420p"
        target.options = {"crf": "16", "preset": "veryfast", "g": str(KEY_EVERY), "threads": "1"}
        for tag in ("color_range", "colorspace", "color_primaries", "color_trc"):
            setattr(target.codec_context, tag, getattr(source.codec_context, tag))
        for frame in sample.decode(source):
            reduced = frame.reformat(width, height, interpolation="AREA")
            reduced.pts, reduced.time_base = frame.pts, frame.time_base
            small.mux(target.encode(reduced))
        small.mux(target.encode())
    for file in (f"{name}-volumes.csv", f"{name}.toml"):
        shutil.copy(SAMPLES / file, folder)
    return folder / f"{name}.toml"
