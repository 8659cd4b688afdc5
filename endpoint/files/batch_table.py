"""Results by the name of their record, from the table that `endpoint batch` wrote."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from calibration.problem import Problem
from endpoint.files import csv_table
from endpoint.problems import nearest

_OFFERED = 20
"""Names of a table that an error lists at most."""


@dataclass(frozen=True, eq=False)
class BatchTable:
    """Status and some numbers of every record of a batch."""

    sheet: csv_table.Sheet
    columns: dict[str, int]
    rows: dict[str, int]
    """Row of each record."""
    problem: type[Problem]

    def result(self, name: str, where: str) -> tuple[str, dict[str, float | None]]:
        """Status of a record, and its numbers by column; None where a cell is empty.

        Raises
        ------
        Problem
            The table does not hold the record that is named at `where`, or a cell holds no number.
        """
        if name not in self.rows:
            raise self.problem(
                f"{where} names {name[:80]}, which is not in {self.sheet.name}.",
                nearest(name, tuple(self.rows)[:_OFFERED]),
            )
        k = self.rows[name]
        cells = self.sheet.rows[k]
        numbers = {
            key: csv_table.number_in(self.sheet, k, column, self.problem) if cells[column] else None
            for key, column in self.columns.items()
            if key != "status"
        }
        return cells[self.columns["status"]], numbers


def read_batch_table(path: Path, numbers: tuple[str, ...], problem: type[Problem]) -> BatchTable:
    """Read the status and the named numbers of a table of `endpoint batch`.

    Raises
    ------
    Problem
        Of the class `problem`: the file is not such a table.
    """
    sheet = csv_table.read_sheet(path, problem)
    missing = [name for name in ("record", "status", *numbers) if name not in sheet.header]
    if missing:
        raise problem(
            f"{sheet.name} is not a table of endpoint batch: it has no column {missing[0]}.",
            "Give the results.csv that endpoint batch wrote.",
        )
    at = sheet.header.index("record")
    rows = {cells[at]: k for k, cells in enumerate(sheet.rows)}
    columns = {name: sheet.header.index(name) for name in ("status", *numbers)}
    return BatchTable(sheet, columns, rows, problem)
