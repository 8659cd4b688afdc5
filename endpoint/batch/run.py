"""A batch from its records to its rows, past what the journal holds already."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

from endpoint.batch.items import Item
from endpoint.batch.journal import BatchJournal
from endpoint.batch.row import Row

Runner = Callable[[Sequence[Item]], Iterator[Row]]


def run_batch(
    items: Sequence[Item],
    journal: BatchJournal,
    runner: Runner,
    *,
    retry_failed: bool = False,
    on_row: Callable[[Row], None] | None = None,
) -> tuple[Row, ...]:
    """Analyse what is not finished and return all rows in the order of the items.

    Parameters
    ----------
    items:
        Records of the batch.
    journal:
        Finished rows; each new one is added before `on_row` hears of it.
    runner:
        Gives one row for each record, in any order: that of `pool` or of `cluster`.
    retry_failed:
        Analyse again what failed (not what was refused).
    on_row:
        Called with every new row, for progress.
    """
    left = open_items(items, journal, retry_failed=retry_failed)
    by_name = {item.name: item for item in left}
    for row in runner(left) if left else ():
        journal.add(by_name.pop(row["record"]), row)
        if on_row is not None:
            on_row(row)
    rows = tuple(journal.row(item) for item in items)
    assert all(row is not None for row in rows)
    return tuple(row for row in rows if row is not None)


def open_items(
    items: Sequence[Item], journal: BatchJournal, *, retry_failed: bool = False
) -> tuple[Item, ...]:
    """Records that the journal does not hold, or only as failed."""

    def is_open(item: Item) -> bool:
        row = journal.row(item)
        return row is None or (retry_failed and row["status"] == "failed")

    return tuple(item for item in items if is_open(item))
