"""Pictures as an H.264 film, the same bytes every time."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


def write_h264(
    frames: Iterator[tuple[float, NDArray[np.uint8]]], path: Path, frames_s: float, crf: int = 23
) -> None:
    """Write pictures as an H.264 film that says its colour coding (BT.709, limited).

    Parameters
    ----------
    frames:
        Time in s, and picture (height, width, 3) with an even height and width.
    path:
        The film.
    frames_s:
        Frames per second; every time becomes the nearest multiple of it.
    crf:
        Quality, 18 (fine) to 28 (coarse).
    """
    import av

    rate = Fraction(frames_s).limit_denominator(1000)
    with av.open(str(path), "w", options={"movflags": "+faststart"}) as container:
        stream = None
        for t, pixels in frames:
            if stream is None:
                stream = container.add_stream("libx264", rate=rate)
                stream.width, stream.height = pixels.shape[1], pixels.shape[0]
                stream.pix_fmt = "yuv420p"
                # One thread: how many there are changes what is written.
                stream.options = {"crf": str(crf), "preset": "veryfast", "threads": "1"}
                context = stream.codec_context
                context.color_range = context.colorspace = 1
                context.color_primaries = context.color_trc = 1
            frame = av.VideoFrame.from_ndarray(pixels, format="rgb24")
            coded = frame.reformat(format="yuv420p", dst_colorspace=1, dst_color_range=1)
            coded.pts, coded.time_base = round(t * rate), 1 / rate
            for packet in stream.encode(coded):
                container.mux(packet)
        if stream is not None:
            for packet in stream.encode():
                container.mux(packet)
