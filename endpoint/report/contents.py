"""Everything that a page or a PDF says about one kept result, as plain texts in order.

Both templates draw this and nothing else, so they cannot differ; numbers and sentences come from
`endpoint.result.wording`, like those of the terminal.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from calibration.wording import one_line
from endpoint.drawing.svg import MARKS
from endpoint.report.particulars import deviations, found_by_fit, method, provenance, sample
from endpoint.result import wording
from endpoint.result.kept import KeptResult
from endpoint.rounding import FIXED_SPACE, outward, two_figures, with_uncertainty

STATUS = {
    "located": ("Located", "The equivalence volume was found, with its uncertainty."),
    "bracketed": ("Only an interval", "The recording gives an interval, but not a single value."),
    "none": ("No endpoint", "This recording shows no endpoint, so no value is given."),
}
_CERTIFICATE_PARTS = ("what", "date", "expiry", "operator", "file")


def contents_of(kept: KeptResult) -> dict[str, Any]:
    """Texts of a report on one result.

    Parameters
    ----------
    kept:
        As read from its files.

    Returns
    -------
    Texts, lists and tables of texts, and shares between 0 and 1 for bars; see the templates.
    """
    data = kept.document
    total, status = data["hardness"], data["status"]
    words, meaning = STATUS[status]
    titrated = data.get("titrated") or "calcium and magnesium"
    view = {
        "label": wording.label_of(data),
        "title": f"Titration report: {wording.label_of(data)}",
        "status": status,
        "status_words": words,
        "status_meaning": meaning,
        "headline": _headline(data, titrated),
        "answer": wording.answer_text(data),
        "to_do": [
            {"text": one_line(r["text"]), "advice": one_line(r["advice"])} for r in data["reasons"]
        ],
        "units": [] if total is None else _units(total),
        "parts": wording.parts_texts(data.get("parts")),
        "volumes": [
            {"key": key, "mark": MARKS[key], "name": name, "number": number, "meaning": said}
            for key, name, number, said in wording.volume_rows(data)
        ],
        "volumes_note": wording.volumes_note(data),
        "sample": sample(data),
        "method": method(data, has_colour(kept)),
        "deviations": deviations(data),
        "budget": _budget(data),
        "diagnosis": wording.further_remarks(data),
        "fit": found_by_fit(data),
        "frames": wording.frames_text(data["frames"]),
        "delivered": wording.delivered_text(data.get("delivery")),
        "certificates": [_certificate(c) for c in data.get("certificates", [])],
        "cautions": wording.cautions(data.get("indicator", wording.OF_EBT)["ph"]),
        "provenance": provenance(data),
        "file": kept.name,
    }
    texts: dict[str, Any] = plain_texts(view)
    return texts


def has_colour(kept: KeptResult) -> bool:
    """Whether the points of the curve carry the colour of a picture."""
    columns = kept.curve
    return columns is not None and "density_red" in columns


def plain_texts(value: Any) -> Any:
    """The same with every text on one line; fixed spaces between numbers and units stay."""
    if isinstance(value, str):
        parts = (one_line(part) for part in value.split(FIXED_SPACE))
        return FIXED_SPACE.join(parts)
    if isinstance(value, Mapping):
        return {key: plain_texts(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain_texts(item) for item in value]
    return value


def _headline(data: Mapping[str, Any], titrated: str) -> dict[str, Any]:
    """The answer in large type: what, number, and the same in a second unit."""
    total, equivalence = data["hardness"], data["equivalence_ml"]
    if equivalence is not None and equivalence["value"] is not None:
        volume = wording.volume_text(equivalence)
        amount = data.get("amount_mmol_l")
        if total is not None:
            first, second = wording.hardness_numbers(total)
            alone = " and " not in titrated
            what = f"{titrated.capitalize()} hardness" if alone else "Total hardness"
        elif amount is not None:
            what, first, second = titrated.capitalize(), wording.amount_number(amount), ""
        else:
            return {"what": "Equivalence volume", "number": volume, "also": [], "sure": "95 %"}
        also = [second, f"equivalence volume {volume}"]
        return {"what": what, "number": first, "also": [t for t in also if t], "sure": "95 %"}
    if equivalence is not None:
        low, high = outward(*equivalence["interval95"])
        number = f"above {low} mL" if high is None else f"{low} to {high} mL"
        return {
            "what": "Equivalence volume lies",
            "number": ("" if high is None else "between ") + number.replace(" to ", " and "),
            "also": [],
            "sure": "",
        }
    above = data.get("above_ml")
    also = [] if above is None else [f"equivalence volume above {outward(above, None)[0]} mL"]
    return {"what": "Equivalence volume", "number": "not found", "also": also, "sure": ""}


def _units(total: Mapping[str, Any]) -> list[dict[str, str]]:
    first, second = wording.hardness_numbers(total)
    rows = [
        {"number": first, "definition": "calcium and magnesium together, as titrated"},
        {"number": second, "definition": "expressed as CaCO3, 100.086 g/mol"},
    ]
    for value, wide, unit, definition in wording.other_units(total):
        shown = [value, "\u00b1", wide, unit] if wide else [value, unit]
        number = FIXED_SPACE.join(shown)
        rows.append({"number": number, "definition": definition})
    return rows


def _budget(data: Mapping[str, Any]) -> dict[str, Any] | None:
    """Rows with their input; None where there is no budget."""
    total, lines = data["hardness"], data["budget"]
    if total is None or not lines:
        return None
    large, rest = wording.budget_rows(lines, len(lines))
    rows = []
    for (part, share, name), line in zip(large, lines, strict=False):
        rows.append(
            {
                "name": name,
                "input": _input(line),
                "contribution": part,
                "share": share,
                "part": min(line["share"], 1.0),
            }
        )
    return {
        "unit": lines[0]["unit"],
        "rows": rows,
        "rest": None if rest is None else {"share": rest[0], "name": rest[1]},
        "count": len(lines),
        "types": wording.types_text(total),
        "missing": wording.not_counted_text(data.get("not_in_budget", [])),
    }


def _input(line: Mapping[str, Any]) -> str:
    """Value and standard uncertainty of an input with its unit; empty where it is not known."""
    value, u, unit = (line.get(k) for k in ("value", "standard_uncertainty", "input_unit"))
    if u is None or unit is None:
        return ""
    if not value:
        return f"u = {two_figures(u)}{FIXED_SPACE}{unit}"
    shown, wide = with_uncertainty(value, u)
    return f"{shown}{FIXED_SPACE}{unit}, u = {wide}{FIXED_SPACE}{unit}"


def _certificate(certificate: Mapping[str, Any]) -> dict[str, Any]:
    about = [str(certificate[key]) for key in _CERTIFICATE_PARTS[:1] if certificate.get(key)]
    if certificate.get("date"):
        about.append(f"dated {certificate['date']}")
    until = certificate.get("expiry")
    about.append(f"valid until {until}" if until else "no expiry stated")
    return {
        "name": f"{certificate['purpose']}: {certificate['id']}",
        "about": ", ".join(about),
        "reservations": list(certificate["reservations"]),
    }


def shortened(texts: Iterable[str], most: int, longest: int) -> list[str]:
    """The first texts, each cut at a word, and how many more there are.

    Parameters
    ----------
    texts:
        In order of weight.
    most:
        How many are kept.
    longest:
        Signs of each.
    """
    every = list(texts)
    kept = [cut(text, longest) for text in every[:most]]
    more = len(every) - len(kept)
    return [*kept, f"{more} more in result.json"] if more else kept


def cut(text: str, longest: int) -> str:
    """Text of at most so many signs; a mark shows where it was cut."""
    if len(text) <= longest:
        return text
    head = text[: longest - 2]
    return (head.rsplit(" ", 1)[0] if " " in head[longest // 2 :] else head).rstrip() + " \u2026"
