"""Which times of a film are looked at: what is left out must not matter, and doubt reads all."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
import pytest

from calibration.quantity import Contribution, FrozenTable, Quantity
from endpoint.analysis.frames import Look, samples_of, single_change, step_spans
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.analysis.pipeline import analyse
from endpoint.analysis.result import Result
from endpoint.analysis.viewing import _agree
from endpoint.chemistry.equilibrium import Flask, speciate
from endpoint.curve.gathering import from_absorbance
from endpoint.delivery.alignment import Alignment
from endpoint.delivery.delivery import Delivery
from endpoint.recording.frame import ArrayFrame, Box, Frame, SourceInfo, Spans, Stamps
from endpoint.scene.region import Region
from tests.drawn_bench import BLUE_FORM, RED_FORM

LAG_S = 1.5
FLASK = Flask(105.0, 0.100, 0.024, indicator_umol=2.0, titrant_mol_l=0.01)
REGION = Region(
    width=16,
    height=12,
    liquid_box=Box(0, 0, 8, 12),
    liquid_mask=np.ones((12, 8), dtype=bool),
    reference_box=Box(8, 0, 16, 12),
    reference_mask=np.ones((12, 8), dtype=bool),
    liquid_by_hand=True,
    reference_by_hand=True,
    confidence=1.0,
    change=0.5,
    liquid_outline=((0, 0), (8, 0), (8, 12)),
)


@dataclass
class TinyFilm:
    """A film of two flat patches with key pictures, which counts what is decoded."""

    delivery: Delivery
    length_s: float
    key_s: float = 1.0
    rate: float = 5.0
    noise: float = 0.004
    hand_s: tuple[float, float] = (-1.0, -1.0)
    back_s: float = np.inf
    turns_blue: bool = True
    decoded: int = 0
    info: SourceInfo = field(
        default_factory=lambda: SourceInfo("video", "tiny.mp4", 16, 12, None, None, "linear")
    )

    def __post_init__(self) -> None:
        seen_s = np.where(self.times() < self.back_s, self.times(), 1.0)
        mixed = self.delivery.mixed_volume_at(seen_s, LAG_S)
        free = speciate(FLASK, mixed).free_fraction[:, None] * self.turns_blue
        self.density = 0.5 * (RED_FORM * (1 - free) + BLUE_FORM * free) / (1 + mixed / 105)[:, None]

    def times(self) -> np.ndarray:
        return np.arange(0.0, self.length_s, 1.0 / self.rate)

    def stamps(self) -> Stamps:
        times = self.times()
        return Stamps(times, times[:: round(self.key_s * self.rate)])

    def _frame(self, k: int, time_s: float) -> Frame:
        self.decoded += 1
        random = np.random.default_rng(k)
        picture = np.full((12, 16, 3), 0.6)
        picture[:, :8] *= 10 ** -self.density[k]
        if self.hand_s[0] <= time_s <= self.hand_s[1]:
            picture[:] = 0.002
        picture *= 1.0 + self.noise * random.normal(size=3) + 0.01 * random.normal(size=(12, 16, 1))
        return ArrayFrame(k, time_s, picture.astype(np.float32))

    def frames(self) -> Iterator[Frame]:
        for k, time_s in enumerate(self.times().tolist()):
            yield self._frame(k, time_s)

    def frames_within(self, spans: Spans) -> Iterator[Frame]:
        for k, time_s in enumerate(self.times().tolist()):
            if spans.hold(time_s):
                yield self._frame(k, time_s)

    def sample(self, count: int) -> list[Frame]:
        return list(self.frames())[:: max(1, len(self.times()) // count)]

    def close(self) -> None:
        """Nothing is open."""


def steps(hold_s: float = 30.0) -> Delivery:
    volumes = np.r_[0.0, 4.0, 8.0, 11.0, np.arange(11.8, 13.1, 0.1), 14.0, 15.0]
    return Delivery("steps", np.arange(volumes.size) * hold_s, volumes)


def pump(end_s: float = 900.0) -> Delivery:
    return Delivery("continuous", np.array([5.0, end_s - 5.0]), np.array([0.0, 15.0]))


def look(film: TinyFilm) -> Look:
    return Look(REGION, film.delivery, 105.0, LAG_S, "linear")


def job(delivery: Delivery) -> AnalysisInputs:
    sample = Quantity(100.0, "mL", FrozenTable({"filling": Contribution(0.05)}))
    titrant = Quantity(0.01, "mol/L", FrozenTable({"titrant": Contribution(2e-5)}))
    return AnalysisInputs("tiny", (sample,), 5.0, titrant, delivery, lag_s=(LAG_S, 0.2))


def both(film: TinyFilm) -> tuple[Result, Result, int]:
    """Fast path, every frame, and how many pictures the fast path decoded."""
    fast = analyse(film, job(film.delivery), region=REGION)
    seen = film.decoded
    return fast, analyse(film, job(film.delivery), region=REGION, every_frame=True), seen


def agree(fast: Result, whole: Result, part: float) -> None:
    assert fast.status == whole.status == "located"
    for name in ("equivalence", "midpoint", "last_red"):
        a, b = getattr(fast, name), getattr(whole, name)
        assert abs(a.value_ml - b.value_ml) < part * b.standard_uncertainty_ml, name


def test_steps_agree_with_every_frame() -> None:
    delivery = steps()
    film = TinyFilm(delivery, float(delivery.time_s[-1]) + 30.0)
    fast, whole, seen = both(film)
    agree(fast, whole, 0.1)
    assert seen < 0.5 * film.times().size
    assert whole.equivalence is not None
    assert whole.equivalence.value_ml == pytest.approx(FLASK.equivalence_ml, abs=0.02)


def test_a_pump_agrees_with_every_frame() -> None:
    film = TinyFilm(pump(1800.0), 1800.0, rate=3.0, noise=0.002)
    fast, whole, seen = both(film)
    agree(fast, whole, 0.1)
    assert seen < 0.6 * film.times().size


def test_parts_are_enough_where_all_ways_put_them_to_the_same_volumes() -> None:
    """Ends of pauses of 20 s: whether a drop fell 3 s earlier is not seen, and does not matter."""
    ends_s = np.arange(20.0, 200.0, 20.0)
    seen_s = np.concatenate([np.arange(end - 4.0, end, 0.1) for end in ends_s])

    def way(later_s: float, cost: float) -> Alignment:
        drops_s = np.repeat(ends_s + later_s, 2) + np.tile([0.0, 1.0], ends_s.size)
        volume_ml = 0.05 * np.repeat(np.arange(ends_s.size + 1.0), 2)[1:-1]
        return Alignment(Delivery("continuous", drops_s, volume_ml), cost, later_s, ends_s)

    assert _agree([way(0.5, 10.0)], seen_s)
    assert _agree([way(0.5, 10.0), way(3.5, 11.0)], seen_s)
    assert not _agree([way(0.5, 10.0), way(-3.0, 11.0)], seen_s)
    assert _agree([way(0.5, 10.0), way(-3.0, 20.0)], seen_s)


def test_only_the_calm_end_of_every_pause_is_read() -> None:
    delivery = Delivery("steps", np.array([0.0, 30.0, 60.0]), np.array([0.0, 2.0, 4.0]))
    stamps = Stamps(np.arange(0, 90, 0.04), np.arange(0, 90, 1.0))
    spans = step_spans(delivery, stamps, LAG_S)
    pour_s = 2.0 / 0.4 + 0.3
    assert spans.stop_s[1] == pytest.approx(30.0 - pour_s)
    # In the last pause also a look whether the colour goes on changing after it was mixed.
    assert spans.stop_s - spans.start_s == pytest.approx([0.0, 4.0, 4.0, 4.0, 4.0])
    assert spans.start_s[3] == pytest.approx(68.0)
    assert spans.start_s[0] == 0.0
    slow = step_spans(delivery, Stamps(np.arange(0, 90, 0.1), np.arange(0, 90, 1.0)), LAG_S)
    assert slow.stop_s[1] - slow.start_s[1] == pytest.approx(6.0)
    assert spans.stop_s[-1] == pytest.approx(89.96)


@pytest.mark.parametrize(
    "film",
    [
        TinyFilm(steps(), 500.0, key_s=40.0),
        TinyFilm(steps(), 500.0, hand_s=(345.0, 359.5)),
        TinyFilm(pump(), 900.0, key_s=60.0),
        TinyFilm(pump(), 900.0, turns_blue=False),
        TinyFilm(pump(), 900.0, back_s=850.0),
        TinyFilm(Delivery("per-still", np.arange(3.0), np.arange(3.0)), 10.0),
    ],
    ids=["few-keys", "hand", "pump-few-keys", "no-change", "goes-back", "stills"],
)
def test_doubt_reads_every_frame(film: TinyFilm) -> None:
    assert samples_of(film, look(film)) is None


def test_a_source_without_parts_is_read_whole() -> None:
    film = TinyFilm(steps(), 500.0)

    class Whole:
        info = film.info
        frames = film.frames
        sample = film.sample
        close = film.close

    assert samples_of(Whole(), look(film)) is None


def curve_of(signal: list[float]) -> object:
    volume = np.linspace(0, 10, len(signal))
    absorbance = np.array([0.2, 0.7]) + np.outer(signal, [0.6, -0.3])
    return from_absorbance(
        volume, absorbance, ("620 nm", "530 nm"), 1e6, saturated=np.zeros(len(signal), dtype=bool)
    )


def test_a_single_change_is_bracketed() -> None:
    curve = curve_of([0, 0, 0.01, 0, 0.02, 0.3, 0.7, 0.98, 1, 1, 1])
    found = single_change(curve)  # type: ignore[arg-type]
    assert found is not None
    assert found[0] == pytest.approx((4.0, 5.0))
    assert found[1] == pytest.approx((6.0, 7.0))


@pytest.mark.parametrize(
    "signal",
    [
        [0, 0, 0.9, 0.95, 0.3, 0.1, 0.1, 0.9, 1, 1, 1],
        [0, 0.01, 0, 0.01, 0, 0.01, 0, 0.01, 0, 0.01, 0],
    ],
    ids=["back-and-forth", "none"],
)
def test_what_is_no_single_change_is_not_bracketed(signal: list[float]) -> None:
    assert single_change(curve_of(signal)) is None  # type: ignore[arg-type]


def test_spans_join_and_hold() -> None:
    spans = Spans.of([(5.0, 6.0), (1.0, 2.0), (1.5, 3.0), (8.0, 8.0), (9.0, 8.5)])
    assert spans.start_s.tolist() == [1.0, 5.0, 8.0]
    assert spans.stop_s.tolist() == [3.0, 6.0, 8.0]
    assert [spans.hold(t) for t in (0.9, 1.0, 3.0, 3.1, 8.0, 8.1)] == [
        False, True, True, False, True, False,
    ]  # fmt: skip


def test_runs_begin_at_key_pictures_and_go_on_where_that_is_shorter() -> None:
    stamps = Stamps(np.arange(0, 100, 0.5), np.arange(0, 100, 10.0))
    spans = Spans.of([(12.0, 13.0), (17.0, 18.0), (35.0, 36.0)])
    runs = stamps.runs(spans)
    assert [key for key, _ in runs] == [10.0, 30.0]
    assert stamps.share_decoded(spans) == pytest.approx((17 + 13) / 200)
