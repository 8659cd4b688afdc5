"""Waiting for what must come, however slow the machine is."""

from __future__ import annotations

import time
from collections.abc import Callable

PATIENCE_S = 120.0
"""Longer than any machine needs that is only busy."""


def wait_for(condition: Callable[[], object], what: str, seconds: float = PATIENCE_S) -> None:
    """Return when the condition holds; fail and say what was waited for where it never does."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"waited {seconds:g} s in vain: {what}"
        time.sleep(0.03)
