"""The record of titres that were read by eye: no recording, the same bench.

Beside the tables of `endpoint.record.sample_and_ware`:

    [eye]
    titres_ml = [13.92, 13.88, 13.95]
    analyst = "KT"
    indicator = "Eriochrome Black T"
    error_ml = 0.08                     # end read minus equivalence volume; default 0
    error_standard_uncertainty_ml = 0.04
    [repeatability]                     # needed for a single titre
    standard_deviation_ml = 0.04
    titrations = 12
    [boiled]                            # the same water boiled and filtered: permanent hardness
    titre_ml = 6.10                     # and standard_uncertainty_ml, volume_ml or deliveries_ml
    [solid]                             # the sample is the digest of a solid
    mass_g = 2.0000                     # and mass_standard_uncertainty_g
    digest_ml = 250.0                   # and digest_standard_uncertainty_ml: the whole digest, of
    dilution = 10.0                     # which the sample is a part, diluted so many times
    [back_titration]                    # EDTA in excess; titres_ml are then of the metal solution
    edta_ml = 25.0
    edta_standard_uncertainty_ml = 0.02
    metal_mol_l = 0.0100                # or metal_certificate = "zinc.json"
    metal_standard_uncertainty_mol_l = 0.00001
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from endpoint.chemistry.indicator_file import named_indicator
from endpoint.chemistry.indicators import Indicator
from endpoint.chemistry.other_indicators import BOTH, other_indicator, shows_no_metal
from endpoint.files.cells import RecordReader
from endpoint.hardness.solid import Solid
from endpoint.hardness.titre import CONCENTRATIONS_MOL_L
from endpoint.problems import RecordProblem
from endpoint.record.sample_and_ware import BENCH_KEYS, BenchRecord, bench_values
from endpoint.record.titration import checked_tables, read_tables

_KEYS: dict[str, tuple[str, ...]] = {
    **BENCH_KEYS,
    "eye": (
        "titres_ml",
        "analyst",
        "indicator",
        "error_ml",
        "error_standard_uncertainty_ml",
    ),
    "repeatability": ("standard_deviation_ml", "titrations"),
    "boiled": ("titre_ml", "standard_uncertainty_ml", "volume_ml", "deliveries_ml"),
    "solid": (
        "mass_g",
        "mass_standard_uncertainty_g",
        "digest_ml",
        "digest_standard_uncertainty_ml",
        "dilution",
    ),
    "back_titration": (
        "edta_ml",
        "edta_standard_uncertainty_ml",
        "metal_mol_l",
        "metal_standard_uncertainty_mol_l",
        "metal_certificate",
    ),
}


@dataclass(frozen=True)
class BackTitration:
    """EDTA added in excess, and the metal solution that the excess is titrated with."""

    edta_ml: float
    edta_standard_uncertainty_ml: float | None
    metal_mol_l: float | None
    metal_standard_uncertainty_mol_l: float | None
    metal_certificate: Path | None


@dataclass(frozen=True)
class BoiledPart:
    """Titre of the same water after boiling and filtering."""

    titre_ml: float
    standard_uncertainty_ml: float | None
    deliveries_ml: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class EyeRecord(BenchRecord):
    """A checked record of titres read by eye."""

    titres_ml: tuple[float, ...]
    indicator: str
    error_ml: float | None
    error_standard_uncertainty_ml: float | None
    repeatability: tuple[float, float] | None = None
    """Standard deviation of a single titre in mL, and number of titrations behind it."""
    boiled: BoiledPart | None = None
    back_titration: BackTitration | None = None
    solid: Solid | None = None


def read_eye_record(path: Path) -> EyeRecord:
    """Read and check a record of titres read by eye.

    Raises
    ------
    RecordProblem
        The file is missing or no TOML, a key is unknown, missing or has an impossible value.
    """
    return parse_eye_record(read_tables(path), path.name, path.parent)


def parse_eye_record(table: Mapping[str, Any], name: str, folder: Path) -> EyeRecord:
    """Check the tables of a record; `folder` is where relative paths begin.

    Raises
    ------
    RecordProblem
        As `read_eye_record`.
    """
    reader = RecordReader(name)
    if "recording" in table:
        raise RecordProblem(f"{name} is the record of a recording.", "Use: endpoint locate RECORD.")
    parts = checked_tables(reader, table, _KEYS)
    eye = parts["eye"]
    titres = reader.numbers(eye, "eye", "titres_ml", 0.05, 200.0)
    if titres is None:
        raise RecordProblem(
            f"{name}: eye.titres_ml is missing.", "Write [eye] titres_ml = [13.92, 13.88]."
        )
    error = reader.number(eye, "eye", "error_ml", -5.0, 5.0)
    error_u = reader.number(eye, "eye", "error_standard_uncertainty_ml", 0.0, 2.0)
    if error is not None and error_u is None:
        raise RecordProblem(
            f"{name}: eye.error_ml is given without error_standard_uncertainty_ml.",
            "Give it too, in mL: how well the error of the end is known.",
        )
    bench = bench_values(reader, parts, folder)
    # The eye is that of who titrated, unless another name stands with the titres.
    bench["analyst"] = reader.text(eye, "eye", "analyst") or bench["analyst"]
    return EyeRecord(
        name=name,
        titres_ml=titres,
        indicator=_indicator(reader, eye, "back_titration" in table),
        error_ml=error,
        error_standard_uncertainty_ml=error_u,
        repeatability=_repeatability(reader, parts["repeatability"], len(titres)),
        boiled=_boiled(reader, parts["boiled"], bench["deliveries_ml"]),
        back_titration=_back(reader, parts["back_titration"], folder),
        solid=_solid(reader, parts["solid"]),
        **bench,
    )


def _solid(reader: RecordReader, table: Mapping[str, Any]) -> Solid | None:
    if not table:
        return None

    def number(key: str, low: float, high: float) -> float | None:
        return reader.number(table, "solid", key, low, high)

    mass, digest = number("mass_g", 1e-4, 1000.0), number("digest_ml", 1.0, 5000.0)
    if mass is None or digest is None:
        raise RecordProblem(
            f"{reader.name}: solid needs mass_g and digest_ml.",
            "Write the mass of the solid, and the volume to which its digest was made up.",
        )
    return Solid(
        mass,
        number("mass_standard_uncertainty_g", 0.0, 10.0),
        digest,
        number("digest_standard_uncertainty_ml", 0.0, 50.0),
        number("dilution", 1.0, 10_000.0) or 1.0,
    )


def known_indicator(name: str) -> Indicator | None:
    """Indicator that comes with the program; None for another one."""
    try:
        return named_indicator(name)
    except RecordProblem:
        return None


def _indicator(reader: RecordReader, eye: Mapping[str, Any], back: bool) -> str:
    """Name of the indicator; one of which it is known that it shows another metal is refused."""
    name = reader.text(eye, "eye", "indicator") or "Eriochrome Black T"
    if shows_no_metal(name):
        raise RecordProblem(
            f"{reader.name}: {name} does not show metals: it is an indicator for acids, or for "
            "another kind of titration.",
            "Name the indicator that turned in this titration, such as Eriochrome Black T.",
        )
    known, other = known_indicator(name), other_indicator(name)
    if known is not None:
        metals = [metal.name for metal in known.metals]
        fits = metals == ["calcium", "magnesium"]
        sentence = f"{known.name} shows the end of {' and '.join(metals)} at pH {known.ph:g}"
    elif other is not None:
        fits, sentence = other.shows == BOTH, other.sentence
    else:
        return name  # `endpoint.analysis.by_eye` remarks on it
    if not (back or fits):
        raise RecordProblem(
            f"{reader.name}: {sentence}, not of {BOTH}.",
            "Name the indicator of the titration at pH 10; titres of calcium alone stand in "
            "[calcium].",
        )
    return name


def _repeatability(
    reader: RecordReader, table: Mapping[str, Any], count: int
) -> tuple[float, float] | None:
    sd = reader.number(table, "repeatability", "standard_deviation_ml", 0.0, 2.0)
    titrations = reader.number(table, "repeatability", "titrations", 2.0, 100_000.0)
    if (sd is None) != (titrations is None):
        raise RecordProblem(
            f"{reader.name}: repeatability needs standard_deviation_ml and titrations.",
            "Give both, from earlier titrations by the same person.",
        )
    if sd is None and count == 1:
        raise RecordProblem(
            f"{reader.name}: eye.titres_ml holds one titre, which does not show its scatter.",
            "Titrate again, or add [repeatability] with standard_deviation_ml and titrations.",
        )
    return None if sd is None or titrations is None else (sd, titrations)


def _boiled(
    reader: RecordReader, table: Mapping[str, Any], default: tuple[float, ...]
) -> BoiledPart | None:
    if not table:
        return None
    titre = reader.number(table, "boiled", "titre_ml", 0.05, 200.0)
    if titre is None:
        raise RecordProblem(
            f"{reader.name}: boiled.titre_ml is missing.", "Write it, or remove [boiled]."
        )
    own = reader.deliveries(table, "boiled")
    return BoiledPart(
        titre,
        reader.number(table, "boiled", "standard_uncertainty_ml", 0.0, 5.0),
        default if own is None else own,
    )


def _back(reader: RecordReader, table: Mapping[str, Any], folder: Path) -> BackTitration | None:
    if not table:
        return None
    edta = reader.number(table, "back_titration", "edta_ml", 0.1, 500.0)
    metal = reader.number(table, "back_titration", "metal_mol_l", *CONCENTRATIONS_MOL_L)
    certificate = reader.text(table, "back_titration", "metal_certificate")
    if edta is None or (metal is None) == (certificate is None):
        raise RecordProblem(
            f"{reader.name}: back_titration needs edta_ml, and metal_mol_l or metal_certificate.",
            "Write edta_ml = 25.0 and metal_mol_l = 0.0100.",
        )
    return BackTitration(
        edta_ml=edta,
        edta_standard_uncertainty_ml=reader.number(
            table, "back_titration", "edta_standard_uncertainty_ml", 0.0, 5.0
        ),
        metal_mol_l=metal,
        metal_standard_uncertainty_mol_l=reader.number(
            table, "back_titration", "metal_standard_uncertainty_mol_l", 0.0, 0.1
        ),
        metal_certificate=None if certificate is None else folder / certificate,
    )
