"""When a number is given, when only an interval, and when nothing but a reason."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from endpoint.analysis.of_curve import judged
from endpoint.analysis.result import Result
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.gathering import from_absorbance
from endpoint.equivalence.fit import fit_transition
from endpoint.equivalence.indicator_amount import amount_shown
from endpoint.equivalence.model import BEND, KINK
from endpoint.messages import REASONS, REMARKS
from endpoint.verdict.evidence import Evidence
from endpoint.verdict.verdict import Verdict, judge
from sample_media.simulated import BLUE_FORM, RED_FORM, Plan, simulate
from tests.simulated import RGB, curve, flask, job, result_of, steps


def codes(sentences: object) -> set[str]:
    return {s.code for s in sentences}  # type: ignore[attr-defined]


@pytest.mark.parametrize("seed", range(8))
def test_a_good_titration_is_located(seed: int) -> None:
    table, result = result_of(steps(flask(), seed=seed))
    assert result.status == "located"
    assert result.equivalence is not None
    assert result.equivalence.value_ml == pytest.approx(table.equivalence_ml, abs=0.04)
    assert result.hardness is not None
    assert result.hardness.mmol_l.value == pytest.approx(2.5, abs=0.005)
    assert sum(line.share for line in result.hardness.budget) == pytest.approx(1.0)


@pytest.mark.parametrize("magnesium", [0.0, 0.005])
def test_water_without_magnesium_is_located_and_remarked(magnesium: float) -> None:
    table, result = result_of(steps(flask(magnesium=magnesium)))
    assert result.status == "located"
    assert result.equivalence is not None
    assert result.equivalence.value_ml == pytest.approx(table.equivalence_ml, abs=0.06)
    assert {"no-magnesium", "eye-differs"} <= codes(result.remarks)


@pytest.mark.parametrize("stop_before_ml", [0.6, 1.5, 6.0])
def test_never_reached_gives_no_number_but_a_lower_bound(stop_before_ml: float) -> None:
    plan = steps(flask())
    table = simulate(plan)
    kept = table.volume_ml < table.equivalence_ml - stop_before_ml
    _, result = result_of(plan, kept)
    assert result.status == "none"
    assert codes(result.reasons) == {"never-reached"}
    assert result.equivalence is None
    assert result.hardness is None
    assert result.verdict.above_ml is not None
    assert result.verdict.above_ml <= table.equivalence_ml


def constant_colour(form: tuple[float, float, float], noise: float = 0.002) -> object:
    rng = np.random.default_rng(5)
    volume = np.linspace(0.0, 15.0, 40)
    density = np.asarray(form) / (1.0 + volume / 100.0)[:, None]
    density = density + noise * rng.standard_normal((40, 3))
    saturated = np.zeros(40, dtype=bool)
    return judged(job(), from_absorbance(volume, density, RGB, 100.0, saturated=saturated))


@pytest.mark.parametrize(
    ("later", "above_ml"), [((-0.04, 0.15, 0.08), None), ((0.02, -0.1, -0.1), 15.0)]
)
def test_dark_red_that_only_gets_darker_or_paler_was_stopped_early(
    later: tuple[float, float, float], above_ml: float | None
) -> None:
    """A dark liquid moves with its surface and the light by more than a pale one changes."""
    start = np.array([0.39, 0.95, 0.77])
    way = np.linspace(0.0, 1.0, 40)[:, None] ** 2
    saturated = np.zeros(40, dtype=bool)

    def found(last: np.ndarray) -> Result:
        density = start + way * (last - start)
        return judged(
            job(),
            from_absorbance(np.linspace(0.0, 15.0, 40), density, RGB, 100.0, saturated=saturated),
        )

    early = found(start + np.array(later))
    assert codes(early.reasons) == {"never-reached"}
    # A red mug gets darker too: only a drift towards blue tells that it is this titration.
    assert early.verdict.above_ml == above_ml
    # An indicator of another kind fades to nothing.
    assert codes(found(0.02 * start).reasons) == {"other-colour"}


@pytest.mark.parametrize("drift", [0.02, np.linspace(0.017, 0.047, 19)[:, None]])
def test_a_cell_without_indicator_bounds_nothing(drift: float | np.ndarray) -> None:
    volume = np.linspace(0.0, 9.0, 19)
    absorbance = drift + 0.001 * np.random.default_rng(5).standard_normal((19, 2))
    saturated = np.zeros(19, dtype=bool)
    curve = from_absorbance(volume, absorbance, ("530 nm", "620 nm"), 100.0, saturated=saturated)
    found = judged(job(), curve)
    assert codes(found.reasons) == {"no-change"}
    assert found.verdict.above_ml is None


def test_already_blue() -> None:
    result = constant_colour(BLUE_FORM)
    assert result.status == "none"  # type: ignore[attr-defined]
    assert codes(result.reasons) == {"already-blue"}  # type: ignore[attr-defined]


def test_always_red() -> None:
    result = constant_colour(RED_FORM)
    assert codes(result.reasons) == {"never-reached"}  # type: ignore[attr-defined]


@pytest.mark.parametrize("gap_ml", [0.5, 1.0])
@pytest.mark.parametrize("seed", range(10))
def test_one_addition_that_jumps_the_change_brackets_the_truth(gap_ml: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    content = flask(magnesium=float(rng.uniform(0.1, 0.4)))
    first = content.equivalence_ml - gap_ml * rng.uniform(0.35, 0.75)
    volumes = [*np.arange(first % gap_ml, first + 1e-9, gap_ml), first + gap_ml, first + 2 * gap_ml]
    plan = Plan(
        content, steps(content).constants, additions_ml=tuple(map(float, volumes)), noise=0.004
    )
    table, result = result_of(plan)
    if result.status == "bracketed":
        assert result.equivalence is None
        assert result.verdict.bracket_ml is not None
        low, high = result.verdict.bracket_ml
        assert low <= table.equivalence_ml
        assert high is None or table.equivalence_ml <= high
    else:
        assert result.status == "located"
        assert result.equivalence is not None
        assert result.equivalence.low_ml <= table.equivalence_ml <= result.equivalence.high_ml


@pytest.mark.parametrize(
    ("bend", "kink", "status"), [(-1.72, -0.17, "bracketed"), (-0.82, -0.28, "located")]
)
def test_a_colour_that_goes_the_wrong_way_first_tells_no_number(
    bend: float, kink: float, status: str
) -> None:
    """A dark liquid before a camera; the second goes wrong by 0.2 % of the change only."""
    seen = curve(simulate(steps(flask(), noise=0.003)))
    fit = fit_transition(seen, 0.01)
    theta = fit.theta.copy()
    theta[[BEND, KINK]] = bend, kink
    knowledge = Evidence(seen, replace(fit, theta=theta), fit.model.priors)
    assert judge(knowledge).status == status


@pytest.mark.parametrize("seed", range(6))
def test_a_purple_that_stays_for_two_drops_is_no_blue_level(seed: int) -> None:
    """Drops of which nothing has mixed in yet, and a film that ends: the last colours are alike."""
    table = simulate(steps(flask(), noise=0.003, seed=seed))
    kept = np.flatnonzero(table.free_fraction < 0.6)
    volume = np.r_[table.volume_ml[kept], table.volume_ml[kept[-1]] + np.array([0.02, 0.04])]
    density = table.density[np.r_[kept, kept[-1], kept[-1]]]
    aside = np.zeros(volume.size, dtype=bool)
    result = judged(job(), from_absorbance(volume, density, RGB, 100.0, saturated=aside))
    assert result.status == "bracketed"
    assert result.verdict.bracket_ml is not None
    low, high = result.verdict.bracket_ml
    assert low <= table.equivalence_ml
    assert high is None or high >= table.equivalence_ml


@pytest.mark.parametrize("seed", range(6))
def test_last_frame_still_purple_is_bracketed(seed: int) -> None:
    plan = steps(flask(), noise=0.003, seed=seed)
    table = simulate(plan)
    kept = table.free_fraction < 0.6
    _, result = result_of(plan, kept)
    assert result.status == "bracketed"
    assert codes(result.reasons) == {"still-purple"}
    assert result.verdict.bracket_ml is not None
    low, high = result.verdict.bracket_ml
    assert low <= table.equivalence_ml
    assert high is None or high >= table.equivalence_ml


def test_wrong_ph_fades_slowly_and_gets_no_number() -> None:
    plan = steps(flask(ph=8.3), beyond_ml=3.0)
    _, result = result_of(plan)
    assert result.status == "none"
    assert codes(result.reasons) & {"slow-fade", "already-blue", "model-misfit"}


@pytest.mark.parametrize("ph", [8.7, 8.9])
def test_low_ph_costs_a_remark_and_not_the_number(ph: float) -> None:
    # The blue comes over some millilitres, but the recording holds it and chemistry explains it.
    table, result = result_of(steps(flask(ph=ph), beyond_ml=3.0))
    assert result.status == "located"
    assert "ph-suspected" in codes(result.remarks)
    assert result.equivalence is not None
    assert result.equivalence.low_ml <= table.equivalence_ml <= result.equivalence.high_ml


@pytest.mark.parametrize("fades", [True, False])
def test_a_lamp_that_makes_the_red_orange_costs_no_number(fades: bool) -> None:
    """Skin has that colour too, but does not fade to blue over a dozen points."""
    table = simulate(steps(flask()))
    free = table.free_fraction if fades else np.round(table.free_fraction)
    orange, blue = np.array([0.14, 0.37, 0.54]), np.array([0.46, 0.21, 0.0])
    density = (1 - free[:, None]) * orange + free[:, None] * blue
    saturated = np.zeros(free.size, dtype=bool)
    found = judged(
        job(), from_absorbance(table.volume_ml, density, RGB, 100.0, saturated=saturated)
    )
    if fades:
        assert found.equivalence is not None
        assert found.equivalence.value_ml == pytest.approx(table.equivalence_ml, abs=0.05)
    else:
        assert codes(found.reasons) == {"other-colour"}


def test_another_colour_change_is_refused() -> None:
    table = simulate(steps(flask()))
    red, yellow = np.array(RED_FORM), np.array([0.03, 0.08, 0.7])
    f = table.free_fraction[:, None]
    density = (1 - f) * red + f * yellow
    saturated = np.zeros(f.size, dtype=bool)
    result = judged(
        job(), from_absorbance(table.volume_ml, density, RGB, 100.0, saturated=saturated)
    )
    assert result.status == "none"
    assert codes(result.reasons) == {"other-colour"}


def test_blue_that_goes_back_to_red_is_refused() -> None:
    table = simulate(steps(flask(), beyond_ml=2.0))
    f = table.free_fraction.copy()
    f[-6:] = np.linspace(0.9, 0.2, 6)
    density = (1 - f)[:, None] * np.array(RED_FORM) + f[:, None] * np.array(BLUE_FORM)
    saturated = np.zeros(f.size, dtype=bool)
    result = judged(
        job(), from_absorbance(table.volume_ml, density, RGB, 100.0, saturated=saturated)
    )
    assert result.status != "located"


def exchanged(added_ml: float, leaps: bool = True, free_from: float = 0.97) -> Verdict:
    """A flask 2 mL before its end is exchanged for a blue thing while a little titrant is added.

    Or it turned: then the blue is that of a liquid from a free part of its indicator on.
    """
    table = simulate(steps(flask()))
    before = table.volume_ml < table.equivalence_ml - 2.0
    blue = np.flatnonzero(table.free_fraction > free_from)[:4]
    rows = np.r_[np.flatnonzero(before), blue]
    volume = table.volume_ml[rows].copy()
    volume[-4:] = volume[-5] + added_ml + 0.05 * np.arange(4)
    found = from_absorbance(
        volume, table.density[rows], RGB, 100.0, saturated=np.zeros(rows.size, dtype=bool)
    )
    fit, priors = fit_transition(found, 0.01), job().priors
    return judge(Evidence(found, fit, priors, leaps=leaps))


def test_an_exchanged_flask_is_refused_not_bracketed() -> None:
    verdict = exchanged(0.3)
    assert verdict.status == "none"
    assert codes(verdict.reasons) == {"exchanged"}
    assert verdict.bracket_ml is None


@pytest.mark.parametrize(("added_ml", "leaps"), [(2.5, True), (0.3, False)])
def test_one_addition_that_may_have_turned_it_leaves_a_bracket(
    added_ml: float, leaps: bool
) -> None:
    """Enough titrant, or shades that were seen: then it is a liquid that turned."""
    assert exchanged(added_ml, leaps).status == "bracketed"


def test_a_liquid_that_goes_on_turning_is_the_same_one() -> None:
    """Whatever its constants are: a flask from elsewhere would be as blue as it will be."""
    assert exchanged(0.3, free_from=0.8).status == "bracketed"


def test_steps_of_light_are_remarked() -> None:
    table = simulate(steps(flask(), noise=0.002))
    own = 0.002 * np.random.default_rng(4).standard_normal(table.density.shape)
    step = 0.04 * (table.volume_ml > table.equivalence_ml - 3.0)[:, None]
    dull = np.zeros(len(own), dtype=bool)
    for light, remarked in ((0.0 * step, False), (step, True)):
        found = from_absorbance(
            table.volume_ml, table.density + own + light, RGB, 100.0, saturated=dull
        )
        result = judged(job(), found)
        assert ("light-changed" in codes(result.remarks)) == remarked
        assert result.equivalence is not None
        assert result.equivalence.value_ml == pytest.approx(table.equivalence_ml, abs=0.03)


def test_a_clipped_channel_hides_the_amount_and_says_too_much_indicator() -> None:
    plain = curve(simulate(steps(flask())))
    shown = np.full((len(plain), 3), 120, dtype=np.uint8)
    clear = replace(plain, rgb=shown)
    shown = shown.copy()
    shown[len(plain) // 2 :, 0] = 3
    deep = replace(plain, rgb=shown)
    assert "much-indicator" not in codes(judged(job(), clear).remarks)
    result = judged(job(), deep)
    assert "much-indicator" in codes(result.remarks)
    assert result.fit is not None
    usual, hidden = (amount_shown(one, ERIOCHROME_BLACK_T) for one in (clear, deep))
    assert hidden[0] == usual[0]
    assert hidden[1] > usual[1]


def test_too_few_points() -> None:
    table = simulate(steps(flask()))
    kept = np.zeros(table.volume_ml.size, dtype=bool)
    kept[[0, 10, -1]] = True
    assert codes(judged(job(), curve(table, kept)).reasons) == {"too-few-points"}


def test_every_sentence_is_one_plain_sentence_with_advice() -> None:
    for table in (REASONS, REMARKS):
        for code, (text, advice) in table.items():
            assert code == code.lower()
            assert text.endswith(".")
            assert advice.endswith(".")
