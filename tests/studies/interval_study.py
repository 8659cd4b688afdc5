"""Is the 95 % interval of the equivalence volume real? A study to run on request.

    python -m tests.studies.interval_study --count 500 --first 5000 --plot .out/interval.png

Simulated curves with known truth (see `sample_media.simulated.draw_plan`) are fitted; the
table gives coverage, bias and the error against the Cramer-Rao bound of the model at the truth.

    python -m tests.studies.interval_study --times

What one fit takes on one core, by the number of points (set OMP_NUM_THREADS=1).

    python -m tests.studies.interval_study --indicators --count 200 --first 70000

Coverage with every other indicator, see `tests.indicator_plans`; the constants are drawn as widely
as its file says they are unsure.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from endpoint.chemistry.equilibrium import constants_at
from endpoint.chemistry.indicator_file import indicator_names, named_indicator
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T
from endpoint.curve.gathering import from_absorbance
from endpoint.curve.points import Curve
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.fit import Transition, fit_transition
from endpoint.equivalence.indicator_amount import amount_shown
from endpoint.equivalence.model import (
    BEND,
    BLUE,
    DRIFT,
    EQUIVALENCE,
    KINK,
    LAG,
    LOG_IND,
    PARAMETERS,
    ROOT_MG,
    SHIFT_EDTA,
    SHIFT_IND,
    SPLIT_EDTA,
    SPLIT_IND,
    Model,
    Priors,
    Setting,
)
from endpoint.equivalence.model import priors_for as knowledge_of
from sample_media.simulated import CAMERA, Plan, SyntheticTable, draw_plan, simulate
from tests.indicator_plans import titrate

FloatArray = NDArray[np.float64]
LAG_UNCERTAINTY_S = 0.15


def curve_of(plan: Plan, table: SyntheticTable) -> Curve:
    """Curve of a simulated table: rows with volumes for steps, a pump log for continuous."""
    delivery = None
    if not plan.additions_ml:
        delivery = Delivery.at_constant_rate(plan.rate_ml_min, 0.0)
    return from_absorbance(
        table.volume_ml,
        table.density,
        plan.channels,
        plan.flask.volume_ml,
        saturated=np.zeros(table.volume_ml.size, dtype=bool),
        time_s=table.time_s,
        delivery=delivery,
    )


def priors_for(plan: Plan, seed: int) -> Priors:
    """Continuous delivery: the mixing lag was measured with an error, as a pause test gives it."""
    usual = knowledge_of(ERIOCHROME_BLACK_T)
    if plan.additions_ml:
        return usual
    measured = plan.lag_s + LAG_UNCERTAINTY_S * np.random.default_rng([3, seed]).standard_normal()
    return replace(usual, lag_s=(float(measured), LAG_UNCERTAINTY_S))


def bound_ml(plan: Plan, curve: Curve, priors: Priors) -> float:
    """Cramer-Rao bound of the model at the true parameters with the true noise, mL."""
    priors = replace(
        priors,
        bend=curve.bend_prior,
        kink=curve.kink_prior,
        log_indicator_umol_l=amount_shown(curve, ERIOCHROME_BLACK_T),
    )
    flask, base = plan.flask, constants_at(10.0)
    moved = np.array(
        [
            plan.constants.log_ca_edta - base.log_ca_edta,
            plan.constants.log_mg_edta - base.log_mg_edta,
            plan.constants.log_ca_indicator - base.log_ca_indicator,
            plan.constants.log_mg_indicator - base.log_mg_indicator,
        ]
    )
    theta = np.zeros(PARAMETERS)
    theta[EQUIVALENCE] = flask.equivalence_ml
    theta[ROOT_MG] = np.sqrt(flask.magnesium_mmol / flask.calcium_mmol)
    theta[SHIFT_EDTA], theta[SPLIT_EDTA] = moved[:2].mean(), moved[1] - moved[0]
    theta[SHIFT_IND], theta[SPLIT_IND] = moved[2:].mean(), moved[3] - moved[2]
    theta[LOG_IND] = np.log(flask.indicator_umol)
    theta[LAG], theta[BLUE], theta[BEND] = plan.lag_s, 1.0, plan.bend
    theta[KINK] = plan.kink
    theta[DRIFT] = plan.drift / float(np.ptp(curve.volume_ml))
    free = np.ones(PARAMETERS, dtype=bool)
    free[LAG] = curve.lag_matters
    model = Model(
        Setting(flask.volume_ml, flask.titrant_mol_l, curve.mixed_volume_ml, curve.lag_matters),
        priors,
        np.zeros(len(curve)),
        np.full(len(curve), plan.noise),
        np.array(curve.volume_ml),
        curve.floor,
        free,
    )
    jacobian = model.jacobian(theta)
    return float(np.sqrt(np.linalg.inv(jacobian.T @ jacobian)[0, 0]))


@dataclass(frozen=True)
class Row:
    """One simulated titration: truth, estimate and bound."""

    seed: int
    continuous: bool
    camera: bool
    magnesium: float
    indicator_umol_l: float
    noise: float
    error_ml: float
    uncertainty_ml: float
    bound_ml: float
    covered: bool
    midpoint_error_ml: float
    last_red_error_ml: float


def run_one(seed: int) -> Row:
    """Simulate, fit and compare."""
    plan = draw_plan(seed)
    table = simulate(plan)
    curve = curve_of(plan, table)
    priors = priors_for(plan, seed)
    fit: Transition = fit_transition(curve, plan.flask.titrant_mol_l, priors)
    found, truth = fit.equivalence, table.equivalence_ml
    metal = plan.flask.calcium_mmol + plan.flask.magnesium_mmol
    return Row(
        seed=seed,
        continuous=not plan.additions_ml,
        camera=plan.channels == CAMERA,
        magnesium=plan.flask.magnesium_mmol / metal,
        indicator_umol_l=1e3 * plan.flask.indicator_umol / plan.flask.volume_ml,
        noise=plan.noise,
        error_ml=found.value_ml - truth,
        uncertainty_ml=found.standard_uncertainty_ml,
        bound_ml=bound_ml(plan, curve, priors),
        covered=found.low_ml <= truth <= found.high_ml,
        midpoint_error_ml=fit.midpoint.value_ml - table.midpoint_ml if fit.midpoint else np.nan,
        last_red_error_ml=fit.last_red.value_ml - table.last_red_ml if fit.last_red else np.nan,
    )


@dataclass(frozen=True)
class Summary:
    """What the issue of trust comes down to."""

    count: int
    coverage: float
    bias_ml: float
    median_error_ml: float
    worst_error_ml: float
    error_over_bound: float
    """Root mean square of error / Cramer-Rao bound."""
    stated_over_bound: float
    """Median of stated standard uncertainty / Cramer-Rao bound."""


def summarise(rows: list[Row]) -> Summary:
    """Coverage, bias and efficiency of a list of rows."""
    error = np.array([r.error_ml for r in rows])
    bound = np.array([r.bound_ml for r in rows])
    stated = np.array([r.uncertainty_ml for r in rows])
    return Summary(
        count=len(rows),
        coverage=float(np.mean([r.covered for r in rows])),
        bias_ml=float(error.mean()),
        median_error_ml=float(np.median(np.abs(error))),
        worst_error_ml=float(np.max(np.abs(error))),
        error_over_bound=float(np.sqrt(np.mean((error / bound) ** 2))),
        stated_over_bound=float(np.median(stated / bound)),
    )


def fit_times_ms(count: int = 60, first: int = 0) -> dict[str, tuple[int, float, float]]:
    """Processor time of whole fits, by number of points of the curve.

    Parameters
    ----------
    count, first:
        Number of simulated curves and the first seed.

    Returns
    -------
    Group -> number of curves, median and 90th percentile in ms.
    """
    sizes, times = [], []
    for seed in range(first, first + count):
        plan = draw_plan(seed)
        if seed % 2 and not plan.additions_ml:
            # A row every 3 s instead of every 0.5 s.
            plan = replace(plan, row_interval_s=3.0)
        curve = curve_of(plan, simulate(plan))
        priors = priors_for(plan, seed)
        begin = time.process_time()
        fit_transition(curve, plan.flask.titrant_mol_l, priors)
        times.append(1e3 * (time.process_time() - begin))
        sizes.append(len(curve))
    n, ms = np.array(sizes), np.array(times)
    found = {}
    for low, high in ((0, 60), (60, 200), (200, 500), (500, 800), (800, 5000)):
        part = ms[(n >= low) & (n < high)]
        if part.size:
            spread = np.percentile(part, [50, 90])
            found[f"{low}-{high} points"] = (part.size, float(spread[0]), float(spread[1]))
    return found


def indicator_table(count: int, first: int) -> list[str]:
    """One line of coverage and errors for every indicator that comes with the program."""
    lines = [f"{'indicator':<24}{'n':>5}{'coverage':>10}{'bias/mL':>10}{'median':>9}{'worst':>8}"]
    for name in indicator_names():
        indicator = named_indicator(name)
        magnesium = 0.2 if len(indicator.metals) > 1 else 0.0
        errors, inside = [], 0
        for seed in range(first, first + count):
            run = titrate(indicator, seed, magnesium=magnesium)
            found = fit_transition(run.curve, 0.01, None, indicator).equivalence
            errors.append(found.value_ml - run.equivalence_ml)
            inside += found.low_ml <= run.equivalence_ml <= found.high_ml
        size = np.abs(errors)
        lines.append(
            f"{name:<24}{count:>5}{100 * inside / count:>9.1f}%{np.mean(errors):>+10.4f}"
            f"{np.median(size):>9.4f}{size.max():>8.3f}"
        )
    return lines


def groups_of(rows: list[Row]) -> dict[str, list[Row]]:
    """Rows by way of delivery and by magnesium share."""
    parts: dict[str, list[Row]] = {
        "all": rows,
        "steps": [r for r in rows if not r.continuous],
        "continuous": [r for r in rows if r.continuous],
        "camera": [r for r in rows if r.camera],
        "photometer": [r for r in rows if not r.camera],
    }
    for low, high in ((0.0, 0.02), (0.02, 0.06), (0.06, 0.2), (0.2, 0.6)):
        name = f"Mg {100 * low:.0f}-{100 * high:.0f} %"
        parts[name] = [r for r in rows if low <= r.magnesium < high]
    return {name: part for name, part in parts.items() if part}


def plot(rows: list[Row], path: Path) -> None:
    """Error over stated uncertainty, against magnesium share; and against the normal law."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9, 4), layout="constrained")
    left, right = figure.subplots(1, 2)
    z = np.array([r.error_ml / r.uncertainty_ml for r in rows])
    for continuous, marker, label in ((False, "o", "steps"), (True, "^", "continuous")):
        part = np.array([r.continuous == continuous for r in rows])
        share = np.array([100 * r.magnesium for r in rows])
        left.plot(share[part], z[part], marker, ms=4, mfc="none", label=label)
    left.axhspan(-1.96, 1.96, color="0.9", zorder=0)
    left.set(xscale="log", xlabel="magnesium, % of the hardness", ylabel="error / stated u")
    left.legend()
    order = np.sort(z)
    probability = (np.arange(len(rows)) + 0.5) / len(rows)
    normal = np.sort(np.random.default_rng(0).standard_normal(200_000))
    right.plot(np.quantile(normal, probability), order, "k.", ms=4)
    right.plot([-3, 3], [-3, 3], "0.5")
    right.set(xlabel="normal quantile", ylabel="error / stated u")
    path.parent.mkdir(parents=True, exist_ok=True)
    figure.savefig(path, dpi=110)


def main() -> None:
    """Print the table and draw the plot."""
    parser = argparse.ArgumentParser(description="Coverage of the equivalence volume")
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--first", type=int, default=5000, help="first seed")
    parser.add_argument("--plot", type=Path)
    parser.add_argument("--times", action="store_true", help="time the fit instead")
    parser.add_argument("--indicators", action="store_true", help="every indicator instead")
    options = parser.parse_args()
    if options.indicators:
        print("\n".join(indicator_table(options.count, options.first)))
        return
    if options.times:
        for name, (n, median, most) in fit_times_ms().items():
            print(f"{name:<18}{n:>4} curves, median {median:6.1f} ms, 90 % below {most:6.1f} ms")
        return
    rows = []
    for k in range(options.count):
        rows.append(run_one(options.first + k))
        if (k + 1) % 50 == 0:
            print(f"{k + 1} of {options.count}", flush=True)
    print(
        f"{'group':<12}{'n':>5}{'coverage':>10}{'bias/mL':>10}{'median':>9}{'worst':>8}"
        f"{'rms e/CRB':>11}{'u/CRB':>8}"
    )
    for name, part in groups_of(rows).items():
        s = summarise(part)
        print(
            f"{name:<12}{s.count:>5}{100 * s.coverage:>9.1f}%{s.bias_ml:>+10.4f}"
            f"{s.median_error_ml:>9.4f}{s.worst_error_ml:>8.3f}"
            f"{s.error_over_bound:>11.2f}{s.stated_over_bound:>8.2f}"
        )
    if options.plot:
        plot(rows, options.plot)
        print(f"plot: {options.plot}")


if __name__ == "__main__":
    main()
