"""For notebooks and scripts: analyse a recording, take arrays and tables, see the result.

    >>> import endpoint
    >>> result = endpoint.analyse("sample_media/quarry-pond.toml")
    >>> result.status
    'located'
    >>> print(f"{result.equivalence.value_ml:.2f} mL")
    17.18 mL

In Jupyter a result that stands last in a cell is shown with its chart.
"""

from __future__ import annotations

import dataclasses
import datetime
import inspect
import os
import tempfile
import textwrap
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, ClassVar, ParamSpec, TypeVar

import numpy as np

from endpoint.analysis.by_eye import EyeResult
from endpoint.analysis.by_eye import work_out as work_out_by_eye
from endpoint.analysis.pipeline import analyse as analyse_source
from endpoint.analysis.prepare import prepare
from endpoint.analysis.result import Result
from endpoint.colour.density import ColourSample
from endpoint.comparison.document import comparison_document
from endpoint.comparison.study import BIAS_ML, LIMITS_ML, Comparison
from endpoint.comparison.study import compare as work_out_comparison
from endpoint.comparison.titre_pairs import read_compare_table
from endpoint.comparison.words import answer as answer_of_comparison
from endpoint.hardness.titre import Run
from endpoint.hardness.titre_files import read_runs, run_of_document
from endpoint.hardness.titre_table import TitreSetup, titrant_quantity
from endpoint.planner.ask import question_of
from endpoint.planner.designs import Plan, make_plan
from endpoint.planner.document import plan_document
from endpoint.problems import InstallProblem, RecordProblem
from endpoint.record.by_eye import read_eye_record
from endpoint.record.titration import TitrationRecord, read_record
from endpoint.replicates.document import replicates_document
from endpoint.replicates.mean import Blank
from endpoint.replicates.outliers import CONCORDANT_ML, Side
from endpoint.replicates.series import Replicates
from endpoint.replicates.series import replicates as work_out_replicates
from endpoint.replicates.words import answer as answer_of_replicates
from endpoint.report.notebook_html import html_of
from endpoint.result.by_eye import eye_document
from endpoint.result.document import document
from endpoint.result.kept import KeptResult, read_kept
from endpoint.result.wording import hardness_text
from endpoint.rounding import FIXED_SPACE

if TYPE_CHECKING:
    import pandas


_P = ParamSpec("_P")
_R = TypeVar("_R")


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


def _as(kind: type[T], found: Any) -> T:
    return kind(**{field.name: getattr(found, field.name) for field in dataclasses.fields(found)})


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
    >>> from endpoint.notebook import analyse
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
    return _as(NotebookResult, result)


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
    >>> from endpoint.notebook import load
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
    >>> from endpoint.notebook import replicates
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
    return _as(NotebookReplicates, found)


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
    >>> from endpoint.notebook import compare
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
    return _as(NotebookComparison, found)


def hardness(record: str | os.PathLike[str]) -> NotebookEyeResult:
    """Work out hardness from a record of titres read by eye.

    Raises
    ------
    Problem
        The record or what it names cannot be used.

    Examples
    --------
    >>> from endpoint.notebook import hardness
    >>> found = hardness("sample_media/bench/well-by-eye.toml")
    >>> print(f"{found.hardness.mmol_l.value:.3f} mmol/L")
    2.137 mmol/L
    """
    read = read_eye_record(Path(record))
    return _as(NotebookEyeResult, work_out_by_eye(read, datetime.date.today()))


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
    >>> from endpoint.notebook import plan
    >>> best = plan("14-18", unit="°dH", magnesium="20").judged[0].design
    >>> f"{best.titrant_mol_l:g} mol/L"
    '0.01 mol/L'
    """
    return _as(NotebookPlan, make_plan(question_of(hardness, **options)))


def _shown(value: object) -> str:
    """Value and type, cut short."""
    text = " ".join(repr(value).split())
    return f"{text if len(text) <= 40 else text[:38] + '...'} ({type(value).__name__})"


def arrays(result: Result | KeptResult) -> dict[str, np.ndarray[Any, Any]]:
    """Columns of the curve as arrays, one entry for each point; read-only.

    Returns
    -------
    volume_ml, mixed_volume_ml (what had mixed in), time_s, free_fraction (0 red to 1 blue)
    with free_fraction_sigma, fitted_fraction, hue_deg, chroma, a density and its sigma for each
    channel, off_colour, frames_used, flags (bits of `problems.Flag`). Without a believed fit the
    columns of the fit are missing; without a curve the dictionary is empty.

    Examples
    --------
    >>> from endpoint.notebook import analyse, arrays
    >>> columns = arrays(analyse("sample_media/quarry-pond.toml"))
    >>> columns["volume_ml"][:3].tolist()
    [0.0, 2.0, 4.0]
    """
    if isinstance(result, KeptResult):
        return dict(result.curve or {})
    curve, fit = result.curve, result.fit if result.status != "none" else None
    if curve is None:
        return {}
    columns: dict[str, np.ndarray[Any, Any]] = {"volume_ml": curve.volume_ml}
    if fit is not None:
        columns["mixed_volume_ml"] = fit.mixed_volume_ml
    columns["time_s"] = curve.time_s
    if fit is not None:
        columns["free_fraction"] = fit.free_fraction
        columns["free_fraction_sigma"] = fit.free_fraction_sigma
        columns["fitted_fraction"] = fit.fitted_fraction
    columns |= {"hue_deg": curve.hue_deg, "chroma": curve.chroma}
    for k, channel in enumerate(curve.channels):
        name = channel.replace(" ", "_")
        columns[f"density_{name}"] = curve.density[:, k]
        columns[f"density_{name}_sigma"] = curve.density_sigma[:, k]
    columns |= {
        "off_colour": curve.off_colour,
        "frames_used": curve.frames_used,
        "flags": curve.flags,
    }
    for column in columns.values():
        column.setflags(write=False)
    return columns


def table(result: Result | KeptResult) -> pandas.DataFrame:
    """Return the curve as a pandas DataFrame, with the columns of `arrays`.

    Raises
    ------
    InstallProblem
        pandas is not installed.

    Examples
    --------
    >>> from endpoint.notebook import analyse, table
    >>> curve = table(analyse("sample_media/quarry-pond.toml"))
    >>> bool(curve["free_fraction"].iloc[-1] > 0.95)
    True
    """
    return _pandas().DataFrame(arrays(result))


def budget_table(result: Result | KeptResult) -> pandas.DataFrame:
    """Return the uncertainty budget as a pandas DataFrame, the largest share first.

    Contributions are in mg/L CaCO3; the frame is empty where there is no hardness.

    Raises
    ------
    InstallProblem
        pandas is not installed.

    Examples
    --------
    >>> from endpoint.notebook import analyse, budget_table
    >>> parts = budget_table(analyse("sample_media/quarry-pond.toml"))
    >>> print(f"{parts['share'].sum():.6f}")
    1.000000
    """
    if isinstance(result, KeptResult):
        return _pandas().DataFrame(result.document["budget"])
    lines = [] if result.hardness is None else [line.to_json() for line in result.hardness.budget]
    return _pandas().DataFrame(lines)


def _pandas() -> Any:
    try:
        import pandas
    except ImportError:
        raise InstallProblem(
            "Tables need pandas, which is not installed.",
            'Install it: pip install "endpoint-titration[notebook]"; or use endpoint.arrays.',
        ) from None
    return pandas
