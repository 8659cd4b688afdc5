"""What an output folder holds, in a form that other programs read: RO-Crate 1.1 (JSON-LD).

The file `ro-crate-metadata.json` names every file of the folder with its kind, size and SHA-256,
the recording, the log, the record and the certificates that the result was worked out from, and the
program that did it.
Specification: RO-Crate Metadata 1.1, https://w3id.org/ro/crate/1.1 (terms of schema.org; its
`sha256` is added to the context, which does not have it).
"""

from __future__ import annotations

import datetime
import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import quote

from endpoint.files.folder import write_text

CRATE = "ro-crate-metadata.json"
_VERSION = "https://w3id.org/ro/crate/1.1"
_FORMATS = {
    ".csv": "text/csv",
    ".html": "text/html",
    ".jpg": "image/jpeg",
    ".json": "application/json",
    ".png": "image/png",
    ".svg": "image/svg+xml",
    ".toml": "application/toml",
}
_HOLDS = {
    "result.json": "All numbers of the result, its reasons and remarks, and where they come from",
    "report.html": "Report for people",
    "curve.csv": "Colour against added volume",
    "fit.csv": "Fitted curve",
    "budget.csv": "Uncertainty budget of the hardness",
    "chart.png": "Chart of the curve",
    "chart.svg": "Chart of the curve",
    "thumbnails.png": "Pictures of the flask along the titration",
    "region.png": "First picture, with what was taken for liquid and reference",
    "record.toml": "Titration record",
    "colours.csv": "Colour of every frame",
    "volumes.csv": "Volumes as they were written down",
    "events.json": "What was typed, corrected and noted at the bench",
}
_BLOCK = 1 << 20


def write_crate(
    folder: Path,
    title: str,
    provenance: dict[str, Any] | None,
    certificates: Sequence[dict[str, Any]] = (),
) -> None:
    """Describe all files of a folder; the last to be written there.

    Parameters
    ----------
    folder:
        Holds everything already.
    title:
        Name of the sample.
    provenance:
        As in result.json; without a result the program alone, or None.
    certificates:
        Those that the result used, as in result.json.

    Raises
    ------
    OutputProblem
        It cannot be written.
    """
    paths = sorted(path for path in folder.rglob("*") if path.is_file() and path.name != CRATE)
    files = [_file(path, path.relative_to(folder).as_posix()) for path in paths]
    found = provenance or {}
    inputs = [*_inputs(found), *_certificates(certificates)]
    has_result = (folder / "result.json").is_file()
    when = found.get("analysed") or _now()
    root: dict[str, Any] = {
        "@id": "./",
        "@type": "Dataset",
        "name": f"Titration: {title}",
        "description": "An EDTA titration and what was worked out from its recording.",
        "datePublished": when,
        "hasPart": [{"@id": one["@id"]} for one in files],
    }
    graph: list[dict[str, Any]] = [
        {
            "@id": CRATE,
            "@type": "CreativeWork",
            "about": {"@id": "./"},
            "conformsTo": {"@id": _VERSION},
        },
        root,
        *files,
        *inputs,
    ]
    if found:
        name, _, version = str(found.get("program", "endpoint")).partition(" ")
        graph += [
            {"@id": "#program", "@type": "SoftwareApplication", "name": name, "version": version},
            {
                "@id": "#analysis",
                "@type": "CreateAction",
                "name": "Analysis of the recording" if has_result else "Export of the titration",
                "endTime": when,
                "instrument": {"@id": "#program"},
                "object": [{"@id": one["@id"]} for one in inputs],
                "result": [{"@id": "result.json" if has_result else "./"}],
            },
        ]
    context = [f"{_VERSION}/context", {"sha256": "https://schema.org/sha256"}]
    text = json.dumps({"@context": context, "@graph": graph}, indent=1, ensure_ascii=False)
    write_text(folder / CRATE, text + "\n")


def _now() -> str:
    return datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds")


def _file(path: Path, name: str) -> dict[str, Any]:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    entity: dict[str, Any] = {
        "@id": quote(name),
        "@type": "File",
        "name": name,
        "contentSize": str(path.stat().st_size),
        "sha256": digest.hexdigest(),
    }
    if path.suffix in _FORMATS:
        entity["encodingFormat"] = _FORMATS[path.suffix]
    if name in _HOLDS:
        entity["description"] = _HOLDS[name]
    return entity


def _inputs(provenance: dict[str, Any]) -> list[dict[str, Any]]:
    """Recording, log and record that the result comes from, which may lie elsewhere."""
    found = []
    for key, about in (("medium", "Recording"), ("volumes", "Volume log"), ("record", "Record")):
        name = provenance.get(key)
        if name:
            entity = {"@id": f"#{key}", "@type": "CreativeWork", "name": name, "description": about}
            if provenance.get(f"{key}_sha256"):
                entity["sha256"] = provenance[f"{key}_sha256"]
            found.append(entity)
    return found


def _certificates(used: Sequence[dict[str, Any]]) -> list[dict[str, Any]]:
    """Certificates of titrant, ware, instruments and method, which may lie elsewhere."""
    return [
        {
            "@id": f"#certificate-{number}",
            "@type": "CreativeWork",
            "name": one["file"],
            "identifier": one["id"],
            "description": f"Certificate: {one['purpose']}",
            "sha256": one["sha256"],
        }
        for number, one in enumerate(used, 1)
    ]
