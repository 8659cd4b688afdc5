"""The sampler itself: chemistry against closed formulas, habits within their ranges, the rule."""

from __future__ import annotations

import ast
from dataclasses import replace
from functools import cache
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from tests.population import acts as acting
from tests.population import balances, draws, grading, judging
from tests.population.balances import Constants, Curve, Water, draw_constants, speciation
from tests.population.draws import Draw, draw
from tests.population.films import filmed, pictures, write_film
from tests.population.grading import grade_of
from tests.population.judging import Outcome, rows_of
from tests.population.scenes import scene_of
from tests.population.view import mixed_at, view_of
from tests.population.writing import draw_habits

SEEDS = range(1, 41)
HERE = Path(balances.__file__).parent
CONSTANTS = Constants(10.2, 8.3, 3.9, 5.5)


@cache
def drawn(seed: int) -> Draw:
    return draw(seed)


def water(magnesium: float, dye_umol: float = 2.0) -> Water:
    """100 mL of 2.5 mmol/L, as in a textbook."""
    return Water(100.0, 250.0 * (1.0 - magnesium), 250.0 * magnesium, dye_umol, 0.010)


# Chemistry --------------------------------------------------------------------------------------


def test_calcium_alone_follows_the_quadratic() -> None:
    """K' m^2 + (1 + K' (c_edta - c_metal)) m - c_metal = 0 for one metal and no indicator."""
    volume = np.array([0.0, 10.0, 20.0, 24.9, 25.0, 25.1, 30.0])
    found = speciation(water(0.0, 1e-9), CONSTANTS, volume).metal_mol_l
    total = 100.0 + volume
    metal, edta, k = 0.25 / total, 0.010 * volume / total, 10.0**CONSTANTS.ca_edta
    b = 1.0 + k * (edta - metal)
    wanted = 2.0 * metal / (b + np.sqrt(b * b + 4.0 * k * metal))
    np.testing.assert_allclose(found, wanted, rtol=1e-6)


def test_indicator_is_conserved_and_moves_one_way() -> None:
    volume = np.linspace(0.0, 30.0, 61)
    at = speciation(water(0.3), CONSTANTS, volume)
    np.testing.assert_allclose(at.free + at.calcium + at.magnesium, 1.0, rtol=1e-12)
    assert np.all(np.diff(at.free) > -1e-9)
    # What EDTA does not hold is at least the metal that it is too little for.
    short = np.maximum(25.0 - volume, 0.0) * 0.010 / (100.0 + volume)
    bound = (1.0 - at.free) * 0.002 / (100.0 + volume)
    assert np.all(at.metal_mol_l + bound > short - 1e-9)


@pytest.mark.parametrize(
    ("magnesium", "half_ml", "nearly_ml"), [(0.2, (-0.30, -0.05), 1), (0.0, (-3.5, -1.0), -1)]
)
def test_half_blue_comes_before_the_end(
    magnesium: float, half_ml: tuple[float, float], nearly_ml: int
) -> None:
    """Half free is 0.14 mL early with 20 % magnesium and 1.9 mL without, on usual constants."""
    for seed in range(12):
        k = draw_constants(np.random.default_rng(seed), 10.0, 0.05, 0.02)
        curve = Curve.of(water(magnesium), k, 28.0)
        half, nearly = (np.interp(f, curve.at.free, curve.volume_ml) - 25.0 for f in (0.5, 0.95))
        assert half_ml[0] < half < half_ml[1]
        assert np.sign(nearly) == nearly_ml


def test_side_reactions_weaken_what_they_touch() -> None:
    def drawn_with(ammonia: float, sodium: float) -> Constants:
        return draw_constants(np.random.default_rng(1), 10.0, ammonia, sodium)

    bare, ammonia, salt = drawn_with(0.0, 0.0), drawn_with(0.25, 0.0), drawn_with(0.0, 0.3)
    assert 0.05 < bare.mg_edta - ammonia.mg_edta < 0.25
    assert ammonia.mg_ebt - bare.mg_ebt == pytest.approx(ammonia.mg_edta - bare.mg_edta)
    assert bare.ca_edta - salt.ca_edta > 0.3
    assert salt.ca_ebt == bare.ca_ebt


def test_wrong_ph_fades() -> None:
    k = draw_constants(np.random.default_rng(3), 8.0, 0.1, 0.02)
    free = Curve.of(water(0.2), k, 28.0).free(np.array([0.0, 12.0]))
    assert 0.1 < free[0] < free[1] < 0.9


# Acts and mixing --------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_additions_are_those_of_a_hand_or_a_pump(seed: int) -> None:
    acts = drawn(seed).acts
    assert np.all(acts.volume_ml > 0.0)
    assert np.all(acts.begin_s[1:] >= acts.end_s[:-1] - 1e-9)
    if drawn(seed).delivery == "drops":
        assert np.all(acts.end_s - acts.begin_s <= acting.LONGEST_POUR_S + 1e-9)
        if drawn(seed).event == "ordinary":
            once = drawn(seed).manner.drops_at_once
            largest = max(once * acting.DROP_ML[1] * 1.3, drawn(seed).manner.squirt_ml * 1.4)
            across = acts.across_ml(drawn(seed).end_ml)
            assert across is not None
            assert across <= largest


@pytest.mark.parametrize("seed", SEEDS)
def test_everything_added_is_mixed_in_the_end(seed: int) -> None:
    d = drawn(seed)
    time = np.linspace(0.0, d.last_s, 200)
    titrant = mixed_at(d, time)
    assert np.all(titrant.bulk <= titrant.added + 1e-9)
    assert np.all(np.diff(titrant.bulk) >= -1e-9)
    long_after = mixed_at(replace(d, last_s=d.last_s + 100.0), np.array([d.last_s + 99.0]))
    assert long_after.bulk[0] == pytest.approx(d.acts.total_ml[-1], abs=1e-6)
    assert long_after.near[0] == pytest.approx(0.0, abs=1e-6)


def test_mixing_is_late_by_its_lag() -> None:
    """Behind a pump that runs evenly the bulk lacks rate times lag, whatever the stages."""
    pump = replace(drawn(1), acts=acting.by_pump(6.0, 20.0), last_s=190.0)
    for stages in (1, 2, 3):
        late = replace(pump, mixing=replace(pump.mixing, lag_s=2.0, stages=stages))
        titrant = mixed_at(late, np.array([100.0]))
        assert titrant.added[0] - titrant.bulk[0] == pytest.approx(0.2, abs=0.01)


def test_a_plume_is_bluer_than_the_bulk_and_goes() -> None:
    d = next(drawn(s) for s in SEEDS if drawn(s).delivery == "drops" and not drawn(s).optics.turbid)
    k = int(np.argmax(d.acts.volume_ml))
    during, after = float(d.acts.end_s[k]), float(d.acts.begin_s[k + 1]) - 0.05
    view = view_of(d, np.array([during, after]) - d.first_s)
    assert view.plume[0] > 3.0 * view.plume[1]
    red, blue = view.bulk[0].mean(axis=0), view.tinted[0].mean(axis=0)
    assert blue[0] < red[0]
    assert blue[2] > red[2]


# Habits -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", SEEDS)
def test_rows_are_those_of_a_person(seed: int) -> None:
    d = drawn(seed)
    rows = rows_of(d)
    assert np.all(np.diff(rows.time_s) >= 0.0)
    assert np.all(np.diff(rows.volume_ml) >= 0.0)
    assert rows.time_s[0] >= 0.0
    assert abs(d.clock_apart_s) <= 120.0
    assert 0.0 <= d.habits.late_s <= 5.0
    if d.delivery != "drops":
        return
    for value, grain in ((rows.time_s, d.habits.grain_s), (rows.volume_ml, d.habits.grain_ml)):
        np.testing.assert_allclose(value / grain, np.round(value / grain), atol=1e-6)
    # No row tells more than what had left the burette when it was written, but for rounding.
    written_s = rows.time_s + d.habits.clock_s + 0.5 * d.habits.grain_s + 0.01
    delivered = d.acts.volume_at(written_s)
    assert np.all(rows.volume_ml <= delivered + 0.5 * d.habits.grain_ml + 0.015)


def test_habits_spread_over_their_ranges() -> None:
    rng = np.random.default_rng(5)
    habits = [draw_habits(rng, "drops") for _ in range(2000)]
    late = np.array([h.late_s for h in habits])
    apart = np.array([abs(h.clock_s) > 3.0 for h in habits])
    assert 0.8 < np.median(late) < 1.5
    assert 0.05 < np.mean(late > 2.5) < 0.25
    assert 0.15 < apart.mean() < 0.25
    assert {h.first for h in habits} == {"zero", "pour"}


def test_a_row_may_hold_the_next_drop() -> None:
    d = next(
        drawn(s)
        for s in SEEDS
        if drawn(s).event == "ordinary" and drawn(s).first_s == 0.0 and drawn(s).delivery == "drops"
    )
    late = replace(
        d.habits,
        late_s=4.9,
        late_scatter_s=0.0,
        near_rows_every=1,
        clock_s=0.0,
        early_rows_every=1,
        grain_s=0.1,
        grain_ml=0.01,
        misses_last=False,
        first="zero",
    )
    for reads_when_writing in (False, True):
        habits = replace(late, reads_when_writing=reads_when_writing)
        rows = rows_of(replace(d, habits=habits, acts=quick(d.acts)))
        behind = d.acts.total_ml[:-3] - rows.volume_ml[1:-3]
        assert np.all(np.abs(behind) < 0.03) != reads_when_writing


def quick(acts: acting.Additions) -> acting.Additions:
    """The same additions, one every 2 s."""
    begin = np.asarray(5.0 + 2.0 * np.arange(acts.begin_s.size), dtype=np.float64)
    return acting.Additions(begin, np.add(begin, 0.4), acts.volume_ml)


# Grades -----------------------------------------------------------------------------------------


@cache
def good() -> Draw:
    return next(
        d
        for d in map(drawn, SEEDS)
        if d.delivery == "drops" and grade_of(d, rows_of(d)).name == "good"
    )


def name_of(d: Draw) -> str:
    return grade_of(d, rows_of(d)).name


def test_one_fault_makes_it_hard() -> None:
    d = good()
    assert name_of(d) == "good"
    plain = d.water.calcium_umol + d.water.magnesium_umol
    soft = replace(d.water, calcium_umol=0.97 * plain, magnesium_umol=0.03 * plain, mg_edta_umol=0)
    dark = replace(d.water, indicator_umol=0.045 * d.water.flask_ml)
    late = replace(d.habits, late_s=3.5, late_scatter_s=0.1, reads_when_writing=False)
    for worse in (
        replace(d, water=soft),
        replace(d, water=dark),
        replace(d, habits=late),
        replace(d, habits=replace(d.habits, clock_s=-20.0)),
        replace(d, habits=replace(d.habits, grain_ml=0.1)),
        replace(d, film=replace(d.film, noise=0.02)),
    ):
        assert name_of(worse) == "hard"


def test_one_large_addition_leaves_a_bracket() -> None:
    d = good()
    assert name_of(replace(d, acts=acting.in_one_go(d.acts, d.end_ml, 1.0))) == "bracket"


def test_what_ends_purple_is_a_bracket() -> None:
    d = good()
    half = float(np.interp(0.5, d.curve.at.free, d.curve.volume_ml))
    k = int(np.searchsorted(d.acts.total_ml, half))
    a = d.acts
    cut = acting.Additions(a.begin_s[:k], a.end_s[:k], a.volume_ml[:k])
    assert name_of(replace(d, acts=cut, last_s=float(cut.end_s[-1]) + 8.0)) == "bracket"


def test_what_shows_no_end_is_refused() -> None:
    for event in grading.REFUSED:
        assert event in draws.EVENTS
        assert name_of(replace(good(), event=event)) == "refuse"
    assert sum(draws.EVENTS.values()) == pytest.approx(1.0)


def test_never_reached_is_red_to_the_last() -> None:
    found = [d for d in map(drawn, range(1, 121)) if d.event in ("never-reached", "flask-swapped")]
    assert found
    for d in found:
        assert d.acts.total_ml[-1] < 0.9 * d.end_ml


def test_sampler_and_rule_know_nothing_of_the_program() -> None:
    """Only what measures and what asks may import the program, and nothing its own renderer."""
    asking = {"colours.py", "judging.py", "telling.py", "films.py", "test_population.py"}
    for path in HERE.glob("*.py"):
        names = {
            node.module or ""
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.ImportFrom)
        }
        tops = {name.split(".")[0] for name in names}
        assert "sample_media" not in tops
        assert not any(name.startswith("endpoint.chemistry") for name in names)
        if path.name not in asking:
            assert not tops & {"endpoint", "calibration"}, path.name


# Judging ----------------------------------------------------------------------------------------


def outcome(**changes: object) -> Outcome:
    base = Outcome(
        seed=1,
        grade="good",
        because=(),
        event="ordinary",
        delivery="drops",
        status="located",
        codes=(),
        remarks=(),
        truth_ml=10.0,
        value_ml=10.01,
        uncertainty_ml=0.01,
        interval_ml=(9.99, 10.03),
        magnesium=0.2,
        indicator_umol_l=15.0,
        late_s=0.5,
        clock_s=0.0,
        fps=10.0,
        reading_ml=0.02,
        cpu_s=1.0,
    )
    return replace(base, **changes)  # type: ignore[arg-type]


def test_false_is_far_off_or_not_to_be_given() -> None:
    assert outcome().holds
    assert not outcome().false
    near = outcome(value_ml=10.04, interval_ml=(10.01, 10.07))
    assert near.holds is False
    assert not near.false
    assert outcome(value_ml=10.2, interval_ml=(10.17, 10.23)).false
    never = {"grade": "refuse", "event": "never-reached"}
    assert outcome(**never).false
    assert not outcome(**never, value_ml=None, interval_ml=(9.0, None)).false
    assert outcome(**never, value_ml=None, interval_ml=(11.0, None)).false
    assert outcome(grade="refuse", event="flask-swapped", value_ml=None).false
    assert not outcome(grade="refuse", event="wrong-ph").false
    assert not outcome(status="none", value_ml=None, interval_ml=None).false


def test_a_draw_is_asked_from_record_and_log(tmp_path: Path) -> None:
    found = judging.judged(good().seed, tmp_path)
    assert found.status != "crash", found.codes
    assert found.grade == "good"
    assert (tmp_path / "record.toml").exists()
    assert (tmp_path / "volumes.csv").read_text(encoding="utf-8").startswith("time_s,volume_ml")


# Films ------------------------------------------------------------------------------------------


def test_pictures_show_red_liquid_turn_blue_on_white() -> None:
    """Colours in the coded picture are those of the optics, light and grain aside."""
    d = filmed(good())
    plain = replace(
        d,
        mishaps=draws.Mishaps(),
        film=replace(d.film, noise=0.0, fps=0.2),
        swap_s=None,
    )
    scene = scene_of(plain)
    shown = list(pictures(plain, scene, np.random.default_rng(1)))
    assert shown[0].shape == (180, 240, 3)
    middle = cv2.erode(scene.liquid.astype(np.uint8), np.ones((9, 9), np.uint8)).astype(bool)
    first, last = (np.median(picture[middle], axis=0) for picture in (shown[0], shown[-1]))
    assert first[0] > first[1] + 20
    assert last[2] > last[0] + 40
    white = np.percentile(shown[0].reshape(-1, 3), 95, axis=0)
    linear = plain.optics.level
    wanted = 255.0 * (1.055 * linear ** (1.0 / 2.4) - 0.055)
    assert np.all(np.abs(white - wanted) < 0.08 * wanted)


def test_a_film_is_written_and_read(tmp_path: Path) -> None:
    d = replace(filmed(good()), film=replace(good().film, fps=0.5))
    write_film(d, tmp_path / "film.mp4")
    with av.open(str(tmp_path / "film.mp4")) as container:
        frames = sum(1 for _ in container.decode(video=0))
    assert frames == int((d.last_s - d.first_s) * 0.5) > 20
