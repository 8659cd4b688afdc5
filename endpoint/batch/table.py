"""The table of a batch: CSV, and Parquet where pyarrow is there."""

from __future__ import annotations

import csv
import importlib.util
import io
from collections import Counter
from collections.abc import Sequence
from typing import Any

from endpoint.batch.row import COLUMNS, NUMBERS, STATUSES, Row, as_text
from endpoint.files.csv_table import plain_cell


def table_csv(rows: Sequence[Row]) -> str:
    """Rows as CSV, in their order; empty cells where there is not a number."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for row in rows:
        writer.writerow([_cell(row[name]) for name in COLUMNS])
    return out.getvalue()


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return f"{value:.9g}" if isinstance(value, float | int) else plain_cell(as_text(value))


def has_parquet() -> bool:
    """Whether Parquet can be written here."""
    return importlib.util.find_spec("pyarrow") is not None


def table_parquet(rows: Sequence[Row]) -> bytes:
    """Rows as Parquet: numbers as 64-bit floating point, texts as strings."""
    import pyarrow
    from pyarrow import parquet

    schema = pyarrow.schema(
        [
            pyarrow.field(name, pyarrow.float64() if name in NUMBERS else pyarrow.string())
            for name in COLUMNS
        ]
    )
    columns = [
        [row[name] if name in NUMBERS else as_text(row[name]) for row in rows] for name in COLUMNS
    ]
    arrays = [pyarrow.array(c, f.type) for c, f in zip(columns, schema, strict=True)]
    buffer = io.BytesIO()
    parquet.write_table(pyarrow.Table.from_arrays(arrays, schema=schema), buffer)
    return buffer.getvalue()


def counts(rows: Sequence[Row]) -> str:
    """Return words such as "180 located, 15 refused"."""
    found = Counter(row["status"] for row in rows)
    return ", ".join(f"{found[status]} {status}" for status in STATUSES if found[status])
