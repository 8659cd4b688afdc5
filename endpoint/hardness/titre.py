"""One titration of a set of replicates, and which of its uncertainty is its own.

Which contributions are a run's own, and which are shared by all runs? It decides what a mean of n
runs can improve.

* Own: the scatter of the colour (noise of this recording), the readings of the burette and the
  fillings of the pipette (done anew each time). Their names get the number of the run in front, so
  that two runs with one label stay independent.
* Shared by nature, kept under one name: calibration and temperature of ware, the titrant, a stated
  blank, and the rest of the endpoint. "Magnesium share, constants and pH" is one water, one buffer
  and one set of published constants; "amount of indicator" is the doubt how much this person takes,
  not how it varies; "mixing lag" is one stirrer and one flask; "drift and colour scale" is one
  camera; "two ways to explain the curve" is a question that every run of this water asks alike.
  Some of that varies a little from run to run. Calling it shared errs on the safe side: the mean
  does not shrink it, and what does vary shows in the observed scatter.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from calibration.problem import Problem
from calibration.quantity import Contribution, Quantity

_READ_EACH_TIME = (": reading", ": filling")
_SCATTER = "endpoint: scatter of the colour"
_OWN = "own: "
CONCENTRATIONS_MOL_L = (1e-5, 0.5)
"""Titrants that can be true, mol/L: beyond, no water has an end, or EDTA does not dissolve."""
LONGEST_TEXT = 200
"""Signs of a label or a remark in a table of titrations."""


class ReplicateProblem(Problem):
    """A set of replicates cannot be read, or does not belong together."""

    code = "replicates"


@dataclass(frozen=True)
class Run:
    """One titration of a set."""

    number: int
    """1, 2, ... in the order given."""
    group: str
    """What the set is: "titration", "blank" or "spiked titration"."""
    label: str
    where: str
    """File, and row for a CSV."""
    status: str
    """"located" where there is a titre, else "bracketed" or "none"."""
    titre_ml: Quantity | None
    hardness_mmol_l: Quantity | None
    date: datetime.date | None = None
    analyst: str | None = None
    reason: str = ""
    """Why there is no titre, in words."""
    blank_subtracted: bool = False
    by_eye: bool = False
    setup: tuple[float, float] | None = None
    """Sample in mL and titrant in mol/L, where known."""
    fingerprint: str | None = None
    """Checksum of the recording."""
    not_in_budget: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def own_prefix(self) -> str:
        """What the names of the run's own contributions begin with."""
        return f"{self.group} {self.number}: "

    def own_uncertainty(self, quantity: Quantity) -> float:
        """Standard uncertainty of a quantity of this run from what is its own."""
        parts = quantity.contributions.items()
        return math.hypot(*(c.value for n, c in parts if n.startswith(self.own_prefix)))


def is_new_each_time(name: str) -> bool:
    """Whether a contribution of one titration is done anew in each: scatter, readings, fillings."""
    return name == _SCATTER or any(word in name for word in _READ_EACH_TIME)


def own_uncertainty(quantity: Quantity) -> float:
    """Standard uncertainty from what is done anew in each run, of a quantity as `marked`."""
    parts = quantity.contributions.items()
    return math.hypot(*(c.value for n, c in parts if n == _SCATTER or n.startswith(_OWN)))


def with_own_names(run: Run) -> Run:
    """Give the run's own contributions (marked, or the scatter of the colour) its number."""

    def renamed(quantity: Quantity | None) -> Quantity | None:
        if quantity is None:
            return None
        parts: dict[str, Contribution] = {}
        for name, c in quantity.contributions.items():
            own = name == _SCATTER or name.startswith(_OWN)
            parts[run.own_prefix + name.removeprefix(_OWN) if own else name] = c
        return Quantity(quantity.value, quantity.unit, parts)

    return replace(
        run, titre_ml=renamed(run.titre_ml), hardness_mmol_l=renamed(run.hardness_mmol_l)
    )


def marked(quantity: Quantity, common: Mapping[str, Any]) -> Quantity:
    """Mark what is done anew in each run, but for what came in with the titrant.

    The shared parts of the endpoint are fitted anew, so their inputs differ a little; only their
    size and sign are kept.
    """
    parts: dict[str, Contribution] = {}
    for name, c in quantity.contributions.items():
        own = name != _SCATTER and is_new_each_time(name) and name not in common
        shared_endpoint = name.startswith("endpoint: ") and name != _SCATTER
        kept = Contribution(c.value, "B", math.inf, c.distribution) if shared_endpoint else c
        parts[_OWN + name if own else name] = kept
    return Quantity(quantity.value, quantity.unit, parts)
