"""The titration record: a TOML file that says what was titrated, with what, and what recorded it.

    format = 1
    [sample]                       # and the other tables of `endpoint.record.sample_and_ware`
    label = "Spring at the mill"
    volume_ml = 100.0
    [titrant]
    concentration_mol_l = 0.0100
    [recording]                    # exactly one of video, stills, photometer, colours
    video = "mill.mp4"
    # path_cm = 1.0                # photometer only
    # columns = { volume = "Dose", absorbance = ["Ext 620"] }  # heads of its table, or of the log
    # certificate = "camera.json"  # of the camera or the photometer
    [delivery]                     # exactly one of the keys in `delivery_record.WAYS`
    log = "volumes.csv"
    mode = "steps"                 # or "continuous"
    # mixing_lag_s = 1.5           # with mixing_lag_uncertainty_s
    # clock_offset_s = 2.0         # clock of the recording minus that of the log
    # certificate = "timing.json"  # states lag and clock offset instead
    # [indicator]                  # by default Eriochrome Black T at pH 10
    # name = "Murexide"            # or file = "my-indicator.toml"

Paths are relative to the record. The whole set of keys stands in `_KEYS`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from calibration.reading import Unreadable, read_bytes, read_text, toml_of
from endpoint.files.cells import RecordReader
from endpoint.files.column_heads import NamedColumns
from endpoint.problems import RecordProblem
from endpoint.record.conditions import refuse_misplaced
from endpoint.record.delivery import (
    DELIVERY_KEYS,
    BuretteReadings,
    delivery_values,
    readings_from_text,
)
from endpoint.record.sample_and_ware import BENCH_KEYS, BenchRecord, bench_values
from endpoint.record.settings import Settings, settings_from

_KEYS: dict[str, tuple[str, ...]] = {
    **BENCH_KEYS,
    "recording": ("video", "stills", "photometer", "colours", "path_cm", "certificate", "columns"),
    "delivery": DELIVERY_KEYS,
    "indicator": ("name", "file"),
    "settings": (),
}
MAX_BYTES = 1_000_000
"""Bytes of a record beyond which it is refused: thousands of times what a person writes."""
_REMEDIES = {
    "missing": "Check the name of the record.",
    "folder": "Name the record, a .toml file, in it.",
    "special": "Name a record, a .toml file.",
    "large": "Name the .toml file of the titration.",
    "text": "Give the record, a .toml file; or add --volumes for a film.",
    "system": "Check the permissions of the file.",
    "syntax": "Correct that line; texts stand in quotes, numbers do not.",
}


@dataclass(frozen=True, kw_only=True)
class TitrationRecord(BenchRecord):
    """A checked record of a recording; every path is absolute or relative to the working folder."""

    kind: str
    """"video", "stills", "photometer" or "colours"."""
    medium: Path
    path_cm: float
    columns: NamedColumns = field(default_factory=NamedColumns)
    """Heads of the photometer table; of a film, those of its volume log."""
    medium_certificate: Path | None = None
    """Certificate of the camera or of the photometer."""
    log: Path | None = None
    mode: str | None = None
    rate_ml_min: float | None = None
    start_s: float = 0.0
    per_still: Path | None = None
    seen: BuretteReadings | None = None
    """Readings of the burette, where the picture shows what was delivered."""
    mixing_lag_s: float | None = None
    mixing_lag_uncertainty_s: float | None = None
    clock_offset_s: float | None = None
    """Clock of the recording minus clock of the log."""
    clock_offset_uncertainty_s: float | None = None
    timing_certificate: Path | None = None
    indicator_name: str | None = None
    """A shipped indicator; None for the usual one, or that of a file."""
    indicator_file: Path | None = None
    sha256: str | None = None
    """Checksum of the file that it was read from; None where the options say it all."""
    settings: Settings = field(default_factory=Settings)


def read_tables(path: Path) -> dict[str, Any]:
    """Read the tables of a titration record, unchecked.

    Raises
    ------
    RecordProblem
        The file is missing or no TOML.
    """
    try:
        return toml_of(read_text(path, MAX_BYTES), path.name)
    except Unreadable as why:
        raise RecordProblem(why.sentence, _REMEDIES[why.kind]) from None


def read_record(path: Path) -> TitrationRecord:
    """Read and check the record of a recording.

    Raises
    ------
    RecordProblem
        The file is missing or no TOML, a key is unknown, missing or has an impossible value.
    """
    record = parse_record(read_tables(path), path.name, path.parent)
    return replace(record, sha256=hashlib.sha256(read_bytes(path, MAX_BYTES)).hexdigest())


def parse_record(table: Mapping[str, Any], name: str, folder: Path) -> TitrationRecord:
    """Check the tables of a record; `folder` is where relative paths begin.

    Raises
    ------
    RecordProblem
        As `read_record`.
    """
    reader = RecordReader(name)
    if "eye" in table and "recording" not in table:
        raise RecordProblem(
            f"{name} has titres read by eye but no recording.", "Use: endpoint hardness RECORD."
        )
    parts = checked_tables(reader, table, _KEYS)
    kinds = ("video", "stills", "photometer", "colours")
    kind, medium = reader.one_of(parts["recording"], "recording", kinds)
    values: dict[str, Any] = {
        **bench_values(reader, parts, folder),
        **delivery_values(reader, parts["delivery"], kind, folder),
        **_indicator(reader, parts["indicator"], folder),
    }
    path_cm = reader.number(parts["recording"], "recording", "path_cm", 0.01, 20.0)
    if path_cm is not None and kind != "photometer":
        raise RecordProblem(
            f"{name}: recording.path_cm belongs to a photometer only.", "Remove it."
        )
    certificate = reader.text(parts["recording"], "recording", "certificate")
    return TitrationRecord(
        name=name,
        kind=kind,
        medium=folder / medium,
        path_cm=path_cm or 1.0,
        columns=_columns(reader, parts["recording"], kind),
        medium_certificate=None if certificate is None else folder / certificate,
        settings=settings_from(parts["settings"], f"{name}: settings"),
        **values,
    )


def checked_tables(
    reader: RecordReader, table: Mapping[str, Any], keys: Mapping[str, tuple[str, ...]]
) -> dict[str, Mapping[str, Any]]:
    """Tables of a record by name, all keys known; an empty one where it is missing.

    Raises
    ------
    RecordProblem
        There is no `format = 1`, or a table or key is not known.
    """
    reader.known(table, ("format", *keys), "")
    if table.get("format") != 1:
        raise RecordProblem(
            f"{reader.name} has no `format = 1`.",
            "Write `format = 1` as the first line of the record.",
        )
    parts = {key: reader.table(table, key) for key in keys}
    for key, names in keys.items():
        if names:
            refuse_misplaced(reader, parts[key], names, f"{key}.")
            reader.known(parts[key], names, f"{key}.")
    return parts


@dataclass(frozen=True)
class DeliveryOptions:
    """How the volumes were delivered, as the options of a command say it."""

    volumes: Path | None = None
    """CSV of delivered volumes."""
    mode: str | None = None
    """"steps" or "continuous"."""
    rate_ml_min: float | None = None
    start_s: float = 0.0
    meniscus: str | None = None
    """"START,END[,DIVISION]", mL."""
    drops: str | None = None
    """"START,END", mL."""

    def table(self, medium_kind: str) -> dict[str, Any]:
        """Table [delivery] of a record, for video, stills or photometer."""
        table: dict[str, Any] = {}
        if self.volumes is not None:
            log = str(self.volumes.absolute())
            by_still = medium_kind == "stills" and self.mode is None
            table = {"per_still": log} if by_still else {"log": log, "mode": self.mode or "steps"}
        if self.rate_ml_min is not None:
            table |= {"rate_ml_min": self.rate_ml_min, "start_s": self.start_s}
        for way, text in (("meniscus", self.meniscus), ("drops", self.drops)):
            if text is not None:
                table[way] = readings_from_text(text, way)
        return table


def record_from_options(
    medium: Path,
    *,
    delivery: DeliveryOptions,
    sample_ml: float,
    added_ml: float,
    titrant_mol_l: float,
    settings: Settings,
) -> TitrationRecord:
    """Make a record from command line options; `medium` is a film, a folder or a table.

    Raises
    ------
    RecordProblem
        An option is missing or has an impossible value.
    """
    if medium.is_dir():
        kind = "stills"
    elif medium.suffix.lower() in (".csv", ".tsv", ".txt"):
        kind = "photometer"
    else:
        kind = "video"
    table: dict[str, Any] = {
        "format": 1,
        "sample": {"label": medium.stem, "volume_ml": sample_ml, "added_ml": added_ml},
        "titrant": {"concentration_mol_l": titrant_mol_l},
        "recording": {kind: str(medium.absolute())},
        "delivery": delivery.table(kind),
    }
    record = parse_record(table, "The command line", Path())
    return TitrationRecord(**{**record.__dict__, "settings": settings})


def _columns(reader: RecordReader, table: Mapping[str, Any], kind: str) -> NamedColumns:
    """Heads that the record names under recording.columns."""
    part = reader.table(table, "columns", "recording.")
    of_photometer = ("absorbance", "wavelengths_nm") if kind == "photometer" else ()
    where = "recording.columns"
    reader.known(part, ("volume", "time", *of_photometer), f"{where}.")
    heads = reader.texts(part, where, "absorbance")
    waves = reader.numbers(part, where, "wavelengths_nm", 190.0, 1100.0) or ()
    if waves and (len(waves) != len(heads) or len(set(waves)) != len(waves)):
        raise RecordProblem(
            f"{reader.name}: {where}.wavelengths_nm does not give each absorbance its own.",
            'Write for example absorbance = ["Ch 1", "Ch 2"], wavelengths_nm = [530, 620].',
        )
    return NamedColumns(
        volume=reader.text(part, where, "volume"),
        time=reader.text(part, where, "time"),
        absorbance=heads,
        wavelengths_nm=waves,
    )


def _indicator(reader: RecordReader, table: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    if not table:
        return {}
    way, value = reader.one_of(table, "indicator", ("name", "file"))
    return {"indicator_name": value} if way == "name" else {"indicator_file": folder / value}
