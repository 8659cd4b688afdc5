"""Texts on the mean of several results, for the first page of their report."""

from __future__ import annotations

from typing import Any

from endpoint.hardness.units import M_CACO3
from endpoint.replicates.document import budget, lacking
from endpoint.replicates.findings import expanded, findings, titre_decimals
from endpoint.replicates.series import Replicates
from endpoint.replicates.words import (
    answer,
    budget_parts,
    concordance_words,
    name_of,
    notes,
    shared_words,
    table_rows,
)
from endpoint.report.contents import plain_texts

_MOST_LINES = 10
"""Lines of the budget that the report shows."""


def mean_contents(found: Replicates) -> dict[str, Any]:
    """Texts of a report on a mean; the same words and numbers as `endpoint replicates` gives.

    Parameters
    ----------
    found:
        The set of replicates.
    """
    unit, large, rest = budget_parts(found, _MOST_LINES)
    rows = [
        {"name": name, "input": "", "contribution": part, "share": f"{100 * s:.0f}", "part": s}
        for part, s, name in large
    ]
    mean = found.summary.titre if found.summary.hardness is None else found.summary.hardness
    parts = {
        "unit": unit,
        "rows": rows,
        "rest": None if rest is None else {"share": rest[0], "name": rest[1]},
        "count": len(budget(mean.quantity, found.runs)),
        "types": shared_words(found),
        "missing": "",
        "inputs": False,
    }
    head, lines = table_rows(found)
    view = {
        "label": name_of(found),
        "status": "mean",
        "status_words": "Mean",
        "status_meaning": concordance_words(found),
        "to_do": [],
        "headline": _headline(found),
        "answer": answer(found),
        "table": {
            "head": [*head[:4], "remark"],
            "rows": [list(line) for line in lines],
            "caption": "All titrations given; the remark says which are not in the mean.",
        },
        "findings": [*findings(found, None, None), *notes(found)],
        "budget": parts if rows else None,
    }
    texts: dict[str, Any] = plain_texts(view)
    return texts


def _headline(found: Replicates) -> dict[str, Any]:
    summary = found.summary
    total, n = summary.hardness, summary.titre.n
    sure = "incomplete 95 %" if lacking(found) else "95 %"
    of = "from 1 titration" if n == 1 else f"mean of {n} titrations"
    titre = summary.titre.quantity if summary.net_titre_ml is None else summary.net_titre_ml
    volume = expanded(titre, least=titre_decimals(found.runs) + 1)
    if total is None:
        return {"what": "Mean titre", "number": volume, "also": [of], "sure": sure}
    mass = expanded(total.quantity.scaled(M_CACO3), "mg/L as CaCO3", 1)
    also = [mass, f"mean titre {volume}", of]
    return {
        "what": "Mean hardness",
        "number": expanded(total.quantity),
        "also": also,
        "sure": sure,
    }
