"""A batch on processes of this computer."""

from __future__ import annotations

import datetime
import queue
import threading
from collections.abc import Iterator, Sequence

from endpoint.batch.items import Item
from endpoint.batch.row import Row
from endpoint.batch.worker import Worker


def rows_by_pool(
    items: Sequence[Item], jobs: int, limit_s: float, today: datetime.date
) -> Iterator[Row]:
    """Rows as they are finished.

    Parameters
    ----------
    items:
        Records to analyse.
    jobs:
        Processes at the same time.
    limit_s:
        Seconds that one record may take.
    today:
        Day of use for certificates where a record has no date.

    Raises
    ------
    BatchProblem
        No process can be started.
    """
    todo: queue.SimpleQueue[Item] = queue.SimpleQueue()
    for item in items:
        todo.put(item)
    done: queue.SimpleQueue[Row | BaseException] = queue.SimpleQueue()
    workers = [Worker(limit_s) for _ in range(min(jobs, len(items)))]
    stopped = threading.Event()

    def serve(worker: Worker) -> None:
        try:
            while not stopped.is_set():
                done.put(worker.run(todo.get_nowait(), today))
        except queue.Empty:
            worker.close()
        except BaseException as error:
            done.put(error)

    threads = [threading.Thread(target=serve, args=(w,), daemon=True) for w in workers]
    for thread in threads:
        thread.start()
    try:
        for _ in items:
            found = done.get()
            if isinstance(found, BaseException):
                raise found
            yield found
    finally:
        stopped.set()
        for worker in workers:
            worker.close()
        for thread in threads:
            thread.join(timeout=10.0)
