"""Certificates in words: one in full, and many in a list with their expiry."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from calibration.certificate import MAX_BYTES, Certificate, read_certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity
from calibration.reading import Unreadable, json_of, read_text
from endpoint.hardness.budget import evaluate_one
from endpoint.problems import RecordProblem
from endpoint.result.terminal import bullets, fill, table
from endpoint.rounding import FIXED_SPACE, format_quantity, two_figures

_WIDTH = 80
_MOST_FILES = 20_000
_MOST_SOURCES = 5
_LEAST_SHARE = 0.01
_SOON_DAYS = 14

_CAUTION = (
    "Ammonia buffer and the acids that dissolve the standard are corrosive and give off fumes: "
    "work in a fume hood, wear goggles and gloves, and follow the safety data sheets and your "
    "local rules."
)

Found = tuple[Path, Certificate]


def validity(certificate: Certificate, today: datetime.date) -> str:
    """State of a certificate in words; no colour is needed to tell them apart."""
    if certificate.date > today:
        return f"dated {certificate.date}, in the future"
    if certificate.expiry is None:
        return "no expiry stated"
    days = (certificate.expiry - today).days
    if days < 0:
        return f"EXPIRED {-days} day{'s' if days != -1 else ''} ago"
    if days == 0:
        return "valid until today"
    left = f"valid, {days} day{'s' if days != 1 else ''} left"
    return f"{left} (expires soon)" if days <= _SOON_DAYS else left


def certificate_text(certificate: Certificate, today: datetime.date) -> str:
    """A certificate for a terminal: what was found, how sure, where that comes from."""
    c = certificate
    until = "no expiry stated" if c.expiry is None else f"valid until {c.expiry}"
    blocks = [
        [f"Certificate {c.identifier} ({c.kind}): {c.what}"],
        [f"Made on {c.date} by {c.operator}; {until} ({validity(c, today)})."],
        _quantities(c),
        _sources(c),
        bullets(c.remarks, _WIDTH),
        [fill(_CAUTION, _WIDTH)] if c.kind == "titrant" else [],
    ]
    return "\n".join("\n".join(block) for block in blocks if block).replace(FIXED_SPACE, " ")


def _quantities(certificate: Certificate) -> list[str]:
    wide = max(len(name) for name in certificate.quantities)
    return [f"  {name:<{wide}}  {_with_k(q)}" for name, q in certificate.quantities.items()]


def _with_k(quantity: Quantity) -> str:
    unit = "" if quantity.unit == "1" else quantity.unit
    u = quantity.standard_uncertainty
    if u == 0:
        return format_quantity(quantity.value, None, unit)
    found = evaluate_one(quantity)
    shown = format_quantity(quantity.value, found.expanded_uncertainty, unit)
    if found.monte_carlo is not None and found.monte_carlo.is_used:
        first = two_figures(quantity.expanded_uncertainty(0.95))
        return f"{shown} (95 %, Monte Carlo; first order \u00b1 {first})"
    return f"{shown} (95 %, k = {quantity.coverage_factor(0.95):.2f})"


def _sources(certificate: Certificate) -> list[str]:
    """Where the uncertainty of the first quantity, or the least certain of its like, comes from."""
    unit = next(iter(certificate.quantities.values())).unit
    alike = [item for item in certificate.quantities.items() if item[1].unit == unit]
    name, quantity = max(alike, key=lambda item: item[1].standard_uncertainty)
    shares = sorted(quantity.shares().items(), key=lambda item: -item[1])
    shown = [(source, share) for source, share in shares if share >= _LEAST_SHARE]
    if len(shares) < 2:
        return []
    which = f" of {name}" if len(certificate.quantities) > 1 else ""
    rows = [f"Where the uncertainty{which} comes from:"]
    rows += [f"  {100 * share:>3.0f} %  {source}" for source, share in shown[:_MOST_SOURCES]]
    rest = len(shares) - len(shown[:_MOST_SOURCES])
    if rest:
        rows.append(f"         and {rest} smaller source{'s' if rest > 1 else ''}")
    return rows


def find_certificates(places: Sequence[Path]) -> tuple[list[Found], list[tuple[Path, str]]]:
    """Every certificate in files and folders, and what looks like one but cannot be read.

    Other JSON files in a folder (results, for example) are passed over; one that was given by name
    is reported.

    Raises
    ------
    RecordProblem
        A place does not exist.
    """
    found: dict[Path, Certificate] = {}
    bad: list[tuple[Path, str]] = []
    for place in places:
        if place.is_dir():
            files = sorted(place.rglob("*.json"))[:_MOST_FILES]
        elif place.is_file():
            files = [place]
        else:
            raise RecordProblem(f"{place} does not exist.", "Name a folder or a certificate.")
        for path in files:
            if place.is_dir() and not _looks_like_one(path):
                continue
            try:
                found[path] = read_certificate(path)
            except CalibrationProblem as problem:
                bad.append((path, f"{problem.sentence} {problem.remedy}"))
    return sorted(found.items(), key=_by_expiry), bad


def _by_expiry(item: Found) -> tuple[bool, datetime.date, str]:
    expiry = item[1].expiry
    return expiry is None, expiry or item[1].date, item[1].identifier


def _looks_like_one(path: Path) -> bool:
    try:
        data = json_of(read_text(path, MAX_BYTES), path.name)
    except Unreadable:
        return False
    return isinstance(data, dict) and {"id", "kind", "quantities"} <= set(data)


def list_text(
    found: Sequence[Found], unreadable: Sequence[tuple[Path, str]], today: datetime.date
) -> str:
    """List for a terminal."""
    if not found and not unreadable:
        return "No certificates found here. Make one with: endpoint calibrate KIND SHEET"
    rows = [
        (c.identifier, c.kind, str(c.expiry or "-"), validity(c, today), c.what) for _, c in found
    ]
    head = ("id", "kind", "expiry", "state", "what")
    lines = table([head, *rows], left=range(len(head))) if rows else []
    lines += [f"Cannot be used: {words}" for _, words in unreadable]
    expired = sum(1 for _, c in found if c.expiry is not None and c.expiry < today)
    if expired:
        have = "has" if expired == 1 else "have"
        lines.append(
            f"\n{expired} of {len(found)} {have} expired: calibrate again. An expired certificate\n"
            "is used only when a record accepts it by its id, and the result then says so."
        )
    return "\n".join(lines)


def list_document(
    found: Sequence[Found], unreadable: Sequence[tuple[Path, str]], today: datetime.date
) -> dict[str, Any]:
    """List as plain data."""
    rows: list[dict[str, Any]] = [
        {
            "file": str(path),
            "id": c.identifier,
            "kind": c.kind,
            "what": c.what,
            "date": c.date.isoformat(),
            "expiry": None if c.expiry is None else c.expiry.isoformat(),
            "operator": c.operator,
            "state": validity(c, today),
            "days_left": None if c.expiry is None else (c.expiry - today).days,
        }
        for path, c in found
    ]
    bad = [{"file": str(path), "problem": words} for path, words in unreadable]
    return {"format": 1, "certificates": rows, "unreadable": bad}
