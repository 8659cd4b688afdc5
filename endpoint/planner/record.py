"""The skeleton of a titration record with the numbers of a plan."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

Data = Mapping[str, Any]


def _plain(value: float) -> str:
    """Three figures without an exponent, as people write it."""
    figures = 2 - math.floor(math.log10(value)) if value > 0 else 1
    return f"{value:.{max(figures, 1)}f}".rstrip("0").removesuffix(".") if value > 0 else "0.0"


def record_skeleton(plan: Data) -> str:
    """TOML titration record (format 1) of the proposal; names of files are to be filled in.

    Parameters
    ----------
    plan:
        From `plan_document`.
    """
    design, question = plan["proposal"], plan["question"]
    deliveries = ", ".join(f"{design['pipette_ml']:.1f}" for _ in range(design["fillings"]))
    titrant = design["titrant_mol_l"]
    u = titrant * question["titrant_relative_standard_uncertainty"]
    burette = question["burette"]
    low, high = design["titre_ml"]
    titre = f"{low:.1f} mL" if high - low < 0.05 else f"{low:.1f} to {high:.1f} mL"
    water = f", {design['water_ml']:g} mL of distilled water" if design["water_ml"] else ""
    magnesium = "with" if plan["mg_edta"]["in_buffer"] else "without"
    number = max(view["replicates"] for view in design["readings"].values())
    reading_to_fill = (
        '"fill-in.mp4"    # FILL IN; or stills = "folder", or photometer = "table.csv"'
    )
    lines = [
        f"# Planned: expected titre {titre}; {number} titrations, one record each.",
        "# Fill in the lines marked FILL IN, then run: endpoint locate THIS-FILE",
        "format = 1",
        "",
        "[sample]",
        'label = "fill in: name of the sample"    # FILL IN',
        f"deliveries_ml = [{deliveries}]",
        f"added_ml = {design['added_ml']:.1f}    # buffer {magnesium} Mg-EDTA{water}",
        "",
        "[titrant]",
        f"concentration_mol_l = {titrant:g}    # FILL IN the one on the bottle",
        f"standard_uncertainty_mol_l = {_plain(u)}",
        "",
        "[recording]",
        f"video = {reading_to_fill}",
        "",
        "[delivery]",
        'log = "fill-in.csv"    # FILL IN: time_s,volume_ml, one row for each addition',
        'mode = "steps"',
        f"# mixing_lag_s = {question['mixing_lag_s']:g}    # if you have measured it",
        "",
        "# [blank]",
        "# volume_ml = 0.05    # titrate a blank with the same buffer and indicator",
        "",
        "[ware]",
        f'burette = {{ nominal_ml = {burette["nominal_ml"]:g}, class = "{burette["class"]}", '
        f"division_ml = {burette['division_ml']:g} }}",
        f'pipette = {{ nominal_ml = {design["pipette_ml"]:g}, class = "{design["pipette_class"]}" '
        "}",
    ]
    return "\n".join(lines) + "\n"
