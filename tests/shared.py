"""What is costly to make is made once and shared by all tests, those of other workers as well."""

from __future__ import annotations

import fcntl
import os
from collections.abc import Callable
from pathlib import Path

import pytest


def made_once(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], object]) -> Path:
    """Folder of a name, filled by `make` for whoever asks first; nobody may write into it."""
    base = factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent
    folder = base / "shared" / name
    folder.parent.mkdir(exist_ok=True)
    # The lock falls with the process that holds it, so a worker that is killed hinders nobody.
    with folder.with_suffix(".lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not folder.exists():
            begun = folder.with_suffix(f".{os.getpid()}")
            begun.mkdir()
            make(begun)
            begun.rename(folder)
    return folder
