"""What scripts and notebooks call: recordings, kept results, and the studies of the commands."""

from __future__ import annotations

import datetime
import inspect
import os
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import numpy as np

from endpoint.analysis.by_eye import work_out as work_out_by_eye
from endpoint.analysis.pipeline import analyse as analyse_source
from endpoint.analysis.prepare import prepare
from endpoint.analysis.result import Result
from endpoint.colour.density import ColourSample
from endpoint.comparison.study import BIAS_ML, LIMITS_ML
from endpoint.comparison.study import compare as work_out_comparison
from endpoint.comparison.titre_pairs import read_compare_table
from endpoint.hardness.titre import Run
from endpoint.hardness.titre_files import read_runs, run_of_document
from endpoint.hardness.titre_table import TitreSetup, titrant_quantity
from endpoint.notebook.shown import (
    NotebookComparison,
    NotebookEyeResult,
    NotebookPlan,
    NotebookReplicates,
    NotebookResult,
    shown_as,
)
from endpoint.planner.ask import question_of
from endpoint.planner.designs import make_plan
from endpoint.problems import RecordProblem
from endpoint.record.by_eye import read_eye_record
from endpoint.record.titration import TitrationRecord, read_record
from endpoint.replicates.mean import Blank
from endpoint.replicates.outliers import CONCORDANT_ML, Side
from endpoint.replicates.series import replicates as work_out_replicates
from endpoint.result.document import document
from endpoint.result.kept import KeptResult, read_kept

if TYPE_CHECKING:
    import pandas


_P = ParamSpec("_P")
_R = TypeVar("_R")


def analyse(
    record: str | os.PathLike[str] | TitrationRecord,
    *,
    every_frame: bool = False,
    on_sample: Callable[[ColourSample], None] | None = None,
) -> NotebookResult:
    """Analyse the recording that a titration record names.

    Parameters
    ----------
    record:
        Path of a record (.toml), or a record that was read or made.
    every_frame:
        Read every frame of a film, also where a look at those that matter would do.
    on_sample:
        Called for the colour of every frame, for progress.

    Returns
    -------
    The whole result: `status` (located, bracketed, none), `reasons`, `equivalence`, `midpoint` and
    `last_red` (value_ml, standard_uncertainty_ml, low_ml, high_ml), `hardness`, `curve`, `fit`.

    Raises
    ------
    Problem
        The record or what it names cannot be used; `sentence` and `remedy` say why.

    Examples
    --------
    >>> from endpoint import analyse
    >>> result = analyse("sample_media/quarry-pond.toml")
    >>> result
    <Result 'Quarry pond': located, equivalence 17.181 mL>
    >>> print(f"{result.hardness.mmol_l.value:.3f} mmol/L")
    1.718 mmol/L
    """
    if not isinstance(record, TitrationRecord):
        if not isinstance(record, str | os.PathLike):
            raise RecordProblem(
                f"{_shown(record)} is neither a record nor the path of one.",
                "Give the path of a record (.toml) as a text, or a record that was read.",
            )
        path = Path(record)
        if path.suffix.lower() != ".toml":
            raise RecordProblem(
                f"{path.name} is not a record (.toml).",
                "Write a record, or make one with endpoint.record.titration.record_from_options.",
            )
        record = read_record(path)
    job, source = prepare(record)
    result = analyse_source(source, job, on_sample=on_sample, every_frame=every_frame)
    return shown_as(NotebookResult, result)


def load(folder: str | os.PathLike[str]) -> KeptResult:
    """Read a result that `endpoint locate --out FOLDER` kept; its recording is not needed.

    Parameters
    ----------
    folder:
        The folder, or a result.json.

    Returns
    -------
    The kept result: `status`, `document` (as in result.json), `curve`, `to_dict()`. `arrays`,
    `table`, `budget_table` and `replicates` take it like a result of `analyse`.

    Raises
    ------
    Problem
        It is not a whole result of `endpoint locate`.

    Examples
    --------
    >>> from endpoint import load
    >>> load(".out/mill-spring")  # doctest: +SKIP
    <KeptResult 'Mill spring': located, equivalence 13.850 mL>
    """
    return read_kept(Path(folder))


def replicates(  # noqa: PLR0913 - its options, one by one
    titrations: Iterable[Result | KeptResult | str | os.PathLike[str] | float],
    *,
    sample_ml: float | None = None,
    titrant_mol_l: float | None = None,
    titrant_u_mol_l: float | None = None,
    rough: Sequence[str] = (),
    set_aside: Mapping[str, str] | None = None,
    limit_ml: float = CONCORDANT_ML,
    side: Side = "both",
    repeatability_ml: float | None = None,
    blank: Blank | None = None,
) -> NotebookReplicates:
    """Evaluate several titrations of one sample: mean, scatter, agreement.

    Parameters
    ----------
    titrations:
        Results, folders of results, CSV tables of titres, or titres in mL.
    sample_ml, titrant_mol_l, titrant_u_mol_l:
        Of titres in mL, for their hardness.
    rough, set_aside, limit_ml, side, repeatability_ml, blank:
        As in `endpoint.replicates.series.replicates`.

    Raises
    ------
    Problem
        A titration cannot be read, or they do not belong together.

    Examples
    --------
    >>> from endpoint import replicates
    >>> found = replicates([12.40, 12.45, 12.50])
    >>> print(f"{found.summary.titre.quantity.value:.2f} mL")
    12.45 mL
    """
    bench = TitreSetup(
        sample_ml=sample_ml,
        titrant_mol_l=None
        if titrant_mol_l is None
        else titrant_quantity(titrant_mol_l, titrant_u_mol_l),
    )
    given = [_titration(each, number) for number, each in enumerate(titrations, 1)]
    found = work_out_replicates(
        read_runs(given, bench),
        rough=rough,
        set_aside=set_aside,
        limit_ml=limit_ml,
        side=side,
        repeatability_ml=repeatability_ml,
        blank=blank,
    )
    return shown_as(NotebookReplicates, found)


def _titration(given: Any, number: int) -> Path | float | Run:
    if isinstance(given, Result | KeptResult):
        data = document(given, {}) if isinstance(given, Result) else given.document
        return run_of_document(data, f"titration {number}", f"{number}")
    if isinstance(given, str | os.PathLike):
        return Path(given)
    if isinstance(given, int | float | np.number) and not isinstance(given, bool):
        return float(given)
    raise RecordProblem(
        f"{_shown(given)} is not a titration.", "Give results, their folders, or titres in mL."
    )


def compare(
    table: str | os.PathLike[str] | pandas.DataFrame,
    results: str | os.PathLike[str] | None = None,
    *,
    variance_ratio: float | None = None,
    bias_ml: float = BIAS_ML,
    limits_ml: float = LIMITS_ML,
    set_aside: Mapping[int, str] | None = None,
) -> NotebookComparison:
    """Compare titres read by eye with recorded ones.

    Parameters
    ----------
    table:
        CSV, or a DataFrame with the same columns; see `endpoint.comparison.titre_pairs`. A path in
        the column `recording` of a DataFrame counts from the working folder.
    results:
        Table of `endpoint batch`, for the column `recording`.
    variance_ratio, bias_ml, limits_ml, set_aside:
        As in `endpoint.comparison.study.compare`.

    Raises
    ------
    Problem
        The table cannot be used.

    Examples
    --------
    >>> from endpoint import compare
    >>> found = compare("sample_media/bench/eye-and-recording.csv")
    >>> print(f"{found.against[0].agreement.bias_ml.value:.3f} mL")
    0.078 mL
    """
    batch = None if results is None else Path(results)
    if isinstance(table, str | os.PathLike):
        read = read_compare_table(Path(table), batch)
    else:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder, "table.csv")
            here = table.copy()
            if batch is None and "recording" in here:
                here["recording"] = here["recording"].map(os.path.abspath, na_action="ignore")
            here.to_csv(path, index=False)
            read = read_compare_table(path, batch)
    found = work_out_comparison(
        read,
        variance_ratio=variance_ratio,
        bias_ml=bias_ml,
        limits_ml=limits_ml,
        set_aside=set_aside,
    )
    return shown_as(NotebookComparison, found)


def hardness(record: str | os.PathLike[str]) -> NotebookEyeResult:
    """Work out hardness from a record of titres read by eye.

    Raises
    ------
    Problem
        The record or what it names cannot be used.

    Examples
    --------
    >>> from endpoint import hardness
    >>> found = hardness("sample_media/bench/well-by-eye.toml")
    >>> print(f"{found.hardness.mmol_l.value:.3f} mmol/L")
    2.137 mmol/L
    """
    read = read_eye_record(Path(record))
    return shown_as(NotebookEyeResult, work_out_by_eye(read, datetime.date.today()))


def _with_options_of(
    source: Callable[_P, object],
) -> Callable[[Callable[..., _R]], Callable[_P, _R]]:
    """Give a function the parameters of another, which editors and `help` then show."""

    def given(function: Callable[..., _R]) -> Callable[_P, _R]:
        signature = inspect.signature(source)
        shown = signature.replace(return_annotation=inspect.signature(function).return_annotation)
        function.__signature__ = shown  # type: ignore[attr-defined]
        return function

    return given


@_with_options_of(question_of)
def plan(hardness: str | float, **options: Any) -> NotebookPlan:
    """Plan a titration of water of about this hardness.

    Parameters
    ----------
    hardness:
        A number, or a range such as "2-3", in `unit`.
    options:
        As `endpoint plan` has them, with underscores: unit, wanted, burette, pipette, titrant, ...

    Raises
    ------
    Problem
        A value cannot be used, or no design is possible with this ware.

    Examples
    --------
    >>> from endpoint import plan
    >>> best = plan("14-18", unit="°dH", magnesium="20").judged[0].design
    >>> f"{best.titrant_mol_l:g} mol/L"
    '0.01 mol/L'
    """
    return shown_as(NotebookPlan, make_plan(question_of(hardness, **options)))


def _shown(value: object) -> str:
    """Value and type, cut short."""
    text = " ".join(repr(value).split())
    return f"{text if len(text) <= 40 else text[:38] + '...'} ({type(value).__name__})"
