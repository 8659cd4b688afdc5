"""What a class takes part in: a question asked while titrating, and the list of replicates."""

from __future__ import annotations

import math
import re
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from endpoint.analysis.result import Result
from endpoint.bench.guidance.guide import Moment
from endpoint.bench.guidance.progress import Habit, habit_of
from endpoint.bench.journal.run_list import RunEntry
from endpoint.hardness.titre import ReplicateProblem
from endpoint.hardness.titre_files import runs_of_documents
from endpoint.problems import RecordProblem
from endpoint.replicates.series import replicates
from endpoint.replicates.words import answer
from endpoint.result.short_words import words_of

_MOST_REPLICATES = 50
"""Earlier titrations that are kept, the last ones. Assumed."""
_LIKE_ML = 0.1
"""How well replicates agree at least, mL: a prior for the next, wide enough for an outlier.
Assumed."""


@dataclass(frozen=True)
class Replicate:
    """A run that was finished."""

    label: str
    document: dict[str, Any]
    words: dict[str, Any] = field(default_factory=dict)
    """Texts of `result.short_words.words_of`."""
    habit: Habit | None = None
    """What its colours teach the next replicate; None without a located endpoint."""
    run: int = 0
    """Number of the run; 0 where it has none."""


@dataclass(frozen=True)
class Question:
    """A question to the class, asked while guidance is hidden from viewers."""

    asked_ml: float
    guess_ml: float | None = None
    open: bool = True


def replicate_of(label: str, result: Result, document: dict[str, Any], run: int = 0) -> Replicate:
    """A run that was finished, with what it teaches.

    Parameters
    ----------
    label:
        Name of the sample.
    result, document:
        Its last conclusion, and the document of that.
    run:
        Its number.
    """
    curve = result.curve if result.status == "located" else None
    habit = None if curve is None else habit_of(curve)
    return Replicate(label, document, words_of(document), habit, run)


def alike(
    replicates: Sequence[Replicate], label: str, flask_ml: float, titrant_mol_l: float
) -> list[Replicate]:
    """Replicates with a located endpoint that can teach a run to come.

    Parameters
    ----------
    replicates:
        Runs that were finished.
    label, flask_ml, titrant_mol_l:
        Of the run to come: another sample, volume or titrant teaches nothing.
    """
    return [
        r
        for r in replicates
        if r.label == label
        and r.document["status"] == "located"
        and math.isclose(r.document["inputs"]["flask_ml"], flask_ml)
        and math.isclose(r.document["inputs"]["titrant_mol_l"]["value"], titrant_mol_l)
    ]


def expected_ml(earlier: Sequence[Replicate]) -> tuple[float, float] | None:
    """Equivalence volume to expect from earlier replicates and its standard deviation, mL."""
    values = [float(r.document["equivalence_ml"]["value"]) for r in earlier]
    if not values:
        return None
    scatter = statistics.stdev(values) if len(values) > 1 else 0.0
    return statistics.fmean(values), math.hypot(_LIKE_ML, scatter)


@dataclass(frozen=True)
class Series:
    """The runs of one sample on one day, and their mean."""

    entries: tuple[RunEntry, ...] = ()
    """Those that were discarded among them."""
    mean: str = ""
    """Mean and concordance in words; empty for fewer than two with a located endpoint."""


def series_of(entries: Sequence[RunEntry]) -> Series:
    """Runs of one sample with their mean; those that were discarded are not in it.

    Parameters
    ----------
    entries:
        Runs that have a result, or had one.
    """
    located = {
        f"run {entry.run}": entry.result
        for entry in entries
        if entry.status == "located" and entry.result is not None
    }
    mean = ""
    if len(located) > 1:
        try:
            mean = answer(replicates(runs_of_documents(located)))
        except ReplicateProblem as problem:
            mean = str(problem)
    # A run has one number, that of the journal; its place in this list is none.
    return Series(tuple(entries), re.sub(r"no\. \d+ \((run \d+)\)", r"\1", mean))


class Classroom:
    """The replicates of a session, and the question that is open."""

    def __init__(self) -> None:
        self.replicates: list[Replicate] = []
        """Those that teach the next one."""
        self.series = Series()
        """Those that the page lists."""
        self.question: Question | None = None

    @property
    def asked(self) -> bool:
        """Whether the class is still to answer."""
        return self.question is not None and self.question.open

    def ask(self, delivered_ml: float) -> None:
        """Ask for a prediction."""
        self.question = Question(delivered_ml)

    def guess(self, ml: float) -> None:
        """Keep the prediction of the class.

        Raises
        ------
        RecordProblem
            No question is open.
        """
        if self.question is None:
            raise RecordProblem("No question is open.", "Ask the class first.")
        self.question = replace(self.question, guess_ml=ml, open=False)

    def forget(self, run: int) -> None:
        """A run is gone on with, or does not count: it teaches nothing."""
        self.replicates = [r for r in self.replicates if run == 0 or r.run != run]

    def add(self, replicate: Replicate) -> None:
        """Add a run that was finished, in place of its older result; the last fifty are held."""
        self.forget(replicate.run)
        self.replicates.append(replicate)
        del self.replicates[:-_MOST_REPLICATES]

    def taught(self, moment: Moment, label: str, flask_ml: float, titrant_mol_l: float) -> Moment:
        """The moment, with what earlier replicates of the same sample showed."""
        earlier = alike(self.replicates, label, flask_ml, titrant_mol_l)
        if not earlier:
            return moment
        return replace(moment, habit=earlier[-1].habit, expected_ml=expected_ml(earlier))
