"""The command `endpoint` as a user runs it, in the process of the test."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from click.testing import CliRunner, Result

from endpoint.cli import main


def run(*words: object) -> Result:
    """What the command answers to these words."""
    return CliRunner().invoke(main, [str(word) for word in words])


def located(record: Path, *words: object) -> dict[str, Any]:
    """Document of a recording that is analysed without a complaint."""
    answer = run("locate", record, "--json", "-", *words)
    assert answer.exit_code == 0, answer.output
    document: dict[str, Any] = json.loads(answer.stdout)
    return document
