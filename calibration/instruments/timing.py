"""Times: how far the camera's clock is from the log's, and how long the liquid takes to mix.

Clock offset: the same events (a lamp switched on, the pump started) are timed on both clocks.
Mixing lag: see `calibration.instruments.mixing`.
"""

from __future__ import annotations

import csv
import difflib
import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.cells import Section
from calibration.certificate import Certificate
from calibration.instruments.mixing import (
    ENOUGH_AFTER,
    Pause,
    PauseFit,
    TimingProblem,
    fit_pause,
    mixing_lag,
)
from calibration.quantity import Quantity
from calibration.reading import Unreadable, read_text
from calibration.sheet import MAX_BYTES, Sheet

FloatArray = NDArray[np.float64]

LONG_SPAN_S = 60.0
"""Events must span this before a drift of the clocks is looked for (common practice)."""
_LATEST_S = 1e6
"""Seconds beyond which a time of a sheet is a typing error, twelve days: clocks may count from any
moment of the week. Assumed."""


@dataclass(frozen=True)
class ClockOffset:
    """Camera's clock minus the log's."""

    offset: Quantity
    """s, at the middle of the events."""
    drift: Quantity | None
    """s of offset gained in each s; None where the events are too few or too close."""
    middle_s: float
    """Time of the log for which `offset` holds."""
    residual_s: tuple[float, ...]


def clock_offset(
    camera_s: ArrayLike,
    log_s: ArrayLike,
    camera_resolution_s: float,
    log_resolution_s: float,
    identifier: str,
) -> ClockOffset:
    """Offset, and drift, of two clocks from events timed on both.

    Parameters
    ----------
    camera_s, log_s:
        Times of the same n >= 2 events, shape (n,).
    camera_resolution_s, log_resolution_s:
        Steps in which the clocks can be read (a frame, a digit), taken as rectangular. Where the
        scatter is smaller than a step, the rounding is the same in all events and no mean helps.

    identifier:
        Of the certificate; names of the contributions begin with it.

    Source: JCGM 100:2008, 4.2 and 4.3.7; the drift is a straight line of least squares.
    """
    camera = np.asarray(camera_s, dtype=np.float64)
    log = np.asarray(log_s, dtype=np.float64)
    difference = camera - log
    n, middle = len(difference), float(np.mean(log))
    residual = difference - difference.mean()
    drift = None
    if n >= 3 and np.ptp(log) >= LONG_SPAN_S:
        steps = math.hypot(camera_resolution_s, log_resolution_s)
        drift, residual = _drift(log - middle, residual, steps, identifier)
    dof = n - 1 if drift is None or drift.value == 0.0 else n - 2
    scatter = math.sqrt(float(residual @ residual) / dof)
    offset = Quantity(float(difference.mean()), "s") + Quantity.measured(
        0.0, "s", scatter / math.sqrt(n), f"{identifier}: clocks, scatter of the events", kind="A",
        degrees_of_freedom=dof,
    )  # fmt: skip
    for clock, step in (("camera", camera_resolution_s), ("log", log_resolution_s)):
        if step > 0.0:
            half = 0.5 * step * (1.0 if scatter < step / math.sqrt(12.0) else 1.0 / math.sqrt(n))
            name = f"{identifier}: clocks, resolution of the {clock}"
            offset += Quantity.from_limits(0.0, "s", half, "rectangular", name)
    return ClockOffset(offset, drift, middle, tuple(float(v) for v in residual))


def certificate_from_sheet(sheet: Sheet) -> Certificate:
    """Make a certificate of kind "timing" from a sheet.

    Tables: `[clocks]` camera_resolution_s (a frame), log_resolution_s and log_rounding ("nearest",
    or "down" for a clock that cuts off); `[[event]]` camera_s, log_s; `[[pause]]` stop_s with
    time_s and signal as lists, or rows time_s, signal (and pause, its number) in a CSV;
    stop_clock "camera" or "log". A pause may also name a table with a column time_s, such as
    curve.csv of a result, with column ("density_red"), from_s and until_s.

    Quantities: "clock offset" (s, camera minus log), "clock drift" (1), "mixing lag" (s), "delay"
    (s, after the stop; acts like more clock offset).

    Raises
    ------
    SheetProblem
        A cell is missing or cannot be used, or the readings do not show what they should.
    """
    head = sheet.head()
    quantities: dict[str, Quantity] = {}
    readings: dict[str, tuple[float, ...]] = {}
    remarks = list(head.remarks)
    details: dict[str, object] = {}
    clocks = _read_clocks(sheet, head.identifier)
    if clocks is not None:
        found, camera, log = clocks
        quantities["clock offset"] = found.offset
        readings |= {"event_camera_s": camera, "event_log_s": log}
        details["clock"] = {"middle_s": found.middle_s, "residual_s": list(found.residual_s)}
        remarks += _clock_words(found, quantities)
    pauses = _read_pauses(sheet, clocks[0] if clocks else None)
    if pauses:
        fits = [fit_pause(pause) for pause in pauses]
        quantities["mixing lag"], scatter = mixing_lag(fits, head.identifier)
        remarks += _lag_words(fits, quantities, scatter, head.identifier)
        details["pauses"] = [
            {
                "lag_s": f.lag_s, "lag_uncertainty_s": f.lag_uncertainty_s, "delay_s": f.delay_s,
                "delay_uncertainty_s": f.delay_uncertainty_s, "noise": f.noise, "step": f.step,
                "stop_s": p.stop_s,
            }
            for p, f in zip(pauses, fits, strict=True)
        ]  # fmt: skip
        for n, pause in enumerate(pauses, 1):
            readings[f"pause {n} time_s"] = tuple(pause.time_s.tolist())
            readings[f"pause {n} signal"] = tuple(pause.signal.tolist())
    if not quantities:
        raise TimingProblem(
            f"{sheet.name} holds neither events nor a pause.",
            "Add [[event]] with camera_s and log_s, or [[pause]] with stop_s and its readings.",
        )
    sheet.close()
    return Certificate(
        head.identifier, "timing", head.what, head.date, head.expiry, head.operator, quantities,
        readings, tuple(remarks), details,
    )  # fmt: skip


def _drift(
    from_middle: FloatArray, residual: FloatArray, step_s: float, identifier: str
) -> tuple[Quantity, FloatArray]:
    """Slope of the residuals, 0 where it is not significant, and what is left of them."""
    dof = len(residual) - 2
    spread = float(np.sum(from_middle**2))
    slope = float(from_middle @ residual) / spread
    along = residual - slope * from_middle
    u = math.sqrt(float(along @ along) / dof / spread + step_s**2 / 12.0 / spread)
    found = Quantity.measured(
        slope, "1", u, f"{identifier}: clocks, drift", kind="A", degrees_of_freedom=dof
    )
    if abs(slope) > found.expanded_uncertainty():
        return found, along
    return Quantity(0.0, "1", found.contributions), residual


def _csv_has(sheet: Sheet, column: str) -> bool:
    return any(column in row.cells for row in (sheet.table_rows or ())[:1])


def _read_clocks(
    sheet: Sheet, identifier: str
) -> tuple[ClockOffset, tuple[float, ...], tuple[float, ...]] | None:
    part = sheet.section("clocks", needed=False)
    camera_step = part.number("camera_resolution_s", 0.0, 5.0, 0.0)
    log_step = part.number("log_resolution_s", 0.0, 60.0, 0.0)
    cut_off = part.choice("log_rounding", ("nearest", "down"), "nearest") == "down"
    part.close()
    in_csv = _csv_has(sheet, "camera_s")
    if not (sheet.has("event") or in_csv):
        return None
    # Events may stand in the head of a CSV whose rows are the colours of a pause.
    here = replace(sheet, table_rows=None) if sheet.has("event") else sheet
    rows = here.rows("event", 2)
    camera, log = [], []
    for row in rows:
        camera.append(float(row.number("camera_s", -_LATEST_S, _LATEST_S)))
        log.append(float(row.number("log_s", -_LATEST_S, _LATEST_S)))
        row.close()
    gaps = np.array(camera) - np.array(log) - np.median(np.array(camera) - np.array(log))
    worst = int(np.argmax(np.abs(gaps)))
    allowed = max(5.0, 5.0 * log_step, 2e-3 * float(np.ptp(log)))
    if abs(gaps[worst]) > allowed:
        raise rows[worst].problem(
            "camera_s",
            f"is {camera[worst]:g} s where the log has {log[worst]:g} s; the other events have "
            f"another difference, by {abs(gaps[worst]):.3g} s.",
            "Check that both times belong to the same event, and that both are in seconds.",
        )
    # A clock that cuts off shows on average half a step too little.
    shifted = np.array(log) + (0.5 * log_step if cut_off else 0.0)
    return (
        clock_offset(camera, shifted, camera_step, log_step, identifier),
        tuple(camera),
        tuple(log),
    )


def _clock_words(found: ClockOffset, quantities: dict[str, Quantity]) -> list[str]:
    u = found.offset.expanded_uncertainty()
    later = "ahead of" if found.offset.value >= 0 else "behind"
    words = [
        f"The camera's clock is {abs(found.offset.value):.2f} s {later} the log's "
        f"(± {u:.2g} s, 95 %)."
    ]
    if found.drift is None:
        return [*words, "Whether the clocks drift apart was not checked: that takes three "
                "events over a minute or more."]  # fmt: skip
    quantities["clock drift"] = found.drift
    hourly = 3600.0 * found.drift.value
    if found.drift.value == 0.0:
        limit = 3600.0 * found.drift.expanded_uncertainty()
        return [
            *words,
            f"No drift between the clocks was found: less than {limit:.2g} s in an hour (95 %).",
        ]
    return [*words, f"The clocks drift apart by {hourly:+.2g} s in an hour; the offset holds at "
            f"{found.middle_s:.0f} s of the log."]  # fmt: skip


def _lag_words(
    fits: Sequence[PauseFit],
    quantities: dict[str, Quantity],
    scatter: float | None,
    identifier: str,
) -> list[str]:
    lag = quantities["mixing lag"]
    half = lag.expanded_uncertainty()
    words = [f"Mixing lag {lag.value:.2f} s (± {half:.2g} s, 95 %) from {len(fits)} pause(s)."]
    if scatter is None:
        words.append("One pause does not show how the lag varies between runs: make two or more.")
    else:
        words.append(f"The pauses scatter by {scatter:.2g} s.")
    known = [f for f in fits if f.delay_s is not None]
    if len(known) < len(fits):
        words.append(
            "A pause without readings before its stop cannot tell a dead time from the lag; none "
            "was assumed."
        )
    if known:
        delays = [float(f.delay_s) for f in known if f.delay_s is not None]
        n = len(known)
        u = math.sqrt(sum(f.delay_uncertainty_s**2 for f in known)) / n
        scatter_u = float(np.std(delays, ddof=1)) / math.sqrt(n) if n > 1 else 0.0
        mean, u = float(np.mean(delays)), max(u, scatter_u)
        quantities["delay"] = Quantity.measured(mean, "s", u, f"{identifier}: delay", kind="A")
        if abs(mean) > 3.0 * u and abs(mean) > 0.1:
            side = "after" if mean > 0 else "before"
            words.append(
                f"The colour answered {abs(mean):.2f} s {side} the stop. That shifts the curve "
                "like a clock offset does: add it to the offset, or check the stop time."
            )
    return words


def _read_pauses(sheet: Sheet, clocks: ClockOffset | None) -> list[Pause]:
    heads = (
        replace(sheet, table_rows=None).rows("pause")
        if isinstance(sheet.tables.get("pause"), list)
        else ()
    )
    sheet.has("pause")
    in_csv = _csv_has(sheet, "signal")
    if not heads:
        if in_csv:
            raise TimingProblem(
                f"{sheet.name} has colours against time, but no stop of the titrant.",
                "Add [[pause]] with stop_s, the time when the titrant stopped.",
            )
        return []
    pauses = []
    for n, head in enumerate(heads, 1):
        stop = float(head.number("stop_s", -_LATEST_S, _LATEST_S))
        if head.choice("stop_clock", ("camera", "log"), "camera") == "log":
            if clocks is None:
                raise head.problem(
                    "stop_clock", 'is "log", but nothing says how the clocks differ.',
                    "Add [[event]] with camera_s and log_s.",
                )  # fmt: skip
            stop += clocks.offset.value
        if head.has("table"):
            time, signal = _from_table(sheet, head)
        elif in_csv and not head.has("time_s"):
            time, signal = _from_rows(sheet, head, n, len(heads))
        else:
            time = np.array(head.numbers("time_s", -_LATEST_S, _LATEST_S, ENOUGH_AFTER))
            signal = np.array(head.numbers("signal", -1e6, 1e6, ENOUGH_AFTER))
        head.close()
        pauses.append(_checked_pause(head, time, signal, stop))
    return pauses


def _from_table(sheet: Sheet, head: Section) -> tuple[FloatArray, FloatArray]:
    """Readings of one pause from a table with a column time_s, such as the curve of a result."""
    name, column = head.text("table"), head.text("column", "density_red")
    start = head.number("from_s", -_LATEST_S, _LATEST_S, -math.inf)
    end = head.number("until_s", -_LATEST_S, _LATEST_S, math.inf)
    path = sheet.folder / name
    try:
        rows = list(csv.DictReader(read_text(path, MAX_BYTES).splitlines()))
    except (Unreadable, csv.Error) as why:
        reason = why.reason if isinstance(why, Unreadable) else "it is not a table"
        raise head.problem(
            "table", f'names "{name}", which cannot be read ({reason}).',
            "Check the name; it is taken from the folder of the sheet.",
        ) from None  # fmt: skip
    here = [key for key in (rows[0] if rows else {}) if key]
    for key in ("time_s", column):
        if key not in here:
            near = difflib.get_close_matches(key, here, n=1)
            raise head.problem(
                "table" if key == "time_s" else "column",
                f'asks for {key}, which "{name}" does not hold.',
                f"Did you mean {near[0]}?" if near else f"It holds: {', '.join(here)[:200]}.",
            )
    pairs = []
    for n, row in enumerate(rows, 2):
        if row["time_s"] and row[column]:
            try:
                pair = float(row["time_s"]), float(row[column])
            except ValueError:
                raise head.problem(
                    "table", f'names "{name}", whose row {n} holds something other than numbers.',
                    "Correct that row.",
                ) from None  # fmt: skip
            if start <= pair[0] <= end and all(math.isfinite(v) for v in pair):
                pairs.append(pair)
    if len(pairs) < ENOUGH_AFTER:
        raise head.problem(
            "table", f'names "{name}", which holds {len(pairs)} reading(s) in that time.',
            "Widen from_s and until_s.",
        )  # fmt: skip
    return np.array([a for a, _ in pairs]), np.array([b for _, b in pairs])


def _from_rows(sheet: Sheet, head: Section, n: int, count: int) -> tuple[FloatArray, FloatArray]:
    """Readings of one pause from the rows of the CSV."""
    time, signal = [], []
    for row in sheet.table_rows or ():
        number = row.whole("pause", 1, 1000, 1 if count == 1 else ...)
        at = row.number("time_s", -_LATEST_S, _LATEST_S)
        value = row.number("signal", -1e6, 1e6)
        row.close()
        if number == n:
            time.append(at)
            signal.append(value)
    if len(time) < ENOUGH_AFTER:
        raise head.problem(
            "stop_s", f"belongs to pause {n}, which has {len(time)} row(s).",
            f"Give {ENOUGH_AFTER} rows or more with pause = {n}.",
        )  # fmt: skip
    return np.array(time), np.array(signal)


def _checked_pause(head: Section, time: FloatArray, signal: FloatArray, stop: float) -> Pause:
    if len(time) != len(signal):
        raise head.problem(
            "signal", f"holds {len(signal)} values, time_s holds {len(time)}.",
            "Give one signal for each time.",
        )  # fmt: skip
    if np.any(np.diff(time) <= 0.0):
        k = int(np.argmax(np.diff(time) <= 0.0)) + 1
        raise head.problem(
            "time_s", f"goes from {time[k - 1]:g} s to {time[k]:g} s: the time does not rise.",
            "Sort the readings; check that time_s and signal are not swapped.",
        )  # fmt: skip
    if not time[0] - 60.0 <= stop < time[-1]:
        raise head.problem(
            "stop_s", f"is {stop:g} s, but the readings go from {time[0]:g} s to {time[-1]:g} s.",
            "Give the time of the stop on the clock of the readings, in seconds.",
        )  # fmt: skip
    return Pause(head.where, time, signal, stop)
