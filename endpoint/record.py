"""The titration record: a TOML file that says what was titrated, with what, and what recorded it.

    format = 1
    [sample]
    label = "Spring at the mill"
    volume_ml = 100.0              # or deliveries_ml = [50.0, 50.0]
    added_ml = 5.0                 # buffer and rinse water in the flask; default 0
    [titrant]
    concentration_mol_l = 0.0100
    standard_uncertainty_mol_l = 0.00002   # or certificate = "edta.json"
    [recording]                    # exactly one of video, stills, photometer
    video = "mill.mp4"
    [delivery]                     # exactly one of log, rate_ml_min, per_still
    log = "volumes.csv"
    mode = "steps"                 # or "continuous"
    [blank]
    volume_ml = 0.05
    [ware]
    burette = { nominal_ml = 50, class = "A", division_ml = 0.1 }   # or "A", or "burette.json"

Paths are relative to the record. The whole set of keys stands in `_KEYS`.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from endpoint.problems import RecordProblem
from endpoint.settings import Settings, nearest, settings_from

_KEYS: dict[str, tuple[str, ...]] = {
    "sample": ("label", "volume_ml", "deliveries_ml", "added_ml"),
    "titrant": ("concentration_mol_l", "standard_uncertainty_mol_l", "certificate"),
    "recording": ("video", "stills", "photometer", "path_cm"),
    "delivery": (
        "log",
        "mode",
        "rate_ml_min",
        "start_s",
        "per_still",
        "mixing_lag_s",
        "mixing_lag_uncertainty_s",
    ),
    "blank": ("volume_ml", "standard_uncertainty_ml"),
    "ware": ("burette", "pipette"),
    "settings": (),
}
_MAX_BYTES = 1_000_000


@dataclass(frozen=True)
class TitrationRecord:
    """A checked record; every path is absolute or relative to the working folder."""

    name: str
    """What errors call the record."""
    label: str
    deliveries_ml: tuple[float, ...]
    added_ml: float
    concentration_mol_l: float | None
    standard_uncertainty_mol_l: float | None
    certificate: Path | None
    kind: str
    """"video", "stills" or "photometer"."""
    medium: Path
    path_cm: float
    log: Path | None = None
    mode: str | None = None
    rate_ml_min: float | None = None
    start_s: float = 0.0
    per_still: Path | None = None
    mixing_lag_s: float | None = None
    mixing_lag_uncertainty_s: float | None = None
    blank_ml: float | None = None
    blank_uncertainty_ml: float | None = None
    ware: Mapping[str, Mapping[str, Any] | str | Path] = field(default_factory=dict)
    """Burette and pipette: a table, a class such as "A", or the path of a certificate."""
    settings: Settings = field(default_factory=Settings)


def read_record(path: Path) -> TitrationRecord:
    """Read and check a titration record.

    Raises
    ------
    RecordProblem
        The file is missing or no TOML, a key is unknown, missing or has an impossible value.
    """
    try:
        if path.is_dir():
            raise RecordProblem(f"{path} is a folder.", "Name the record, a .toml file, in it.")
        size = path.stat().st_size
        if not path.is_file():
            raise RecordProblem(f"{path} is no ordinary file.", "Name a record, a .toml file.")
        if size > _MAX_BYTES:
            raise RecordProblem(
                f"{path.name} is too large for a record.", "Name the .toml file of the titration."
            )
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise RecordProblem(f"{path} does not exist.", "Check the name of the record.") from None
    except UnicodeDecodeError:
        raise RecordProblem(
            f"{path.name} is no text.",
            "Give the record, a .toml file; or add --volumes for a film.",
        ) from None
    except OSError as error:
        raise RecordProblem(
            f"{path} cannot be read ({error.strerror}).", "Check the permissions of the file."
        ) from None
    try:
        table = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # numbers of too many digits are ValueErrors
        raise RecordProblem(
            f"{path.name} is no valid TOML ({str(error)[:100]}).",
            "Correct that line; texts stand in quotes, numbers do not.",
        ) from None
    return parse_record(table, path.name, path.parent)


def parse_record(table: Mapping[str, Any], name: str, folder: Path) -> TitrationRecord:
    """Check the tables of a record; `folder` is where relative paths begin.

    Raises
    ------
    RecordProblem
        As `read_record`.
    """
    reader = _Reader(name)
    reader.known(table, ("format", *_KEYS), "")
    if table.get("format") != 1:
        raise RecordProblem(
            f"{name} has no `format = 1`.", "Write `format = 1` as the first line of the record."
        )
    parts = {key: reader.table(table, key) for key in _KEYS}
    for key, names in _KEYS.items():
        if names:
            reader.known(parts[key], names, f"{key}.")
    kind, medium = reader.one_of(parts["recording"], "recording", ("video", "stills", "photometer"))
    values: dict[str, Any] = {
        **_sample(reader, parts["sample"]),
        **_titrant(reader, parts["titrant"], folder),
        **_delivery(reader, parts["delivery"], kind, folder),
        **_blank(reader, parts["blank"]),
    }
    path_cm = reader.number(parts["recording"], "recording", "path_cm", 0.01, 20.0)
    if path_cm is not None and kind != "photometer":
        raise RecordProblem(
            f"{name}: recording.path_cm belongs to a photometer only.", "Remove it."
        )
    ware = {key: reader.ware(value, key, folder) for key, value in parts["ware"].items()}
    return TitrationRecord(
        name=name,
        kind=kind,
        medium=folder / medium,
        path_cm=path_cm or 1.0,
        ware=ware,
        settings=settings_from(parts["settings"], f"{name}: settings"),
        **values,
    )


def record_from_options(
    medium: Path,
    *,
    volumes: Path | None,
    mode: str | None,
    rate_ml_min: float | None,
    start_s: float,
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
    delivery: dict[str, Any] = {}
    if volumes is not None:
        delivery = (
            {"per_still": str(volumes.absolute())}
            if kind == "stills" and mode is None
            else {"log": str(volumes.absolute()), "mode": mode or "steps"}
        )
    if rate_ml_min is not None:
        delivery |= {"rate_ml_min": rate_ml_min, "start_s": start_s}
    table: dict[str, Any] = {
        "format": 1,
        "sample": {"label": medium.stem, "volume_ml": sample_ml, "added_ml": added_ml},
        "titrant": {"concentration_mol_l": titrant_mol_l},
        "recording": {kind: str(medium.absolute())},
        "delivery": delivery,
    }
    record = parse_record(table, "The command line", Path())
    return TitrationRecord(**{**record.__dict__, "settings": settings})


def _sample(reader: _Reader, table: Mapping[str, Any]) -> dict[str, Any]:
    volume = reader.number(table, "sample", "volume_ml", 0.5, 5000.0)
    deliveries = table.get("deliveries_ml")
    if (volume is None) == (deliveries is None):
        raise RecordProblem(
            f"{reader.name}: sample needs volume_ml or deliveries_ml, one of the two.",
            "Write volume_ml = 100.0, or deliveries_ml = [50.0, 50.0] for two pipette fillings.",
        )
    if deliveries is not None:
        if not isinstance(deliveries, list) or not 1 <= len(deliveries) <= 50:
            raise RecordProblem(
                f"{reader.name}: sample.deliveries_ml is no list of volumes.",
                "Write deliveries_ml = [50.0, 50.0].",
            )
        rows = [
            reader.number({"deliveries_ml": part}, "sample", "deliveries_ml", 0.5, 5000.0)
            for part in deliveries
        ]
        parts = tuple(float(v) for v in rows if v is not None)
    else:
        parts = (float(volume or 0.0),)
    label = table.get("label", reader.name)
    if not isinstance(label, str):
        raise RecordProblem(f"{reader.name}: sample.label is no text.", "Put the label in quotes.")
    added = reader.number(table, "sample", "added_ml", 0.0, 5000.0)
    return {"label": label[:200], "deliveries_ml": parts, "added_ml": added or 0.0}


def _titrant(reader: _Reader, table: Mapping[str, Any], folder: Path) -> dict[str, Any]:
    concentration = table.get("concentration_mol_l")
    certificate = reader.text(table, "titrant", "certificate")
    if (concentration is None) == (certificate is None):
        raise RecordProblem(
            f"{reader.name}: titrant needs concentration_mol_l or certificate, one of the two.",
            'Write concentration_mol_l = 0.0100, or certificate = "edta.json".',
        )
    value = reader.number(table, "titrant", "concentration_mol_l", 1e-5, 0.5)
    uncertainty = reader.number(table, "titrant", "standard_uncertainty_mol_l", 0.0, 0.1)
    if uncertainty is not None and value is None:
        raise RecordProblem(
            f"{reader.name}: the certificate states the uncertainty of the titrant.",
            "Remove titrant.standard_uncertainty_mol_l.",
        )
    if uncertainty is not None and value is not None and uncertainty > 0.2 * value:
        raise RecordProblem(
            f"{reader.name}: titrant.standard_uncertainty_mol_l is more than a fifth of the "
            "concentration.",
            "Give both in mol/L.",
        )
    return {
        "concentration_mol_l": value,
        "standard_uncertainty_mol_l": uncertainty,
        "certificate": None if certificate is None else folder / certificate,
    }


def _delivery(reader: _Reader, table: Mapping[str, Any], kind: str, folder: Path) -> dict[str, Any]:
    out: dict[str, Any] = {
        "mixing_lag_s": reader.number(table, "delivery", "mixing_lag_s", 0.0, 120.0),
        "mixing_lag_uncertainty_s": reader.number(
            table, "delivery", "mixing_lag_uncertainty_s", 0.0, 60.0
        ),
    }
    if out["mixing_lag_uncertainty_s"] is not None and out["mixing_lag_s"] is None:
        raise RecordProblem(
            f"{reader.name}: delivery.mixing_lag_uncertainty_s stands without mixing_lag_s.",
            "Give mixing_lag_s too, in seconds.",
        )
    ways = [key for key in ("log", "rate_ml_min", "per_still") if key in table]
    if not ways and kind == "photometer":
        return out
    if len(ways) != 1:
        raise RecordProblem(
            f"{reader.name}: delivery needs exactly one of log, rate_ml_min, per_still"
            + (f" and has {', '.join(ways)}." if ways else "."),
            'Write log = "volumes.csv" with mode = "steps", or rate_ml_min = 6.0 with start_s.',
        )
    way = ways[0]
    mode = reader.text(table, "delivery", "mode")
    if way == "log":
        if mode not in ("steps", "continuous"):
            raise RecordProblem(
                f"{reader.name}: delivery.mode is {'missing' if mode is None else repr(mode)}.",
                'Write mode = "steps" (held between additions) or "continuous" (poured or pumped).',
            )
        out |= {"log": folder / str(reader.text(table, "delivery", "log")), "mode": mode}
    elif mode is not None:
        raise RecordProblem(
            f"{reader.name}: delivery.mode belongs to a log only.", "Remove delivery.mode."
        )
    if way == "rate_ml_min":
        out["rate_ml_min"] = reader.number(table, "delivery", "rate_ml_min", 0.001, 1000.0)
        out["start_s"] = reader.number(table, "delivery", "start_s", -3600.0, 86400.0) or 0.0
        out["mode"] = "continuous"
        if kind == "stills":
            raise RecordProblem(
                f"{reader.name}: stills have no clock for a pump.",
                'Give the volume of each still: per_still = "volumes.csv".',
            )
    elif "start_s" in table:
        raise RecordProblem(
            f"{reader.name}: delivery.start_s belongs to rate_ml_min only.", "Remove it."
        )
    if way == "per_still":
        if kind != "stills":
            raise RecordProblem(
                f"{reader.name}: delivery.per_still belongs to stills only.",
                "For a film or a photometer give log or rate_ml_min.",
            )
        out["per_still"] = folder / str(reader.text(table, "delivery", "per_still"))
        out["mode"] = "per-still"
    if way == "log" and kind == "stills":
        raise RecordProblem(
            f"{reader.name}: stills have no clock for a log.",
            'Give the volume of each still: per_still = "volumes.csv".',
        )
    return out


def _blank(reader: _Reader, table: Mapping[str, Any]) -> dict[str, Any]:
    volume = reader.number(table, "blank", "volume_ml", 0.0, 50.0)
    if table and volume is None:
        raise RecordProblem(
            f"{reader.name}: blank.volume_ml is missing.", "Write it, or remove [blank]."
        )
    uncertainty = reader.number(table, "blank", "standard_uncertainty_ml", 0.0, 5.0)
    return {"blank_ml": volume, "blank_uncertainty_ml": uncertainty}


class _Reader:
    """Checks of cells that name the record and the key."""

    def __init__(self, name: str) -> None:
        self.name = name

    def known(self, table: Mapping[str, Any], names: tuple[str, ...], prefix: str) -> None:
        for key in table:
            if key not in names:
                raise RecordProblem(
                    f"{self.name}: {prefix}{key[:60]} is not known.", nearest(key, names)
                )

    def table(self, table: Mapping[str, Any], key: str, prefix: str = "") -> Mapping[str, Any]:
        part = table.get(key, {})
        if not isinstance(part, dict):
            raise RecordProblem(
                f"{self.name}: {prefix}{key} is no table.", f"Write [{prefix}{key}] above its keys."
            )
        return part

    def ware(self, value: object, key: str, folder: Path) -> Mapping[str, Any] | str | Path:
        if isinstance(value, dict):
            if set(value) == {"certificate"}:
                return folder / str(self.text(value, f"ware.{key}", "certificate"))
            return value
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
        value = table.get(key)
        if value is None:
            return None
        if not isinstance(value, str) or not value.strip() or "\x00" in value:
            raise RecordProblem(f"{self.name}: {section}.{key} is no text.", "Put it in quotes.")
        return value

    def number(
        self, table: Mapping[str, Any], section: str, key: str, low: float, high: float
    ) -> float | None:
        value = table.get(key)
        if value is None:
            return None
        where = f"{self.name}: {section}.{key}"
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise RecordProblem(f"{where} is no number.", "Write a plain number without quotes.")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number) or not low <= number <= high:
            unit = key.rsplit("_", 1)[-1] if "_" in key else ""
            unit = {"ml": "mL", "l": "mol/L", "s": "s", "min": "mL/min", "cm": "cm"}.get(unit, "")
            raise RecordProblem(
                f"{where} is {number:.10g}, outside {low:g} to {high:g} {unit}.".replace(" .", "."),
                f"Check the value and its unit ({unit or 'none'}).",
            )
        return number

    def one_of(
        self, table: Mapping[str, Any], section: str, keys: tuple[str, ...]
    ) -> tuple[str, str]:
        given = [key for key in keys if key in table]
        if len(given) != 1:
            raise RecordProblem(
                f"{self.name}: {section} needs exactly one of {', '.join(keys)}"
                + (f" and has {', '.join(given)}." if given else "."),
                f'Write for example [{section}] {keys[0]} = "file".',
            )
        return given[0], str(self.text(table, section, given[0]))
