"""What `endpoint locate` says of kept films, worked out once for all tests that ask."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from tests.command import run
from tests.kept_films import record_of
from tests.shared import made_once


def located(factory: pytest.TempPathFactory, name: str) -> tuple[dict[str, Any], str]:
    """Document of the located result of a kept film, and what a person reads."""

    def make(folder: Path) -> None:
        outcome = run("locate", record_of(name), "--json", folder / "result.json", "--quiet")
        assert outcome.exit_code == 0, outcome.stderr
        (folder / "shown.txt").write_text(outcome.stdout, "utf-8")

    folder = made_once(factory, f"located-{name}", make)
    document = json.loads((folder / "result.json").read_text("utf-8"))
    return document, " ".join((folder / "shown.txt").read_text("utf-8").split())
