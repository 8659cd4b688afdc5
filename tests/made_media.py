"""Small films, pictures and tables with known content, made while the tests run."""

from __future__ import annotations

import struct
import subprocess
import sys
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import numpy as np

# Encoded R'G'B' of the patches, 0 to 255: wine red, violet, blue, white, grey, dark, red, green.
PATCHES = np.array(
    [
        (150, 30, 80),
        (100, 50, 110),
        (50, 60, 150),
        (235, 235, 235),
        (128, 128, 128),
        (20, 25, 30),
        (255, 0, 0),
        (0, 200, 40),
    ],
    dtype=np.float64,
)
SIDE = 16

# Kr and Kb as the recommendations print them: ITU-R BT.601-7, BT.709-6, BT.2020-2.
_PRINTED = {"bt601": (0.299, 0.114), "bt709": (0.2126, 0.0722), "bt2020": (0.2627, 0.0593)}
_TAG = {"bt601": 6, "bt709": 1, "bt2020": 9, None: 2}


def patch_picture(columns: int = 4) -> np.ndarray:
    """Patches of 16 x 16 pixels, `columns` in a row, as float R'G'B' 0 to 255."""
    rows = PATCHES.reshape(-1, columns, 3)
    return rows.repeat(SIDE, axis=0).repeat(SIDE, axis=1)


def planes_of(rgb: np.ndarray, matrix: str, full: bool, bits: int = 8) -> list[np.ndarray]:
    """Y', Cb, Cr code values by the printed forward equations, all at full resolution."""
    kr, kb = _PRINTED[matrix]
    r, g, b = np.moveaxis(rgb / 255.0, -1, 0)
    y = kr * r + (1 - kr - kb) * g + kb * b
    cb, cr = (b - y) / (2 * (1 - kb)), (r - y) / (2 * (1 - kr))
    unit = 2 ** (bits - 8)
    if full:
        top = 2**bits - 1
        codes = [y * top, cb * top + 128 * unit, cr * top + 128 * unit]
        limit = top
    else:
        codes = [
            (219 * y + 16) * unit,
            (224 * cb + 128) * unit,
            (224 * cr + 128) * unit,
        ]
        limit = 2**bits - 1
    return [np.clip(np.rint(code), 0, limit) for code in codes]


def frame_of(planes: Sequence[np.ndarray], pixel_format: str) -> av.VideoFrame:
    """PyAV frame of Y', Cb, Cr planes at full resolution; chroma is thinned as the format wants."""
    height, width = planes[0].shape
    frame = av.VideoFrame(width, height, pixel_format)
    across = 64 // frame.format.chroma_width(64)
    down = 64 // frame.format.chroma_height(64)
    dtype = np.uint16 if "10le" in pixel_format else np.uint8
    parts = [planes[0], planes[1][::down, ::across], planes[2][::down, ::across]]
    if pixel_format == "nv12":
        parts = [parts[0], np.stack(parts[1:], axis=-1).reshape(parts[1].shape[0], -1)]
    for plane, values in zip(frame.planes, parts, strict=True):
        rows = np.zeros((plane.height, plane.line_size // np.dtype(dtype).itemsize), dtype=dtype)
        rows[:, : values.shape[1]] = values
        plane.update(rows.tobytes())
    return frame


@dataclass(frozen=True)
class Colours:
    """How colours are coded in a film, and what its tags say of it."""

    matrix: str | None = "bt709"
    """None writes no tags; the samples are then made with `coded_as`."""
    full: bool = False
    coded_as: str | None = None
    """Matrix of the samples where the tags lie or are missing."""
    transfer: int | None = None
    pixel_format: str = "yuv420p"


def write_film(
    path: Path,
    pictures: Sequence[np.ndarray],
    *,
    times_ms: Sequence[int] | None = None,
    colours: Colours | None = None,
    codec: str = "libx264",
    rotation: int | None = None,
    title: str = "",
    options: dict[str, str] | None = None,
) -> Path:
    """Write R'G'B' pictures (0 to 255) as a film without loss, tagged as asked."""
    colours = colours or Colours()
    pixel_format = colours.pixel_format
    bits = 10 if "10le" in pixel_format else 8
    height, width = pictures[0].shape[:2]
    default = {"crf": "0", "g": "10"} if codec == "libx264" else {}
    with av.open(str(path), "w") as container:
        if title:
            container.metadata["title"] = title
        stream: Any = container.add_stream(codec, rate=25, options=options or default)
        stream.width, stream.height, stream.pix_fmt = width, height, pixel_format
        stream.codec_context.time_base = stream.time_base = Fraction(1, 1000)
        if colours.matrix is not None:
            stream.codec_context.colorspace = _TAG[colours.matrix]
            stream.codec_context.color_range = 2 if colours.full else 1
        if colours.transfer is not None:
            stream.codec_context.color_trc = colours.transfer
        if rotation is not None:
            stream.set_display_rotation(rotation)
        last = None
        for k, picture in enumerate(pictures):
            if picture is not last:
                planes = planes_of(
                    picture, colours.coded_as or colours.matrix or "bt601", colours.full, bits
                )
                frame = frame_of(planes, pixel_format)
                last = picture
            frame.pts = 40 * k if times_ms is None else times_ms[k]
            frame.time_base = Fraction(1, 1000)
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return path


def busy_pictures(count: int, width: int = 160, height: int = 120) -> list[np.ndarray]:
    """Moving gradients with grain, so that packets are large enough to be damaged."""
    random = np.random.default_rng(3)
    y, x = np.mgrid[0:height, 0:width]
    out = []
    for k in range(count):
        base = np.stack([x + 3 * k, y + k, x + y + 2 * k], axis=-1) % 200
        out.append(base + random.integers(0, 25, base.shape).astype(np.float64))
    return out


def write_sound(path: Path) -> Path:
    """Write a second of silence: a file with sound and no pictures."""
    with av.open(str(path), "w") as container:
        stream: Any = container.add_stream("aac", rate=8000)
        stream.layout = "mono"
        for k in range(8):
            frame = av.AudioFrame.from_ndarray(
                np.zeros((1, 1024), dtype=np.float32), format="fltp", layout="mono"
            )
            frame.sample_rate, frame.pts = 8000, 1024 * k
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return path


def write_huge_png(path: Path, side: int) -> Path:
    """Write a valid black PNG of side x side pixels (a multiple of 100) without holding it."""

    def chunk(kind: bytes, body: bytes) -> bytes:
        check = zlib.crc32(kind + body)
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", check)

    # Deflate blocks of zeros are all alike, so one is made and repeated; Adler-32 of n zeros is
    # 1 in the low half and n mod 65521 in the high half (RFC 1950).
    squeeze = zlib.compressobj(9, wbits=-15)
    some = squeeze.compress(bytes((1 + 3 * side) * (side // 100))) + squeeze.flush(
        zlib.Z_FULL_FLUSH
    )
    check_sum = ((1 + 3 * side) * side % 65521) << 16 | 1
    body = b"\x78\x01" + some * 100 + squeeze.flush() + struct.pack(">I", check_sum)
    head = struct.pack(">IIBBBBB", side, side, 8, 2, 0, 0, 0)
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")
    )
    return path


_PEAK = """
import sys
def peak_mb():
    try:
        with open("/proc/self/status") as status:
            line = next(l for l in status if l.startswith("VmHWM"))
        return int(line.split()[1]) // 1024
    except OSError:
        import resource
        size = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        return size // (1 << 20 if sys.platform == "darwin" else 1 << 10)
"""


def run_apart(code: str, *arguments: str) -> tuple[str, str, int]:
    """Run Python code in a process of its own; return its output, errors and peak memory in MB.

    The high-water mark of the process itself is read: what `getrusage` tells of a child can hold
    the size of its parent.
    """
    whole = f"{_PEAK}\n{code}\nsys.stdout.write('\\n%d' % peak_mb())\n"
    done = subprocess.run(
        [sys.executable, "-c", whole, *arguments], capture_output=True, text=True, check=False
    )
    output, _, peak = done.stdout.rpartition("\n")
    assert done.returncode == 0, done.stderr
    return output, done.stderr, int(peak)
