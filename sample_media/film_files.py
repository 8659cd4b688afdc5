"""Films as people make them, written as files: codec, container, record, log and truth."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_media.encode import QUIET_H264, record_text, settled
from sample_media.filming import eight_bit, linear_frames
from sample_media.home_films import Film, plan_of_film, truth_of_film

_MILLISECONDS = Fraction(1, 1000)
_SUFFIX = {"h264": ".mp4", "hevc": ".mp4", "hlg": ".mp4", "mjpeg": ".avi", "webm": ".webm"}
# ITU-T H.273: 1 BT.709, 5 BT.601, 9 BT.2020, 18 HLG.
_TO_BT2020 = np.array(
    [[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]
)
"""Linear BT.709 to BT.2020 primaries, ITU-R BT.2087-0."""
_HLG_WHITE = 0.265
"""Scene light of HLG at which diffuse white has 75 % signal, ITU-R BT.2408."""


def write_home_film(film: Film, folder: Path, cache: Path | None = None) -> Path:
    """Write record.toml, volumes.csv, truth.json and the film into a folder.

    Parameters
    ----------
    film:
        What is filmed.
    folder:
        Made if it does not exist.
    cache:
        Folder for traced scenes.

    Returns
    -------
    Path of the record. It is written last, so it stands for a whole film.
    """
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"film{_SUFFIX[film.coding]}"
    _write_pictures(film, path, cache)
    plan = plan_of_film(film)
    rows = "".join(
        f"{t + film.clock_shift_s:.2f},{v:.3f}\n"
        for t, v in zip(plan.log_s, plan.log_ml, strict=True)
    )
    (folder / "volumes.csv").write_text("time_s,volume_ml\n" + rows, encoding="utf-8")
    truth = json.dumps(truth_of_film(film), indent=1)
    (folder / "truth.json").write_text(truth, encoding="utf-8")
    text = record_text(film.recipe, f'video = "{path.name}"', 'log = "volumes.csv"\nmode = "steps"')
    record = folder / "record.toml"
    record.write_text(text, encoding="utf-8")
    return record


def _write_pictures(film: Film, path: Path, cache: Path | None) -> None:
    import av

    flags = {"live": "1"} if film.coding == "webm" else {}
    with av.open(str(path), "w", options=flags) as container:
        stream = _stream(container, film)
        for t, linear in linear_frames(film, cache):
            frame = settled(_coded(av, film, linear))
            if film.coding == "mjpeg":
                rate = round(film.recipe.frames_s)
                frame.pts, frame.time_base = round(t * rate), Fraction(1, rate)
            else:
                frame.pts, frame.time_base = round(1000 * t), _MILLISECONDS
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def _stream(container: Any, film: Film) -> Any:
    recipe = film.recipe
    if film.coding == "mjpeg":
        # A quality like that of a webcam.
        stream = container.add_stream("mjpeg", rate=round(recipe.frames_s))
        stream.pix_fmt = "yuvj420p"
        stream.options = {"q:v": "5", "qmin": "4", "qmax": "6"}
        stream.width, stream.height = recipe.width, recipe.height
        return stream
    codec = {"h264": "libx264", "hevc": "libx265", "hlg": "libx265", "webm": "libvpx-vp9"}
    stream = container.add_stream(codec[film.coding], rate=round(recipe.frames_s))
    stream.codec_context.time_base = stream.time_base = _MILLISECONDS
    stream.pix_fmt = "yuv420p10le" if film.coding == "hlg" else "yuv420p"
    stored = (film.enlarge * recipe.width, film.enlarge * recipe.height)
    stream.width, stream.height = stored[::-1] if film.portrait else stored
    stream.options = _options(film)
    context = stream.codec_context
    context.color_range = 1
    context.colorspace = 9 if film.coding == "hlg" else 1
    context.color_primaries = 9 if film.coding == "hlg" else 1
    context.color_trc = 18 if film.coding == "hlg" else 1
    if film.kbit_s:
        context.bit_rate = round(1000 * film.kbit_s)
    if film.portrait:
        stream.set_display_rotation(-90)
    return stream


def _options(film: Film) -> dict[str, str]:
    key_frames = str(round(10 * film.recipe.frames_s))
    if film.coding in ("hevc", "hlg"):
        quiet = "log-level=none:pools=none:frame-threads=1"
        return {
            "preset": "superfast",
            "crf": str(film.recipe.crf),
            "g": key_frames,
            "x265-params": quiet,
        }
    if film.coding == "webm":
        quick = {"deadline": "realtime", "cpu-used": "7", "threads": "1"}
        return quick | {"crf": "32", "b": "800k", "g": "600"}
    options = {"preset": "veryfast", "g": key_frames} | QUIET_H264
    if film.enlarge > 1:
        options["preset"] = "ultrafast"
    return options if film.kbit_s else options | {"crf": str(film.recipe.crf)}


def _coded(av: Any, film: Film, linear: NDArray[np.float32]) -> Any:
    if film.coding == "hlg":
        return _hlg_frame(av, linear)
    picture = eight_bit(film, linear)
    if film.portrait:
        # Stored lying on its side; the tag turns it upright.
        picture = np.ascontiguousarray(np.rot90(picture, 1))
    frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
    if film.coding == "mjpeg":
        return frame.reformat(format="yuvj420p", dst_colorspace=5, dst_color_range=2)
    return frame.reformat(
        width=film.enlarge * frame.width,
        height=film.enlarge * frame.height,
        format="yuv420p",
        dst_colorspace=1,
        dst_color_range=1,
    )


def _hlg_frame(av: Any, linear: NDArray[np.float32]) -> Any:
    """10-bit hybrid log-gamma, BT.2020, limited range (ITU-R BT.2100)."""
    scene = np.clip(linear @ _TO_BT2020.T.astype(np.float32), 0.0, 3.7) * np.float32(_HLG_WHITE)
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    low = np.sqrt(3.0 * scene)
    high = a * np.log(np.maximum(12.0 * scene - b, 1e-6)) + c
    coded = np.clip(np.where(scene <= 1 / 12, low, high), 0.0, 1.0)
    y = coded @ np.array([0.2627, 0.6780, 0.0593], dtype=np.float32)
    cb, cr = (coded[..., 2] - y) / 1.8814, (coded[..., 0] - y) / 1.4746
    h, w = y.shape

    def halved(plane: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.asarray(plane.reshape(h // 2, 2, w // 2, 2).mean(axis=(1, 3)))

    frame = av.VideoFrame(w, h, "yuv420p10le")
    planes = (876.0 * y + 64.0, 896.0 * halved(cb) + 512.0, 896.0 * halved(cr) + 512.0)
    for target, plane in zip(frame.planes, planes, strict=True):
        rows = np.frombuffer(target, dtype=np.uint16).reshape(target.height, -1).copy()
        rows[:, : target.width] = np.clip(np.rint(plane), 4, 1019)
        target.update(rows)
    return frame
