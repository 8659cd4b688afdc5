"""Titres read by eye, from a CSV table with a column titre_ml."""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from calibration.cells import Section
from calibration.certificate import read_certificate
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity
from calibration.reading import Unreadable, read_bytes
from calibration.sheet import read_sheet
from calibration.ware.glassware import Ware, burette_volume, pipette_deliveries, ware_from_table
from calibration.wording import one_line
from endpoint.files import csv_table
from endpoint.hardness.titre import (
    CONCENTRATIONS_MOL_L,
    LONGEST_TEXT,
    ReplicateProblem,
    Run,
    marked,
)

LEAST_ML, MOST_ML = 0.02, 200.0
"""Smallest titre, mL: less than a drop; and the largest: twice the largest burette."""
_LOOKED_AT = 4096
"""Bytes in which a head of `#` lines must begin. Assumed."""
_LARGEST = 1e6
"""Values of a control chart beyond which a cell is a typing error, any unit."""
JUDGEMENT = "how early or late the eye sees the end (shared by all titres of one person)"


@dataclass(frozen=True)
class TitreSetup:
    """What is known besides titres read by eye: sample, titrant and ware; all may be missing."""

    sample_ml: float | None = None
    titrant_mol_l: Quantity | None = None
    burette: Ware | None = None
    pipette: Ware | None = None
    only_sample: str | None = None
    """Of a table with several samples, the one to take."""


def titrant_quantity(value_mol_l: float, standard_uncertainty_mol_l: float | None) -> Quantity:
    """Concentration of the titrant, mol/L; None for an uncertainty that is not known."""
    if standard_uncertainty_mol_l is None:
        return Quantity(value_mol_l, "mol/L")
    return Quantity.measured(
        value_mol_l, "mol/L", standard_uncertainty_mol_l, "titrant: concentration"
    )


def read_table(path: Path, bench: TitreSetup) -> tuple[Run, ...]:
    """Read titres from a CSV: titre_ml, and if wanted label, date, analyst, sample.

    Lines that begin with `#` may stand on top; they hold TOML that says how the titres were made:
    format = 1, [sample] volume_ml, [titrant] concentration_mol_l and standard_uncertainty_mol_l or
    certificate, [ware] burette and pipette as in a titration record.

    Parameters
    ----------
    path:
        The file.
    bench:
        What the command line says; the head of the file goes before it.

    Returns
    -------
    Runs without a number; names of their own contributions are marked, see `titres.marked`.

    Raises
    ------
    ReplicateProblem
        A cell cannot be used, or there are several samples and none is chosen.
    """
    rows, bench = _rows(path, bench)
    found: list[Run] = []
    samples: list[str] = []
    for row, section in enumerate(rows, 1):
        try:
            titre = section.number("titre_ml", LEAST_ML, MOST_ML)
            sample = _words(section, "sample")
            day = section.day("date", None, datetime.date.today())
            label = _words(section, "label") or f"{row}"
            analyst = _words(section, "analyst")
        except CalibrationProblem as problem:
            raise ReplicateProblem(problem.sentence, problem.remedy) from None
        if sample is not None and sample not in samples:
            samples.append(sample)
        if bench.only_sample is not None and sample != bench.only_sample:
            continue
        found.append(_eye_run(section.where, label, titre, day, analyst, bench))
    if bench.only_sample is not None and not found:
        raise ReplicateProblem(
            f'{path.name} has no titre of the sample "{bench.only_sample}".',
            f"It has: {', '.join(samples) or 'no column sample'}.",
        )
    if bench.only_sample is None and len(samples) > 1:
        raise ReplicateProblem(
            f"{path.name} holds titres of {len(samples)} samples ({', '.join(samples[:6])}).",
            f'Name one, such as --sample "{samples[0]}": replicates are of one sample.',
        )
    return tuple(found)


def typed_run(titre_ml: float, number: int, bench: TitreSetup) -> Run:
    """Titre that was typed, with a number in place of a label.

    Raises
    ------
    ReplicateProblem
        It is not a titre in mL.
    """
    if not LEAST_ML <= titre_ml <= MOST_ML:
        raise ReplicateProblem(
            f"The titre {titre_ml:g} lies outside {LEAST_ML:g} to {MOST_ML:g} mL.",
            "Give titres in mL, such as 12.40 12.45 12.50; sample and titrant as options.",
        )
    return _eye_run("The command line", f"{number}", titre_ml, None, None, bench)


def _words(section: Section, key: str) -> str | None:
    """Text of a cell; a number counts as text there."""
    value = section.cells.get(key)
    if value is None:
        return None
    return one_line(f"{value:g}" if isinstance(value, float) else str(value), LONGEST_TEXT) or None


def _rows(path: Path, bench: TitreSetup) -> tuple[tuple[Section, ...], TitreSetup]:
    """Rows of a CSV, and what its head of `#` lines says."""
    tables, rows = _table(path, ("titre_ml",))
    if tables is None:
        return rows, bench
    try:
        return rows, _bench_of(tables, bench, path)
    except CalibrationProblem as problem:
        raise ReplicateProblem(problem.sentence, problem.remedy) from None


def _table(
    path: Path, numbers: tuple[str, ...]
) -> tuple[Mapping[str, Any] | None, tuple[Section, ...]]:
    """Tables of the head, or None where there is no head, and the rows.

    `numbers` are columns of which one is needed; the first that is there is read as numbers.
    """
    try:
        first = read_bytes(path, csv_table.MAX_BYTES)[:_LOOKED_AT].lstrip(b"\xef\xbb\xbf \t\r\n")
    except Unreadable:
        first = b""
    if not first.startswith(b"#"):
        return None, _plain_rows(path, numbers)
    try:
        # A head without a certificate holds no day that could lie in the future.
        sheet = read_sheet(path, datetime.date.max)
        return sheet.tables, sheet.rows("titre")
    except CalibrationProblem as problem:
        raise ReplicateProblem(problem.sentence, problem.remedy) from None


def _plain_rows(path: Path, numbers: tuple[str, ...]) -> tuple[Section, ...]:
    sheet = csv_table.read_sheet(path, ReplicateProblem)
    titles = [title.strip().lower() for title in sheet.header]
    key = next((name for name in numbers if name in titles), None)
    if key is None:
        raise ReplicateProblem(
            f"{path.name} has no column {' or '.join(numbers)}.",
            f"Give the column this name; the file has: {', '.join(sheet.header)[:120]}.",
        )
    rows = []
    for k, number in enumerate(sheet.numbers):
        cells: dict[str, Any] = {}
        for column, title in enumerate(titles):
            text = sheet.rows[k][column]
            if title == key:
                cells[title] = csv_table.number_in(sheet, k, column, ReplicateProblem)
            elif text:
                cells[title] = text
        rows.append(Section(f"{path.name}: row {number}", cells))
    return tuple(rows)


def _bench_of(tables: Mapping[str, Any], bench: TitreSetup, path: Path) -> TitreSetup:
    """Sample, titrant and ware from the head of a table of titres."""
    head = Section(path.name, {k: v for k, v in tables.items() if k != "format"})
    sample = head.section("sample", needed=False)
    titrant = head.section("titrant", needed=False)
    ware = head.section("ware", needed=False)
    found = replace(
        bench,
        sample_ml=sample.number("volume_ml", 0.1, 5000.0, bench.sample_ml),
        titrant_mol_l=_titrant(titrant, path) or bench.titrant_mol_l,
        burette=_ware(ware, "burette") or bench.burette,
        pipette=_ware(ware, "pipette") or bench.pipette,
    )
    for section in (head, sample, titrant, ware):
        section.close()
    return found


def _titrant(section: Section, path: Path) -> Quantity | None:
    certificate = section.text("certificate", None)
    if certificate is not None:
        return read_certificate(path.parent / certificate).quantity(
            "concentration", "mol/L", *CONCENTRATIONS_MOL_L
        )
    value = section.number("concentration_mol_l", 1e-5, 1.0, None)
    u = section.number("standard_uncertainty_mol_l", 0.0, 0.1, None)
    return None if value is None else titrant_quantity(value, u)


def _ware(section: Section, kind: str) -> Ware | None:
    if not section.has(kind):
        return None
    table = section.cells[kind]
    return ware_from_table(table, kind, section.place(kind))


def _eye_run(
    where: str,
    label: str,
    titre_ml: float,
    day: datetime.date | None,
    analyst: str | None,
    bench: TitreSetup,
) -> Run:
    missing = [JUDGEMENT]
    try:
        titre = Quantity(titre_ml, "mL")
        if bench.burette is not None:
            fills = max(1, math.ceil(titre_ml / bench.burette.tolerance.nominal_ml - 1e-9))
            titre = burette_volume(bench.burette, titre, "", fills=fills)
        else:
            missing.append("volume of the titrant (no burette stated)")
        titre = marked(titre, {})
        mmol_l = None
        if bench.sample_ml is not None and bench.titrant_mol_l is not None:
            sample = _sample(bench, missing)
            mmol_l = (bench.titrant_mol_l * titre / marked(sample, {})).scaled(1000.0, "mmol/L")
            if not bench.titrant_mol_l.contributions:
                missing.append("concentration of the titrant (no uncertainty stated)")
    except CalibrationProblem as problem:
        raise ReplicateProblem(f"{where}: {problem.sentence}", problem.remedy) from None
    known = bench.sample_ml is not None and bench.titrant_mol_l is not None
    return Run(
        number=0,
        group="",
        label=label,
        where=where,
        status="located",
        titre_ml=titre,
        hardness_mmol_l=mmol_l,
        date=day,
        analyst=analyst,
        by_eye=True,
        setup=(bench.sample_ml or 0.0, bench.titrant_mol_l.value)
        if known and bench.titrant_mol_l
        else None,
        not_in_budget=tuple(missing),
    )


def _sample(bench: TitreSetup, missing: list[str]) -> Quantity:
    volume_ml = bench.sample_ml or 0.0
    if bench.pipette is None:
        missing.append("volume of the sample (no pipette stated)")
        return Quantity(volume_ml, "mL")
    nominal = bench.pipette.tolerance.nominal_ml
    fillings = round(volume_ml / nominal)
    if fillings < 1 or abs(fillings * nominal - volume_ml) > 0.01 * volume_ml:
        raise ReplicateProblem(
            f"{volume_ml:g} mL of sample is not a whole number of fillings of a {nominal:g} mL "
            "pipette.",
            "Correct the volume of the sample or the pipette.",
        )
    total, *others = pipette_deliveries(bench.pipette, fillings)
    for delivery in others:
        total = total + delivery
    return total


_SERIES = {"value": "", "hardness_mmol_l": "mmol/L", "titre_ml": "mL"}
"""Columns of a control chart and their units, in the order in which they are looked for."""


def is_table(path: Path) -> bool:
    """Tell whether a path is a table of titres rather than a result."""
    return path.suffix.lower() in (".csv", ".tsv", ".txt") and not path.is_dir()


def read_series(path: Path) -> tuple[list[tuple[datetime.date, float]], str]:
    """Values with their days from a CSV: date and one of value, hardness_mmol_l, titre_ml.

    Returns
    -------
    Pairs in the order of the file, and the unit (empty for value).

    Raises
    ------
    ReplicateProblem
        A column is missing or a cell cannot be used.
    """
    _, rows = _table(path, tuple(_SERIES))
    key = next((name for name in _SERIES if rows and rows[0].has(name)), "value")
    try:
        today = datetime.date.today()
        pairs = [
            (row.day("date", today=today), row.number(key, -_LARGEST, _LARGEST)) for row in rows
        ]
    except CalibrationProblem as problem:
        raise ReplicateProblem(problem.sentence, problem.remedy) from None
    return pairs, _SERIES[key]
