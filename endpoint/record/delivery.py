"""The table [delivery] of a record: what says how much titrant was added, and its clock.

    [delivery]                     # exactly one of log, rate_ml_min, per_still, meniscus, drops
    meniscus = { start_ml = 0.52, end_ml = 9.87, division_ml = 0.1 }
    # drops = { start_ml = 0.52, end_ml = 9.87 }

The two last are read out of the picture; the readings are those of the burette before and after
the film, with the eye level with the meniscus.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from endpoint.files.cells import RecordReader
from endpoint.problems import RecordProblem

DELIVERY_KEYS = (
    "log",
    "mode",
    "rate_ml_min",
    "start_s",
    "per_still",
    "meniscus",
    "drops",
    "mixing_lag_s",
    "mixing_lag_uncertainty_s",
    "clock_offset_s",
    "clock_offset_uncertainty_s",
    "certificate",
)
WAYS = ("log", "rate_ml_min", "per_still", "meniscus", "drops")
_DIVISION_ML = 0.1
_LARGEST_ML = 100.0


@dataclass(frozen=True)
class BuretteReadings:
    """What was typed of a burette that the film shows."""

    kind: str
    """"meniscus" or "drops"."""
    start_ml: float | None
    end_ml: float | None
    division_ml: float = _DIVISION_ML
    """Volume between two printed lines; meniscus only."""

    @property
    def box_name(self) -> str:
        """Setting that says where to look."""
        return "burette_box" if self.kind == "meniscus" else "tip_box"


def readings_from_text(text: str, way: str) -> dict[str, float]:
    """Readings typed on the command line as START,END or, for the meniscus, START,END,DIVISION.

    Raises
    ------
    RecordProblem
        There are not two (or three) numbers.
    """
    keys = ("start_ml", "end_ml", "division_ml")[: 3 if way == "meniscus" else 2]
    try:
        numbers = [float(part) for part in text.split(",")]
    except ValueError:
        numbers = []
    if not 2 <= len(numbers) <= len(keys):
        raise RecordProblem(
            f"--{way} is {text[:40]!r}, which is not two readings.",
            f"Give both readings of the burette in mL, such as --{way} 0.52,9.87.",
        )
    return dict(zip(keys, numbers, strict=False))


def delivery_values(
    reader: RecordReader, table: Mapping[str, Any], kind: str, folder: Path
) -> dict[str, Any]:
    """Values of a record's [delivery] by the names of the record's fields.

    Parameters
    ----------
    reader:
        Names the record in errors.
    table:
        The table, all keys known.
    kind:
        "video", "stills" or "photometer".
    folder:
        Where relative paths begin.

    Raises
    ------
    RecordProblem
        A value is impossible, or keys contradict each other.
    """
    out: dict[str, Any] = {
        "mixing_lag_s": reader.number(table, "delivery", "mixing_lag_s", 0.0, 120.0),
        "mixing_lag_uncertainty_s": reader.number(
            table, "delivery", "mixing_lag_uncertainty_s", 0.0, 60.0
        ),
    }
    out |= _clock(reader, table, folder)
    if out["mixing_lag_uncertainty_s"] is not None and out["mixing_lag_s"] is None:
        raise RecordProblem(
            f"{reader.name}: delivery.mixing_lag_uncertainty_s is given without mixing_lag_s.",
            "Give mixing_lag_s too, in seconds.",
        )
    way = _way_of(reader, table, kind)
    return out if way is None else out | _delivered(reader, table, way, kind, folder)


def _way_of(reader: RecordReader, table: Mapping[str, Any], kind: str) -> str | None:
    """The one key that says how titrant was delivered; None where rows carry their volumes."""
    ways = [key for key in WAYS if key in table]
    if not ways and kind == "photometer":
        return None
    if len(ways) != 1:
        raise RecordProblem(
            f"{reader.name}: delivery needs exactly one of {', '.join(WAYS)}"
            + (f" and has {', '.join(ways)}." if ways else "."),
            'Write log = "volumes.csv" with mode = "steps", rate_ml_min = 6.0 with start_s, or '
            "meniscus = { start_ml = 0.52, end_ml = 9.87 } for a film that shows the burette.",
        )
    return ways[0]


def _delivered(
    reader: RecordReader, table: Mapping[str, Any], way: str, kind: str, folder: Path
) -> dict[str, Any]:
    """Values that belong to one way of delivery."""
    out: dict[str, Any] = {}
    mode = reader.text(table, "delivery", "mode")
    if way == "log":
        if mode not in ("steps", "continuous"):
            raise RecordProblem(
                f"{reader.name}: delivery.mode is {'missing' if mode is None else repr(mode)}.",
                'Write mode = "steps" (held between additions) or "continuous" (poured or pumped).',
            )
        out |= {"log": folder / str(reader.text(table, "delivery", "log")), "mode": mode}
    elif mode is not None:
        raise RecordProblem(
            f"{reader.name}: delivery.mode belongs to a log only.", "Remove delivery.mode."
        )
    if way == "rate_ml_min":
        out["rate_ml_min"] = reader.number(table, "delivery", "rate_ml_min", 0.001, 1000.0)
        out["start_s"] = reader.number(table, "delivery", "start_s", -3600.0, 86400.0) or 0.0
        out["mode"] = "continuous"
        if kind == "stills":
            raise RecordProblem(
                f"{reader.name}: stills have no clock for a pump.",
                'Give the volume of each still: per_still = "volumes.csv".',
            )
    elif "start_s" in table:
        raise RecordProblem(
            f"{reader.name}: delivery.start_s belongs to rate_ml_min only.", "Remove it."
        )
    if way == "per_still":
        if kind != "stills":
            raise RecordProblem(
                f"{reader.name}: delivery.per_still belongs to stills only.",
                "For a film or a photometer give log or rate_ml_min.",
            )
        out["per_still"] = folder / str(reader.text(table, "delivery", "per_still"))
        out["mode"] = "per-still"
    if way in ("meniscus", "drops"):
        out["seen"] = _seen(reader, table, way, kind)
        out["mode"] = "continuous"
    if way == "log" and kind == "stills":
        raise RecordProblem(
            f"{reader.name}: stills have no clock for a log.",
            'Give the volume of each still: per_still = "volumes.csv".',
        )
    return out


def _clock(reader: RecordReader, table: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    """Offset of the clocks, typed or from a certificate."""
    certificate = reader.text(table, "delivery", "certificate")
    out = {
        "clock_offset_s": reader.number(table, "delivery", "clock_offset_s", -86400.0, 86400.0),
        "clock_offset_uncertainty_s": reader.number(
            table, "delivery", "clock_offset_uncertainty_s", 0.0, 60.0
        ),
        "timing_certificate": None if certificate is None else folder / certificate,
    }
    typed = [k for k in ("clock_offset_s", "mixing_lag_s") if k in table]
    if certificate is not None and typed:
        raise RecordProblem(
            f"{reader.name}: delivery.{typed[0]} cannot be given with delivery.certificate.",
            "Keep one of the two: the certificate states lag and clock offset.",
        )
    if out["clock_offset_uncertainty_s"] is not None and out["clock_offset_s"] is None:
        raise RecordProblem(
            f"{reader.name}: delivery.clock_offset_uncertainty_s is given without clock_offset_s.",
            "Give clock_offset_s too, in seconds.",
        )
    return out


def _seen(reader: RecordReader, table: Mapping[str, Any], way: str, kind: str) -> BuretteReadings:
    """Readings that go with a film that shows what was delivered."""
    where = f"delivery.{way}"
    if kind != "video":
        raise RecordProblem(
            f"{reader.name}: {where} belongs to a film that shows the burette.",
            "Give log or rate_ml_min for a photometer, per_still for stills.",
        )
    for key in ("clock_offset_s", "certificate"):
        if key in table:
            raise RecordProblem(
                f"{reader.name}: delivery.{key} is given with {where}, which needs no clock.",
                f"Remove delivery.{key}; the mixing lag can be typed as mixing_lag_s.",
            )
    keys = ("start_ml", "end_ml", "division_ml") if way == "meniscus" else ("start_ml", "end_ml")
    example = "{ start_ml = 0.52, end_ml = 9.87 }"
    part = table[way]
    if not isinstance(part, dict):
        raise RecordProblem(
            f"{reader.name}: {where} is not a table of readings.", f"Write {way} = {example}."
        )
    reader.known(part, keys, f"{where}.")
    start, end = (reader.number(part, where, key, 0.0, _LARGEST_ML) for key in keys[:2])
    if (start is None) != (end is None) or (start is None and way == "drops"):
        missing = "start_ml" if start is None else "end_ml"
        raise RecordProblem(
            f"{reader.name}: {where}.{missing} is missing.",
            f"Read the burette before and after the film: {way} = {example}.",
        )
    if start is not None and end is not None and (end == start or (way == "drops" and end < start)):
        raise RecordProblem(
            f"{reader.name}: {where} runs from {start:g} to {end:g} mL: nothing was delivered.",
            "A burette is read downwards from 0: end_ml is the larger reading.",
        )
    division = reader.number(part, where, "division_ml", 0.02, 1.0)
    return BuretteReadings(way, start, end, division or _DIVISION_ML)
