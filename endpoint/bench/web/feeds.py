"""Pictures from this machine: a USB camera, or a film played as if it were live."""

from __future__ import annotations

import contextlib
import math
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from endpoint.bench.live.form import form_of
from endpoint.bench.web.hub import Hub
from endpoint.bench.web.protocol import Command
from endpoint.delivery.delivery import Delivery
from endpoint.problems import DeliveryProblem, RecordProblem, SourceProblem
from endpoint.recording.frame import ArrayFrame, Box, Frame, PictureSource

_REOPEN_S = 2.0
"""How long after a failure a camera is opened again, s. Assumed."""
_LEAD = 20
"""Frames of a film that are shown again and again until the run begins."""
_LATE_S = 0.25
"""How late a frame of a film may be and is still shown, s; beyond, it is skipped so that the film
keeps its pace. Assumed."""
_STRAIGHT_ML = 0.01
"""How far a log may lie off the line of a pump, mL: less than any burette shows."""


@dataclass(frozen=True)
class _At:
    """A frame with another number and time."""

    frame: Frame
    index: int
    time_s: float

    @property
    def width(self) -> int:
        return self.frame.width

    @property
    def height(self) -> int:
        return self.frame.height

    def rgb8(self) -> Any:
        return self.frame.rgb8()

    def encoded(self, box: Box) -> Any:
        return self.frame.encoded(box)


class CameraFeed:
    """USB camera through OpenCV; when it is unplugged it is looked for again every two seconds.

    Raises
    ------
    SourceProblem
        There is no such camera at the start.
    """

    def __init__(self, number: int) -> None:
        self._number = number
        self._camera = self._open()
        if self._camera is None:
            raise SourceProblem(
                f"Camera {number} gives no pictures.", "Check its plug, or try --camera browser."
            )

    def _open(self) -> Any:
        import cv2

        cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
        camera = cv2.VideoCapture(self._number)
        if not camera.isOpened() or not camera.read()[0]:
            camera.release()
            return None
        camera.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        return camera

    def run(self, hub: Hub) -> None:
        """Give frames to the hub until it stops."""
        index = 0
        while not hub.stopping.is_set():
            good, picture = (False, None) if self._camera is None else self._camera.read()
            if not good:
                if self._camera is not None:
                    self._camera.release()
                    self._camera = None
                if hub.stopping.wait(_REOPEN_S):
                    break
                self._camera = self._open()
                continue
            index += 1
            pixels = np.ascontiguousarray(np.asarray(picture)[..., ::-1])
            hub.frame(ArrayFrame(index, hub.clock.now(), pixels))
        if self._camera is not None:
            self._camera.release()


@dataclass(frozen=True)
class LogRow:
    """One reading that the record of a film holds, on the clock of the film."""

    time_s: float
    volume_ml: float


class FilmFeed:
    """A film played as if it were live.

    Its first frames are shown again and again until the run begins; then it plays from its start,
    and frames that come too late are dropped, as with a camera. With `rows` the readings are
    entered as they were logged, with `pump` it is started and stopped as it was.
    """

    def __init__(
        self,
        source: PictureSource,
        rows: tuple[LogRow, ...] = (),
        pump: PumpRun | None = None,
    ) -> None:
        self._source, self._rows, self._pump = source, rows, pump
        self._begun = threading.Event()

    def run(self, hub: Hub, stopping: threading.Event | None = None) -> None:
        """Give frames to the hub until it stops, or until `stopping` is set."""
        stopping = hub.stopping if stopping is None else stopping
        hub.on_commands.append(self._heard)
        try:
            self._play(hub, stopping)
        finally:
            hub.on_commands.remove(self._heard)
            self._source.close()

    def _play(self, hub: Hub, stopping: threading.Event) -> None:
        index = 0
        while not stopping.is_set():
            self._begun.clear()
            for frame in self._lead(stopping):
                index += 1
                hub.frame(_At(frame, index, hub.clock.now()))
            zero = hub.clock.now()
            rows, switches = list(self._rows), self._switches()
            for frame in self._source.frames():
                due = zero + frame.time_s
                while (wait := due - hub.clock.now()) > 0 and not stopping.is_set():
                    stopping.wait(min(wait / hub.clock.speed, 0.2))
                if stopping.is_set() or hub.session.phase == "result":
                    break
                self._enter(hub, rows, zero, frame.time_s)
                self._switch(hub, switches, zero, frame.time_s)
                if hub.clock.now() - due < _LATE_S * hub.clock.speed:
                    index += 1
                    hub.frame(_At(frame, index, due))
            else:
                # A pump that was stopped after the last frame delivered no more than it did.
                self._switch(hub, switches, zero, math.inf)
                hub.session.end_of_source(hub.clock.now())
                hub.changed()
            while hub.session.phase != "set-up" and not stopping.wait(0.2):
                pass
            hub.session.start_of_source()

    def _heard(self, command: Command) -> None:
        if command.do == "begin":
            self._begun.set()

    def _lead(self, stopping: threading.Event) -> Iterator[Frame]:
        first: list[Frame] = []
        for frame in self._source.frames():
            first.append(frame)
            if len(first) == _LEAD:
                break
        step = (first[-1].time_s - first[0].time_s) / max(len(first) - 1, 1) or 0.1
        while not self._begun.is_set() and not stopping.is_set():
            for frame in first:
                if self._begun.wait(step) or stopping.is_set():
                    return
                yield frame

    def _enter(self, hub: Hub, rows: list[LogRow], zero: float, now_s: float) -> None:
        while rows and rows[0].time_s <= now_s:
            row = rows.pop(0)
            if row.volume_ml > 0 and hub.session.phase == "titrating":
                try:
                    hub.session.running().reading(row.volume_ml, zero + row.time_s)
                except DeliveryProblem:
                    rows.clear()

    def _switches(self) -> list[tuple[float, bool]]:
        pump = self._pump
        return [] if pump is None else [(pump.start_s, True), (pump.stop_s, False)]

    def _switch(
        self, hub: Hub, switches: list[tuple[float, bool]], zero: float, now_s: float
    ) -> None:
        while switches and switches[0][0] <= now_s:
            at_s, run = switches.pop(0)
            if hub.session.phase == "titrating":
                # Somebody may have typed readings instead, or pressed the button first.
                with contextlib.suppress(RecordProblem):
                    hub.session.running().pump(run, zero + at_s)


@dataclass(frozen=True)
class PumpRun:
    """A pump of constant rate that the record of a film holds, on the clock of the film."""

    rate_ml_min: float
    start_s: float
    stop_s: float


@dataclass(frozen=True)
class RecordedRun:
    """A film of a record, ready to be played as if live."""

    source: PictureSource
    form: dict[str, Any]
    """Values of the set-up form."""
    rows: tuple[LogRow, ...] = ()
    pump: PumpRun | None = None
    left_out: tuple[str, ...] = ()
    """What the record states and the form cannot hold."""


def recorded_run(path: Path) -> RecordedRun:
    """Film of a record with its log, and what the record says, for the form.

    Raises
    ------
    Problem
        The record or its film cannot be used, it does not describe a film, or the rate of its
        titrant changed, which cannot be replayed.
    """
    from endpoint.analysis.prepare import prepare
    from endpoint.record.titration import read_record
    from endpoint.recording.colours import ColourTable
    from endpoint.recording.photometer import PhotometerTable

    record = read_record(path)
    job, source = prepare(record)
    if isinstance(source, PhotometerTable | ColourTable) or record.kind != "video":
        raise SourceProblem(f"{path.name} does not describe a film.", "Give the record of a film.")
    form, left_out = form_of(record, job)
    rows: tuple[LogRow, ...] = ()
    pump: PumpRun | None = None
    if record.seen is None and job.delivery is not None:
        if job.delivery.mode == "steps":
            # The log counts from the start.
            form |= {"first_reading_ml": 0.0}
            rows = tuple(
                LogRow(float(t), float(v))
                for t, v in zip(job.delivery.time_s, job.delivery.volume_ml, strict=True)
            )
        else:
            pump = pump_of(job.delivery, path.name)
            form |= {"mode": "pump", "rate_ml_min": pump.rate_ml_min}
    return RecordedRun(source, form, rows, pump, left_out)


def pump_of(delivery: Delivery, name: str) -> PumpRun:
    """Pump that delivers as a continuous log says.

    Parameters
    ----------
    delivery:
        Mode "continuous", in mL against s.
    name:
        Of the record, for the sentence.

    Raises
    ------
    DeliveryProblem
        The log is not a straight line from one start to one stop, or does not begin with 0 mL.
    """
    time_s, volume_ml = delivery.time_s, delivery.volume_ml
    rising = np.flatnonzero(np.diff(volume_ml) > 0.0)
    if rising.size and abs(float(volume_ml[0])) <= _STRAIGHT_ML:
        start, stop = float(time_s[rising[0]]), float(time_s[rising[-1] + 1])
        line = np.interp(time_s, [start, stop], [volume_ml[0], volume_ml[-1]])
        if float(np.max(np.abs(volume_ml - line))) <= _STRAIGHT_ML:
            rate_ml_s = float(volume_ml[-1] - volume_ml[0]) / (stop - start)
            return PumpRun(60.0 * rate_ml_s, start, stop)
    raise DeliveryProblem(
        f"In {name} the titrant did not run in at one constant rate from 0 mL. The bench can "
        "replay only such a pump, or single readings.",
        f"Analyse the film with: endpoint locate {name}",
    )
