"""The output folder: result.json, report.html, curve.csv, budget.csv, chart and pictures."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from typing import Any

from calibration.wording import one_line
from endpoint.analysis.result import Result
from endpoint.curve.points import RGB, Curve
from endpoint.drawing.chart import chart, describe, picture_bytes
from endpoint.drawing.outlines import region_picture
from endpoint.drawing.panels import has_colour
from endpoint.drawing.pictures import FOLDER as PICTURES
from endpoint.drawing.pictures import INDEX, write_pictures
from endpoint.drawing.thumbnails import describe_thumbnails, thumbnails_picture
from endpoint.equivalence.fit import Transition
from endpoint.files.csv_table import plain_cell
from endpoint.files.folder import staged, write_bytes, write_text
from endpoint.hardness.formula import Hardness
from endpoint.problems import Flag
from endpoint.report.crate import write_crate
from endpoint.report.page import report_page
from endpoint.result.document import document, to_json
from endpoint.result.kept import kept_in
from endpoint.result.text import name_of

_BUDGET_HEADER = [
    "source",
    "value",
    "unit",
    "standard_uncertainty",
    "sensitivity_mg_l_caco3_per_unit",
    "contribution_mg_l_caco3",
    "share",
    "type",
    "distribution",
    "degrees_of_freedom",
]
_MAY_BE = ("fit.csv", "budget.csv", "thumbnails.png", "region.png", f"{PICTURES}/{INDEX}")
"""Files that not every result has: one of an earlier result would be taken for this one's."""
SRGB = ("srgb_red", "srgb_green", "srgb_blue")
"""Columns of curve.csv with the colour of the liquid, the reference taken as white, 0 to 255."""


def write_folder(result: Result, folder: Path, provenance: dict[str, Any]) -> None:
    """Write everything that a result has into a folder; older results there are replaced.

    Raises
    ------
    OutputProblem
        The folder cannot be written.
    """
    with staged(folder, ("result.json",), older_in(folder)) as stage:
        write_into(result, stage, folder.name, provenance)


def older_in(folder: Path) -> list[str]:
    """Names of what an older result may have left and a new one need not have."""
    pictures = (folder / PICTURES).glob("[0-9][0-9][0-9].jpg")
    return [*_MAY_BE, *(f"{PICTURES}/{path.name}" for path in pictures)]


def write_into(result: Result, folder: Path, name: str, provenance: dict[str, Any]) -> None:
    """Write all files into an empty folder; people will know it by another name."""
    write_text(folder / "curve.csv", curve_csv(result))
    for file, table in (("fit.csv", fit_csv(result)), ("budget.csv", budget_csv(result.hardness))):
        if table is not None:
            write_text(folder / file, table)
    figure = chart(result)
    title, words = name_of(result), describe(result)
    for kind in ("png", "svg"):
        write_bytes(folder / f"chart.{kind}", picture_bytes(figure, kind, title, words))
    words = describe_thumbnails(result)
    about = "First picture of the recording; liquid and reference are outlined and named."
    pictures = []
    for file, picture, said in (
        ("thumbnails.png", thumbnails_picture(result), words),
        ("region.png", region_picture(result), about),
    ):
        if picture is not None:
            write_bytes(folder / file, picture_bytes(picture, "png", title, said))
            pictures.append(file)
    write_pictures(result, folder)
    data = document(result, provenance)
    kept = kept_in(folder, data, f"{name}/result.json", pictures)
    write_text(folder / "report.html", report_page(kept))
    write_text(folder / "result.json", to_json(data) + "\n")
    write_crate(folder, title, data["provenance"], data["certificates"])


def curve_csv(result: Result) -> str:
    """Curve as CSV with the units in the header; only the header where there is no curve."""
    curve = result.curve
    channels = curve.channels if curve is not None else RGB
    names = [c.replace(" ", "_") for c in channels]
    header = ["volume_ml", "mixed_volume_ml", "time_s", "free_fraction", "free_fraction_sigma"]
    header += ["fitted_fraction", "hue_deg", "chroma", *SRGB]
    header += [f"density_{c}" for c in names] + [f"density_{c}_sigma" for c in names]
    header += ["off_colour", "frames_used", "flags"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    if curve is not None:
        believed = result.fit if result.status != "none" else None
        writer.writerows(_row(curve, believed, k) for k in range(len(curve)))
    return out.getvalue()


def fit_csv(result: Result) -> str | None:
    """Fitted curve on a fine grid of volumes as CSV; None where no fit is believed."""
    fit = result.fit
    if fit is None or result.status == "none" or fit.grid_volume_ml.size == 0:
        return None
    pairs = zip(fit.grid_volume_ml, fit.grid_fraction, strict=True)
    rows = [f"{volume:.4f},{fraction:.5f}\n" for volume, fraction in pairs]
    return "mixed_volume_ml,fitted_fraction\n" + "".join(rows)


def budget_csv(total: Hardness | None) -> str | None:
    """Budget as CSV, one line for each source, largest share first; None where there is none."""
    if total is None or not total.budget:
        return None
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_BUDGET_HEADER)
    for line in total.budget:
        known = (line.estimate, line.standard_uncertainty, line.sensitivity)
        value, u, slope = ("" if v is None else f"{v:.6g}" for v in known)
        freedom = "" if math.isinf(line.degrees_of_freedom) else f"{line.degrees_of_freedom:.4g}"
        part, share = f"{line.contribution:.6g}", f"{line.share:.6f}"
        source = (plain_cell(one_line(line.name)), value, line.input_unit or "", u, slope)
        writer.writerow((*source, part, share, line.kind, line.distribution, freedom))
    return out.getvalue()


def _row(curve: Curve, fit: Transition | None, k: int) -> list[str]:
    coloured = has_colour(curve)
    flags = Flag(int(curve.flags[k]))
    if fit is not None and fit.outlier[k]:
        flags |= Flag.OUTLIER
    row = [
        _cell(curve.volume_ml[k], 4),
        _cell(None if fit is None else fit.mixed_volume_ml[k], 4),
        _cell(curve.time_s[k] if curve.lag_matters else None, 3),
        _cell(None if fit is None else fit.free_fraction[k], 5),
        _cell(None if fit is None else fit.free_fraction_sigma[k], 5),
        _cell(None if fit is None else fit.fitted_fraction[k], 5),
        _cell(curve.hue_deg[k] if coloured else None, 2),
        _cell(curve.chroma[k] if coloured else None, 2),
    ]
    row += [str(int(part)) for part in curve.rgb[k]] if coloured else [""] * len(SRGB)
    row += [_cell(d, 5) for d in curve.density[k]]
    row += [_cell(s, 5) for s in curve.density_sigma[k]]
    row += [_cell(curve.off_colour[k], 4), str(int(curve.frames_used[k]))]
    row.append(" ".join(str(flag.name).lower().replace("_", "-") for flag in flags))
    return row


def _cell(value: float | None, decimals: int) -> str:
    """Number with so many decimals; empty where there is none."""
    return "" if value is None or not math.isfinite(value) else f"{value:.{decimals}f}"
