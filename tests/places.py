"""Where the project and its samples lie, and the published check values."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
SAMPLES = ROOT / "sample_media"
BENCH = SAMPLES / "bench"
"""Sheets and certificates of a simulated bench."""
MINTEQ = ROOT / "tests" / "reference" / "minteq_v4_part.dat"
"""Database for PHREEQC, with hardness, EDTA and what else a flask holds."""


def reference(*names: str) -> dict[str, Any]:
    """Published check values of the named files by their id, each with its source."""
    folder = ROOT / "tests" / "reference"
    texts = [(folder / f"{name}.toml").read_text(encoding="utf-8") for name in names]
    return {entry["id"]: entry for text in texts for entry in tomllib.loads(text)["entry"]}
