"""Recordings as files: film, stills or photometer rows, with log, record and truth."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from endpoint.chemistry.equilibrium import speciate
from sample_media import light
from sample_media.picture import render_frames
from sample_media.recipes import Recipe, plan_of, truth_of

QUIET_H264 = {
    "threads": "1",
    "x264-params": "threads=1:lookahead-threads=1:sync-lookahead=0:asm=SSE2",
}
"""One thread and old instructions: the same pictures make the same film, wherever they lie."""


def record_text(recipe: Recipe, recording: str, delivery: str) -> str:
    """Text of a record."""
    lag = ""
    if recipe.tell_lag and recipe.mode == "continuous":
        lag = f"mixing_lag_s = {recipe.mixing_s:.1f}\nmixing_lag_uncertainty_s = 0.2\n"
    indicator = f'\n[indicator]\nname = "{recipe.indicator}"\n' if recipe.indicator else ""
    return f'''# Simulated recording, see README.md in sample_media.
format = 1

[sample]
label = "{recipe.label or recipe.name}"
deliveries_ml = [{recipe.sample_ml / 2:.1f}, {recipe.sample_ml / 2:.1f}]
added_ml = {recipe.added_ml:.1f}

[titrant]
concentration_mol_l = {recipe.titrant_mol_l:.4f}
standard_uncertainty_mol_l = 0.00002

[recording]
{recording}

[delivery]
{delivery}
{lag}{indicator}
[ware]
burette = {{ nominal_ml = 25, class = "A", division_ml = 0.05 }}
pipette = {{ nominal_ml = 50, class = "A" }}
'''


def _write_common(recipe: Recipe, folder: Path, recording: str, delivery: str) -> Path:
    (folder / f"{recipe.name}.truth.json").write_text(
        json.dumps(truth_of(recipe), indent=1), encoding="utf-8"
    )
    record = folder / f"{recipe.name}.toml"
    record.write_text(record_text(recipe, recording, delivery), encoding="utf-8")
    return record


def _write_log(recipe: Recipe, folder: Path) -> str:
    plan = plan_of(recipe)
    rows = "".join(f"{t:.2f},{v:.3f}\n" for t, v in zip(plan.log_s, plan.log_ml, strict=True))
    name = f"{recipe.name}-volumes.csv"
    (folder / name).write_text("time_s,volume_ml\n" + rows, encoding="utf-8")
    mode = "continuous" if recipe.mode == "continuous" else "steps"
    return f'log = "{name}"\nmode = "{mode}"'


def write_film(recipe: Recipe, folder: Path) -> Path:
    """Write film, log, record and truth; return the record's path."""
    import av

    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{recipe.name}.mp4"
    with av.open(str(path), "w", options={"movflags": "+faststart"}) as container:
        stream = container.add_stream("libx264", rate=round(recipe.frames_s))
        stream.width, stream.height, stream.pix_fmt = recipe.width, recipe.height, "yuv420p"
        stream.options = {"crf": str(recipe.crf), "preset": "medium", "g": "100"} | QUIET_H264
        if recipe.tagged:
            stream.codec_context.color_range = 1
            stream.codec_context.colorspace = 1
            stream.codec_context.color_primaries = 1
            stream.codec_context.color_trc = 1
        for k, (_, picture) in enumerate(render_frames(recipe)):
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24")
            coded = frame.reformat(
                format="yuv420p", dst_colorspace=1 if recipe.tagged else 5, dst_color_range=1
            )
            coded = settled(coded)
            # The encoder's decisions, and so the film, depend on stated times.
            coded.pts, coded.time_base = k, Fraction(1, round(recipe.frames_s))
            for packet in stream.encode(coded):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)
    return _write_common(recipe, folder, f'video = "{path.name}"', _write_log(recipe, folder))


def settled(frame: Any) -> Any:
    """Copy of a picture the lines of which end in zeros.

    Encoders look beyond the picture's edge: what stands there by chance would make every film of
    the same pictures another one.
    """
    import av

    copy = av.VideoFrame(frame.width, frame.height, frame.format.name)
    sample_bytes = 2 if "10" in frame.format.name else 1
    for source, target in zip(frame.planes, copy.planes, strict=True):
        lines = np.frombuffer(source, dtype=np.uint8).reshape(source.height, source.line_size)
        out = np.zeros((target.height, target.line_size), dtype=np.uint8)
        used = source.width * sample_bytes
        out[:, :used] = lines[:, :used]
        target.update(out.tobytes())
    return copy


def write_stills(recipe: Recipe, folder: Path) -> Path:
    """Write one JPEG for every volume, taken after mixing, and the volumes file."""
    from PIL import Image

    stills = folder / recipe.name
    stills.mkdir(parents=True, exist_ok=True)
    for old in stills.glob("*.jpg"):
        old.unlink()
    plan = plan_of(recipe)
    # Just before the next addition begins.
    due = [float(t) - 0.2 for t in plan.true_s[1::2]]
    rows, wanted = [], 0
    for t, picture in render_frames(recipe):
        if wanted < len(due) and t >= due[wanted] - 0.5 / recipe.frames_s:
            name = f"still-{wanted + 1:02d}.jpg"
            Image.fromarray(picture).save(stills / name, quality=90)
            rows.append(f"{name},{plan.log_ml[wanted]:.3f}\n")
            wanted += 1
    log = f"{recipe.name}-volumes.csv"
    (folder / log).write_text("file,volume_ml\n" + "".join(rows), encoding="utf-8")
    return _write_common(recipe, folder, f'stills = "{recipe.name}"', f'per_still = "{log}"')


def write_photometer(recipe: Recipe, folder: Path, comma: bool = False) -> Path:
    """Write absorbances at 530 and 620 nm in a 1 cm cell after every addition."""
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng([recipe.seed, 3])
    volume = plan_of(recipe).log_ml
    flask = recipe.flask
    free = speciate(flask, volume).free_fraction
    amount = 1e-3 * flask.indicator_umol / (flask.volume_ml + volume)
    columns = []
    for nm in (530.0, 620.0):
        k = int(np.argmin(np.abs(light.WAVELENGTHS_NM - nm)))
        mixed = (1 - free) * light.RED_FORM[k] + free * light.BLUE_FORM[k]
        columns.append(amount * mixed + 0.002 + 0.0012 * rng.standard_normal(free.size))
    rows = ["volume_ml", "A530", "A620"]
    lines = [";".join(rows) if comma else ",".join(rows)]
    for v, a, b in zip(volume, *columns, strict=True):
        cells = [f"{v:.2f}", f"{a:.4f}", f"{b:.4f}"]
        lines.append(";".join(cells).replace(".", ",") if comma else ",".join(cells))
    name = f"{recipe.name}.csv"
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    record = _write_common(recipe, folder, f'photometer = "{name}"\npath_cm = 1.0', "")
    text = record.read_text(encoding="utf-8").replace("[delivery]\n\n", "")
    record.write_text(text, encoding="utf-8")
    return record


def write(recipe: Recipe, folder: Path) -> Path:
    """Write a recipe in the way its family is recorded."""
    if recipe.name.startswith("stills"):
        return write_stills(recipe, folder)
    if recipe.name.startswith("photometer"):
        return write_photometer(recipe, folder)
    return write_film(recipe, folder)
