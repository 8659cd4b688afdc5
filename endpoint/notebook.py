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
import os
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from endpoint.analysis.pipeline import analyse as analyse_source
from endpoint.analysis.prepare import prepare
from endpoint.analysis.result import Result
from endpoint.colour.density import ColourSample
from endpoint.problems import InstallProblem, RecordProblem
from endpoint.record.titration import TitrationRecord, read_record
from endpoint.report.notebook_html import html_of

if TYPE_CHECKING:
    import pandas


@dataclasses.dataclass(frozen=True, eq=False)
class NotebookResult(Result):
    """A result that Jupyter can show; in everything else it is the `Result` of the pipeline."""

    def __repr__(self) -> str:
        volume = self.equivalence
        found = "" if volume is None else f", equivalence {volume.value_ml:.3f} mL"
        return f"<Result {self.label!r}: {self.status}{found}>"

    def _repr_html_(self) -> str:
        """HTML that Jupyter shows: answer, remarks, chart and budget."""
        return html_of(self)


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
    parts = {field.name: getattr(result, field.name) for field in dataclasses.fields(Result)}
    return NotebookResult(**parts)


def _shown(value: object) -> str:
    """Value and type, cut short."""
    text = " ".join(repr(value).split())
    return f"{text if len(text) <= 40 else text[:38] + '...'} ({type(value).__name__})"


def arrays(result: Result) -> dict[str, np.ndarray[Any, Any]]:
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


def table(result: Result) -> pandas.DataFrame:
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


def budget_table(result: Result) -> pandas.DataFrame:
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
