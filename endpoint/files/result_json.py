"""The JSON object of a result file, read with care: it may come from anywhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from calibration.problem import Problem
from calibration.reading import Unreadable, json_of, read_text

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
    file = path / "result.json" if path.is_dir() else path
    name = f"{file.parent.name}/{file.name}" if file.name == "result.json" else file.name
    try:
        data = json_of(read_text(file, MAX_BYTES), name)
    except Unreadable as why:
        if why.kind == "missing":
            what = f"{path} does not exist." if file == path else f"{path} holds no result.json."
            raise problem(what, f"Give what endpoint locate --out FOLDER wrote{instead}.") from None
        raise problem(
            f"{path} cannot be read: {why.reason}.",
            f"Give a result.json, or the folder that holds one{instead}.",
        ) from None
    if not isinstance(data, dict):
        raise problem(f"{name} is not a result of endpoint locate.", "Check the file name.")
    return data, name
