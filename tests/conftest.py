"""What tests of more than one file share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.shared import made_once
from tests.small_films import SmallFilm, write_small_film

# The workers of xdist inherit it: threads of two processes on two cores wait for each other.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "OPENCV_FOR_THREADS_NUM"):
    os.environ.setdefault(_name, "1")


@pytest.fixture(scope="session")
def small_film(tmp_path_factory: pytest.TempPathFactory) -> SmallFilm:
    """Record of a sample film with fewer pixels, by its name."""

    def record(name: str) -> Path:
        folder = made_once(
            tmp_path_factory, f"small-{name}", lambda folder: write_small_film(name, folder)
        )
        return folder / f"{name}.toml"

    return record
