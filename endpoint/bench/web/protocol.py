"""What a page may say to the bench, checked before anything is done with it.

Text messages are JSON objects with `do`; binary messages are pictures: "EPF1", number (uint32),
age in ms (uint16), clock of the page at the sending in ms modulo 65 536 (uint16, 0 if not stated),
all little-endian, then JPEG or WebP.
"""

from __future__ import annotations

import json
import math
import struct
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from calibration.problem import Problem
from calibration.wording import one_line
from endpoint.bench.web.incoming_picture import picture_size

MAX_TEXT_BYTES = 4096
MAX_FRAME_BYTES = 1_500_000
MAX_SIDE, MIN_SIDE = 1920, 64
MAX_PIXELS = 1920 * 1080
"""What a page may send: bytes of a command and of a picture, and sides and pixels of a picture
(Full HD; below 64 no flask can be seen). More is refused before it is decoded."""
_HEAD = struct.Struct("<4sIHH")
_MAGIC = b"EPF1"
_MOST_AGE_MS = 1000
_LABEL = 100
"""Age that a page may state of its picture, ms, and letters of a label."""

Kind = tuple[str, float, float]
NUMBER: dict[str, Kind | tuple[str | bool, ...]] = {
    "ml": ("number", 0.0, 200.0),
    "what": ("liquid", "reference", "burette", "tip"),
    "way": ("typed", "meniscus", "drops"),
    "division_ml": ("number", 0.02, 1.0),
    "left": ("whole", 0, MAX_SIDE),
    "top": ("whole", 0, MAX_SIDE),
    "right": ("whole", 0, MAX_SIDE),
    "bottom": ("whole", 0, MAX_SIDE),
    "x": ("whole", 0, MAX_SIDE),
    "y": ("whole", 0, MAX_SIDE),
    "row": ("whole", 0, 1000),
    "run": ("text", 0, _LABEL),
    "before_ml": ("number", 0.0, 200.0),
    "after_ml": ("number", 0.0, 200.0),
    "rate_ml_min": ("number", 0.05, 100.0),
    "reason": ("text", 0, _LABEL),
    "sure": (True, False),
}
FORM: dict[str, Kind | tuple[str | bool, ...]] = {
    "label": ("text", 0, _LABEL),
    "sample_ml": ("number", 1.0, 2000.0),
    "fillings": ("whole", 1, 10),
    "added_ml": ("number", 0.0, 1000.0),
    "titrant_mol_l": ("number", 1e-4, 0.5),
    "titrant_uncertainty_mol_l": ("number", 0.0, 0.1),
    "mode": ("steps", "pump", "meniscus", "drops"),
    "first_reading_ml": ("number", 0.0, 100.0),
    "rate_ml_min": ("number", 0.05, 100.0),
    "division_ml": ("number", 0.02, 1.0),
    "lag_s": ("number", 0.0, 60.0),
    "lag_uncertainty_s": ("number", 0.0, 60.0),
    "burette_nominal_ml": ("number", 10.0, 50.0),
    "burette_class": ("A", "AS", "B"),
    "pipette_class": ("A", "AS", "B"),
    "titrant_certificate": ("text", 0, _LABEL),
    "burette_certificate": ("text", 0, _LABEL),
    "pipette_certificate": ("text", 0, _LABEL),
    "blank_ml": ("number", 0.0, 50.0),
    "blank_uncertainty_ml": ("number", 0.0, 5.0),
    "temperature_c": ("number", 5.0, 40.0),
    "analyst": ("text", 0, _LABEL),
    "indicator": ("text", 0, _LABEL),
}
WORDS: dict[str, tuple[str, ...]] = {
    "begin": ("form",),
    "reading": ("ml",),
    "undo": (),
    "correct": ("row", "ml"),
    "pump-start": (),
    "pump-stop": (),
    "pump-rate": ("rate_ml_min",),
    "refill": ("before_ml", "after_ml"),
    "end-reading": ("ml",),
    "finish": (),
    "watch": ("way", "division_ml"),
    "box": ("what", "left", "top", "right", "bottom"),
    "no-box": ("what",),
    "next-body": (),
    "keep-body": (),
    "point": ("x", "y"),
    "again": (),
    "go-on": (),
    "discard": ("reason",),
    "take-back": (),
    "write-folder": (),
    "look-again": (),
    "ask": (),
    "guess": ("ml",),
    "take-over": (),
    "resume": ("run",),
    "give-up": ("run",),
}
"""Every command, with the keys it must bring."""
MAY = {"begin": ("sure",), "reading": ("sure",)}
"""Keys that a command may bring too."""


class ProtocolProblem(Problem):
    """A message of a page cannot be used."""

    code = "message"


@dataclass(frozen=True)
class Command:
    """One checked command."""

    do: str
    values: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class Picture:
    """A picture that came in, its size read but nothing decoded yet."""

    number: int
    age_s: float
    """Time from its taking to its sending."""
    width: int
    height: int
    data: bytes = field(repr=False)
    sent_ms: int = 0
    """Clock of the page at the sending, modulo 65 536; 0 if not stated."""


def parse_command(text: str) -> Command:
    """Check a text message.

    Raises
    ------
    ProtocolProblem
        It is not a command, a key is missing or unknown, or a value does not fit.
    """
    if len(text) > MAX_TEXT_BYTES:
        raise ProtocolProblem("The message is too long.", "Load the page again.")
    try:
        message = json.loads(text)
    except (ValueError, RecursionError):
        raise ProtocolProblem("The message is not JSON.", "Load the page again.") from None
    if not isinstance(message, dict):
        raise ProtocolProblem("The message is not a JSON object.", "Load the page again.")
    do = message.get("do")
    keys = WORDS.get(do) if isinstance(do, str) else None
    if not isinstance(do, str) or keys is None:
        raise ProtocolProblem("The bench does not know this command.", "Load the page again.")
    more = tuple(key for key in MAY.get(do, ()) if key in message)
    if set(message) != {"do", *keys, *more}:
        raise ProtocolProblem(f"{do} has missing or unknown keys.", "Load the page again.")
    values: dict[str, Any] = {}
    for key in (*keys, *more):
        if key == "form":
            values["form"] = _form(message["form"])
        else:
            values[key] = _value(message[key], key, NUMBER[key])
    return Command(do, values)


def _form(table: Any) -> dict[str, Any]:
    if not isinstance(table, Mapping):
        raise ProtocolProblem("The form is not a table.", "Load the page again.")
    found = {}
    for key, value in table.items():
        kind = FORM.get(key)
        if kind is None:
            raise ProtocolProblem("The form has an unknown entry.", "Load the page again.")
        if value is not None and value != "":
            found[key] = _value(value, key, kind)
    return found


_TITLES = {
    "ml": "The volume",
    "before_ml": "The reading before the refill",
    "after_ml": "The reading after the refill",
    "blank_ml": "The blank",
    "blank_uncertainty_ml": "The uncertainty of the blank",
    "temperature_c": "The temperature",
    "row": "The row",
    "sample_ml": "The sample volume",
    "added_ml": "The volume of buffer and rinse water",
    "titrant_mol_l": "The EDTA concentration",
    "titrant_uncertainty_mol_l": "The uncertainty of the EDTA concentration",
    "first_reading_ml": "The start reading",
    "division_ml": "The volume between two lines",
    "rate_ml_min": "The pump rate",
    "lag_s": "The mixing time",
    "lag_uncertainty_s": "The uncertainty of the mixing time",
    "fillings": "The number of pipette fillings",
    "burette_nominal_ml": "The burette size",
}


def _value(value: Any, key: str, kind: Kind | tuple[str | bool, ...]) -> Any:
    title = _TITLES.get(key, key.replace("_", " ").capitalize())
    if kind[0] == "text":
        if not isinstance(value, str) or len(value) > _LABEL:
            raise ProtocolProblem(f"{title} has more than {_LABEL} letters.", "Shorten it.").at(key)
        return one_line(value.encode("utf-8", "replace").decode("utf-8"))
    if kind[0] not in ("number", "whole"):
        if value not in kind:
            raise ProtocolProblem(
                f"{title} is not one of the choices.", f"Choose {', '.join(map(str, kind))}."
            ).at(key)
        return value
    _, low, high = kind
    good = isinstance(value, int | float) and not isinstance(value, bool)
    try:
        number = float(value) if good else math.nan
    except OverflowError:
        number = math.inf
    low, high = float(low), float(high)
    if not math.isfinite(number) or not low <= number <= high:
        raise ProtocolProblem(
            f"{title} must be a number from {low:g} to {high:g}.", "Check the value and its unit."
        ).at(key)
    if kind[0] == "whole":
        if number != int(number):
            raise ProtocolProblem(f"{title} must be a whole number.", "Check the value.").at(key)
        return int(number)
    return number


def parse_picture(message: bytes) -> Picture:
    """Check a binary message; nothing is decoded.

    Raises
    ------
    ProtocolProblem
        It is not a JPEG or WebP picture of 64 to 1920 pixels and at most 1.5 MB.
    """
    if len(message) > MAX_FRAME_BYTES:
        raise ProtocolProblem("The picture is too large to send.", "Choose a smaller picture size.")
    if len(message) <= _HEAD.size:
        raise ProtocolProblem("The message is not a picture.", "Load the page again.")
    magic, number, age_ms, sent_ms = _HEAD.unpack_from(message)
    if magic != _MAGIC or age_ms > _MOST_AGE_MS:
        raise ProtocolProblem("The message is not a picture.", "Load the page again.")
    data = message[_HEAD.size :]
    size = picture_size(data)
    if size is None:
        raise ProtocolProblem("The picture is neither JPEG nor WebP.", "Load the page again.")
    width, height = size
    if not (min(size) >= MIN_SIDE and max(size) <= MAX_SIDE and width * height <= MAX_PIXELS):
        raise ProtocolProblem(
            f"The picture has {width} x {height} pixels.",
            f"Choose a size from {MIN_SIDE} to {MAX_SIDE} pixels, at most 1920 x 1080.",
        )
    return Picture(number, age_ms * 1e-3, width, height, data, sent_ms)


def decode(picture: Picture) -> NDArray[np.uint8]:
    """Decode a checked picture to R'G'B', shape (height, width, 3).

    Raises
    ------
    ProtocolProblem
        The data are damaged, or not of the size that the header says.
    """
    import cv2

    flags = cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION
    try:
        pixels: Any = cv2.imdecode(np.frombuffer(picture.data, dtype=np.uint8), flags)
    except cv2.error:
        pixels = None
    if pixels is None or pixels.shape != (picture.height, picture.width, 3):
        raise ProtocolProblem("The picture is damaged.", "Check the camera.")
    return np.asarray(pixels, dtype=np.uint8)
