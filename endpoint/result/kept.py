"""A result as `endpoint locate --out` kept it, read back from its folder and checked whole.

Everything is checked before anything is drawn, since a result may come from another person: the
JSON against `result.schema.json`, the curve cell by cell, a picture before it is shown.
"""

from __future__ import annotations

import copy
import functools
import io
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.reading import Unreadable, read_bytes
from endpoint.files import csv_table
from endpoint.files.result_json import ResultFileProblem, result_json

FloatArray = NDArray[np.float64]

FORMAT = 1
PICTURES = ("region.png", "thumbnails.png", "chart.png")
_LARGEST_PICTURE = 20_000_000
_MOST_PIXELS = 40_000_000
_MOST_POINTS = 200_000
_AS_WRITTEN = "Use the files as endpoint locate --out wrote them, or run it again."
_WORDS = ("flags",)


@dataclass(frozen=True, eq=False)
class KeptResult:
    """One result from its files."""

    name: str
    """Folder and file, for people."""
    document: Mapping[str, Any]
    """What result.json holds, checked: see `result.schema.json`."""
    curve: Mapping[str, FloatArray] | None
    """Columns of curve.csv, read-only, one entry for each point; NaN where a cell is empty. None
    where there is no curve, or where only a result.json was given."""
    flags: tuple[str, ...]
    """Flags of each point in words, as in curve.csv."""
    fitted: tuple[FloatArray, FloatArray] | None
    """Mixed-in volume in mL and free part of the fitted curve on a fine grid (fit.csv)."""
    folder: Path | None
    """Where the files lie; None where only a result.json was given."""
    pictures: Mapping[str, Path]
    """Pictures that are there, by name; see `picture_bytes`."""

    def __repr__(self) -> str:
        found = (self.document["equivalence_ml"] or {}).get("value")
        volume = "" if found is None else f", equivalence {found:.3f} mL"
        return f"<KeptResult {self.document['label']!r}: {self.status}{volume}>"

    @property
    def status(self) -> str:
        """located, bracketed or none."""
        return str(self.document["status"])

    def to_dict(self) -> dict[str, Any]:
        """Whole result as plain data, as in result.json."""
        return copy.deepcopy(dict(self.document))


def read_kept(path: Path) -> KeptResult:
    """Read a folder of `endpoint locate --out`, or its result.json.

    Parameters
    ----------
    path:
        A folder, a result.json (its neighbours are read too), or a JSON file of another name,
        which stands alone.

    Raises
    ------
    ResultFileProblem
        A file is missing, cut short, of another format or not a result of `endpoint locate`, or a
        value in it is of another type or out of all bounds.
    """
    data, name = result_json(path)
    check_document(data, name)
    folder = path if path.is_dir() else path.parent
    if not path.is_dir() and path.name != "result.json":
        return KeptResult(name, data, None, (), None, None, {})
    return kept_in(folder, data, name)


def kept_in(
    folder: Path, data: Mapping[str, Any], name: str, pictures: Sequence[str] = PICTURES
) -> KeptResult:
    """Result of which the document is at hand, with its curve and pictures from a folder.

    Parameters
    ----------
    folder:
        Folder of the result.
    data:
        Its document.
    name:
        For people.
    pictures:
        Which files in the folder are pictures of this result, if they are there.

    Raises
    ------
    ResultFileProblem
        The curve cannot be used, or is not that of the document.
    """
    curve, flags = _curve(folder, data)
    fitted = _fitted(folder) if curve is not None else None
    shown = () if data["frames"].get("kind") == "rows" else pictures
    found = {n: folder / n for n in shown if (folder / n).is_file()}
    return KeptResult(name, data, curve, flags, fitted, folder, found)


def check_document(data: Mapping[str, Any], name: str) -> None:
    """Check the data of a result.json against what a reader may rely on.

    Parameters
    ----------
    data:
        Data of the file.
    name:
        Of the file, for the sentence.

    Raises
    ------
    ResultFileProblem
        It is not a result, has another format, or a value in it cannot be used.
    """
    held = data.get("format")
    if "status" not in data or "equivalence_ml" not in data or held is None:
        raise ResultFileProblem(
            f"{name} is not a result of endpoint locate.",
            "Give a result.json, or the folder that contains one.",
        )
    if held != FORMAT or isinstance(held, bool):
        shown = held if isinstance(held, int) and abs(held) < 1e6 else "unknown"
        raise ResultFileProblem(
            f"{name} has the format {shown}; this program reads format {FORMAT}.",
            "Run endpoint locate again, or use the version that wrote the file.",
        )
    try:
        error = next(iter(_validator().iter_errors(data)), None)
    except RecursionError:
        raise ResultFileProblem(f"{name} is nested too deeply for a result.", _AS_WRITTEN) from None
    if error is not None:
        raise ResultFileProblem(f"{name} is damaged or was changed: {_fault(error)}.", _AS_WRITTEN)
    _check_order(data, name)


def _fault(error: Any) -> str:
    """What breaks the schema: the place, and whether something is missing there."""
    steps = [str(step) for step in error.absolute_path]
    if error.validator == "required":
        missing = (key for key in error.validator_value if key not in error.instance)
        return f"{'.'.join([*steps, next(missing, '')])[:120]} is missing"
    return f"{'.'.join(steps)[:120] or 'it'} has an impossible value"


@functools.cache
def _validator() -> Any:
    from jsonschema import Draft202012Validator

    text = (files("endpoint.result") / "result.schema.json").read_text(encoding="utf-8")
    return Draft202012Validator(json.loads(text))


def _check_order(data: Mapping[str, Any], name: str) -> None:
    """Ends of an interval stand in order, around the value."""
    for key in ("equivalence_ml", "midpoint_ml", "last_red_ml"):
        volume = data[key]
        if volume is None:
            continue
        low, high = volume["interval95"]
        inside = volume["value"] if volume["value"] is not None else low
        if not (low <= inside and (high is None or inside <= high)):
            raise ResultFileProblem(
                f"{name} is damaged or was changed: {key} lies outside its interval.", _AS_WRITTEN
            )


def _curve(
    folder: Path, data: Mapping[str, Any]
) -> tuple[dict[str, FloatArray] | None, tuple[str, ...]]:
    """Columns of curve.csv; None where the result has no curve or the file is not there."""
    path = folder / "curve.csv"
    points = data["frames"]["points"]
    if not points or not path.is_file():
        return None, ()
    columns, flags = _columns(path)
    rows = columns["volume_ml"].size if "volume_ml" in columns else 0
    if rows != points:
        raise ResultFileProblem(
            f"{folder.name}/curve.csv has {rows} points, but the result has {points}.",
            _AS_WRITTEN,
        )
    if not np.isfinite(columns["volume_ml"]).all():
        raise ResultFileProblem(f"{folder.name}/curve.csv has an empty volume.", _AS_WRITTEN)
    return columns, flags


def _fitted(folder: Path) -> tuple[FloatArray, FloatArray] | None:
    path = folder / "fit.csv"
    if not path.is_file():
        return None
    columns, _ = _columns(path)
    try:
        volume, fraction = columns["mixed_volume_ml"], columns["fitted_fraction"]
    except KeyError as error:
        raise ResultFileProblem(
            f"{folder.name}/fit.csv has no column {error.args[0]}.", _AS_WRITTEN
        ) from None
    if not (np.isfinite(volume).all() and np.isfinite(fraction).all()):
        raise ResultFileProblem(f"{folder.name}/fit.csv has an empty cell.", _AS_WRITTEN)
    return volume, fraction


def _columns(path: Path) -> tuple[dict[str, FloatArray], tuple[str, ...]]:
    """Columns of numbers by name, read-only, and the flags in words."""
    sheet = csv_table.read_sheet(path, ResultFileProblem)
    if len(sheet.rows) > _MOST_POINTS:
        raise ResultFileProblem(f"{path.name} has too many rows for a curve.", _AS_WRITTEN)
    columns: dict[str, FloatArray] = {}
    flags: tuple[str, ...] = ("",) * len(sheet.rows)
    table = f"{path.parent.name}/{path.name}"
    for k, name in enumerate(sheet.header):
        cells = [row[k] for row in sheet.rows]
        if name in _WORDS:
            flags = tuple(cells)
            continue
        values = np.empty(len(cells))
        for n, cell in enumerate(cells):
            values[n] = _number(cell, table, sheet.numbers[n])
        values.setflags(write=False)
        columns[name] = values
    return columns, flags


def _number(cell: str, table: str, row: int) -> float:
    if not cell:
        return float("nan")
    try:
        value = float(cell)
    except ValueError:
        value = float("inf")
    if not abs(value) < 1e12:
        raise ResultFileProblem(
            f"{table}, row {row}: {cell[:40]} is not a usable number.", _AS_WRITTEN
        )
    return value


def picture_bytes(kept: KeptResult, name: str) -> bytes | None:
    """Bytes of a kept PNG; None where it is not there.

    Parameters
    ----------
    kept:
        The result.
    name:
        One of `PICTURES`.

    Raises
    ------
    ResultFileProblem
        It is not a PNG, or too large.
    """
    from PIL import Image

    path = kept.pictures.get(name)
    if path is None:
        return None
    try:
        data = read_bytes(path, _LARGEST_PICTURE)
        with Image.open(io.BytesIO(data), formats=["PNG"]) as picture:
            too_large = picture.width * picture.height > _MOST_PIXELS
            if not too_large:
                picture.load()
    except (Unreadable, OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        raise ResultFileProblem(
            f"{path.parent.name}/{name} is not a picture that can be shown.",
            "Delete it, or run endpoint locate again.",
        ) from None
    if too_large:
        raise ResultFileProblem(
            f"{path.parent.name}/{name} is too large.", "Run endpoint locate again."
        )
    return data
