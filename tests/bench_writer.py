"""A program at the bench that can be killed and started again."""

from __future__ import annotations

import os
import struct
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from endpoint.bench.journal.events import Event, Finding, Reading, Stamp
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.writer import BATCH_S
from tests.live_titration import head, pumped, stepwise

SPEED = 60.0
"""Seconds of titration in one second on the wall; what the journal waits for is not sped up."""
TICK_S = 0.008
STEP_S = SPEED * TICK_S
"""Time between two frames on the clock of the titration, s."""
PAUSE_S = 20.0
ACK = struct.Struct("<qd")
WORLD = struct.Struct("<q")
BEAT = struct.Struct("<d")


def fast_clock() -> Stamp:
    """Both clocks at the speed of the titration."""
    return Stamp(SPEED * time.monotonic(), SPEED * time.time())


def beat(folder: Path) -> None:
    """Wait as long as the journal lets a colour wait, write to the disk, say so, and so on.

    A busy machine or a slow disk holds this thread up as it does that of the journal.
    """
    beats = os.open(folder / "beats", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    while True:
        time.sleep(BATCH_S)
        began_s = time.monotonic()
        os.fsync(beats)
        os.write(beats, BEAT.pack(began_s))


def live(folder: Path, seed: int) -> None:
    """Titrate from where the world stands until the file `finish` is there, or until killed.

    An even seed is a titration by hand with 3.5 readings a second, an odd one has frames only.
    The flask does not forget: `world` says how many frames the titration truly has had. `acks`
    says what was given to the journal, and when. Both are written past every buffer of this
    process. `beats` says how fast this process can write to the disk.
    """
    acks = os.open(folder / "acks", os.O_WRONLY | os.O_APPEND | os.O_CREAT)
    threading.Thread(target=beat, args=(folder,), daemon=True).start()
    with RunJournal.open(folder / "journal.sqlite", clock=fast_clock) as journal:
        going_on = journal.unfinished()
        run = going_on[0].run if going_on else journal.begin(head())

        def keep(event: Event) -> None:
            number = journal.append(run, event)
            os.write(acks, ACK.pack(number, time.monotonic()))

        resumed_s = journal.resume(run).time_s if going_on else None
        if seed % 2:
            only_frames(keep, resumed_s or 0.0)
        by_hand(folder, seed, keep, resumed_s)
        journal.append(run, Finding("none", {"equivalence_ml": None}))


def by_hand(
    folder: Path, seed: int, keep: Callable[[Event], None], resumed_s: float | None
) -> None:
    """A person pours nothing while nobody watches, and reads the burette when it goes on."""
    titration = stepwise(seed, PAUSE_S)
    world = os.open(folder / "world", os.O_RDWR | os.O_CREAT)
    held = os.read(world, WORLD.size)
    frame = WORLD.unpack(held)[0] if held else 0
    here_s = STEP_S * frame
    ahead_s = 0.0 if resumed_s is None else resumed_s - here_s
    now_ml = 0.0 if resumed_s is None else float(titration.delivery.volume_at(here_s))
    keep(Reading(here_s + ahead_s, now_ml))
    log = titration.delivery
    while here_s < titration.end_s or not (folder / "finish").exists():
        time.sleep(TICK_S)
        frame += 1
        before_s, here_s = here_s, STEP_S * frame
        # First: what was poured stays poured, whether or not it is kept before the kill.
        os.pwrite(world, WORLD.pack(frame), 0)
        for at_s, ml in zip(log.time_s.tolist(), log.volume_ml.tolist(), strict=True):
            if before_s < at_s <= here_s:
                keep(Reading(at_s + ahead_s, ml))
        for sample in titration.samples(before_s, here_s, STEP_S):
            keep(replace(sample, time_s=sample.time_s + ahead_s))


def only_frames(keep: Callable[[Event], None], from_s: float) -> None:
    """Frames of a pump that runs on and on, and nobody types: nothing hurries the journal."""
    for sample in pumped().samples(from_s, from_s + 1e4, STEP_S):
        time.sleep(TICK_S)
        keep(sample)
