"""Replicate titrations from files: results of `endpoint locate`, or tables of titres."""

from __future__ import annotations

import datetime
import math
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from calibration.certificate import quantity_from_json
from calibration.problem import CalibrationProblem
from calibration.quantity import Contribution, Quantity
from calibration.wording import one_line
from endpoint.files.result_json import result_json
from endpoint.hardness.titre import LONGEST_TEXT, ReplicateProblem, Run, marked, with_own_names
from endpoint.hardness.titre_table import TitreSetup, is_table, read_table, typed_run

OR_TITRES = ", or a CSV with a column titre_ml"
MOST_RUNS = 500
"""Titrations of one sample at most; more are several samples. Assumed."""
_NO_PARTS = (
    "A result file without named parts (an older one): its whole uncertainty is taken as shared by "
    "all runs, so the mean does not shrink it. Make the result again to have the parts."
)
_TITRE = re.compile(r"\d+([.,]\d*)?|[.,]\d+")
"""What counts as a typed titre: digits with a decimal point or comma."""
_WHOLE = "one result as a whole (its parts are not known)"


def sources_of(given: Iterable[str]) -> list[Path | float | Run]:
    """Files, and titres in mL that were typed; a file whose name is a number is a file."""
    found: list[Path | float | Run] = []
    for text in given:
        titre = _TITRE.fullmatch(text)
        typed = titre is not None and not os.path.exists(text)
        found.append(float(text.replace(",", ".")) if typed else Path(text))
    return found


def read_runs(
    paths: Iterable[Path | float | Run], bench: TitreSetup, group: str = "titration"
) -> tuple[Run, ...]:
    """Read result files, folders with a result.json, CSV tables of titres, and typed titres.

    Parameters
    ----------
    paths:
        Files and folders, titres in mL, or runs, in order.
    bench:
        For titres read by eye, where the CSV does not say it itself.
    group:
        Word for the set, see `Run.group`.

    Raises
    ------
    ReplicateProblem
        A file is missing, unreadable or no result, or one recording is given twice.
    """
    runs: list[Run] = []
    for path in paths:
        if isinstance(path, Run):
            found: tuple[Run, ...] = (path,)
        elif isinstance(path, float):
            found = (typed_run(path, len(runs) + 1, bench),)
        else:
            found = read_table(path, bench) if is_table(path) else (_recorded(path),)
        for run in found:
            runs.append(with_own_names(replace(run, number=len(runs) + 1, group=group)))
        if len(runs) > MOST_RUNS:
            raise ReplicateProblem(
                f"More than {MOST_RUNS} titrations were given.", "Give the runs of one sample."
            )
    seen: dict[str, Run] = {}
    for run in runs:
        if run.fingerprint is None:
            continue
        other = seen.setdefault(run.fingerprint, run)
        if other is not run:
            raise ReplicateProblem(
                f"{other.where} and {run.where} are the same recording, so they are not "
                "replicates.",
                "Give each recording once.",
            )
    return tuple(runs)


def runs_of_documents(documents: Mapping[str, Mapping[str, Any]]) -> tuple[Run, ...]:
    """Runs of results that are at hand, as `read_runs` reads them from files.

    Parameters
    ----------
    documents:
        Name for people -> data of a result.

    Raises
    ------
    ReplicateProblem
        One of them is not a result.
    """
    found = [run_of_document(data, name, name) for name, data in documents.items()]
    return tuple(
        with_own_names(replace(run, number=k, group="titration"))
        for k, run in enumerate(found, start=1)
    )


def _recorded(path: Path) -> Run:
    data, name = result_json(path, ReplicateProblem, OR_TITRES)
    return run_of_document(data, name, path.name)


def run_of_document(data: Mapping[str, Any], name: str, otherwise: str) -> Run:
    """Titration from the data of a result.json; `otherwise` is its label where it has none.

    Raises
    ------
    ReplicateProblem
        It is not a result of `endpoint locate`.
    """
    status = data.get("status")
    if status not in ("located", "bracketed", "none") or "equivalence_ml" not in data:
        raise ReplicateProblem(
            f"{name} is not a result of endpoint locate.",
            f"Give a result.json, or the folder that holds one{OR_TITRES}.",
        )
    label = data.get("label")
    inputs = data.get("inputs")
    inputs = inputs if isinstance(inputs, dict) else {}
    provenance = data.get("provenance")
    provenance = provenance if isinstance(provenance, dict) else {}
    titre: Quantity | None = None
    mmol_l: Quantity | None = None
    notes: tuple[str, ...] = ()
    if status == "located":
        titre, mmol_l, notes = _quantities(data, inputs, name)
    missing = data.get("not_in_budget")
    fingerprint = provenance.get("medium_sha256")
    return Run(
        number=0,
        group="",
        label=one_line(label, LONGEST_TEXT)
        if isinstance(label, str) and label.strip()
        else otherwise,
        where=name,
        status=status,
        titre_ml=titre,
        hardness_mmol_l=mmol_l,
        date=_day_of(data, inputs),
        reason=_reason(data, status),
        blank_subtracted=inputs.get("blank_ml") is not None,
        setup=_setup(inputs),
        fingerprint=fingerprint if isinstance(fingerprint, str) else None,
        not_in_budget=tuple(t for t in missing if isinstance(t, str))
        if isinstance(missing, list)
        else (),
        notes=notes,
    )


def _quantities(
    data: Mapping[str, Any], inputs: Mapping[str, Any], name: str
) -> tuple[Quantity, Quantity | None, tuple[str, ...]]:
    """Titre and hardness; own contributions marked "own: " in front of their names."""
    try:
        found = data.get("quantities")
        if isinstance(found, dict) and found.get("equivalence_ml") is not None:
            titrant = inputs.get("titrant_mol_l")
            common = titrant.get("contributions", {}) if isinstance(titrant, dict) else {}
            titre = quantity_from_json(found["equivalence_ml"], f"{name}: equivalence_ml")
            mmol_l = None
            if found.get("hardness_mmol_l") is not None:
                mmol_l = quantity_from_json(found["hardness_mmol_l"], f"{name}: hardness_mmol_l")
            for quantity, unit in ((titre, "mL"), (mmol_l, "mmol/L")):
                if quantity is not None and quantity.unit != unit:
                    raise ReplicateProblem(
                        f"{name}: a quantity is in {quantity.unit}, not in {unit}.",
                        "Make the result again with endpoint locate.",
                    )
            return marked(titre, common), mmol_l and marked(mmol_l, common), ()
        titre = _plain(data["equivalence_ml"], "mL", f"{name}: equivalence_ml")
        total = data.get("hardness")
        mmol_l = None
        if isinstance(total, dict):
            mmol_l = _plain(total.get("mmol_l"), "mmol/L", f"{name}: hardness mmol_l")
        return titre, mmol_l, (_NO_PARTS,)
    except CalibrationProblem as problem:
        raise ReplicateProblem(problem.sentence, problem.remedy) from None


def _plain(data: object, unit: str, where: str) -> Quantity:
    table = data if isinstance(data, dict) else {}
    short = {k: table.get(k) for k in ("value", "standard_uncertainty")}
    found = quantity_from_json({**short, "unit": unit}, where, _WHOLE)
    # The whole of one result is not the very input of another: only its size is kept.
    return Quantity(found.value, unit, {_WHOLE: Contribution(found.standard_uncertainty)})


def _setup(inputs: Mapping[str, Any]) -> tuple[float, float] | None:
    try:
        sample = math.fsum(float(part["value"]) for part in inputs["deliveries_ml"])
        return sample, float(inputs["titrant_mol_l"]["value"])
    except (KeyError, TypeError, ValueError):
        return None


def _day_of(*tables: Mapping[str, Any]) -> datetime.date | None:
    """Day of the titration, where the record states it; the day of analysis is another."""
    for table in tables:
        try:
            return datetime.date.fromisoformat(str(table.get("date"))[:10])
        except ValueError:
            continue
    return None


def _reason(data: Mapping[str, Any], status: str) -> str:
    if status == "located":
        return ""
    reasons = data.get("reasons")
    reasons = reasons if isinstance(reasons, list) else []
    texts = [r["text"] for r in reasons if isinstance(r, dict) and isinstance(r.get("text"), str)]
    return one_line(texts[0], LONGEST_TEXT) if texts else "It has no equivalence volume."
