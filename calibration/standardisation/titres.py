"""Several titres of one solution: their mean, and which uncertainty is counted once.

What is common to all titres (calibration of the burette, temperature) goes into the mean whole;
it is never divided by the square root of their number. What is each titre's own (readings,
filling of the pipette, colour noise) shows in their scatter, so it must not be counted from the
scatter and from what is known beforehand as well (JCGM 100:2008, 4.3.10, from memory). Two cases:

Volumes that a person read. What is known beforehand, reading and filling, is only a part of what
makes titres differ: it is a floor. The standard deviation of one titre is the larger of the
observed s and the floor, with n - 1 degrees of freedom in both cases, because only the n titres
show whether the floor is enough. So three titres that agree by luck do not look perfect, and the
reading is not added to the s that already holds it. Titrations done earlier lend s and degrees
of freedom (pooled, JCGM 100:2008, 4.2.4) unless the new titres scatter clearly more (F test, 5 %).

Recordings. Each brings its own whole uncertainty, so that is kept, and is divided by the square
root of n through the names. Only where the recordings scatter more than it allows (chi-squared
test, 5 %) is it replaced by their s, type A. One recording is allowed, as it has an uncertainty.

Nothing is set aside here: what looks wrong is said in `Titres.remarks`.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from calibration.quantity import Quantity, QuantityProblem, combine

CONCORDANT_ML = 0.10
"""Range of titres that practice calls concordant (common practice, no source)."""
_DOUBTFUL = 0.05
"""Probability below which the scatter of the titres is remarked, the usual 5 %."""


@dataclass(frozen=True)
class Titre:
    """One titre and the label that marks the names of what is its own."""

    volume_ml: Quantity
    label: str
    """Part of the name of every contribution that no other titre shares."""

    @property
    def own_names(self) -> tuple[str, ...]:
        """Names of the contributions that no other titre shares."""
        return tuple(name for name in self.volume_ml.contributions if self.label in name)

    @property
    def own_uncertainty_ml(self) -> float:
        """Root sum of squares of what is its own, mL."""
        parts = self.volume_ml.contributions
        return math.hypot(*(parts[name].value for name in self.own_names))

    def shared_part(self) -> Quantity:
        """Volume with only the contributions that other titres share."""
        own = set(self.own_names)
        parts = {n: c for n, c in self.volume_ml.contributions.items() if n not in own}
        return Quantity(self.volume_ml.value, self.volume_ml.unit, parts)


@dataclass(frozen=True)
class Repeatability:
    """Standard deviation of single titres by this person, from earlier titrations."""

    standard_deviation_ml: float
    degrees_of_freedom: float


@dataclass(frozen=True)
class Titres:
    """Mean of the titres and how its scatter was judged."""

    mean_ml: Quantity
    standard_deviation_ml: float | None
    """Of a single titre as observed; None for one titre."""
    expected_ml: float
    """Standard deviation that reading and filling, or the recordings, let expect."""
    scatter_from: str
    """"titres", "earlier titrations", "reading and filling" or "recordings"."""
    remarks: tuple[str, ...]


def mean_of(
    titres: Sequence[Titre],
    label: str,
    *,
    recordings: bool = False,
    earlier: Repeatability | None = None,
) -> Titres:
    """Mean of titres in mL; the module's text says how the scatter is counted.

    Parameters
    ----------
    titres:
        One or more, in mL, each with a label of its own.
    label:
        Name of the standardisation, for the contribution of the scatter.
    recordings:
        True where each titre brings its own whole uncertainty.
    earlier:
        Repeatability from earlier titrations; not used for recordings.

    Raises
    ------
    QuantityProblem
        There is no titre, or a single reading and nothing that tells its scatter.
    """
    if not titres or (len(titres) == 1 and not recordings and earlier is None):
        raise QuantityProblem(
            f"{len(titres)} titre(s) do not show their scatter.",
            "Titrate again, or state the standard deviation of earlier titrations.",
        )
    n = len(titres)
    values = [titre.volume_ml.value for titre in titres]
    mean = math.fsum(values) / n
    squares = math.fsum((value - mean) ** 2 for value in values)
    s = math.sqrt(squares / (n - 1)) if n > 1 else None
    expected = math.sqrt(math.fsum(titre.own_uncertainty_ml**2 for titre in titres) / n)
    remarks = _concordance(values)
    if recordings and not _scatters_more(squares, expected**2, n - 1):
        whole = combine(mean, "mL", [(1.0 / n, titre.volume_ml) for titre in titres])
        return Titres(whole, s, expected, "recordings", remarks)
    if recordings:
        single, freedom, scatter_from = s or 0.0, n - 1.0, "titres"
        remarks += (
            f"The recordings scatter by {s:.3f} mL, more than the {expected:.3f} mL that each "
            "states: the scatter is counted.",
        )
    else:
        single, freedom, scatter_from, more = _single(squares, n, expected, earlier)
        remarks += more
    shared = combine(mean, "mL", [(1.0 / n, titre.shared_part()) for titre in titres])
    scatter = Quantity.measured(
        0.0,
        "mL",
        single / math.sqrt(n),
        f"{label}: scatter of the titres",
        kind="B" if scatter_from == "reading and filling" else "A",
        degrees_of_freedom=freedom,
    )
    return Titres(shared + scatter, s, expected, scatter_from, remarks)


def _single(
    squares: float, n: int, expected: float, earlier: Repeatability | None
) -> tuple[float, float, str, tuple[str, ...]]:
    """Standard deviation of one titre read by a person, its freedom, its origin, remarks."""
    freedom = n - 1.0
    single = math.sqrt(squares / freedom) if n > 1 else 0.0
    scatter_from = "titres"
    remarks: tuple[str, ...] = ()
    if earlier is not None:
        before = earlier.standard_deviation_ml**2
        if n > 1 and _f_exceeds(squares / freedom, before, freedom, earlier.degrees_of_freedom):
            remarks = (
                f"The titres scatter by {single:.3f} mL, clearly more than in earlier titrations "
                f"({earlier.standard_deviation_ml:.3f} mL): only the new scatter is counted.",
            )
        else:
            total = freedom + earlier.degrees_of_freedom
            single = math.sqrt(squares / total + before * (1.0 - freedom / total))
            freedom, scatter_from = total, "earlier titrations"
    if single < expected:
        return expected, freedom, "reading and filling", remarks
    return single, freedom, scatter_from, remarks


def _scatters_more(squares: float, variance: float, freedom: int) -> bool:
    """Tell whether a sum of squares exceeds what a variance allows, chi-squared at 5 %."""
    if freedom < 1 or variance == 0.0:
        return squares > 0.0
    from scipy.special import chdtrc

    return float(chdtrc(freedom, squares / variance)) < _DOUBTFUL


def _f_exceeds(variance: float, other: float, freedom: float, other_freedom: float) -> bool:
    """Tell whether a variance exceeds another, one-sided F test at 5 %."""
    if other == 0.0:
        return variance > 0.0
    from scipy.special import fdtrc

    return float(fdtrc(freedom, other_freedom, variance / other)) < _DOUBTFUL


def _concordance(values: Sequence[float]) -> tuple[str, ...]:
    spread = max(values) - min(values)
    # Titres as read agree to 0.10; corrections of the burette move each by a little.
    if spread <= CONCORDANT_ML + 0.005:
        return ()
    return (
        f"The titres differ by {spread:.2f} mL; practice asks for {CONCORDANT_ML:.2f} mL. All of "
        "them are in the mean: titrate again rather than leave one out.",
    )
