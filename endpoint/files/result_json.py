"""The JSON object of a result file, read with care: it may come from anywhere."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, NoReturn

from calibration.problem import Problem

MAX_BYTES = 50_000_000


class ResultFileProblem(Problem):
    """A result that `endpoint locate` kept cannot be read."""

    code = "result"


def result_json(
    path: Path, problem: type[Problem] = ResultFileProblem, instead: str = ""
) -> tuple[dict[str, Any], str]:
    """Data of a result file, or of the folder that holds it, and its name for people.

    Parameters
    ----------
    path:
        The file, or the folder with a result.json.
    problem:
        Class of error to raise.
    instead:
        What else may be given, for the remedies: ", or a CSV of titres".

    Raises
    ------
    Problem
        It is missing, too large or no JSON object, or holds a number that JSON does not have.
    """
    try:
        file = path / "result.json" if path.is_dir() else path
        name = f"{file.parent.name}/{file.name}" if file.name == "result.json" else file.name
        if not file.is_file():
            what = f"{path} holds no result.json." if path.is_dir() else f"{path} does not exist."
            raise problem(what, f"Give what endpoint locate --out FOLDER wrote{instead}.")
        if file.stat().st_size > MAX_BYTES:
            raise problem(f"{name} is too large for a result.", "Check the file name.")
        data = json.loads(file.read_text(encoding="utf-8-sig"), parse_constant=_no_number)
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or "it is not valid JSON"
        raise problem(
            f"{path} cannot be read: {reason}.",
            f"Give a result.json, or the folder that holds one{instead}.",
        ) from None
    if not isinstance(data, dict):
        raise problem(f"{name} is not a result of endpoint locate.", "Check the file name.")
    return data, name


def _no_number(word: str) -> NoReturn:
    raise ValueError(f"{word} is not a JSON number")
