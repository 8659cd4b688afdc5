"""Volume logs are read or refused by row; the mixed volume follows the equation of the lag."""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from endpoint.delivery.delivery import Delivery
from endpoint.problems import DeliveryProblem
from endpoint.recording.volume_log import check_clock, read_log


def written(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = folder / "volumes.csv"
    path.write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize(
    "text",
    [
        "time_s,volume_ml\n0,0\n10,1.5\n20,3\n",
        "time_s;volume_ml\n0;0\n10;1,5\n20;3\n",
        "time_s\tvolume_ml\r\n0\t0\r\n10\t1,5\r\n20\t3,0\r\n",
        "\ufeffTime (s);Volume (mL)\n0;0\n10;1.5\n20;3\n",
        "volume [mL],note,time [s]\n0,start,0\n1.5,,10\n\n3,end,20\n",
        "time,volume\ns,mL\n0,0\n10,1.5\n20,3\n",
        "sep=;\ntime_s;volume_ml\n0;0\n10;1,5\n20;3\n",
        "time_s,volume_ml\r0,0\r10,1.5\r20,3\r",
    ],
)
def test_one_log_in_many_dialects(tmp_path: Path, text: str) -> None:
    log = read_log(written(tmp_path, text))
    assert log.time_s is not None
    np.testing.assert_array_equal(log.time_s, [0, 10, 20])
    np.testing.assert_array_equal(log.volume_ml, [0, 1.5, 3])


def test_utf_16_of_table_programs(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, "time_s\tvolume_ml\n0\t0\n5\t2\n", "utf-16"))
    np.testing.assert_array_equal(log.volume_ml, [0, 2])


def test_the_first_row_need_not_be_zero(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, "time_s,volume_ml\n12,8.0\n20,9.0\n"))
    assert log.time_s is not None
    delivery = Delivery("steps", log.time_s, log.volume_ml)
    np.testing.assert_array_equal(delivery.volume_at([0, 12, 19.9, 20]), [0, 8, 8, 9])


def test_a_refilled_burette_counts_on(tmp_path: Path) -> None:
    rows = (
        "0,0.00,\n300,20.00,\n310,24.60,no\n345,0.00,yes\n360,1.20,\n400,30.10,\n420,0.5,x\n430,2,"
    )
    log = read_log(written(tmp_path, "time_s,volume_ml,refill\n" + rows))
    np.testing.assert_allclose(
        log.volume_ml, [0, 20, 24.6, 24.6, 25.8, 54.7, 54.7, 56.2], atol=1e-12
    )
    assert np.all(np.diff(log.volume_ml) >= 0)


@given(st.lists(st.integers(0, 5000), min_size=2, max_size=30))
def test_refills_never_make_the_volume_fall(
    tmp_path_factory: pytest.TempPathFactory, readings: list[int]
) -> None:
    """Readings of a hundredth of a millilitre, a refill wherever they fall."""
    rows = []
    for k, reading in enumerate(readings):
        mark = "yes" if k and reading < readings[k - 1] else ""
        rows.append(f"{k},{reading / 100:.2f},{mark}")
    path = tmp_path_factory.mktemp("log") / "v.csv"
    path.write_text("time_s,volume_ml,refill\n" + "\n".join(rows))
    if max(readings) == 0:
        with pytest.raises(DeliveryProblem):
            read_log(path)
        return
    rises = np.diff(readings)
    expected = readings[0] + np.r_[0, np.cumsum(np.where(rises > 0, rises, 0))]
    try:
        log = read_log(path)
    except DeliveryProblem:
        assert expected[-1] == 0
        return
    np.testing.assert_allclose(log.volume_ml, expected / 100, atol=1e-9)
    assert log.time_s is not None
    Delivery("steps", log.time_s, log.volume_ml)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("0,0\n10,1\n5,2", ["Row 4", "time runs backwards"]),
        ("0,0\n10,2\n20,1", ["Row 4", "volume runs backwards"]),
        ("0,0\n10,24.6\n20,0\n30,1", ["Row 4", "volume runs backwards"]),
        ("0,0\n10,-1\n20,1", ["Row 3", "negative"]),
        ("0,0\n10,abc\n20,1", ["Row 3", '"abc"', "volume_ml"]),
        ("0,0\n10,nan\n20,1", ["Row 3", "not a finite number"]),
        ("0,0\n10,inf\n20,1", ["Row 3"]),
        ("0,0\n10,\n20,1", ["Row 3", "has no volume_ml"]),
        ("0,0\n,1\n20,1", ["Row 3", "has no time_s"]),
        ("0,0\n10", ["Row 3", "has no volume_ml"]),
        ("0,0\n10,1,5\n20,2", ["Row 3", "3 cells"]),
        ("0,0\n10,2000", ["Row 3", "more than any burette"]),
        ("0,0", ["only one row"]),
        ("x,y\n0,0\n10,1", ["Row 2", '"y"']),
        ("0,0\n10,0", ["adds no titrant"]),
        ("", ["no rows"]),
    ],
)
def test_a_bad_log_is_refused_by_row(tmp_path: Path, rows: str, words: list[str]) -> None:
    with pytest.raises(DeliveryProblem) as caught:
        read_log(written(tmp_path, "time_s,volume_ml\n" + rows + "\n"))
    for word in words:
        assert word in caught.value.sentence or word in caught.value.remedy
    assert "volumes.csv" in caught.value.sentence
    assert caught.value.remedy


def test_a_restart_without_the_mark_is_explained(tmp_path: Path) -> None:
    with pytest.raises(DeliveryProblem) as caught:
        read_log(written(tmp_path, "time_s,volume_ml\n0,0\n9,20\n15,0\n20,2\n"))
    assert "refill" in caught.value.remedy
    assert "yes" in caught.value.remedy


def test_a_still_named_twice_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DeliveryProblem, match=r"Row 4 of volumes.csv names b.png again .*row 3"):
        read_log(written(tmp_path, "file,volume_ml\na.png,0\nb.png,1\nb.png,2\n"), per_still=True)


def test_what_the_log_counts_by_is_as_wanted(tmp_path: Path) -> None:
    both = written(tmp_path, "name,time_s,volume_ml\na,0,0\nb,10,1\n")
    assert read_log(both, per_still=False).time_s is not None
    assert read_log(both, per_still=True).files == ("a", "b")
    with pytest.raises(DeliveryProblem, match="no column file"):
        read_log(written(tmp_path, "time_s,volume_ml\n0,0\n1,1\n"), per_still=True)
    with pytest.raises(DeliveryProblem, match="no column time_s"):
        read_log(written(tmp_path, "file,volume_ml\na,0\nb,1\n"), per_still=False)


def test_a_clock_beyond_the_film_is_refused_by_row(tmp_path: Path) -> None:
    log = read_log(written(tmp_path, "time_s,volume_ml\n0,0\n50,1\n103,2\n200,2\n"))
    assert log.time_s is not None
    check_clock(log, log.time_s, 102.0, "volumes.csv")  # within 2 s; the last row adds nothing
    with pytest.raises(DeliveryProblem, match=r"Row 4 of volumes.csv .*103 s"):
        check_clock(log, log.time_s, 100.0, "volumes.csv")
    check_clock(log, log.time_s - 30.0, 100.0, "volumes.csv")
    early = read_log(written(tmp_path, "time_s,volume_ml\n-50,0\n-20,1\n"))
    assert early.time_s is not None
    with pytest.raises(DeliveryProblem, match="before the recording begins"):
        check_clock(early, early.time_s, 100.0, "volumes.csv")


def solved(delivery: Delivery, times: np.ndarray, tau: float) -> np.ndarray:
    """dM/dt = (V(t) - M) / tau, solved numerically from one breakpoint to the next."""
    start = float(delivery.time_s[0]) - 5.0
    edges = [start, *delivery.time_s.tolist(), float(times[-1]) + 1]
    mixed, out = float(delivery.volume_at(start)), np.full(times.size, np.nan)
    for left, right in itertools.pairwise(edges):
        begin = float(delivery.volume_at(left))
        end = float(delivery.volume_at(np.nextafter(right, left)))

        def change(
            t: float,
            m: np.ndarray,
            a: float = left,
            b: float = right,
            v: float = begin,
            w: float = end,
        ) -> np.ndarray:
            return (v + (w - v) * (t - a) / (b - a) - m) / tau

        piece = solve_ivp(change, (left, right), [mixed], dense_output=True, rtol=1e-10, atol=1e-12)
        assert piece.sol is not None
        inside = (times >= left) & (times < right)
        out[inside] = piece.sol(times[inside])[0]
        mixed = float(piece.y[0, -1])
    return out


@pytest.mark.parametrize("tau", [0.3, 1.6, 12.0])
@pytest.mark.parametrize("mode", ["steps", "continuous"])
def test_mixed_volume_solves_the_equation_of_the_lag(mode: str, tau: float) -> None:
    random = np.random.default_rng(4)
    times = np.cumsum(random.uniform(1.0, 15.0, 12))
    volumes = np.cumsum(random.uniform(0.0, 1.0, 12)) + (0.0 if mode == "steps" else 2.0)
    delivery = Delivery(mode, times, volumes)
    at = np.linspace(0.0, times[-1] + 30.0, 400)
    start = times[0] - 5.0
    got = delivery.mixed_volume_at(at, tau)
    after = at >= start
    np.testing.assert_allclose(got[after], solved(delivery, at[after], tau), atol=2e-7)
    assert np.all(np.diff(got) >= -1e-12)
    np.testing.assert_allclose(got[at < times[0]], delivery.volume_at(at[at < times[0]]))


def test_constant_rate_lags_by_rate_times_mixing_time() -> None:
    """6 mL/min with 1.6 s: 0.16 mL behind, as soon as the start has faded."""
    pump = Delivery.at_constant_rate(6.0, 5.0)
    np.testing.assert_allclose(pump.volume_at([0.0, 5.0, 65.0, 605.0]), [0, 0, 6, 60], atol=1e-9)
    behind = pump.volume_at([300.0]) - pump.mixed_volume_at([300.0], 1.6)
    np.testing.assert_allclose(behind, [0.16], atol=1e-9)
    np.testing.assert_allclose(pump.rate_ml_s_at([0.0, 10.0]), [0.0, 0.1], atol=1e-12)


def test_a_step_fades_in_with_the_mixing_time() -> None:
    delivery = Delivery("steps", np.array([0.0, 10.0]), np.array([0.0, 1.0]))
    np.testing.assert_allclose(
        delivery.mixed_volume_at([9.9, 10.0, 12.0, 14.0, 60.0], 2.0),
        [0, 0, 1 - np.exp(-1), 1 - np.exp(-2), 1],
        atol=1e-12,
    )
    np.testing.assert_array_equal(delivery.mixed_volume_at([12.0], 0.0), [1.0])


def test_stills_are_taken_after_mixing() -> None:
    delivery = Delivery("per-still", np.arange(3.0), np.array([0.0, 5.0, 5.2]))
    np.testing.assert_array_equal(delivery.mixed_volume_at([0, 1, 2], 100.0), [0, 5, 5.2])


@pytest.mark.parametrize(
    ("mode", "times", "volumes"),
    [
        ("poured", [0, 1], [0, 1]),
        ("steps", [0, 1], [0]),
        ("steps", [], []),
        ("steps", [0, 0], [0, 1]),
        ("steps", [0, 1], [1, 0]),
    ],
)
def test_a_delivery_that_makes_no_sense_is_a_mistake_of_the_caller(
    mode: str, times: list[float], volumes: list[float]
) -> None:
    with pytest.raises(ValueError, match=r"mode|volumes|times"):
        Delivery(mode, np.array(times, dtype=float), np.array(volumes, dtype=float))


def test_a_delivery_cannot_be_changed() -> None:
    delivery = Delivery("steps", np.array([0.0, 1.0]), np.array([0.0, 1.0]))
    with pytest.raises(ValueError, match="read-only"):
        delivery.volume_ml[0] = 3.0


@pytest.mark.parametrize(
    ("volume_ml", "may"),
    [
        ([1.20, 5.17, 7.18], True),  # the burette was not at zero
        ([1.20, 1.20, 5.17], True),
        ([0.0, 3.97, 5.98], False),
        ([3.97, 5.98, 7.97], False),  # the first row follows the first pour
        ([9.0, 9.05, 9.10], False),  # the recording begins when some is in
        ([1.20], False),
    ],
)
def test_a_first_row_that_may_be_a_start_reading(volume_ml: list[float], may: bool) -> None:
    time_s = np.arange(len(volume_ml), dtype=np.float64)
    assert Delivery("steps", time_s, np.array(volume_ml)).may_begin_with_reading is may


def test_a_short_pause_between_streams_is_not_lost() -> None:
    """Two streams of 5 mL, poured for 50 s each, and 4 s between them in which nobody pours."""
    time_s = np.arange(0.0, 120.0, 0.25)
    delivery = Delivery("steps", np.array([0.0, 56.0, 114.0]), np.array([0.0, 5.0, 10.0]))
    calm = (time_s < 4.0) | ((time_s >= 58.0) & (time_s < 62.0)) | (time_s >= 116.0)
    plain = delivery.settled_spans(0.0, 119.75, 1.5)
    spans = delivery.settled_spans(0.0, 119.75, 1.5, time_s[calm])
    assert [volume for volume, *_ in spans] == [volume for volume, *_ in plain] == [0.0, 5.0, 10.0]
    # By how long people usually pour, the pause would be looked at while the next stream runs in.
    assert plain[1][1:] == pytest.approx((62.0, 101.2))
    assert spans[1][1:] == pytest.approx((60.25, 61.75))
    assert spans[0][2] == 3.75
    assert spans[2] == plain[2]
