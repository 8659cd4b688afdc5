"""A process that analyses one record after the other: a line of JSON in, a line of JSON out.

It runs in an interpreter of its own, so that a decoder that crashes takes nothing with it. When
the process that started it is gone, it ends at once.
"""

from __future__ import annotations

import contextlib
import datetime
import json
import os
import queue
import sys
import threading
from pathlib import Path
from typing import Any


def main() -> None:
    """Serve requests from standard input until it ends."""
    # What libraries print must not get between the answers.
    answers = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)
    waiting: queue.SimpleQueue[dict[str, Any]] = queue.SimpleQueue()
    threading.Thread(target=_read, args=(waiting,), daemon=True).start()

    import cv2

    from endpoint.batch.work import row_of_record

    cv2.setNumThreads(1)
    _answer(answers, {"ready": True})
    while True:
        request = waiting.get()
        today = datetime.date.fromisoformat(request["today"])
        _answer(answers, row_of_record(request["name"], Path(request["path"]), today))


def _read(waiting: queue.SimpleQueue[dict[str, Any]]) -> None:
    """Pass requests on; leave at once, even amid an analysis, when there is nobody to answer."""
    with contextlib.suppress(OSError, ValueError):
        for line in sys.stdin:
            waiting.put(json.loads(line))
    os._exit(0)


def _answer(stream: Any, data: dict[str, Any]) -> None:
    try:
        stream.write(json.dumps(data, allow_nan=False) + "\n")
        stream.flush()
    except OSError:
        os._exit(0)


if __name__ == "__main__":
    main()
