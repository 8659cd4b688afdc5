"""One draw before the program: a record and a log as a user has them, and colours as of a film."""

from __future__ import annotations

import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from calibration.problem import Problem
from endpoint.analysis import pipeline, viewing
from endpoint.colour.density import ColourSample
from endpoint.delivery.clock import LogClock
from endpoint.record.titration import read_record
from endpoint.recording.frame import Box, Frame, SourceInfo
from endpoint.recording.volume_log import read_log
from endpoint.result.document import document
from endpoint.scene.region import Region
from tests.jobs import job_without_source
from tests.population.colours import samples_of
from tests.population.draws import Draw, draw
from tests.population.grading import Grade, grade_of, lateness_s
from tests.population.writing import Rows, csv_of, rows_of_tap, written

_FAR_OFF_ML = 0.02
"""Half of a drop: nearer than this a narrow interval that just misses is called false by nobody."""


@dataclass(frozen=True)
class Outcome:
    """What came of one draw; plain data."""

    seed: int
    grade: str
    because: tuple[str, ...]
    event: str
    delivery: str
    status: str
    """"located", "bracketed", "none", "asked" (one sentence instead of a result) or "crash"."""
    codes: tuple[str, ...]
    remarks: tuple[str, ...]
    truth_ml: float
    value_ml: float | None
    uncertainty_ml: float | None
    interval_ml: tuple[float, float | None] | None
    magnesium: float
    indicator_umol_l: float
    late_s: float
    clock_s: float
    fps: float
    reading_ml: float
    cpu_s: float
    picture: tuple[str, ...] = ()
    """Vessel and view, and how flask and camera are held; empty where only colours are made."""

    @property
    def error_ml(self) -> float | None:
        """Number minus truth."""
        return None if self.value_ml is None else self.value_ml - self.truth_ml

    @property
    def gap_ml(self) -> float | None:
        """Distance of the truth from the interval, 0 inside; None without one."""
        if self.interval_ml is None:
            return None
        low, high = self.interval_ml
        return max(low - self.truth_ml, 0.0 if high is None else self.truth_ml - high, 0.0)

    @property
    def holds(self) -> bool | None:
        """Whether the interval holds the truth."""
        return None if self.gap_ml is None else self.gap_ml <= 0.0

    @property
    def is_closed(self) -> bool:
        """Whether there is an interval with two ends."""
        return self.interval_ml is not None and self.interval_ml[1] is not None

    @property
    def false(self) -> bool:
        """A number that may not be given, or one whose interval lies far off.

        Far off: the truth lies outside by more than half of the width and by more than 0.02 mL.
        Where there is a slow change at a wrong pH the truth may be found after all.
        """
        if self.status == "crash":
            return True
        if self.gap_ml is None or self.interval_ml is None:
            return False
        if self.grade == "refuse" and self.event != "wrong-ph":
            return self.value_ml is not None or self.gap_ml > 0.0 or self.event in _NO_TITRATION
        low, high = self.interval_ml
        half = np.inf if high is None else 0.5 * (high - low)
        return bool(self.gap_ml > max(half, _FAR_OFF_ML))


_NO_TITRATION = ("no-indicator", "flask-swapped", "balance-turns")


def rows_of(drawn: Draw) -> Rows:
    """What was written down of a draw."""
    rng = np.random.default_rng([drawn.seed, 10])
    if drawn.delivery == "drops":
        near = drawn.end_ml - drawn.manner.fast_to_ml
        return written(rng, drawn.habits, drawn.acts, near)
    if drawn.delivery == "tap":
        return rows_of_tap(rng, drawn.habits, drawn.acts, float(rng.uniform(2.0, 8.0)))
    exact = replace(drawn.habits, late_s=0.0, late_scatter_s=0.05, grain_s=0.1, grain_ml=0.01)
    return rows_of_tap(rng, exact, drawn.acts, float(rng.uniform(1.0, 10.0)))


def write_record(drawn: Draw, rows: Rows, folder: Path, medium: str = "film.mp4") -> Path:
    """Write record and log into a folder; the medium need not be there."""
    rng = np.random.default_rng([drawn.seed, 11])
    water = drawn.water
    lines = [
        "format = 1",
        "[sample]",
        f'label = "draw {drawn.seed}"',
        f"volume_ml = {drawn.sample_ml:.1f}",
        f"added_ml = {water.flask_ml - drawn.sample_ml:.1f}",
        "[titrant]",
        f"concentration_mol_l = {water.titrant_mol_l}",
        f"standard_uncertainty_mol_l = {0.002 * water.titrant_mol_l}",
        "[recording]",
        f'video = "{medium}"',
        "[delivery]",
    ]
    if drawn.delivery == "pump" and not drawn.pump_is_logged:
        start = float(drawn.acts.begin_s[0]) - drawn.habits.clock_s
        lines += [f"rate_ml_min = {drawn.rate_ml_min!r}", f"start_s = {start:.1f}"]
    else:
        mode = "steps" if drawn.delivery == "drops" else "continuous"
        lines += ['log = "volumes.csv"', f'mode = "{mode}"']
        (folder / "volumes.csv").write_text(csv_of(rows), encoding="utf-8")
    if drawn.delivery == "pump" and drawn.lag_is_stated:
        lag = max(drawn.mixing.lag_s + 0.25 * rng.normal(), 0.1)
        lines += [f"mixing_lag_s = {lag:.2f}", "mixing_lag_uncertainty_s = 0.3"]
    record = folder / "record.toml"
    record.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return record


class ColourFilm:
    """A film of which only the colours are there."""

    def __init__(self, samples: list[ColourSample]) -> None:
        self.samples = samples
        self.info = SourceInfo(
            kind="video",
            path="film.mp4",
            width=8,
            height=8,
            duration_s=samples[-1].time_s,
            frame_count=len(samples),
        )

    def frames(self) -> Iterator[Frame]:
        """No pictures."""
        return iter(())

    def sample(self, count: int) -> list[Frame]:
        """No pictures."""
        return []

    def close(self) -> None:
        """Nothing to release."""


def _region() -> Region:
    box, mask = Box(0, 0, 4, 4), np.ones((4, 4), dtype=bool)
    return Region(8, 8, box, mask, box, mask, True, True, 1.0, 1.0, ((0, 0), (4, 0), (4, 4)))


def result_of_colours(record_path: Path, samples: list[ColourSample]) -> Any:
    """Result of a record and of the colours of its film: all of the program from the colours on.

    The record is read, the log opened and the clock assumed as for a film; only the step from
    frames to colours is left out.
    """
    record = read_record(record_path)
    job = job_without_source(record, None if record.log is None else read_log(record.log))
    stated = record.clock_offset_s is not None or record.rate_ml_min is not None
    clock = LogClock(record.clock_offset_s or 0.0, "stated" if stated else "assumed")

    def instead(frames: Iterable[Frame], *_: object) -> Iterator[ColourSample]:
        yield from samples

    with mock.patch.object(viewing, "follow", instead):
        return pipeline.analyse(
            ColourFilm(samples), replace(job, clock=clock), region=_region(), every_frame=True
        )


def judged(seed: int, folder: Path) -> Outcome:
    """Draw, write, ask, compare; `folder` gets the record and its log."""
    drawn = draw(seed)
    rows = rows_of(drawn)
    record = write_record(drawn, rows, folder)
    grade = grade_of(drawn, rows)
    return compared(drawn, rows, grade, lambda: result_of_colours(record, samples_of(drawn)))


def compared(drawn: Draw, rows: Rows, grade: Grade, ask: Callable[[], Any]) -> Outcome:
    """Outcome of a draw; `ask` returns the program's result."""
    begin = time.process_time()
    value = uncertainty = interval = None
    codes: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    try:
        result = ask()
        told = document(result, {})
        status = str(told["status"])
        volume = told["equivalence_ml"]
        if volume is not None:
            low, high = volume["interval95"]
            value, uncertainty = volume["value"], volume["standard_uncertainty"]
            interval = (low, high)
        codes = tuple(s["code"] for s in told["reasons"])
        remarks = tuple(s["code"] for s in told["diagnosis"])
    except Problem as problem:
        status, codes = "asked", (str(problem)[:120],)
    except Exception:
        last = traceback.format_exc().strip().splitlines()
        status, codes = "crash", (last[-1][:160], *last[-4:-2])
    return Outcome(
        seed=drawn.seed,
        grade=grade.name,
        because=grade.because,
        event=drawn.event,
        delivery=drawn.delivery,
        status=status,
        codes=codes,
        remarks=remarks,
        truth_ml=drawn.end_ml,
        value_ml=value,
        uncertainty_ml=uncertainty,
        interval_ml=interval,
        magnesium=drawn.water.magnesium_share,
        indicator_umol_l=drawn.water.indicator_umol_l,
        late_s=0.0 if drawn.delivery == "pump" else lateness_s(drawn, rows),
        clock_s=drawn.clock_apart_s,
        fps=drawn.film.fps,
        reading_ml=drawn.habits.grain_ml,
        cpu_s=time.process_time() - begin,
    )
