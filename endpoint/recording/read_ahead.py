"""The next pictures are decoded while those before are measured."""

from __future__ import annotations

import queue
import threading
from collections.abc import Generator, Iterator
from contextlib import suppress
from typing import TypeVar

Item = TypeVar("Item")

_END = object()
_ASK_AGAIN_S = 0.1
"""How soon a full queue notices that nobody wants more."""


def ahead(items: Generator[Item, None, None], most: int) -> Iterator[Item]:
    """Yield the same items in the same order, with the next ones fetched by another thread.

    Parameters
    ----------
    items:
        A generator that nobody else uses. It is closed by the thread that ran it.
    most:
        How many items may wait, 1 or more; this bounds the memory.

    Raises
    ------
    BaseException
        Whatever `items` raises, after the items before it.
    """
    waiting: queue.Queue[object] = queue.Queue(most)
    unwanted = threading.Event()
    failed: list[BaseException] = []

    def put(item: object) -> bool:
        while not unwanted.is_set():
            with suppress(queue.Full):
                waiting.put(item, timeout=_ASK_AGAIN_S)
                return True
        return False

    def fetch() -> None:
        try:
            for item in items:
                if not put(item):
                    return
        except BaseException as error:  # raised again where the items are wanted
            failed.append(error)
        finally:
            items.close()
            put(_END)

    thread = threading.Thread(target=fetch, name="pictures-ahead", daemon=True)
    thread.start()
    try:
        while (item := waiting.get()) is not _END:
            yield item  # type: ignore[misc]
    finally:
        unwanted.set()
        thread.join()
    if failed:
        raise failed[0]
