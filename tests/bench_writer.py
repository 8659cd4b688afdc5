"""A program at the bench that can be killed and started again, for `test_journal_kill`."""

from __future__ import annotations

import os
import struct
import time
from pathlib import Path

from endpoint.bench.journal import Journal
from endpoint.bench.journal_events import Finding, Reading, Stamp
from tests.live_titration import head, stepwise

SPEED = 60.0
"""Seconds of titration in one second of the clock on the wall; the journal knows nothing of it."""
FRAME_S = 0.5
PAUSE_S = 17.0
ACK = struct.Struct("<qd")
WORLD = struct.Struct("<d")


def fast_clock() -> Stamp:
    """Both clocks at the speed of the titration."""
    return Stamp(SPEED * time.monotonic(), SPEED * time.time())


def live(folder: Path, seed: int) -> None:
    """Titrate from where the world stands to the end, or to the death of this process.

    The flask does not forget: `world` says how far the titration truly is. `acks` says what was
    given to the journal, and when. Both are written past every buffer of this process.
    """
    titration = stepwise(seed, PAUSE_S)
    acks = os.open(folder / "acks", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    world = os.open(folder / "world", os.O_RDWR | os.O_CREAT)
    held = os.read(world, WORLD.size)
    here_s = WORLD.unpack(held)[0] if held else 0.0
    with Journal.open(folder / "journal.sqlite", clock=fast_clock) as journal:
        going_on = journal.unfinished()
        if going_on:
            run = going_on[0].run
            # The clock of the frames goes on; the person pours nothing while nobody watches.
            ahead_s = journal.resume(run).time_s - here_s
        else:
            run, ahead_s = journal.begin(head()), 0.0

        def keep(event: object) -> None:
            number = journal.append(run, event)  # type: ignore[arg-type]
            os.write(acks, ACK.pack(number, time.monotonic()))

        now_ml = float(titration.delivery.volume_at(here_s))
        keep(Reading(here_s + ahead_s, now_ml if going_on else 0.0))
        began = time.monotonic() - here_s / SPEED
        while here_s < titration.end_s:
            time.sleep(0.004)
            before_s, here_s = here_s, SPEED * (time.monotonic() - began)
            for at_s, ml in zip(
                titration.delivery.time_s, titration.delivery.volume_ml, strict=True
            ):
                if before_s < at_s <= here_s:
                    keep(Reading(float(at_s) + ahead_s, float(ml)))
            for sample in titration.samples(before_s, here_s, FRAME_S):
                keep(type(sample)(**{**sample.__dict__, "time_s": sample.time_s + ahead_s}))
            os.pwrite(world, WORLD.pack(here_s), 0)
        journal.append(run, Finding("none", {"equivalence_ml": None}))
