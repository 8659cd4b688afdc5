"""The types of the whole project, checked as one test next to the others.

By itself the checker leaves a core idle for half a minute of every run.
"""

from __future__ import annotations

import subprocess
import sys

from tests.places import ROOT


def test_every_type_is_right() -> None:
    answer = subprocess.run(
        [sys.executable, "-m", "mypy", "--num-workers", "0"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert answer.returncode == 0, answer.stdout + answer.stderr
