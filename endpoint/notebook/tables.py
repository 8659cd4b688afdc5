"""Curve and budget of a result as arrays and tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from endpoint.analysis.result import Result
from endpoint.problems import InstallProblem
from endpoint.result.kept import KeptResult

if TYPE_CHECKING:
    import pandas


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
    >>> from endpoint import analyse, arrays
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
    >>> from endpoint import analyse, table
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
    >>> from endpoint import analyse, budget_table
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
