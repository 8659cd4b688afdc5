"""What tests of more than one file share."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.shared import made_once
from tests.small_films import SmallFilm, write_small_film


@pytest.fixture(scope="session")
def small_film(tmp_path_factory: pytest.TempPathFactory) -> SmallFilm:
    """Record of a sample film with fewer pixels, by its name."""

    def record(name: str) -> Path:
        folder = made_once(
            tmp_path_factory, f"small-{name}", lambda folder: write_small_film(name, folder)
        )
        return folder / f"{name}.toml"

    return record
