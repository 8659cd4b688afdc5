"""What a class takes part in: a question asked while titrating, and the list of replicates."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True)
class Replicate:
    """A run that was finished."""

    label: str
    document: dict[str, Any]


@dataclass(frozen=True)
class Question:
    """A question to the class, asked while guidance is hidden from viewers."""

    asked_ml: float
    guess_ml: float | None = None
    open: bool = True
