"""Small valid inputs of every kind that the commands read, for the fuzz study to damage."""

from __future__ import annotations

import io
import json
import tempfile
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from PIL import Image

from endpoint.recording.frame import ArrayFrame
from tests.places import SAMPLES

BENCH = SAMPLES / "bench"

LOCATE = ("locate", "r.toml", "--json", "-")
_WARE = (
    '[ware]\nburette = { nominal_ml = 25, class = "A", division_ml = 0.05 }\n'
    'pipette = { nominal_ml = 50, class = "A" }\n'
)
_HEAD = (
    'format = 1\n[sample]\nlabel = "Well"\ndeliveries_ml = [50.0, 50.0]\nadded_ml = 5.0\n'
    "[titrant]\nconcentration_mol_l = 0.0100\nstandard_uncertainty_mol_l = 0.00002\n"
)
_FULL = (
    'format = 1\n[sample]\nlabel = "Well"\ndate = 2026-11-10\nvolume_ml = 100.0\nadded_ml = 5.0\n'
    "[titrant]\nconcentration_mol_l = 0.0100\n[blank]\nvolume_ml = 0.05\n"
    'standard_uncertainty_ml = 0.02\n[recording]\nphotometer = "table.csv"\npath_cm = 2.0\n'
    '[delivery]\nlog = "log.csv"\nmode = "continuous"\nmixing_lag_s = 1.5\n'
    "mixing_lag_uncertainty_s = 0.3\nclock_offset_s = 0.5\nclock_offset_uncertainty_s = 0.2\n"
    + _WARE
)


@dataclass(frozen=True)
class Sound:
    """A valid case: files of a folder, the command to run in it, and what may be damaged."""

    kind: str
    """"film", "still", "log", "table", "record", "certificate", "sheet" or "titres"."""
    name: str
    files: dict[str, bytes]
    arguments: tuple[str, ...]
    targets: tuple[str, ...]
    """Files to damage, one or several in each case."""


def write_corpus(folder: Path, kinds: Sequence[str]) -> None:
    """Make the sound cases of some kinds below a folder, unless they stand there already."""
    if (folder / "corpus.json").exists():
        return
    import cv2

    cv2.setNumThreads(1)
    makers: dict[str, Callable[[], list[Sound]]] = {
        "film": _films,
        "still": _stills,
        "table": _tables,
        "certificate": _certificates,
        "sheet": _sheets,
        "titres": _titres,
    }
    made = [sound for kind, make in makers.items() if kind in kinds for sound in make()]
    sounds = [sound for sound in made if sound.kind in kinds]
    listed = []
    for number, sound in enumerate(sounds):
        for name, data in sound.files.items():
            path = folder / f"{number:02d}" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        listed.append({**sound.__dict__, "files": list(sound.files)})
    (folder / "corpus.json").write_text(json.dumps(listed, indent=1), encoding="utf-8")


def read_corpus(folder: Path) -> list[Sound]:
    """Sound cases that `write_corpus` left."""
    listed = json.loads((folder / "corpus.json").read_text(encoding="utf-8"))
    sounds = []
    for number, entry in enumerate(listed):
        files = {name: (folder / f"{number:02d}" / name).read_bytes() for name in entry["files"]}
        sounds.append(
            Sound(
                entry["kind"],
                entry["name"],
                files,
                tuple(entry["arguments"]),
                tuple(entry["targets"]),
            )
        )
    return sounds


def _drawn(width: int, height: int, count: int, **changes: object) -> list[ArrayFrame]:
    from tests.drawn_bench import Bench, draw

    bench = replace(Bench(width=width, height=height, jpeg=0), **changes)  # type: ignore[arg-type]
    return draw(bench, count).frames


# Container, codec, size, pixel format, milliseconds between pictures.
_FILMS: tuple[tuple[str, str, int, int, str, int], ...] = (
    (".mp4", "libx264", 160, 120, "yuv420p", 100),
    (".mp4", "libx264", 96, 72, "yuv420p", 1000),
    (".mp4", "libx265", 128, 96, "yuv420p", 100),
    (".mkv", "libx264", 160, 120, "yuv420p10le", 1000),
    (".mkv", "mjpeg", 128, 96, "yuvj420p", 100),
    (".avi", "mjpeg", 160, 120, "yuvj420p", 100),
    (".webm", "libvpx-vp9", 160, 120, "yuv420p", 1000),
    (".webm", "libvpx-vp9", 64, 48, "yuv420p", 100),
)
_OPTIONS = {
    "libx264": {"crf": "18", "g": "10", "preset": "veryfast"},
    "libx265": {"crf": "18", "preset": "ultrafast", "x265-params": "log-level=none:keyint=10"},
    "libvpx-vp9": {"crf": "20", "b": "0", "cpu-used": "8", "g": "10"},
    "mjpeg": {},
}


def _films() -> list[Sound]:
    from tests.made_media import Colours, write_film

    sounds = []
    with tempfile.TemporaryDirectory() as place:
        for number, (suffix, codec, width, height, pixels, step_ms) in enumerate(_FILMS):
            frames = _drawn(width, height, 40, seed=number + 1, change_width=0.3)
            name = f"film{suffix}"
            path = write_film(
                Path(place) / f"{number}{suffix}",
                [frame.pixels.astype(np.float64) for frame in frames],
                times_ms=[step_ms * k for k in range(len(frames))],
                codec=codec,
                options=_OPTIONS[codec],
                colours=Colours(
                    pixel_format=pixels,
                    matrix=None if codec == "mjpeg" else "bt709",
                    coded_as="bt601" if codec == "mjpeg" else None,
                ),
            )
            span_s = step_ms * len(frames) / 1000
            log = "time_s,volume_ml\n" + "".join(
                f"{span_s * k / 20:.2f},{0.15 * k:.2f}\n" for k in range(20)
            )
            files = {name: path.read_bytes(), "log.csv": log.encode()}
            loose = ("--sample-ml", "100", "--titrant", "0.01", "--json", "-")
            arguments: tuple[str, ...] = LOCATE
            if number % 4 == 3:
                arguments = ("locate", name, "--volumes", "log.csv", "--mode", "steps", *loose)
            elif number % 4 == 2:
                arguments = ("locate", name, "--rate", f"{180 / span_s:g}", *loose)
            else:
                mode = ("steps", "continuous")[number % 2]
                record = f'{_HEAD}[recording]\nvideo = "{name}"\n[delivery]\nlog = "log.csv"\n'
                files["r.toml"] = f'{record}mode = "{mode}"\n{_WARE}'.encode()
            title = f"{codec} {suffix[1:]} {width}x{height}"
            sounds.append(Sound("film", title, files, arguments, (name,)))
            if number < 2:
                sounds.append(Sound("log", f"log of a film, {mode}", files, LOCATE, ("log.csv",)))
    return sounds


_PILLOW = {".png": "PNG", ".jpg": "JPEG", ".webp": "WEBP", ".tif": "TIFF"}


def _stills() -> list[Sound]:
    sounds = []
    frames = _drawn(120, 90, 16, seed=21, change_width=0.3)
    small = _drawn(64, 48, 12, seed=22, change_width=0.3)
    for suffix, coding in _PILLOW.items():
        for pictures in (frames, small):
            files: dict[str, bytes] = {}
            rows = ["file,volume_ml"]
            for k, frame in enumerate(pictures):
                stream = io.BytesIO()
                image = Image.fromarray(np.asarray(frame.pixels))
                exif = image.getexif()
                exif[0x0112] = 1
                image.save(stream, coding, exif=exif)
                files[f"stills/a-{k + 1}{suffix}"] = stream.getvalue()
                rows.append(f"a-{k + 1}{suffix},{0.2 * k:.2f}")
            targets = tuple(files)
            files["log.csv"] = ("\n".join(rows) + "\n").encode()
            record = f'{_HEAD}[recording]\nstills = "stills"\n[delivery]\nper_still = "log.csv"\n'
            files["r.toml"] = (record + _WARE).encode()
            title = f"{coding} {pictures[0].pixels.shape[1]} wide"
            sounds.append(Sound("still", title, files, LOCATE, targets))
    sounds.append(Sound("log", "volumes of stills", files, LOCATE, ("log.csv",)))
    return sounds


def _table_files() -> tuple[dict[str, bytes], dict[str, bytes]]:
    """Files of a photometer record with volumes, and of one with times and a pump's log."""
    by_volume = {
        "table.csv": (SAMPLES / "quarry-pond.csv").read_bytes(),
        "r.toml": f'{_HEAD}[recording]\nphotometer = "table.csv"\n{_WARE}'.encode(),
    }
    rows = by_volume["table.csv"].decode().replace(",", ".").split("\n")[1:]
    cells = [row.split(";") for row in rows if row]
    timed = "time_s,A530,A620\n" + "".join(
        f"{20 + 15 * float(v):.1f},{a},{b}\n" for v, a, b in cells
    )
    last = float(cells[-1][0])
    log = f"time_s,volume_ml\n0,0\n20,0\n{20 + 15 * last:g},{last:g}\n{60 + 15 * last:g},{last:g}\n"
    by_time = {"table.csv": timed.encode(), "log.csv": log.encode(), "r.toml": _FULL.encode()}
    return by_volume, by_time


def _tables() -> list[Sound]:
    by_volume, by_time = _table_files()
    loose = ("--sample-ml", "100", "--titrant", "0.01")
    bare = ("locate", "table.csv", *loose, "--json", "-")
    film_like = _FULL.replace("[delivery]", "[settings]\nliquid_box = [1, 2, 30, 40]\n[delivery]")
    eye = {"r.toml": (BENCH / "well-by-eye.toml").read_bytes()}
    return [
        Sound("table", "volumes, semicolons", by_volume, LOCATE, ("table.csv",)),
        Sound("table", "without a record", by_volume, bare, ("table.csv",)),
        Sound("table", "times", by_time, LOCATE, ("table.csv",)),
        Sound("table", "files out", by_volume, (*LOCATE, "--out", "out"), ("table.csv",)),
        Sound("log", "log of a photometer", by_time, LOCATE, ("log.csv",)),
        Sound("record", "short", by_volume, LOCATE, ("r.toml",)),
        Sound("record", "full", by_time, LOCATE, ("r.toml",)),
        Sound("record", "settings", {**by_time, "r.toml": film_like.encode()}, LOCATE, ("r.toml",)),
        Sound("record", "by eye", eye, ("hardness", "r.toml", "--json", "-"), ("r.toml",)),
    ]


def _made_certificates() -> dict[str, bytes]:
    """Certificates of every kind, made from the sheets of the samples."""
    from click.testing import CliRunner

    from endpoint.cli import main

    found: dict[str, bytes] = {}
    with tempfile.TemporaryDirectory() as place:
        for kind, sheet in _SHEETS:
            target = Path(place) / f"{sheet.split('.')[0]}.json"
            got = CliRunner().invoke(
                main, ["calibrate", kind, str(BENCH / sheet), "--out", str(target)]
            )
            assert got.exit_code == 0, got.output
            found[target.name] = target.read_bytes()
    return found


def _certificates() -> list[Sound]:
    made = _made_certificates()
    _, by_time = _table_files()
    certified = by_time["r.toml"].decode()
    certified = certified.replace(
        "concentration_mol_l = 0.0100", 'certificate = "edta-caco3.json"'
    ).replace("path_cm = 2.0", 'certificate = "photometer.json"')
    begin = certified.index("mixing_lag_s")
    certified = certified[:begin] + (
        'certificate = "timing.json"\n[ware]\nburette = { certificate = "burette-b2.json" }\n'
        'pipette = { certificate = "pipette-p1.json" }\n'
    )
    files = {**by_time, **made, "r.toml": certified.replace("2026-11-10", "2026-11-11").encode()}
    files["r.toml"] = files["r.toml"].replace(b"volume_ml = 100.0", b"deliveries_ml = [50.0, 50.0]")
    names = ("edta-caco3", "photometer", "timing", "burette-b2", "pipette-p1")
    used = tuple(f"{name}.json" for name in names)
    return [
        Sound("certificate", "used by a record", files, LOCATE, used),
        Sound("certificate", "listed", made, ("certificates", ".", "--json", "-"), tuple(made)),
        Sound("record", "certificates", files, LOCATE, ("r.toml",)),
    ]


_SHEETS = (
    ("glassware", "burette-b2.toml"),
    ("glassware", "pipette-p1.csv"),
    ("titrant", "edta-caco3.toml"),
    ("photometer", "photometer.csv"),
    ("camera", "camera.toml"),
    ("timing", "timing.csv"),
)


def _sheets() -> list[Sound]:
    sounds = []
    for kind, name in (*_SHEETS, ("titrant", "edta-zinc.toml"), ("titrant", "edta-eye.toml")):
        files = {name: (BENCH / name).read_bytes()}
        targets: Sequence[str] = (name,)
        if kind == "camera":
            pictures = {f"camera/{p.name}": p.read_bytes() for p in (BENCH / "camera").iterdir()}
            files |= pictures
            targets = (name, name, *pictures)
        arguments = ("calibrate", kind, name, "--json", "-")
        sounds.append(Sound("sheet", name, files, arguments, tuple(targets)))
    return sounds


def _titres() -> list[Sound]:
    """Titres read by eye, and results of recordings."""
    from click.testing import CliRunner

    from endpoint.cli import main

    got = CliRunner().invoke(main, ["locate", str(SAMPLES / "quarry-pond.toml"), "--json", "-"])
    assert got.exit_code == 0, got.output
    results = {}
    for k in (1, 2, 3):
        result = json.loads(got.stdout)
        result["label"] = f"Pond {k}"
        result["provenance"]["medium_sha256"] = f"{k:064x}"
        results[f"{k}.json"] = json.dumps(result).encode()
    table = "label,titre_ml,date,analyst\n" + "".join(
        f"T{k},{13.9 + 0.01 * (k % 3):.2f},2026-11-{k + 1:02d},KT\n" for k in range(8)
    )
    days = "date,value\n" + "".join(
        f"2026-10-{k + 1:02d},{1.38 + 0.01 * (k * 7 % 5):.3f}\n" for k in range(24)
    )
    by_hand = ("replicates", "t.csv", "--sample-ml", "100", "--titrant", "0.01", "--json", "-")
    chart = ("replicates", "--control-chart", "d.csv", "--json", "-")
    return [
        Sound(
            "titres", "results", results, ("replicates", *results, "--json", "-"), tuple(results)
        ),
        Sound("titres", "by hand", {"t.csv": table.encode()}, by_hand, ("t.csv",)),
        Sound("titres", "control chart", {"d.csv": days.encode()}, chart, ("d.csv",)),
    ]
