"""Somebody who does what the page says, with a flask that answers: a whole titration, no browser.

The operator reads title, amount and wait of the guidance in force, acts after a moment, pours at a
person's pace, reads the burette with an error and types the reading late. Nothing of the truth is
known to anybody but the flask.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from types import SimpleNamespace
from typing import Any

import numpy as np

from endpoint.bench.guidance.said import Guidance
from endpoint.bench.live.session import LiveSession
from endpoint.colour.density import ColourSample
from endpoint.recording.frame import Box
from endpoint.scene.region import Region
from tests.bench_server import new_session
from tests.loop_flask import STEP_S, LiveFlask, Recipe, more_seed

_LEAD_S = 4.0
_LOOK_S = 0.25
_MOST_S = 900.0
_TAIL_S = 2.5
_A_SECOND = ("one drop a second", "two drops a second", "three drops a second")
_SLIP_S = 6.0
"""How long the hand or the dark of a careless operator lasts."""


@dataclass(frozen=True)
class Manner:
    """How somebody works. Times in s."""

    pump: bool = False
    careless: str = ""
    """"pours" 2 mL whenever titrant is to be added before the tinge, "overshoots" once by 0.3 to
    0.8 mL, "hand" before the flask after every fourth addition, "lamp" off once for 6 s near the
    end; or empty."""
    reaction_s: tuple[float, float] = (0.6, 1.6)
    typing_s: tuple[float, float] = (1.0, 5.0)
    rate_ml_s: tuple[float, float] = (0.2, 0.45)
    slow_ml_s: tuple[float, float] = (0.08, 0.125)
    """Two drops a second, as a person hits it; three are half as many again."""
    drop_ml: tuple[float, float] = (0.04, 0.055)


@dataclass(frozen=True)
class Word:
    """What was said at a moment, next to the truth."""

    time_s: float
    left_ml: float
    mixed: bool
    said: Guidance


@dataclass(frozen=True)
class Record:
    """A whole titration."""

    recipe: Recipe
    status: str
    value_ml: float | None
    low_ml: float | None
    high_ml: float | None
    reasons: tuple[str, ...]
    additions: int
    duration_s: float
    past_ml: float
    words: tuple[Word, ...]
    told_to_stop: bool

    @property
    def error_ml(self) -> float:
        """Of the result."""
        return np.nan if self.value_ml is None else self.value_ml - self.recipe.end_ml

    @property
    def holds(self) -> bool:
        """Whether the interval of the result holds the truth."""
        low = -np.inf if self.low_ml is None else self.low_ml
        high = np.inf if self.high_ml is None else self.high_ml
        return bool(low <= self.recipe.end_ml <= high)

    @property
    def longest_wait_s(self) -> float:
        """Longest time for which "wait" stood over a liquid that was mixed."""
        longest = since = 0.0
        for before, word in zip(self.words, self.words[1:], strict=False):
            idle = word.said.code in ("mixing", "type", "close") and word.mixed
            since = since + word.time_s - before.time_s if idle else 0.0
            longest = max(longest, since)
        return longest


class _Measured:
    """In place of the measuring of pictures: a frame that brings its colour with it."""

    def __init__(self) -> None:
        self.latest: ColourSample | None = None

    def take(self, frame: Any, patient: bool = False) -> list[ColourSample]:
        self.latest = frame.sample
        return [frame.sample]

    def rest(self) -> list[ColourSample]:
        return []


def _region() -> Region:
    box, mask = Box(0, 0, 8, 8), np.ones((8, 8), dtype=bool)
    corners = ((0, 0), (8, 0), (8, 8))
    return Region(64, 64, box, mask, box, mask.copy(), True, True, 1.0, 0.0, corners)


def session_of(session: LiveSession | None = None) -> LiveSession:
    """A session that is given colours in place of pictures; the next flask of one, if given."""
    if session is None:
        session = new_session()
    else:
        session.again()
    session.view.look_at(_region())
    session.view._follower = _Measured()  # type: ignore[assignment]
    return session


def form_of(recipe: Recipe, rate_ml_min: float | None) -> dict[str, Any]:
    """What the operator states before the first drop."""
    form: dict[str, Any] = {
        "label": f"Flask {recipe.seed}",
        "sample_ml": recipe.sample_ml,
        "added_ml": recipe.added_ml,
        "titrant_mol_l": recipe.water.titrant_mol_l,
        "burette_nominal_ml": 50.0 if recipe.end_ml > 23.0 else 25.0,
        "mode": "steps",
    }
    return form if rate_ml_min is None else {**form, "mode": "pump", "rate_ml_min": rate_ml_min}


@dataclass
class Loop:
    """One titration under way."""

    recipe: Recipe
    manner: Manner
    every_s: float = 1.0
    """Time between two conclusions."""
    before: Loop | None = None
    """The titration of an earlier flask of the same water in the same session."""
    number: int = 0
    """Of the flasks of the same water, from 0."""
    flask: LiveFlask = field(init=False)
    session: LiveSession = field(init=False)
    words: list[Word] = field(default_factory=list)
    additions: int = 0
    read_ml: float = 0.0

    def __post_init__(self) -> None:
        if self.before is not None:
            self.number = self.before.number + 1
        seeds = [20261130, self.recipe.seed, 2, *more_seed(self.number)]
        self.rng = np.random.default_rng(seeds)
        self.flask = LiveFlask(self.recipe, number=self.number)
        self.session = session_of(None if self.before is None else self.before.session)
        self.begun_s = 0.0 if self.before is None else self.before.now_s
        self.reading_ml = float(self.rng.uniform(0.01, 0.03))
        self._looked_s = self._concluded_s = self.begun_s
        self.said: Guidance | None = None
        self.slipped = False
        self.rate = 0.0
        self.running = False
        """Of the pump."""

    @property
    def now_s(self) -> float:
        """On the clock of the session."""
        return self.begun_s + self.flask.time_s

    def pass_time(self, seconds: float, rate_ml_s: float = 0.0, *, most_ml: float = np.inf) -> None:
        """Let time pass while titrant runs in."""
        for _ in range(max(round(seconds / STEP_S), 1)):
            poured = min(rate_ml_s * STEP_S, most_ml)
            most_ml -= poured
            self._step(poured)

    def _step(self, poured_ml: float) -> None:
        sample = self.flask.step(poured_ml)
        sample = replace(sample, time_s=self.now_s)
        frame = SimpleNamespace(time_s=self.now_s, width=64, height=64, sample=sample)
        self.session.see(frame)  # type: ignore[arg-type]
        run = self.session.run
        if run is None or run.over:
            return
        due = self.now_s >= self._concluded_s + self.every_s and run.due(self.now_s)
        if due and self._matters():
            self._concluded_s = self.now_s
            run.conclude(self.now_s)
        if self.now_s >= self._looked_s + _LOOK_S:
            self._looked_s = self.now_s
            self.look()

    def _matters(self) -> bool:
        """Whether a conclusion can change a word.

        None does while titrant is to be added, or long before a wait is over; leaving these out
        spares most of the time of the study.
        """
        said = self.said
        if said is None:
            return True
        if self.running:
            # Far from the change every third one will do, unless one asks for another to agree.
            doubted = self.session.running()._advice._slower is not None
            return said.code != "pour" or doubted or self.now_s >= self._concluded_s + 3.0
        if self.manner.pump:
            return said.until_s is None or self.now_s > said.until_s - 2.0
        if said.amount_ml is not None or said.code in ("type", "close"):
            return False
        return said.until_s is None or self.now_s > said.until_s - 1.0

    def look(self) -> Guidance:
        """Read the page."""
        self.said = self.session.running().guidance(self.now_s)
        self.words.append(Word(self.now_s, self.flask.left_ml, self.flask.is_mixed, self.said))
        return self.said

    def begin(self, rate_ml_min: float | None = None) -> None:
        """From an empty bench to the first word."""
        self.pass_time(_LEAD_S)
        self.session.begin(form_of(self.recipe, rate_ml_min), self.now_s)
        self.pass_time(1.0)

    def finish(self, *, told: bool) -> Record:
        """End the run and read its result."""
        self.pass_time(_TAIL_S)
        self.session.finish(self.now_s)
        document = self.session.document
        assert document is not None
        end = document["equivalence_ml"] or {}
        low, high = end.get("interval95") or (None, None)
        return Record(
            self.recipe, document["status"], end.get("value"), low, high,
            tuple(reason["code"] for reason in document["reasons"]), self.additions,
            self.flask.time_s,
            -self.flask.left_ml, tuple(self.words), told,
        )  # fmt: skip

    # By hand --------------------------------------------------------------------------------------

    def by_hand(self) -> Record:
        """Do what the page says until it says enough."""
        self.begin()
        told = False
        while self.flask.time_s < _MOST_S:
            said = self.said or self.look()
            if said.code in ("enough", "over"):
                told = True
                break
            if said.amount_ml is None:
                if said.code in ("type", "close"):
                    self._type()
                self.pass_time(STEP_S)
                continue
            heard = said.code, said.amount_ml
            self.pass_time(self.rng.uniform(*self.manner.reaction_s))
            now = self.said
            if now is not None and (now.code, now.amount_ml) == heard:
                self._add(now)
        return self.finish(told=told)

    def _add(self, said: Guidance) -> None:
        assert said.amount_ml is not None
        self.additions += 1
        amount_ml, slow = said.amount_ml, said.code == "pour"
        if self.manner.careless == "pours" and said.place in (0, 1) and amount_ml > 0.15:
            amount_ml, slow = 2.0, False
        if self.manner.careless == "overshoots" and said.place == 2 and not self.slipped:
            self.slipped, amount_ml = True, amount_ml + self.rng.uniform(0.3, 0.8)
        if amount_ml < 0.15:
            self._drops(round(amount_ml / 0.05))
        else:
            self._pour(amount_ml * self.rng.uniform(0.92, 1.08), slow)
        self._slip(said)
        self._type()

    def _drops(self, count: int) -> None:
        for _ in range(count):
            self._step(self.rng.uniform(*self.manner.drop_ml))
            self.pass_time(0.7)

    def _pour(self, amount_ml: float, slow: bool) -> None:
        ends = self.manner.slow_ml_s if slow else self.manner.rate_ml_s
        rate = self.rng.uniform(*ends)
        if slow and self.said is not None:
            asked = [n for n, words in enumerate(_A_SECOND) if words in self.said.words]
            rate *= 0.5 * (asked[0] + 1)
        told_s = None
        while amount_ml > 0.0:
            poured = min(rate * STEP_S, amount_ml)
            amount_ml -= poured
            self._step(poured)
            if self.said is not None and self.said.code == "close" and told_s is None:
                told_s = self.now_s + self.rng.uniform(*self.manner.reaction_s)
            if told_s is not None and self.now_s >= told_s:
                return

    def _slip(self, said: Guidance) -> None:
        """What a careless operator does besides."""
        if self.manner.careless == "hand" and self.additions % 4 == 0:
            self.flask.hand_to_s = self.flask.time_s + _SLIP_S
        if self.manner.careless == "lamp" and said.place in (2, 3) and not self.slipped:
            self.slipped = True
            self.flask.dark_to_s = self.flask.time_s + _SLIP_S

    def _type(self) -> None:
        """Read the burette, and type the reading late."""
        true_ml = self.flask.added_ml
        self.pass_time(self.rng.uniform(*self.manner.typing_s))
        error_ml = self.rng.uniform(-1.0, 1.0) * self.reading_ml
        self.read_ml = max(round(true_ml + error_ml, 2), self.read_ml)
        self.session.running().reading(self.read_ml, self.now_s)
        self.look()

    # With a pump ---------------------------------------------------------------------------------

    def by_pump(self) -> Record:
        """Start, set and stop the pump as the page says."""
        self.rate = float(self.rng.choice([4.0, 5.0, 6.0, 8.0]))
        self.begin(self.rate)
        told = False
        while self.flask.time_s < _MOST_S:
            said = self.said or self.look()
            if said.code in ("enough", "over"):
                told = True
                break
            if self.running and said.code in ("close", "unseen"):
                self._acts()
                self._switch(run=False)
            elif said.title.startswith("Start"):
                self._acts()
                self.additions += 1
                self._set(said.rate_ml_min)
                self._switch(run=True)
            elif self.running and (said.rate_ml_min or self.rate) != self.rate:
                self._acts()
                self.additions += 1
                self._set(said.rate_ml_min)
            self._pass(STEP_S)
        if self.running:
            self._pass(1.0)
            self._switch(run=False)
        return self.finish(told=told)

    def _acts(self) -> None:
        self._pass(self.rng.uniform(*self.manner.reaction_s))

    def _set(self, rate_ml_min: float | None) -> None:
        if rate_ml_min is not None and rate_ml_min != self.rate:
            self.session.running().pump_rate(rate_ml_min, self.now_s)
            self.rate = rate_ml_min
        self.look()

    def _switch(self, *, run: bool) -> None:
        self.session.running().pump(run, self.now_s)
        self.running = run
        self.look()

    def _pass(self, seconds: float) -> None:
        self.pass_time(seconds, self.rate / 60.0 if self.running else 0.0)


def titrated(recipe: Recipe, manner: Manner, every_s: float = 1.0) -> Record:
    """A whole titration as told."""
    return _done(Loop(recipe, manner, every_s))


def titrated_again(recipe: Recipe, manner: Manner, every_s: float = 1.0) -> Record:
    """A second flask of the same water, after a first one that taught what it could."""
    first = Loop(recipe, manner, every_s)
    _done(first)
    return _done(Loop(recipe, manner, every_s, first))


def _done(loop: Loop) -> Record:
    return loop.by_pump() if loop.manner.pump else loop.by_hand()
