"""Data files of indicators, checked: a new indicator needs no code.

A file says which metals are titrated, the pH, published constants with their uncertainty (the
priors of the fit), the colours of both forms in words, and where each form absorbs. The files in
`indicator_files` come with the program; a record may name one of them, or a file of its own.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

from calibration.reading import Unreadable, read_text, toml_of
from endpoint.chemistry.conditions import Conditions
from endpoint.chemistry.indicators import (
    CHANNELS,
    USUAL_ABSORPTIVITY,
    Form,
    Indicator,
    Metal,
    Spread,
)
from endpoint.chemistry.other_indicators import letters_of, other_indicator, shows_no_metal
from endpoint.files.cells import RecordReader
from endpoint.problems import RecordProblem, nearest

_MAX_BYTES = 100_000

_KEYS: dict[str, tuple[str, ...]] = {
    "indicator": (
        "name",
        "other_names",
        "ph",
        "ph_range",
        "pka",
        "absorptivity",
        "charge",
        "ammonia_mol_l",
        "ph_check",
        "ph_drift",
        "note",
    ),
    "bound": ("colour", "camera_channel", "camera_density", "band_nm", "window_nm"),
    "free": ("colour", "camera_channel", "camera_density", "band_nm", "window_nm"),
    "metals": (),
    "uncertainty": (
        "log_k_edta",
        "log_k_indicator",
        "between_metals_edta",
        "between_metals_indicator",
        "indicator_umol_l",
        "indicator_factor",
    ),
}
_METAL_KEYS = (
    "log_k_edta",
    "log_k_indicator",
    "log_k_hydroxide",
    "log_beta_ammonia",
    "edta_kj_mol",
    "source",
)


def indicator_names() -> tuple[str, ...]:
    """Names of the indicators that come with the program."""
    return tuple(sorted(_shipped()))


def named_indicator(name: str) -> Indicator:
    """An indicator that comes with the program, by its name or another usual one.

    Raises
    ------
    RecordProblem
        There is none of this name; the sentence says what the name stands for, if it is known.
    """
    for texts in _shipped().values():
        table = tomllib.loads(texts)
        names = [table["indicator"]["name"], *table["indicator"].get("other_names", [])]
        if letters_of(name) in map(letters_of, names):
            return parse_indicator(table, f"{table['indicator']['name']}")
    if shows_no_metal(name):
        raise RecordProblem(
            f"{name[:60]} does not show metals: it is an indicator for acids, or for another kind "
            "of titration.",
            "Name the indicator that turned in this titration, such as Eriochrome Black T.",
        )
    other = other_indicator(name)
    if other is not None:
        instead = f"Titrate with {other.instead}, or write" if other.instead else "Write"
        raise RecordProblem(
            f"{other.sentence}, but the program has no constants for it.",
            f"{instead} a file of its constants and name that with file.",
        )
    raise RecordProblem(
        f"The indicator {name[:60]} is not known.",
        f"{nearest(name, indicator_names())} For another one write a file and name it with file.",
    )


def _shipped() -> dict[str, str]:
    folder = files("endpoint.chemistry") / "indicator_files"
    texts = [
        item.read_text(encoding="utf-8") for item in folder.iterdir() if item.name.endswith(".toml")
    ]
    return {str(tomllib.loads(text)["indicator"]["name"]): text for text in texts}


def read_indicator(path: Path) -> Indicator:
    """Read and check the data file of an indicator.

    Raises
    ------
    RecordProblem
        The file is missing or no TOML, or a key is unknown, missing or has an impossible value.
    """
    try:
        table = toml_of(read_text(path, _MAX_BYTES), path.name)
    except Unreadable as why:
        raise RecordProblem(
            f"The indicator file {path.name} cannot be read ({why.reason}).",
            "Check its name and place."
            if why.kind != "syntax"
            else "Correct that line; texts stand in quotes, numbers do not.",
        ) from None
    return parse_indicator(table, path.name)


def parse_indicator(table: Mapping[str, Any], name: str) -> Indicator:
    """Check the tables of an indicator; `name` is the file for error sentences.

    Raises
    ------
    RecordProblem
        As `read_indicator`.
    """
    reader = RecordReader(name)
    reader.known(table, ("format", *_KEYS), "")
    if table.get("format") != 1:
        raise RecordProblem(f"{name} has no `format = 1`.", "Write it as the first line.")
    parts = {key: reader.table(table, key) for key in _KEYS}
    for key, names in _KEYS.items():
        if names:
            reader.known(parts[key], names, f"{key}.")
    head = parts["indicator"]
    reader.texts(head, "indicator", "other_names")
    ph = _needed(reader, head, "indicator", "ph", 0.0, 14.0)
    limits = reader.numbers(head, "indicator", "ph_range", 0.0, 14.0) or (ph - 0.2, ph + 0.2)
    if len(limits) != 2 or not limits[0] <= ph <= limits[1]:
        raise RecordProblem(
            f"{name}: indicator.ph_range does not include indicator.ph.",
            f"Write ph_range = [{ph - 0.2:g}, {ph + 0.2:g}].",
        )
    bound, free = (_form(reader, parts[key], key) for key in ("bound", "free"))
    _tell_apart(reader, bound, free)
    return Indicator(
        name=_text(reader, head, "indicator", "name"),
        metals=_metals(reader, parts["metals"]),
        bound=bound,
        free=free,
        ph=ph,
        ph_range=(limits[0], limits[1]),
        indicator_pka=_pka(reader, head),
        spread=_spread(reader, parts["uncertainty"]),
        absorptivity=reader.number(head, "indicator", "absorptivity", 500.0, 2e5)
        or USUAL_ABSORPTIVITY,
        charge=int(reader.number(head, "indicator", "charge", -6.0, 0.0) or 0),
        conditions=_usual_conditions(reader, head, ph),
        ph_check=reader.text(head, "indicator", "ph_check"),
        ph_drift=reader.text(head, "indicator", "ph_drift"),
    )


def _usual_conditions(
    reader: RecordReader, head: Mapping[str, Any], ph: float
) -> Conditions | None:
    """Flask with an ammonia buffer, where the file says that there is one."""
    ammonia = reader.number(head, "indicator", "ammonia_mol_l", 0.01, 2.0)
    if ammonia is None:
        return None
    usual = Conditions()
    return replace(usual, ph=(ph, usual.ph[1]), ammonia_mol_l=(ammonia, usual.ammonia_mol_l[1]))


def _needed(
    reader: RecordReader, table: Mapping[str, Any], part: str, key: str, low: float, high: float
) -> float:
    value = reader.number(table, part, key, low, high)
    if value is None:
        raise RecordProblem(f"{reader.name}: {part}.{key} is missing.", f"Give {key} in [{part}].")
    return value


def _text(reader: RecordReader, table: Mapping[str, Any], part: str, key: str) -> str:
    value = reader.text(table, part, key)
    if value is None:
        raise RecordProblem(f"{reader.name}: {part}.{key} is missing.", f"Give {key} in [{part}].")
    if len(value) > 200 or "{" in value:
        raise RecordProblem(f"{reader.name}: {part}.{key} is not a plain name.", "Shorten it.")
    return value


def _pka(reader: RecordReader, head: Mapping[str, Any]) -> tuple[float, ...]:
    if head.get("pka") == []:
        return ()
    found = reader.numbers(head, "indicator", "pka", -2.0, 16.0)
    if found is None:
        raise RecordProblem(
            f"{reader.name}: indicator.pka is missing.",
            "List the pKa values, or write pka = [] where log_k_indicator holds at this pH.",
        )
    if list(found) != sorted(found):
        raise RecordProblem(
            f"{reader.name}: indicator.pka is not in rising order.",
            "Start with the most acidic one.",
        )
    return found


def _form(reader: RecordReader, table: Mapping[str, Any], part: str) -> Form:
    channel = _text(reader, table, part, "camera_channel")
    if channel not in CHANNELS:
        raise RecordProblem(
            f"{reader.name}: {part}.camera_channel is {channel[:40]!r}.",
            "Write red, green or blue.",
        )
    density = reader.numbers(table, part, "camera_density", 0.0, 5.0)
    if density is None or len(density) != 3 or max(density) <= 0.0:
        raise RecordProblem(
            f"{reader.name}: {part}.camera_density is not a list of three densities.",
            "Write the densities in the red, green and blue channel: [0.1, 0.55, 0.3].",
        )
    band = _needed(reader, table, part, "band_nm", 380.0, 780.0)
    window = reader.numbers(table, part, "window_nm", 350.0, 800.0) or (band - 30.0, band + 30.0)
    if len(window) != 2 or not window[0] <= band <= window[1]:
        raise RecordProblem(
            f"{reader.name}: {part}.window_nm does not include band_nm.",
            f"Write window_nm = [{band - 30.0:g}, {band + 30.0:g}].",
        )
    colour = _text(reader, table, part, "colour")
    return Form(colour, channel, (density[0], density[1], density[2]), (window[0], window[1]), band)


def _tell_apart(reader: RecordReader, bound: Form, free: Form) -> None:
    """Refuse forms that look the same, or that stand in each other's place."""
    if bound.camera_channel == free.camera_channel:
        raise RecordProblem(
            f"{reader.name}: bound.camera_channel and free.camera_channel are the same.",
            "Name for each form the channel that it darkens more than the other form does.",
        )
    for form, other, part in ((bound, free, "bound"), (free, bound, "free")):
        k = CHANNELS.index(form.camera_channel)
        if form.camera_density[k] <= other.camera_density[k]:
            raise RecordProblem(
                f"{reader.name}: {part}.camera_density is not the larger one in the "
                f"{form.camera_channel} channel.",
                f"Check {part}.camera_channel, and that bound and free are not swapped.",
            )
    if bound.window_nm[0] < free.window_nm[1] and free.window_nm[0] < bound.window_nm[1]:
        raise RecordProblem(
            f"{reader.name}: bound.window_nm and free.window_nm overlap.",
            "Give each form wavelengths of its own.",
        )


def _metals(reader: RecordReader, table: Mapping[str, Any]) -> tuple[Metal, ...]:
    if not 1 <= len(table) <= 2:
        raise RecordProblem(
            f"{reader.name} names {len(table)} metals in [metals].",
            "Write one table [metals.calcium], or two.",
        )
    found = []
    for name in table:
        part = reader.table(table, name, "metals.")
        reader.known(part, _METAL_KEYS, f"metals.{name[:40]}.")
        here = f"metals.{name[:40]}"
        found.append(
            Metal(
                name=name,
                log_k_edta=_needed(reader, part, here, "log_k_edta", 3.0, 40.0),
                log_k_indicator=_needed(reader, part, here, "log_k_indicator", 0.0, 30.0),
                log_k_hydroxide=reader.number(part, here, "log_k_hydroxide", -2.0, 14.0),
                log_beta_ammonia=reader.numbers(part, here, "log_beta_ammonia", -6.0, 20.0) or (),
                edta_kj_mol=reader.number(part, here, "edta_kj_mol", -200.0, 200.0) or 0.0,
            )
        )
    return tuple(found)


def _spread(reader: RecordReader, table: Mapping[str, Any]) -> Spread:
    usual = Spread()

    def log10(key: str, otherwise: float) -> float:
        found = reader.number(table, "uncertainty", key, 0.01, 3.0)
        return otherwise if found is None else found

    factor = reader.number(table, "uncertainty", "indicator_factor", 1.05, 20.0)
    amount = reader.number(table, "uncertainty", "indicator_umol_l", 0.1, 1000.0)
    return Spread(
        log_k_edta=log10("log_k_edta", usual.log_k_edta),
        log_k_indicator=log10("log_k_indicator", usual.log_k_indicator),
        between_metals_edta=log10("between_metals_edta", usual.between_metals_edta),
        between_metals_indicator=log10("between_metals_indicator", usual.between_metals_indicator),
        indicator_umol_l=amount or usual.indicator_umol_l,
        indicator_log_sd=usual.indicator_log_sd if factor is None else math.log(factor),
    )
