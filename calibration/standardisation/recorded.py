"""Equivalence volume of a recording, read from the result file of its analysis.

Which contributions several recordings of one standard share, and under which name:

- "<ware>: calibration" is the piece of ware: the name stays, so that it also meets the sample.
- "endpoint: scatter of the colour" comes from the noise of one recording: it gets the name of
  that run.
- "<ware>: reading ..." and "<ware>: filling ..." are done anew each time: name of the run.
- Every other "endpoint: ..." (constants and pH, two ways to explain the curve, amount of
  indicator, mixing lag, colour scale of the camera) is a lack of knowledge that runs with one
  flask, one buffer and one camera have in common: shared by the runs of this standardisation, so
  it does not shrink with their number. It gets the name of the standardisation and is not shared
  with samples: their water, and with it the size and the sign of the effect, is another, so a
  cancelling could not be trusted.
- "<ware>: temperature" is that of the day: name of the standardisation. So is the calibration of
  a burette without a name, which could be any.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from calibration.cells import Section
from calibration.certificate import quantity_from_json
from calibration.problem import CalibrationProblem
from calibration.quantity import Contribution, Quantity
from calibration.reading import Unreadable, json_of, read_text
from calibration.standardisation.titres import Titre

MAX_BYTES = 50_000_000
"""Bytes of a result file beyond which it is refused unread. Assumed, far beyond any result."""
_UNNAMED = "burette: calibration"
_OWN = ("endpoint: scatter of the colour",)


@dataclass(frozen=True)
class Recorded:
    """One recording of a standard."""

    titre: Titre
    run: str
    """Label of the recording, as it stands in its result."""
    remarks: tuple[str, ...]


def recorded_titre(row: Section, folder: Path, standardisation: str, number: int) -> Recorded:
    """Equivalence volume in mL of the result that a row names under `result`.

    Parameters
    ----------
    row:
        Row of the sheet with the key `result`, a path relative to `folder`.
    folder:
        Folder of the sheet.
    standardisation:
        Identifier of the certificate, for the names of what its runs share.
    number:
        Number of the row, so that two runs of one label stay apart.

    Raises
    ------
    SheetProblem
        The file cannot be read, is not a result, is not "located", or holds no named contributions.
    """
    data = _read(row, folder)
    _check_status(row, data)
    held = data.get("quantities")
    held = held.get("equivalence_ml") if isinstance(held, dict) else None
    if held is None:
        raise row.problem(
            "result",
            'holds no "quantities": it was written before results kept their contributions.',
            "Analyse that recording again, then name the new result.",
        )
    try:
        volume = quantity_from_json(held, row.place("result"))
    except CalibrationProblem as problem:
        raise row.problem("result", f"cannot be used: {problem.sentence}", problem.remedy) from None
    if volume.unit != "mL" or not volume.value > 0:
        raise row.problem(
            "result",
            f"holds an equivalence volume of {volume.value:g} {volume.unit}.",
            "Analyse that recording again.",
        )
    text = data.get("label")
    run = text.strip()[:80] if isinstance(text, str) and text.strip() else f"number {number}"
    own = f"{standardisation}, recording {number} ({run})"
    return Recorded(Titre(_named(volume, standardisation, own), own), run, _remarks(volume, run))


def _remarks(volume: Quantity, run: str) -> tuple[str, ...]:
    if _UNNAMED in volume.contributions:
        return (
            f'The burette of the recording "{run}" has no name: its error cannot be '
            "matched with that in samples, so it does not cancel there.",
        )
    if not any(": calibration" in name for name in volume.contributions):
        return (
            f'The recording "{run}" states no burette, so its calibration is not in the budget.',
        )
    return ()


def _named(volume: Quantity, standardisation: str, own: str) -> Quantity:
    parts: dict[str, Contribution] = {}
    for name, c in volume.contributions.items():
        if name in _OWN or ": reading" in name or ": filling" in name:
            parts[f"{own}: {name}"] = c
        elif name.startswith("endpoint: "):
            # Each run states it at another size; without its input one name may hold them all.
            shared = name.removeprefix("endpoint: ")
            parts[f"{standardisation}, endpoint: {shared}"] = replace(c, source=None)
        elif ": temperature" in name or name == _UNNAMED:
            parts[f"{name}, {standardisation}"] = c
        else:
            parts[name] = c
    return Quantity(volume.value, volume.unit, parts)


def _read(row: Section, folder: Path) -> Mapping[str, Any]:
    named = row.text("result")
    path = folder / named
    try:
        data = json_of(read_text(path, MAX_BYTES), path.name)
    except Unreadable as why:
        raise row.problem(
            "result",
            f"{named} cannot be read ({why.reason}).",
            "Name the result file of an analysis; its path is taken from the folder of the sheet.",
        ) from None
    if not isinstance(data, dict) or data.get("format") != 1 or "status" not in data:
        raise row.problem(
            "result",
            f"{named} is not a result of an analysis.",
            "Name its result file, result.json.",
        )
    return data


def _check_status(row: Section, data: Mapping[str, Any]) -> None:
    status = data["status"]
    if status == "located":
        return
    reasons = data.get("reasons")
    first = reasons[0] if isinstance(reasons, list) and reasons else {}
    first = first if isinstance(first, dict) else {}
    why = str(first.get("text") or "no reason is stated")[:200].rstrip(".")
    advice = str(first.get("advice") or "Record that titration again.")[:200]
    raise row.problem("result", f'is "{str(status)[:20]}", not "located": {why}.', advice)
