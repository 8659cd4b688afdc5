"""The sample films in fewer pixels and half as many pictures, for what does not lie in them.

Times, key pictures, logs and colours are those of the samples; a test of a clock or of the
guidance learns the same from them.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import av

from sample_media.encode import QUIET_H264
from tests.places import SAMPLES

SIZES = {
    "chalk-spring": (160, 120),
    "mill-spring": (160, 120),
    # In fewer pixels its flask, which fills little of the picture, is not found.
    "school-well": (240, 180),
}
EVERY = 2
"""Every so manieth picture of the sample is taken."""
KEY_EVERY = 100 // EVERY
"""Pictures from one key picture to the next: as many seconds as in the samples."""


def write_small_film(name: str, folder: Path) -> Path:
    """Write film, log and record of a sample; return the record's path."""
    film = f"{name}.mp4"
    with av.open(str(SAMPLES / film)) as sample, av.open(str(folder / film), "w") as small:
        source = sample.streams.video[0]
        rate: Any = source.average_rate
        assert rate is not None
        target: Any = small.add_stream("libx264", rate=rate / EVERY)
        target.width, target.height = width, height = SIZES[name]
        target.pix_fmt = "yuv420p"
        target.options = {"crf": "25", "preset": "medium", "g": str(KEY_EVERY), **QUIET_H264}
        for tag in ("color_range", "colorspace", "color_primaries", "color_trc"):
            setattr(target.codec_context, tag, getattr(source.codec_context, tag))
        for number, frame in enumerate(sample.decode(source)):
            if number % EVERY:
                continue
            reduced = frame.reformat(width, height, interpolation="AREA")
            reduced.pts, reduced.time_base = frame.pts, frame.time_base
            small.mux(target.encode(reduced))
        small.mux(target.encode())
    for file in (f"{name}-volumes.csv", f"{name}.truth.json", f"{name}.toml"):
        shutil.copy(SAMPLES / file, folder)
    return folder / f"{name}.toml"
