"""Items fetched ahead: the same, in order, bounded, with errors, and let go of."""

from __future__ import annotations

import threading
import time
from collections.abc import Generator

import pytest

from endpoint.recording.read_ahead import ahead
from tests.waiting import wait_for


def counted(log: list[object], upto: int, fail: bool = False) -> Generator[int, None, None]:
    try:
        for k in range(upto):
            log.append(k)
            yield k
        if fail:
            raise OSError("the file is gone")
    finally:
        log.append("closed")


def test_same_items_in_order_and_closed_at_the_end() -> None:
    log: list[object] = []
    assert list(ahead(counted(log, 500), 4)) == list(range(500))
    assert log == [*range(500), "closed"]


def test_an_error_comes_after_the_items_before_it() -> None:
    log: list[object] = []
    got: list[int] = []
    with pytest.raises(OSError, match="gone"):
        got.extend(ahead(counted(log, 7, fail=True), 2))
    assert got == list(range(7))
    assert log[-1] == "closed"


def test_no_more_wait_than_allowed() -> None:
    log: list[object] = []
    items = ahead(counted(log, 100), 3)
    assert next(items) == 0
    # One was taken, three wait, one is held by the thread that cannot put it down.
    wait_for(lambda: len(log) == 5, "five items read")
    time.sleep(0.1)
    assert len(log) == 5
    items.close()  # type: ignore[attr-defined]


def test_a_reader_who_stops_lets_go_of_the_source() -> None:
    log: list[object] = []
    before = threading.active_count()
    items = ahead(counted(log, 10_000), 2)
    assert [next(items) for _ in range(3)] == [0, 1, 2]
    items.close()  # type: ignore[attr-defined]
    assert log[-1] == "closed"
    assert threading.active_count() == before
