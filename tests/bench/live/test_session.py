"""The live session on drawn frames whose colours come from the mass balances."""

from __future__ import annotations

import datetime
import json
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from endpoint.analysis.pipeline import analyse
from endpoint.bench.guidance.guide import Moment
from endpoint.bench.guidance.plume import Sight, sight_of
from endpoint.bench.guidance.progress import habit_of
from endpoint.bench.guidance.said import Guidance, unseen
from endpoint.bench.guidance.words import ADVICE
from endpoint.bench.journal import writer
from endpoint.bench.journal.events import (
    Correction,
    PumpRate,
    Reading,
    RegionSeen,
    RunHead,
    Stamp,
    Undo,
)
from endpoint.bench.journal.journal import RunJournal
from endpoint.bench.journal.open_run import OpenRun
from endpoint.bench.journal.pump import Pump
from endpoint.bench.journal.readings import CountedReading, readings_of
from endpoint.bench.live import advice_in_force
from endpoint.bench.live.form import setting_from
from endpoint.bench.live.notices import ClockWatch
from endpoint.bench.live.run import LiveRun
from endpoint.bench.live.session import LiveSession
from endpoint.bench.live.volumes import Readings
from endpoint.bench.web.hub import BenchClock, Hub
from endpoint.bench.web.incoming_picture import Transit
from endpoint.bench.web.page_state import curve_of_session, state_of_session
from endpoint.bench.web.protocol import FORM, parse_command
from endpoint.chemistry.equilibrium import constants_at, solve
from endpoint.colour.density import ColourSample
from endpoint.colour.sample_store import SampleStore
from endpoint.curve.points import Curve
from endpoint.problems import DeliveryProblem, Flag, JournalProblem, RecordProblem
from endpoint.recording.frame import ArrayFrame, Frame, SourceInfo
from tests.bench.journal.test_journal import full_disk
from tests.bench_scene import (
    ADDITIONS,
    FLASK,
    FORM_VALUES,
    PAUSE_S,
    RATE,
    TRUE_ML,
    frames,
    pump_frames,
    ready,
    titrate,
)
from tests.bench_server import new_session
from tests.jobs import job_of


def run_of(session: LiveSession) -> LiveRun:
    """The run in progress, or the last one."""
    assert session.run is not None
    return session.run


def rows_of(session: LiveSession) -> tuple[CountedReading, ...]:
    """Burette readings that count."""
    volumes = run_of(session).volumes
    assert isinstance(volumes, Readings)
    return volumes.rows


def curve_of(session: LiveSession) -> Curve:
    """Curve of the last conclusion."""
    result = run_of(session).result
    assert result is not None
    assert result.curve is not None
    return result.curve


@pytest.fixture(scope="module")
def film() -> list[ArrayFrame]:
    return frames()


class Held:
    """Frames in memory as a source."""

    def __init__(self, pictures: list[ArrayFrame]) -> None:
        self._pictures = pictures
        self.info = SourceInfo("live", "drawn", 160, 120, None, None)

    def frames(self) -> Iterator[Frame]:
        yield from self._pictures

    def sample(self, count: int) -> list[Frame]:
        return list(self._pictures[:count])

    def close(self) -> None:
        pass


def test_live_and_film_give_the_same(film: list[ArrayFrame]) -> None:
    session = ready(film)
    last_s = titrate(session, film)
    session.finish(last_s)
    assert session.document is not None
    kept = [f for f in film if f.time_s >= 3.0]
    job = job_of(setting_from(FORM_VALUES), session.today)
    job = replace(job, delivery=run_of(session).volumes.delivery())
    whole = analyse(Held(kept), job, region=session.view.region, every_frame=True)
    assert whole.equivalence is not None
    live = session.document["equivalence_ml"]
    assert live["value"] == pytest.approx(whole.equivalence.value_ml, abs=1e-6)
    assert live["value"] == pytest.approx(TRUE_ML, abs=0.03)
    low, high = live["interval95"]
    assert low - 0.01 < TRUE_ML < high + 0.01
    # The drawn curve is the free fraction, as the mass balances have it: red to blue from 0 to 1.
    points = np.array([point[:2] for point in curve_of_session(session)["points"]])
    assert np.all(np.abs(points[:, 1] - free_fraction(points[:, 0])) < 0.06)
    red = points[points[:, 0] < 4.0]
    assert abs(np.mean(red[:, 1] - free_fraction(red[:, 0]))) < 0.005


def free_fraction(volume_ml: np.ndarray) -> np.ndarray:
    total = FLASK.volume_ml + volume_ml
    k = constants_at()
    metal = np.stack([FLASK.calcium_mmol / total, FLASK.magnesium_mmol / total], axis=-1)
    return np.asarray(
        solve(
            metal,
            FLASK.titrant_mol_l * volume_ml / total,
            1e-3 * FLASK.indicator_umol / total,
            np.array([[k.log_ca_edta, k.log_mg_edta]]),
            np.array([[k.log_ca_indicator, k.log_mg_indicator]]),
        ).free_fraction
    )


def test_second_replicate_is_guided_by_the_first(
    film: list[ArrayFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    moments: list[Moment] = []

    def noted(_: object, moment: Moment) -> Guidance:
        moments.append(moment)
        return unseen(moment.delivered_ml)

    monkeypatch.setattr(advice_in_force, "advise", noted)
    session = ready(film)
    last_s = titrate(session, film)
    session.running().conclude(last_s)
    assert moments[-1].habit is None
    assert moments[-1].expected_ml is None
    session.finish(last_s)
    curve, region = curve_of(session), session.view.region
    assert region is not None
    session.again()
    session.view.look_at(region)
    for frame in film[:30]:
        now_s = last_s + 1.0 + frame.time_s
        session.see(ArrayFrame(frame.index, now_s, frame.pixels))
        if frame.index == 10:
            session.begin(FORM_VALUES, now_s)
    session.running().conclude(now_s)
    taught = moments[-1]
    assert taught.habit is not None
    assert taught.expected_ml is not None
    assert taught.expected_ml[0] == pytest.approx(TRUE_ML, abs=0.03)
    assert taught.expected_ml[1] == 0.1
    assert np.allclose(taught.habit.change_per_start, habit_of(curve).change_per_start)


def test_state_is_plain_data_and_every_state_has_words_and_a_shape(film: list[ArrayFrame]) -> None:
    session = ready(film)
    seen: dict[str, tuple[str, str]] = {}
    begun, entered = False, 1
    for frame in film:
        session.see(frame)
        if frame.time_s >= 3.0 and not begun:
            session.begin(FORM_VALUES, frame.time_s)
            begun = True
        if begun and entered < len(ADDITIONS) and frame.time_s >= 4.0 + PAUSE_S * entered:
            session.running().reading(ADDITIONS[entered], frame.time_s)
            entered += 1
        if frame.index % 20 == 15:
            session.running().conclude(frame.time_s)
        if frame.index % 5 == 0:
            state = state_of_session(session, frame.time_s, operator=True)
            json.dumps([state, curve_of_session(session)], allow_nan=False)
            told = state["guidance"]
            if told is not None:
                assert told["words"]
                assert told["title"]
                assert told["spoken"]
                assert told["shape"] in {advice.shape for advice in ADVICE.values()}
                seen[told["code"]] = (told["title"], told["shape"])
    assert {"portion", "mixing"} <= set(seen)
    assert {"beyond", "enough", "over"} & set(seen)
    assert len({shape for _, shape in seen.values()}) == len(seen), seen


@pytest.fixture
def journal(tmp_path: Path) -> Iterator[RunJournal]:
    with RunJournal.open(tmp_path / "journal.sqlite") as opened:
        yield opened


def kept_in(journal: RunJournal) -> OpenRun:
    return OpenRun(journal, datetime.date(2026, 11, 25))


def read_until_full(session: LiveSession, journal: RunJournal) -> list[float]:
    """Type readings until the disk takes no more; all that were typed, the start among them."""
    journal.flush()
    full_disk(journal, True)
    typed = [0.0]
    while session.keeper.trouble is None:
        typed.append(typed[-1] + 0.01)
        session.running().reading(typed[-1], 5.0 + len(typed))
        session.keeper.flush()
    return typed


def test_undo_correction_and_the_journal(film: list[ArrayFrame], journal: RunJournal) -> None:
    session = ready(film, journal=kept_in(journal))
    for frame in film[:20]:
        session.see(frame)
    session.begin(FORM_VALUES, 4.0)
    session.running().reading(2.0, 5.0)
    session.running().reading(5.0, 6.0)
    session.running().undo()
    session.running().reading(4.0, 7.0)
    session.running().correct(1, 2.5)
    assert session.delivered_ml(9.0) == 4.0
    assert [row.burette_ml for row in rows_of(session)] == [0.0, 2.5, 4.0]
    assert [row.corrected for row in rows_of(session)] == [False, True, False]
    events = journal.events(1)
    assert [type(kept.event) for kept in events] == [
        RunHead,
        Reading,
        RegionSeen,
        Reading,
        Reading,
        Undo,
        Reading,
        Correction,
    ]
    assert readings_of(events) == rows_of(session)
    for bad, act in (
        (3.9, session.running().reading),
        (-1.0, session.running().reading),
        (999.0, session.running().reading),
    ):
        with pytest.raises(DeliveryProblem):
            act(bad, 10.0)
    with pytest.raises(DeliveryProblem):
        session.running().correct(1, 4.5)
    assert journal.events(1) == events


def test_full_disk_is_said_and_nothing_is_lost(film: list[ArrayFrame], journal: RunJournal) -> None:
    session = ready(film, journal=kept_in(journal))
    session.begin(FORM_VALUES, 4.0)
    typed = read_until_full(session, journal)
    session.running().reading(9.0, 600.0)
    session.see(ArrayFrame(20, 601.0, film[19].pixels))
    session.tick(602.0, 602.0, 1602.0)
    assert [n.code for n in session.notices.current(602.0)] == ["journal-full"]
    session.running().reading(9.5, 603.0)
    with RunJournal.open(journal.path, writing=False) as reader:
        assert len(readings_of(reader.events(1))) < len(typed)
    full_disk(journal, False)
    session.see(ArrayFrame(21, 604.0, film[19].pixels))
    session.tick(605.0, 605.0, 1605.0)
    assert not session.notices.current(605.0)
    with RunJournal.open(journal.path, writing=False) as reader:
        events = reader.events(1)
    assert [row.burette_ml for row in readings_of(events)] == [*typed, 9.0, 9.5]
    assert [kept.number for kept in events] == list(range(1, len(events) + 1))


def test_a_reading_that_finds_no_room_does_not_count(
    film: list[ArrayFrame], journal: RunJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = ready(film, journal=kept_in(journal))
    session.begin(FORM_VALUES, 4.0)
    typed = read_until_full(session, journal)
    monkeypatch.setattr(writer, "MOST_WAITING", 4)
    refused = 0
    for k in range(10):
        try:
            session.running().reading(9.0 + k, 600.0 + k)
        except JournalProblem:
            refused += 1
        else:
            assert not refused
            typed.append(9.0 + k)
    assert 5 < refused < 10
    with pytest.raises(JournalProblem, match="disk is full"):
        session.running().undo()
    with pytest.raises(JournalProblem, match="disk is full"):
        session.finish(616.0)
    assert session.phase == "titrating"
    assert [row.burette_ml for row in rows_of(session)] == typed
    session.tick(616.5, 616.5, 1616.5)
    assert [n.code for n in session.notices.current(616.5)] == ["journal-full"]
    full_disk(journal, False)
    session.tick(617.0, 617.0, 1617.0)
    session.finish(617.5)
    assert session.phase == "result"
    with RunJournal.open(journal.path, writing=False) as reader:
        assert [row.burette_ml for row in readings_of(reader.events(1))] == typed
        assert [entry.finished for entry in reader.runs()] == [True]


def test_a_run_that_cannot_be_kept_does_not_begin(
    film: list[ArrayFrame], journal: RunJournal, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = ready(film, journal=kept_in(journal))

    def broken() -> list[int]:
        raise JournalProblem("The journal is damaged.", "Begin a new one.")

    with monkeypatch.context() as patched:
        patched.setattr(journal._file, "runs", broken)
        with pytest.raises(JournalProblem, match="damaged"):
            session.begin(FORM_VALUES, 4.0)
    assert (session.phase, session.keeper.run) == ("set-up", None)
    session.begin(FORM_VALUES, 4.0)
    assert readings_of(journal.events(1))


@pytest.mark.parametrize("new_clock_s", [-500.0, 300.0])
def test_run_that_was_broken_off_goes_on(
    film: list[ArrayFrame], new_clock_s: float, journal: RunJournal, tmp_path: Path
) -> None:
    """Killed in the middle; another session with another clock ends where one session does."""
    whole = ready(film, journal=kept_in(journal))
    last_s = titrate(whole, film)
    whole.finish(last_s)
    assert whole.document is not None
    killed_s = 4.0 + PAUSE_S * 9.5
    # What a program leaves that is killed, on a machine whose clocks then go on for half a second.
    now = [Stamp(10.0, 1010.0)]
    path = tmp_path / "again.sqlite"
    last_kept_s = 0.0
    with RunJournal.open(path, clock=lambda: now[0]) as left:
        for kept in journal.events(1):
            event = kept.event
            if isinstance(event, RunHead):
                left.begin(event)
            elif isinstance(event, Reading | ColourSample) and event.time_s < killed_s:
                left.append(1, event)
                last_kept_s = max(last_kept_s, event.time_s)
    now = [Stamp(10.5, 1010.5)]
    with RunJournal.open(path, clock=lambda: now[0]) as again:
        session = ready(film, journal=kept_in(again))
        start_s = new_clock_s
        assert [entry.run for entry in session.unfinished] == [1]
        session.resume("1", start_s)
        assert session.phase == "titrating"
        assert session.delivered_ml(start_s) == ADDITIONS[9]
        shift = start_s - last_kept_s - 0.5
        for k in range(10, len(ADDITIONS)):
            due = 4.0 + PAUSE_S * k - 0.001
            for frame in film:
                if max(killed_s + 0.6, due - PAUSE_S) <= frame.time_s < due:
                    session.see(ArrayFrame(frame.index, frame.time_s + shift, frame.pixels))
            session.running().reading(ADDITIONS[k], due + shift)
        for frame in film:
            if frame.time_s >= due and frame.time_s < last_s:
                session.see(ArrayFrame(frame.index, frame.time_s + shift, frame.pixels))
        session.finish(last_s + shift)
        assert session.document is not None
        one, other = session.document["equivalence_ml"], whole.document["equivalence_ml"]
        assert one["value"] == pytest.approx(other["value"], abs=other["standard_uncertainty"])
        low, high = one["interval95"]
        assert low - 0.01 < TRUE_ML < high + 0.01
        # What is written afterwards stands on the clock of the run.
        times = [row.time_s for row in readings_of(again.events(1))]
        assert len(times) == len(ADDITIONS)
        assert times[10] == pytest.approx(4.0 + PAUSE_S * 10, abs=0.01)


def test_silent_camera_sleep_and_closed_page_are_said(film: list[ArrayFrame]) -> None:
    session = ready(film)
    for frame in film[:20]:
        session.see(frame)
    last = film[19].time_s
    session.begin(FORM_VALUES, last)
    session.tick(last + 1.0, 1.0, 1001.0)
    assert not session.notices.current(last + 1.0)
    session.tick(last + 2.5, 2.5, 1002.5)
    assert [n.code for n in session.notices.current(last + 2.5)] == ["camera-silent"]
    assert session.running().guidance(last + 2.5).code == "unseen"
    session.tick(last + 3.0, 3.0, 1303.0)
    assert "clock-jumped" in {n.code for n in session.notices.current(last + 3.0)}
    session.page_left(last + 3.0)
    session.page_back(last + 20.0)
    told = {n.code: n.text for n in session.notices.current(last + 20.0)}
    assert "17 s" in told["page-away"]
    session.see(ArrayFrame(99, last + 21.0, film[19].pixels))
    assert "camera-silent" not in {n.code for n in session.notices.current(last + 21.0)}


def test_covered_flask_is_said_at_once(film: list[ArrayFrame]) -> None:
    session = ready(film)
    for frame in film[:20]:
        session.see(frame)
    session.begin(FORM_VALUES, 4.0)
    for k in range(12):
        black = np.full((120, 160, 3), 3, dtype=np.uint8)
        session.see(ArrayFrame(20 + k, 4.0 + k / RATE, black))
    notices = session.notices.current(7.0)
    assert notices[0].code == "view"
    assert "dark" in notices[0].text.lower()
    assert session.running().guidance(7.0).code == "unseen"


def test_question_hides_the_guidance_from_viewers_only(film: list[ArrayFrame]) -> None:
    session = ready(film)
    for frame in film[:20]:
        session.see(frame)
    session.begin(FORM_VALUES, 4.0)
    session.ask(5.0)
    assert state_of_session(session, 5.0, operator=False)["guidance"] is None
    assert state_of_session(session, 5.0, operator=True)["guidance"] is not None
    session.guess(7.5)
    assert state_of_session(session, 5.0, operator=False)["guidance"] is not None
    assert curve_of_session(session)["guess_ml"] == 7.5


def test_steps_of_the_work_are_kept_in_order(film: list[ArrayFrame]) -> None:
    session = ready(film)
    with pytest.raises(RecordProblem):
        session.finish(1.0)
    with pytest.raises(RecordProblem):
        new_session().begin(FORM_VALUES, 1.0)
    for frame in film[:20]:
        session.see(frame)
    session.begin(FORM_VALUES, 4.0)
    acts: tuple[Callable[[], object], ...] = (
        lambda: session.begin(FORM_VALUES, 5.0),
        session.again,
        session.look_again,
    )
    for act in acts:
        with pytest.raises(RecordProblem):
            act()
    with pytest.raises(RecordProblem):
        session.running().pump(True, 5.0)
    session.finish(5.0)
    assert session.document is not None
    assert session.document["status"] == "none"
    session.again()
    assert (session.phase, session.view.region) == ("set-up", None)
    assert len(session.classroom.replicates) == 1


def test_pump_volume() -> None:
    pump = Pump(6.0)
    assert pump.volume_at(10.0) == 0.0
    running = pump.plus(1, pump.switched(True, 10.0))
    assert running.volume_at(20.0) == pytest.approx(1.0)
    assert running.delivery().volume_at([10.0, 70.0]).tolist() == pytest.approx([0.0, 6.0])
    held = running.plus(2, running.switched(False, 40.0))
    assert held.volume_at(100.0) == pytest.approx(3.0)
    assert float(held.delivery().volume_at(100.0)) == pytest.approx(3.0)
    with pytest.raises(RecordProblem, match="not running"):
        held.switched(False, 41.0)
    again = held.set_to(2.0)
    again = again.plus(3, again.switched(True, 100.0))
    slower = again.plus(4, PumpRate(130.0, 1.0))
    assert (slower.running, slower.rate_ml_min, slower.stop_s) == (True, 1.0, None)
    times = [40.0, 100.0, 130.0, 190.0]
    assert [slower.volume_at(t) for t in times] == pytest.approx([3.0, 3.0, 4.0, 5.0])
    assert slower.delivery().volume_at(times).tolist() == pytest.approx([3.0, 3.0, 4.0, 5.0])
    assert slower.undo_words == "the rate of 1 mL/min"
    back = slower.plus(5, slower.undo())
    assert back.volume_at(190.0) == pytest.approx(6.0)


def sample(k: int) -> ColourSample:
    three = (0.1, 0.2, 0.3)
    return ColourSample(k, k / 15.0, three, three, three, (0.5, 0.5, 0.5), 0.01, Flag.NONE)


def test_plume_is_not_taken_for_the_liquid() -> None:
    """Scatter as in a rendered film: calm, a pour, mixing after the reading, calm, one drop."""
    rng = np.random.default_rng(2)
    time_s = np.arange(0.0, 40.0, 0.1)
    level = np.full(time_s.size, 0.008)
    level[(time_s >= 10) & (time_s < 15)] = 0.25
    after = time_s >= 15
    level[after] += 0.24 * np.exp(-(time_s[after] - 15) / 1.2)
    level[(time_s >= 33) & (time_s < 34.2)] = 0.03
    spread = level * rng.uniform(0.85, 1.15, time_s.size)
    usable = np.ones(time_s.size, dtype=bool)

    def seen(upto: float, readings_s: tuple[float, ...]) -> Sight:
        part = time_s < upto
        return sight_of(time_s[part], spread[part], usable[part], readings_s)

    assert seen(9.9, (0.0,)).running == ""
    pouring = seen(12.0, (0.0,))
    assert pouring.running == "adding"
    assert not pouring.apart[time_s[time_s < 12.0] < 9.9].any()
    assert pouring.apart[-15:].all()
    # Not typed yet: what follows belongs to no reading.
    assert seen(24.0, (0.0,)).running == "added"
    assert seen(24.0, (0.0,)).apart[-20:].all()
    typed = seen(32.0, (0.0, 19.0))
    assert typed.running == ""
    span = typed.additions_s[1]
    assert span is not None
    assert span[0] == pytest.approx(10.0, abs=0.6)
    assert 15.0 < span[1] < 19.1
    assert typed.apart[(time_s[time_s < 32.0] > 10.5) & (time_s[time_s < 32.0] < 18.9)].all()
    assert not typed.apart[time_s[time_s < 32.0] > 22.0].any()
    assert seen(36.0, (0.0, 19.0)).running == "added"


@pytest.mark.parametrize("hidden", ["dark", "hand"])
def test_a_dark_or_covered_picture_does_not_keep_anybody_waiting(hidden: str) -> None:
    """Six seconds without scatter are no measure of a calm liquid: it is mixed when it is back."""
    time_s = np.arange(0.0, 40.0, 0.1)
    spread = np.full(time_s.size, 0.03)
    away = (time_s >= 20.0) & (time_s < 26.0)
    spread[away] = 0.0 if hidden == "dark" else 0.002
    usable = ~away
    for upto in (26.5, 30.0, 39.0):
        part = time_s < upto
        found = sight_of(time_s[part], spread[part], usable[part], (0.0, 5.0))
        assert found.running == ""
        assert not found.apart[-3:].any()


def test_an_addition_that_never_was_is_forgotten() -> None:
    """A shaken flask looks like a plume; ten seconds later it is mixed liquid again."""
    time_s = np.arange(0.0, 40.0, 0.1)
    spread = np.full(time_s.size, 0.03)
    spread[(time_s >= 20.0) & (time_s < 22.0)] = 0.2
    usable = np.ones(time_s.size, dtype=bool)
    part = time_s < 27.0
    assert sight_of(time_s[part], spread[part], usable[part], (0.0, 5.0)).running == "added"
    late = sight_of(time_s, spread, usable, (0.0, 5.0))
    assert late.running == ""
    assert not late.apart[time_s > 35.0].any()


def test_pour_before_its_reading_does_not_move_the_curve(film: list[ArrayFrame]) -> None:
    """While titrant runs in, the liquid is half blue; the curve so far stays as it was."""
    session = ready(film)
    for frame in film[:20]:
        session.see(frame)
    session.begin(FORM_VALUES, 4.0)
    for k in range(40):
        pixels = film[0].pixels
        if k >= 20:
            pixels = pixels.copy()
            pixels[50:90:2, 60:110] = film[-1].pixels[50:90:2, 60:110]
        session.see(ArrayFrame(20 + k, 4.0 + 0.2 * k, pixels))
        if k in (19, 39):
            session.running().conclude(4.0 + 0.2 * k)
            last = curve_of(session).density[-1]
            if k == 19:
                calm = last
    assert np.allclose(last, calm, atol=0.004)
    _, sight = session.view.trace(run_of(session).volumes.times_s)
    assert sight is not None
    assert sight.running == "adding"


def test_pump_run_finds_the_true_volume() -> None:
    film = pump_frames(8.0)
    session = ready(film)
    for frame in film:
        if frame.index == 15:
            session.begin({**FORM_VALUES, "mode": "pump", "rate_ml_min": 8.0}, frame.time_s)
        if frame.index == 20:
            session.running().pump(True, frame.time_s)
        session.see(frame)
    assert session.delivered_ml(frame.time_s) == pytest.approx(9.0, abs=0.05)
    session.running().pump(False, frame.time_s)
    session.finish(frame.time_s)
    assert session.document is not None
    assert session.document["status"] == "located", session.document["reasons"]
    found = session.document["equivalence_ml"]
    assert found["value"] == pytest.approx(TRUE_ML, abs=0.03)
    # A start by hand is sure to 0.2 s only, which is 0.027 mL at this rate.
    assert found["standard_uncertainty"] > 0.02


def test_samples_are_bounded_and_stay_in_order() -> None:
    store = SampleStore(most=1000)
    for k in range(20_000):
        store.add(sample(k))
    assert store.taken == 20_000
    assert 500 <= len(store) <= 1000
    times = store.columns()["time_s"]
    assert np.all(np.diff(times) > 0)
    assert times[0] == 0.0
    # The newest are kept whole.
    assert np.allclose(np.diff(times[-400:]), 1 / 15.0)
    store.forget_before(float(times[-10]))
    assert len(store) == 10


def test_first_samples_are_not_thinned() -> None:
    store = SampleStore()
    for k in range(6000):
        store.add(sample(k))
    assert len(store) == 6000


def test_clock_watch() -> None:
    watch = ClockWatch()
    assert watch.jump_s(1.0, 100.0) == 0.0
    assert watch.jump_s(2.0, 101.1) == 0.0
    assert watch.jump_s(3.0, 162.1) == pytest.approx(60.0)
    assert watch.jump_s(4.0, 163.1) == 0.0
    assert watch.jump_s(5.0, 64.1) == pytest.approx(-100.0)


def test_form_entries_are_those_of_the_setting() -> None:
    command = parse_command(json.dumps({"do": "begin", "form": FORM_VALUES}))
    assert set(FORM_VALUES) <= set(FORM)
    record = setting_from(command.values["form"]).record()
    assert record["sample"]["deliveries_ml"] == [50.0, 50.0]
    assert record["delivery"]["mixing_lag_s"] == 0.2


def test_newest_picture_takes_the_place_of_the_one_that_waits() -> None:
    """Without a thread that measures, only one picture is ever held."""
    import cv2

    from endpoint.bench.web.protocol import Picture

    hub = Hub(new_session(), BenchClock(), browser=True)
    page = hub.join(True)
    assert page is not None
    good, data = cv2.imencode(".jpg", np.zeros((64, 64, 3), dtype=np.uint8))
    assert good
    for number in range(50):
        hub.picture(page, Picture(number, 0.0, 64, 64, data.tobytes()))
    assert [a["number"] for a in page.answers] == list(range(49))
    assert not any(a["used"] for a in page.answers)
    assert [held.picture.number for held in hub._waiting] == [49]


@pytest.mark.parametrize("zero_ms", [17.0, 65_400.0])
def test_pictures_that_were_held_up_keep_their_time(zero_ms: float) -> None:
    """Delays of up to 0.3 s on the way are taken out, also while the page's count begins anew."""
    rng = np.random.default_rng(4)
    transit, off = Transit(), []
    for k in range(2000):
        sent_s = k / 30.0
        late_s = 0.002 + rng.exponential(0.03) * (rng.random() < 0.5)
        sent_ms = round(zero_ms + 1e3 * sent_s) % 65_536 or 1
        came_s = 500.0 + sent_s + late_s
        delay_s = transit.delay_s(came_s, sent_ms)
        assert delay_s >= 0.0
        off.append(came_s - delay_s - 500.0 - sent_s)
    assert np.ptp(off[100:]) < 0.003
    assert transit.delay_s(came_s + 1.0, 0) == 0.0
    # The computer slept: the clocks part, and it begins anew.
    assert transit.delay_s(came_s + 30.0, sent_ms) == 0.0
    assert transit.delay_s(came_s + 30.1, (sent_ms + 100) % 65_536) < 0.002


def test_pictures_of_another_size_are_another_scene() -> None:
    """A film that stands in for a camera gives way to one whose pictures are larger."""
    session, shown = new_session(), frames()
    for k, frame in enumerate((*shown[:8], *shown[:16])):
        pixels = frame.pixels if k < 8 else np.repeat(frame.pixels, 2, axis=1)
        session.see(ArrayFrame(k, 0.2 * k, pixels))
    assert session.view.region is None or session.view.region.width == 320
