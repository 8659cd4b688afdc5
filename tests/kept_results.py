"""Output folders of simulated results, made once for all tests that read them."""

from __future__ import annotations

from pathlib import Path

import pytest

from endpoint.report.folder import write_folder
from tests.report.test_folder import CASES, EXTRA
from tests.shared import made_once


def result_folder(factory: pytest.TempPathFactory, status: str) -> Path:
    """Folder of the result of a status, one of `CASES`; nobody may write into it."""

    def make(folder: Path) -> None:
        write_folder(CASES[status](), folder / "well", EXTRA)

    return made_once(factory, f"result-{status}", make) / "well"
