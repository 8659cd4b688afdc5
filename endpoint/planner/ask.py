"""A question to the planner from numbers and texts, as a person gives them."""

from __future__ import annotations

from endpoint.planner.question import (
    READINGS,
    Question,
    parse_range,
    parse_wanted,
    unit_of,
)
from endpoint.planner.ware import burette_at_hand, numbers_of, pipettes_at_hand


def question_of(  # noqa: PLR0913 - the options of a plan, one by one
    hardness: str | float,
    *,
    unit: str = "mmol/L",
    wanted: str = "1%",
    burette: float = 25.0,
    division: float | None = None,
    burette_class: str = "A",
    pipette: str = "10,25,50,100",
    pipette_class: str = "A",
    titrant: str = "0.01,0.02,0.05",
    titrant_uncertainty: float = 0.2,
    magnesium: str | None = None,
    indicator: float = 20.0,
    ph: float = 10.0,
    read: str = "both",
    mg_edta: bool | None = None,
    flask: float = 250.0,
    drop: float = 0.05,
    mixing_lag: float = 1.5,
    colour_scatter: float = 1.0,
    titre_scatter: float | None = None,
) -> Question:
    """Question with the names, units and defaults of the options of `endpoint plan`.

    Raises
    ------
    PlannerProblem
        A value cannot be used, or there is no such ware.
    """
    key, factor = unit_of(unit)
    low, high = parse_range(str(hardness), "The hardness", "2.5 or 2-3")
    share = None
    if magnesium is not None:
        ends = parse_range(
            magnesium.strip().removesuffix("%"), "The magnesium share", "20 or 10-30"
        )
        share = (ends[0] / 100.0, ends[1] / 100.0)
    return Question(
        low_mmol_l=low / factor,
        high_mmol_l=high / factor,
        wanted=parse_wanted(wanted, key),
        burette=burette_at_hand(burette, burette_class, division),
        pipettes=pipettes_at_hand(pipette, pipette_class),
        unit=key,
        titrants_mol_l=numbers_of(titrant, "--titrant"),
        titrant_relative_u=titrant_uncertainty / 100.0,
        magnesium=share,
        indicator_umol_l=indicator,
        ph=ph,
        readings=READINGS if read == "both" else (read,),
        mg_edta=mg_edta,
        flask_ml=flask,
        drop_ml=drop,
        mixing_lag_s=mixing_lag,
        colour_scatter=colour_scatter / 100.0,
        titre_scatter_ml=titre_scatter,
    )
