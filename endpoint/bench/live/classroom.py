"""What a class takes part in: a question asked while titrating, and the list of replicates."""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class Replicate:
    """A run that was finished."""

    label: str
    document: dict[str, Any]
    words: dict[str, Any] = field(default_factory=dict)
    """Texts of `result_words`."""


_LIKE_ML = 0.1
"""How well replicates agree at least, mL: a prior for the next, wide enough for an outlier."""


def expected_ml(
    replicates: Sequence[Replicate], label: str, flask_ml: float, titrant_mol_l: float
) -> tuple[float, float] | None:
    """Equivalence volume of earlier replicates of a sample and its standard deviation.

    Parameters
    ----------
    replicates:
        Runs that were finished.
    label, flask_ml, titrant_mol_l:
        Of the run to come: another sample, volume or titrant teaches nothing.
    """
    values = [
        float(r.document["equivalence_ml"]["value"])
        for r in replicates
        if r.label == label
        and r.document["status"] == "located"
        and math.isclose(r.document["inputs"]["flask_ml"], flask_ml)
        and math.isclose(r.document["inputs"]["titrant_mol_l"]["value"], titrant_mol_l)
    ]
    if not values:
        return None
    scatter = statistics.stdev(values) if len(values) > 1 else 0.0
    return statistics.fmean(values), math.hypot(_LIKE_ML, scatter)


@dataclass(frozen=True)
class Question:
    """A question to the class, asked while guidance is hidden from viewers."""

    asked_ml: float
    guess_ml: float | None = None
    open: bool = True
