"""The base of every error that a user can meet: one sentence, one remedy and an exit code."""

from __future__ import annotations

from typing import Self

from calibration.wording import one_line

_LONGEST = 500
"""Signs of a sentence: six lines of a terminal; a text from a file may be longer."""


class Problem(Exception):
    """The work cannot go on; the person at the bench reads why, and what to do.

    Parameters
    ----------
    sentence:
        One plain sentence that says what is wrong, naming file, row or key.
    remedy:
        One plain sentence that says what to do.
    """

    exit_code = 2
    code = "problem"

    def __init__(self, sentence: str, remedy: str) -> None:
        self.sentence = one_line(sentence, _LONGEST)
        self.remedy = one_line(remedy, _LONGEST)
        self.field = ""
        """Name of the field of a form that is to be put right; empty where there is none."""
        super().__init__(self.sentence, self.remedy)

    def at(self, field: str) -> Self:
        """The same problem, of a field of a form."""
        self.field = field
        return self

    def __str__(self) -> str:
        return f"{self.sentence} {self.remedy}"


class CalibrationProblem(Problem):
    """A calibration, a certificate or a measured value cannot be used."""

    code = "calibration"
