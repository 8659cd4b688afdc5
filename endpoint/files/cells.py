"""Cells of a titration record, each checked and named in its error."""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from calibration.cells import day_in_cell, number_in_cell
from endpoint.problems import RecordProblem, nearest


class RecordReader:
    """Checks of the cells of one record.

    Every method takes the table, the name of its section as errors show it, and the key. Where a
    cell does not fit it raises a `RecordProblem` that names record, section and key.
    """

    def __init__(self, name: str) -> None:
        self.name = name

    def day(self, table: Mapping[str, Any], section: str, key: str) -> datetime.date | None:
        """Date under a key, or None where it is missing."""
        value = table.get(key)
        if value is None:
            return None
        return day_in_cell(f"{self.name}: {section}.{key}", value, RecordProblem)

    def numbers(
        self, table: Mapping[str, Any], section: str, key: str, low: float, high: float
    ) -> tuple[float, ...] | None:
        """List of 1 to 50 numbers from `low` to `high`, or None where it is missing."""
        values = table.get(key)
        if values is None:
            return None
        if not isinstance(values, list) or not 1 <= len(values) <= 50:
            raise RecordProblem(
                f"{self.name}: {section}.{key} is not a list of volumes.",
                f"Write {key} = [50.0, 50.0].",
            )
        parts = [self.number({key: part}, section, key, low, high) for part in values]
        return tuple(part for part in parts if part is not None)

    def deliveries(self, table: Mapping[str, Any], section: str) -> tuple[float, ...] | None:
        """Volumes of the fillings in mL, from volume_ml or deliveries_ml; None without them."""
        volume = self.number(table, section, "volume_ml", 0.5, 5000.0)
        several = self.numbers(table, section, "deliveries_ml", 0.5, 5000.0)
        if volume is not None and several is not None:
            raise RecordProblem(
                f"{self.name}: {section} needs volume_ml or deliveries_ml, not both.",
                "Write volume_ml = 100.0, or deliveries_ml = [50.0, 50.0] for two fillings.",
            )
        return several if volume is None else (volume,)

    def texts(self, table: Mapping[str, Any], section: str, key: str) -> tuple[str, ...]:
        """List of texts; empty where it is missing."""
        values = table.get(key, [])
        if not isinstance(values, list) or not all(isinstance(v, str) and v for v in values):
            raise RecordProblem(
                f"{self.name}: {section}.{key} is not a list of texts.", f'Write {key} = ["..."].'
            )
        return tuple(values)

    def known(self, table: Mapping[str, Any], names: tuple[str, ...], prefix: str) -> None:
        """Refuse keys beyond `names`, with the nearest known one."""
        for key in table:
            if key not in names:
                raise RecordProblem(
                    f"{self.name}: {prefix}{key[:60]} is not known.", nearest(key, names)
                )

    def table(self, table: Mapping[str, Any], key: str, prefix: str = "") -> Mapping[str, Any]:
        """Table under a key; empty where it is missing."""
        part = table.get(key, {})
        if not isinstance(part, dict):
            raise RecordProblem(
                f"{self.name}: {prefix}{key} is not a table.",
                f"Write [{prefix}{key}] above its keys.",
            )
        return part

    def ware(self, value: object, key: str, folder: Path) -> Mapping[str, Any] | str | Path:
        """Description of a piece of ware: a table, a class, or the path of a certificate."""
        if isinstance(value, dict):
            if "certificate" not in value:
                return value
            path = folder / str(self.text(value, f"ware.{key}", "certificate"))
            return path if set(value) == {"certificate"} else {**value, "certificate": path}
        if isinstance(value, str) and value.lower().endswith(".json"):
            return folder / value
        if isinstance(value, str) and value in ("A", "AS", "B"):
            return value
        raise RecordProblem(
            f"{self.name}: ware.{key} is neither a class, a certificate nor a table.",
            f'Write {key} = "A", {key} = "certificate.json" or '
            f'{key} = {{ nominal_ml = 50, class = "A" }}.',
        )

    def text(self, table: Mapping[str, Any], section: str, key: str) -> str | None:
        """Text under a key, or None where it is missing."""
        value = table.get(key)
        if value is None:
            return None
        if not isinstance(value, str) or not value.strip() or "\x00" in value:
            raise RecordProblem(f"{self.name}: {section}.{key} is not a text.", "Put it in quotes.")
        return value

    def number(
        self, table: Mapping[str, Any], section: str, key: str, low: float, high: float
    ) -> float | None:
        """Number from `low` to `high`, or None where it is missing."""
        value = table.get(key)
        if value is None:
            return None
        where = f"{self.name}: {section}.{key}"
        return number_in_cell(where, key, value, low, high, RecordProblem)

    def one_of(
        self, table: Mapping[str, Any], section: str, keys: tuple[str, ...]
    ) -> tuple[str, str]:
        """Key that is given of several, and its text."""
        given = [key for key in keys if key in table]
        if len(given) != 1:
            raise RecordProblem(
                f"{self.name}: {section} needs exactly one of {', '.join(keys)}"
                + (f" and has {', '.join(given)}." if given else "."),
                f'Write for example [{section}] {keys[0]} = "file".',
            )
        return given[0], str(self.text(table, section, given[0]))
