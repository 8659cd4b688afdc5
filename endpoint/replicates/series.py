"""A set of replicates: mean, agreement, outlier tests, and what a person sets aside.

Nothing is set aside here by itself: the caller names a run and a reason.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from calibration.quantity import Quantity
from endpoint.hardness.titre import ReplicateProblem, Run
from endpoint.replicates.mean import Blank, Summary, summarise
from endpoint.replicates.outliers import (
    CONCORDANT_ML,
    Concordance,
    OutlierTest,
    Repeatability,
    Side,
    concordance,
    dixon,
    grubbs,
    repeatability,
)

_SAME_SETUP = 0.01
"""Difference of titrant over sample, as a part, up to which two titrations have one setup: two
standardisations of one solution differ by less. Assumed."""


@dataclass(frozen=True)
class SetAside:
    """A run that a person took out, and why."""

    number: int
    reason: str


@dataclass(frozen=True)
class Replicates:
    """Everything that is known of a set of replicates."""

    runs: tuple[Run, ...]
    rough: tuple[int, ...]
    set_aside: tuple[SetAside, ...]
    summary: Summary
    with_all: Summary | None
    """The same with what was set aside; None where nothing was."""
    concordance: Concordance
    """Of the titres in the mean; indices are those of `summary.numbers`."""
    tested: tuple[int, ...]
    """Numbers of the runs that `tests` look at: all but rough ones."""
    tests: tuple[OutlierTest, ...]
    tests_after: tuple[OutlierTest, ...]
    """The same without what was set aside; indices are those of `summary.numbers`."""
    repeatability: Repeatability | None
    blank: Blank | None
    notes: tuple[str, ...]

    def run(self, number: int) -> Run:
        """Run by its number."""
        return self.runs[number - 1]

    @property
    def without_titre(self) -> tuple[Run, ...]:
        """Runs that are listed only, as they have no titre."""
        return tuple(run for run in self.runs if run.titre_ml is None)


def find_run(runs: Sequence[Run], name: str) -> Run:
    """Run by label or number, as a person wrote it.

    Raises
    ------
    ReplicateProblem
        There is none, or the label stands for several.
    """
    named = [run for run in runs if run.label == name.strip()]
    if len(named) == 1:
        return named[0]
    if len(named) > 1:
        numbers = ", ".join(str(run.number) for run in named)
        raise ReplicateProblem(
            f'The label "{name}" stands for {len(named)} titrations.',
            f"Give the number instead: {numbers}.",
        )
    numbered = [run for run in runs if str(run.number) == name.strip()]
    if numbered:
        return numbered[0]
    labels = [run.label for run in runs]
    near = [] if name.strip().isdigit() else difflib.get_close_matches(name, labels, n=1)
    remedy = f'Did you mean "{near[0]}"?' if near else f"Give a number from 1 to {len(runs)}."
    raise ReplicateProblem(f'There is no titration "{name}".', remedy)


def replicates(
    runs: Sequence[Run],
    *,
    rough: Sequence[str] = (),
    set_aside: Mapping[str, str] | None = None,
    limit_ml: float = CONCORDANT_ML,
    side: Side = "both",
    repeatability_ml: float | None = None,
    blank: Blank | None = None,
) -> Replicates:
    """Statistics of a set of titrations of one sample.

    Parameters
    ----------
    runs:
        As read, rough and failed ones included.
    rough:
        Labels or numbers of rough titrations, left out of everything but the list.
    set_aside:
        Label or number -> reason, of titrations that a person takes out.
    limit_ml:
        Range of concordant titres.
    side:
        Side on which an outlier is looked for.
    repeatability_ml:
        Repeatability limit r to hold the titres against.
    blank:
        Mean blank, subtracted.

    Raises
    ------
    ReplicateProblem
        A name fits no run, no titre is left, or the runs cannot be compared.
    """
    roughs = {find_run(runs, name).number for name in rough}
    aside: list[SetAside] = []
    for name, reason in (set_aside or {}).items():
        number = find_run(runs, name).number
        if number in roughs or any(other.number == number for other in aside):
            raise ReplicateProblem(
                f'The titration "{name}" is taken out twice.', "Name it once: rough or set aside."
            )
        aside.append(SetAside(number, reason))
    out = {each.number for each in aside}
    tested = [run for run in runs if run.titre_ml is not None and run.number not in roughs]
    used = [run for run in tested if run.number not in out]
    if not used:
        raise ReplicateProblem(
            "No titration with a titre is left for the mean.",
            "Titrate again, or set fewer aside.",
        )
    _check_alike(tested, blank)
    volume = None if blank is None else blank.mean.quantity
    if volume is not None:
        _check_blank(tested, volume)
    titres = [run.titre_ml.value for run in tested if run.titre_ml is not None]
    kept = [run.titre_ml.value for run in used if run.titre_ml is not None]
    return Replicates(
        runs=tuple(runs),
        rough=tuple(sorted(roughs)),
        set_aside=tuple(aside),
        summary=summarise(used, volume),
        with_all=summarise(tested, volume) if len(used) < len(tested) else None,
        concordance=concordance(kept, limit_ml),
        tested=tuple(run.number for run in tested),
        tests=(grubbs(titres, side), dixon(titres, side)),
        tests_after=(grubbs(kept, side), dixon(kept, side)) if len(kept) < len(titres) else (),
        repeatability=None if repeatability_ml is None else repeatability(kept, repeatability_ml),
        blank=blank,
        notes=_notes(used),
    )


def _check_alike(runs: Sequence[Run], blank: Blank | None) -> None:
    """Refuse titres that mean different things."""
    subtracted = [run for run in runs if run.blank_subtracted]
    if subtracted and blank is not None:
        raise ReplicateProblem(
            f"{subtracted[0].where} already had a blank subtracted by its record.",
            "Leave --blank out, or take [blank] out of the records and locate again.",
        )
    if subtracted and len(subtracted) < len(runs):
        raise ReplicateProblem(
            f"{subtracted[0].where} had a blank subtracted, others had not.",
            "Give all records the same [blank], or none of them and use --blank.",
        )
    known = [run for run in runs if run.setup is not None]
    for run in known[1:]:
        first = known[0].setup or (1.0, 1.0)
        sample, titrant = run.setup or first
        if abs(titrant / sample / (first[1] / first[0]) - 1.0) > _SAME_SETUP:
            raise ReplicateProblem(
                f"{run.where} took {sample:g} mL of sample with {titrant:g} mol/L of titrant, "
                f"{known[0].where} {first[0]:g} mL with {first[1]:g} mol/L: their titres cannot be "
                "compared.",
                "Give titrations with the same sample volume and the same titrant.",
            )
    with_total = [run for run in runs if run.hardness_mmol_l is not None]
    if with_total and len(with_total) < len(runs):
        other = next(run for run in runs if run.hardness_mmol_l is None)
        raise ReplicateProblem(
            f"{other.where} has a titre but no hardness, while others have both.",
            "Give --sample-ml and --titrant for titres read by eye.",
        )


def _check_blank(runs: Sequence[Run], blank_ml: Quantity) -> None:
    least = min((run.titre_ml.value for run in runs if run.titre_ml is not None), default=math.inf)
    if blank_ml.value >= least:
        raise ReplicateProblem(
            f"The blank ({blank_ml.value:.3f} mL) is not smaller than the smallest titre "
            f"({least:.3f} mL).",
            "Check that blank and titres were not swapped.",
        )


def _notes(runs: Sequence[Run]) -> tuple[str, ...]:
    found = [note for run in runs for note in run.notes]
    if any(run.blank_subtracted for run in runs):
        found.append(
            "The records subtract a blank: it is taken off the hardness, not off the titre."
        )
    people = {run.analyst for run in runs if run.analyst is not None}
    if len(people) > 1:
        found.append(
            f"The titres come from {len(people)} people, so their scatter includes more than the "
            "repeatability of one person with one set of ware."
        )
    days = {run.date for run in runs if run.date is not None}
    if len(days) > 1:
        found.append(
            f"The titrations come from {len(days)} days, so they include day-to-day changes."
        )
    return tuple(dict.fromkeys(found))
