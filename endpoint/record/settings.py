"""Every option of the analysis, declared once; command line, record and pages are made from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from endpoint.problems import RecordProblem, nearest


@dataclass(frozen=True)
class Option:
    """Declaration of one option."""

    name: str
    """Key in the record's [settings]; on the command line with dashes."""
    kind: str
    """"box" (left,top,right,bottom in pixels) or "choice"."""
    help: str
    choices: tuple[str, ...] = ()


OPTIONS: tuple[Option, ...] = (
    Option(
        "liquid_box",
        "box",
        "Where the liquid is, as left,top,right,bottom in pixels; "
        "found automatically if not given.",
    ),
    Option(
        "reference_box",
        "box",
        "Where the white or grey reference is, as left,top,right,bottom in pixels.",
    ),
    Option(
        "burette_box",
        "box",
        "Where the straight part of the burette is, as left,top,right,bottom in pixels; found "
        "by itself if not given.",
    ),
    Option(
        "tip_box",
        "box",
        "Where drops fall, from the tip of the burette to just above the flask, as "
        "left,top,right,bottom in pixels; found automatically if not given.",
    ),
    Option(
        "colour_matrix",
        "choice",
        "Matrix of the film's colour coding, where its tags are missing or wrong.",
        ("bt601", "bt709", "bt2020"),
    ),
    Option(
        "colour_range",
        "choice",
        "Range of the film's samples, where its tags are missing or wrong.",
        ("limited", "full"),
    ),
    Option(
        "tone_curve",
        "choice",
        "Tone curve of the pictures; sRGB suits phones and cameras.",
        ("srgb", "bt709", "linear"),
    ),
)
_BY_NAME = {option.name: option for option in OPTIONS}


@dataclass(frozen=True)
class Settings:
    """Values of all options; None means: find or read it."""

    liquid_box: tuple[int, int, int, int] | None = None
    reference_box: tuple[int, int, int, int] | None = None
    burette_box: tuple[int, int, int, int] | None = None
    tip_box: tuple[int, int, int, int] | None = None
    colour_matrix: str | None = None
    colour_range: str | None = None
    tone_curve: str | None = None


def parse_box(value: object, where: str) -> tuple[int, int, int, int]:
    """Read left,top,right,bottom from a list or a text with commas.

    Raises
    ------
    RecordProblem
        There are not four whole numbers, or they enclose nothing.
    """
    parts = value.split(",") if isinstance(value, str) else value
    remedy = "Give four whole numbers: left,top,right,bottom in pixels, such as 200,150,420,330."
    if not isinstance(parts, list) or len(parts) != 4:
        raise RecordProblem(f"{where} does not contain four numbers.", remedy)
    try:
        numbers = [int(part) for part in parts if not isinstance(part, bool)]
    except (TypeError, ValueError, OverflowError):
        raise RecordProblem(
            f"{where} contains something that is not a whole number.", remedy
        ) from None
    fractions = [part for part in parts if isinstance(part, float) and not part.is_integer()]
    if len(numbers) != 4 or fractions:
        raise RecordProblem(f"{where} contains something that is not a whole number.", remedy)
    left, top, right, bottom = numbers
    if not (0 <= left < right <= 100_000 and 0 <= top < bottom <= 100_000):
        raise RecordProblem(f"{where} encloses no part of the picture.", remedy)
    return left, top, right, bottom


def settings_from(table: Mapping[str, object], where: str) -> Settings:
    """Check a table of options.

    Parameters
    ----------
    table:
        Name -> value; names as in `OPTIONS`. A value of None counts as not given.
    where:
        What an error calls the table.

    Raises
    ------
    RecordProblem
        An option is not known or its value does not fit.
    """
    found: dict[str, object] = {}
    for name, value in table.items():
        option = _BY_NAME.get(name)
        if option is None:
            raise RecordProblem(
                f"{where} has an unknown option {name}.", nearest(name, tuple(_BY_NAME))
            )
        if value is None:
            continue
        if option.kind == "box":
            found[name] = parse_box(value, f"{where}: {name}")
        elif value not in option.choices:
            raise RecordProblem(
                f"{where}: {name} is {value!r:.60}.", f"Choose one of {', '.join(option.choices)}."
            )
        else:
            found[name] = value
    return Settings(**found)  # type: ignore[arg-type]
