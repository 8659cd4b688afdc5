"""A batch on an existing Dask cluster: the same children, started where the cluster's workers are.

The workers need this program and its paths: the records and recordings must lie on a disk that all
of them see under the same name.
"""

from __future__ import annotations

import asyncio
import datetime
import logging
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from endpoint.batch.items import Item
from endpoint.batch.problem import BatchProblem
from endpoint.batch.row import Row, died_row
from endpoint.batch.worker import Worker

_own = threading.local()
_CONNECT_S = 3
"""How long a scheduler may take to answer, s. One that runs answers in well under a second; with
the loading of the library and the closing of the connection a wrong address is told within 5 s on a
machine at rest, and within 10 s on a busy one."""
_AGAIN = "Finished recordings are kept: start the scheduler and run the same command again."


def row_there(name: str, path: str, fingerprint: str, limit_s: float, today: str) -> Row:
    """Row of a record, by the child of this thread of a cluster's worker."""
    worker: Worker | None = getattr(_own, "worker", None)
    if worker is None or getattr(_own, "limit_s", None) != limit_s:
        worker = _own.worker = Worker(limit_s)
        _own.limit_s = limit_s
    item = Item(name, Path(path), fingerprint)
    return worker.run(item, datetime.date.fromisoformat(today))


def rows_by_cluster(
    items: Sequence[Item], address: str, limit_s: float, today: datetime.date
) -> Iterator[Row]:
    """Rows as they are finished; parameters as `pool.rows_by_pool`.

    A worker of the cluster that dies loses nothing: its records go to others.

    Raises
    ------
    BatchProblem
        dask.distributed is not installed, there is no scheduler at the address, it is lost, or its
        workers do not have this program.
    """
    distributed: Any = _distributed()
    _check_scheduler(address, distributed)
    with distributed.Client(address, set_as_default=False) as client:
        waiting = {
            client.submit(
                row_there,
                item.name,
                str(item.path),
                item.fingerprint,
                limit_s,
                today.isoformat(),
                key=f"endpoint-{item.fingerprint}-{item.name}",
                pure=False,
            ): item
            for item in items
        }
        finished = distributed.as_completed(list(waiting), loop=client.loop)
        for future in finished:
            item = waiting.pop(future)
            yield _row_of(future, item, distributed)
            future.release()


def _check_scheduler(address: str, distributed: Any) -> None:
    """Ask the scheduler who it is: a client waits for ever where something else is listening."""

    async def identity() -> Any:
        security = distributed.Security().get_connection_args("client")
        async with distributed.rpc(address, connection_args=security) as scheduler:
            return await asyncio.wait_for(scheduler.identity(), _CONNECT_S)

    try:
        answer = asyncio.run(identity())
        if answer.get("type") != "Scheduler":
            raise ValueError(f"a {str(answer.get('type')).lower()} answers")
    except Exception as error:  # whatever listens there may answer anything
        if isinstance(error, TimeoutError):
            why = "no answer"
        elif isinstance(error, ValueError):
            why = str(error).split("\n")[0][:150]
        else:
            why = "what answers there is something else"
        raise BatchProblem(
            f"There is no Dask scheduler at {address} ({why}).",
            "Give the address that it shows when it starts, such as tcp://192.0.2.1:8786.",
        ) from None


def _row_of(future: Any, item: Item, distributed: Any) -> Row:
    if future.status == "finished":
        return dict(future.result())
    if future.status in ("cancelled", "lost"):
        raise BatchProblem("The Dask scheduler was lost.", _AGAIN)
    error = future.exception()
    if isinstance(error, distributed.KilledWorker):
        return died_row(item.name)
    if isinstance(error, BatchProblem):
        raise error
    if isinstance(error, ImportError):
        raise BatchProblem(
            "The workers of the cluster do not have this program.",
            "Install endpoint-titration, in the same version, where the workers run.",
        )
    what = " ".join(f"{type(error).__name__}: {error}".split())[:150]
    raise BatchProblem(f"The cluster failed ({what}).", _AGAIN)


def _distributed() -> Any:
    try:
        import distributed

        # A lost connection ends in one sentence of ours, not in its logs; each has its own level.
        for name in ("asyncio", "tornado.application", *logging.root.manager.loggerDict):
            if name.partition(".")[0] in ("asyncio", "distributed", "tornado"):
                logging.getLogger(name).setLevel(logging.CRITICAL)
    except ImportError:
        raise BatchProblem(
            "--scheduler needs dask.distributed, which is not installed.",
            'Install it: pip install "endpoint-titration[dask]".',
        ) from None
    return distributed
