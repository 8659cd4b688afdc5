"""One row of the table of a batch: plain data, the same for every way in which it came."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from endpoint.hardness.titre import own_uncertainty
from endpoint.hardness.titre_files import run_of_document

NUMBERS = (
    "equivalence_ml",
    "equivalence_u_ml",
    "equivalence_low95_ml",
    "equivalence_high95_ml",
    "midpoint_ml",
    "midpoint_u_ml",
    "last_red_ml",
    "last_red_u_ml",
    "hardness_mmol_l",
    "hardness_u_mmol_l",
    "hardness_low95_mmol_l",
    "hardness_high95_mmol_l",
    "hardness_mg_l_caco3",
    "hardness_own_u_mmol_l",
)
TEXTS_BEFORE = ("record", "label", "status")
TEXTS_AFTER = (
    "reasons",
    "text",
    "advice",
    "remarks",
    "notes",
    "not_in_budget",
    "medium",
    "medium_sha256",
    "volumes_sha256",
    "record_sha256",
    "program",
    "python",
    "libraries",
)
COLUMNS = (*TEXTS_BEFORE, *NUMBERS, *TEXTS_AFTER)
STATUSES = ("located", "bracketed", "none", "refused", "failed")
"""refused: the input cannot be used. failed: the program did not come to an end with it."""
_JOIN = "; "
_DIED = (
    "The process that analysed it ended unexpectedly, and did so again on a second try.",
    "Copy the recording again from the camera; if that does not help, report it with the film.",
)

Row = dict[str, Any]


def as_text(value: str) -> str:
    """Text that can be written anywhere; a file name may hold bytes that are none."""
    return value.encode("utf-8", "replace").decode("utf-8")


def empty_row(name: str) -> Row:
    """Row in which only the record stands."""
    row: Row = dict.fromkeys(COLUMNS, "")
    return {**row, **dict.fromkeys(NUMBERS), "record": name}


def located_row(name: str, data: Mapping[str, Any], record_sha256: str) -> Row:
    """Row of a result.

    Parameters
    ----------
    name:
        Place of the record in the batch.
    data:
        The result as `report.document.document` gives it.
    record_sha256:
        Checksum of the record.
    """
    hardness = data["hardness"] or {}
    provenance = data["provenance"]
    return {
        **empty_row(name),
        "label": data["label"],
        "status": data["status"],
        **_volume("equivalence", "ml", data["equivalence_ml"], interval=True),
        **_volume("midpoint", "ml", data["midpoint_ml"]),
        **_volume("last_red", "ml", data["last_red_ml"]),
        **_volume("hardness", "mmol_l", hardness.get("mmol_l"), interval=True),
        "hardness_mg_l_caco3": (hardness.get("caco3_mg_l") or {}).get("value"),
        "hardness_own_u_mmol_l": _own_u(data),
        "reasons": _JOIN.join(reason["code"] for reason in data["reasons"]),
        "text": " ".join(reason["text"] for reason in data["reasons"]),
        "advice": " ".join(reason["advice"] for reason in data["reasons"]),
        "remarks": _JOIN.join(remark["code"] for remark in data["diagnosis"]),
        "notes": " ".join(data["notes"]),
        "not_in_budget": _JOIN.join(data["not_in_budget"]),
        "medium": provenance["medium"],
        "medium_sha256": provenance["medium_sha256"],
        "volumes_sha256": provenance["volumes_sha256"] or "",
        "record_sha256": record_sha256,
        **versions(provenance),
    }


def _own_u(data: Mapping[str, Any]) -> float | None:
    """Standard uncertainty of the hardness from what is new in each titration, mmol/L."""
    found = run_of_document(data, "result", "").hardness_mmol_l if data["quantities"] else None
    return None if found is None else own_uncertainty(found)


def versions(provenance: Mapping[str, Any]) -> Row:
    """Programs behind a row, from the provenance of a result."""
    libraries = _JOIN.join(f"{k} {v}" for k, v in provenance["libraries"].items())
    return {
        "program": provenance["program"],
        "python": provenance["python"],
        "libraries": libraries,
    }


def _volume(
    name: str, unit: str, number: Mapping[str, Any] | None, *, interval: bool = False
) -> Row:
    if number is None:
        return {}
    low, high = number.get("interval95") or (None, None)
    row: Row = {
        f"{name}_{unit}": number["value"],
        f"{name}_u_{unit}": number["standard_uncertainty"],
    }
    return {**row, f"{name}_low95_{unit}": low, f"{name}_high95_{unit}": high} if interval else row


def refused_row(name: str, code: str, text: str, advice: str) -> Row:
    """Row of a recording that cannot be used."""
    told = {"status": "refused", "reasons": code, "text": text, "advice": advice}
    return {**empty_row(name), **told}


def failed_row(name: str, code: str, text: str, advice: str) -> Row:
    """Row of a recording with which the program did not come to an end."""
    return {**refused_row(name, code, text, advice), "status": "failed"}


def died_row(name: str) -> Row:
    """Row of a recording on which the process died twice."""
    return failed_row(name, "process-died", *_DIED)


def late_row(name: str, limit_s: float) -> Row:
    """Row of a recording that took too long."""
    return failed_row(
        name,
        "time-limit",
        f"It took longer than the limit of {limit_s:g} s.",
        "Give a larger --limit-s, or a shorter or smaller recording.",
    )
