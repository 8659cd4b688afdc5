"""Film containers, opened with FFmpeg through PyAV: one door, which decides what may be opened.

FFmpeg guesses the container from the content, whatever the name says. Some containers are lists of
other files or addresses (HLS, DASH, concat), which it would open in turn, or describe no file at
all (lavfi, SDP). So it is told which may be opened, before it reads anything.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from endpoint.problems import InstallProblem

FORMATS = (
    *("mov", "matroska", "webm", "avi", "mpegts", "mpeg", "mpegvideo", "asf", "flv", "ogg"),
    *("nut", "mxf", "gxf", "dv", "wtv", "rm", "ivf", "yuv4mpegpipe", "gif", "apng", "swf", "mlv"),
    *("mjpeg", "mjpeg_2000", "mpjpeg", "m4v", "h261", "h263", "h264", "hevc", "vvc", "obu", "av1"),
    *("vc1", "amv", "ismv", "dhav", "ty", "nsv", "lmlm4", "ser"),
)
"""Demuxers of FFmpeg 8 that hold the pictures themselves: of cameras, telephones, microscopes and
converters. Never a list of other files, a protocol, a device or a drawing."""
FILE_ONLY = ("file",)
"""What the decoder may read from where a file is meant."""


def libav() -> Any:
    """PyAV, silent.

    Raises
    ------
    InstallProblem
        It cannot be loaded.
    """
    try:
        import av
    except ImportError as error:
        raise InstallProblem(
            f"The film reader PyAV cannot be loaded ({error}).",
            "Install the program again: pip install --force-reinstall av.",
        ) from None
    av.logging.set_level(None)
    logging.getLogger("libav").setLevel(logging.CRITICAL)
    return av


def broken() -> tuple[type[Exception], ...]:
    """What PyAV raises over a container or a packet that is damaged."""
    return (libav().error.FFmpegError, OSError, ValueError, LookupError, ArithmeticError)


def open_container(
    place: str | Path,
    protocols: Iterable[str] = FILE_ONLY,
    options: dict[str, str] | None = None,
    **more: Any,
) -> Any:
    """Open a film for reading.

    Parameters
    ----------
    place:
        A path, or an address of one of the protocols.
    protocols:
        Protocols of FFmpeg that may be used, also by what the container names.
    options:
        Further options of FFmpeg.
    more:
        Further arguments of `av.open`.

    Returns
    -------
    The open container of PyAV; None if it is none of `FORMATS`, damaged, or cannot be reached.
    """
    av = libav()
    # A path from the root: "concat:a|b" is a file name then, and not a protocol.
    name = str(place.absolute()) if isinstance(place, Path) else place
    allowed = {
        "format_whitelist": ",".join(FORMATS),
        "protocol_whitelist": ",".join(protocols),
    }
    try:
        return av.open(name, options={**(options or {}), **allowed}, **_any_title(av), **more)
    except broken():
        return None


def _any_title(av: Any) -> dict[str, str]:
    """What `av.open` needs so that a title that is not UTF-8 does not stop a film.

    PyAV 19 takes every title and knows the argument no more.
    """
    return {"metadata_errors": "ignore"} if int(av.__version__.split(".")[0]) < 19 else {}
