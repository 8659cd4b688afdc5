"""Results, studies and plans as notebooks show them."""

from __future__ import annotations

import dataclasses
import textwrap
from collections.abc import Callable
from typing import Any, ClassVar, TypeVar

from endpoint.analysis.by_eye import EyeResult
from endpoint.analysis.result import Result
from endpoint.comparison.document import comparison_document
from endpoint.comparison.study import Comparison
from endpoint.comparison.words import answer as answer_of_comparison
from endpoint.planner.designs import Plan
from endpoint.planner.document import plan_document
from endpoint.replicates.document import replicates_document
from endpoint.replicates.series import Replicates
from endpoint.replicates.words import answer as answer_of_replicates
from endpoint.report.notebook_html import html_of
from endpoint.result.by_eye import eye_document
from endpoint.result.document import document
from endpoint.result.wording import hardness_text
from endpoint.rounding import FIXED_SPACE


@dataclasses.dataclass(frozen=True, eq=False)
class NotebookResult(Result):
    """A result that Jupyter can show; in everything else it is the `Result` of the pipeline."""

    __repr__ = Result.__repr__

    def _repr_html_(self) -> str:
        """HTML that Jupyter shows: answer, remarks, chart and budget."""
        return html_of(self)

    def to_dict(self) -> dict[str, Any]:
        """Whole result as plain data, as in result.json but for its provenance."""
        return document(self, {})


_LONGEST_REPR = 100
"""Signs of the short form of a study, about one line of a terminal. Assumed."""


class _Told:
    """Study or plan with its data and a short form; the words are those of its command."""

    _document: ClassVar[Callable[[Any], dict[str, Any]]]

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain data, as `--json` of the command gives it."""
        return type(self)._document(self)

    def __repr__(self) -> str:
        words = textwrap.shorten(str(self), _LONGEST_REPR, placeholder=" ...")
        return f"<{type(self).__bases__[1].__name__}: {words}>"


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class NotebookReplicates(_Told, Replicates):
    """Replicates with their data and a short form."""

    _document = replicates_document

    def __str__(self) -> str:
        return " ".join(answer_of_replicates(self).split())


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class NotebookComparison(_Told, Comparison):
    """A comparison with its data and a short form."""

    _document = comparison_document

    def __str__(self) -> str:
        return answer_of_comparison(self)


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class NotebookEyeResult(_Told, EyeResult):
    """A hardness from titres read by eye with its data and a short form."""

    _document = eye_document

    def __str__(self) -> str:
        text = hardness_text(self.hardness.to_json()).replace(FIXED_SPACE, " ")
        return f"{self.record.label}: {text}"


@dataclasses.dataclass(frozen=True, eq=False, repr=False)
class NotebookPlan(_Told, Plan):
    """A plan with its data and a short form."""

    _document = plan_document

    def __str__(self) -> str:
        best = self.judged[0].design
        return (
            f"{best.fillings} x {best.pipette.tolerance.nominal_ml:g} mL of sample, "
            f"{best.titrant_mol_l:g} mol/L EDTA, {len(self.judged) - 1} alternatives"
        )


T = TypeVar("T")


def shown_as(kind: type[T], found: Any) -> T:
    """The same result or study as a class that notebooks show."""
    return kind(**{field.name: getattr(found, field.name) for field in dataclasses.fields(found)})
