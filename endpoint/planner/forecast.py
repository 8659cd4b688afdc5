"""Predicted uncertainty of a planned titration, by eye and by recording.

The budget is built from the same ware, names and formula as that of a finished titration:
hardness = c V / V_sample. Sources named for one titration (reading, filling, scatter) are new
each time and shrink with the number of replicates; calibration, titrant and the prediction of the
indicator error stay.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from calibration.quantity import Quantity, combine
from calibration.ware.glassware import Ware, burette_volume, pipette_deliveries
from endpoint.chemistry.equilibrium import Flask
from endpoint.equivalence.descent import Fit
from endpoint.equivalence.least_squares import contributions
from endpoint.equivalence.model import (
    BLUE,
    EQUIVALENCE,
    LAG,
    LOG_IND,
    PARAMETERS,
    PLUME,
    ROOT_MG,
    Model,
    Priors,
    Setting,
)
from endpoint.planner.indicator_error import eye_error, indicator_error
from endpoint.planner.pouring import DROP_ML, pouring_for

FloatArray = NDArray[np.float64]

JUDGEMENT_ML = 0.03
"""Scatter of one person's end by eye where the change is sharp; three titres then mostly agree
within 0.10 mL, as practice wants (common practice, no source)."""
SHARP_ML = 0.3
"""Length of a sharp change, from half of the indicator free to 95 %, mL: that of 100 mL of 2.5
mmol/L with 20 % magnesium and 0.01 mol/L EDTA. The eye stops at a shade, so its scatter grows in
proportion to a longer change; one that is shorter is still read with `JUDGEMENT_ML`."""
COLOUR_SCATTER = 0.01
"""Scatter of one point of a recording as a part of red to blue (assumed; simulated recordings
for the tests run from 0.002 to 0.02)."""
_SMALLEST_SHARE = 0.005
"""Part of magnesium from which the derivative with respect to it holds; below, the border is looked
at. Assumed."""
_ROOTS = tuple(np.linspace(0.0, 0.4, 41).tolist())
"""Roots of parts of magnesium up to 0.16 that may be there where nearly none is."""
_LAG_U_S = 0.75
"""Standard uncertainty of the mixing time, s, as in `endpoint.equivalence.model.Priors`."""
MOST_REPLICATES = 99
"""More are not planned: the wanted uncertainty then cannot be reached."""


@dataclass(frozen=True)
class Setup:
    """What stays the same for one planned titration."""

    burette: Ware
    pipette: Ware
    fillings: int
    titrant_mol_l: Quantity
    drop_ml: float = DROP_ML
    mixing_lag_s: float = 1.5
    colour_scatter: float = COLOUR_SCATTER
    titre_scatter_ml: float | None = None
    """Standard deviation of one titre where the user knows it, mL."""


@dataclass(frozen=True)
class Forecast:
    """What one titration at one hardness would give."""

    reading: str
    """"eye" or "recording"."""
    one: Quantity
    """Hardness of one titration, mmol/L, with every source by name."""
    setup: Setup
    flask: Flask
    endpoint_parts: Mapping[str, Quantity]
    """Sources of the end itself, mL; the key tells whether it is new for each titration."""
    correction_ml: float
    """To be taken off a titre by eye; 0 for a recording."""

    @property
    def repeated_u(self) -> float:
        """Standard uncertainty of what is new in each titration, mmol/L."""
        parts = self.one.contributions
        return math.hypot(*(c.value for name, c in parts.items() if is_new(name)))

    @property
    def lasting_u(self) -> float:
        """Standard uncertainty that no number of replicates lessens, mmol/L."""
        parts = self.one.contributions
        return math.hypot(*(c.value for name, c in parts.items() if not is_new(name)))

    @property
    def coverage_factor(self) -> float:
        """Factor k for 95 %; the scatter counts as known from before."""
        return Quantity.measured(0.0, "1", 1.0, "k").coverage_factor(0.95)

    def expanded(self, replicates: int) -> float:
        """Half of the 95 % interval of the mean of so many titrations, mmol/L."""
        u = math.hypot(self.lasting_u, self.repeated_u / math.sqrt(replicates))
        return self.coverage_factor * u

    def expanded_from_own_scatter(self, replicates: int) -> float | None:
        """The same where the scatter is worked out from these titrations alone, mmol/L.

        Welch-Satterthwaite with n - 1 degrees of freedom for what is new in each titration
        (JCGM 100:2008, G.4.1); None for one titration.
        """
        if replicates < 2:
            return None
        mean_u = self.repeated_u / math.sqrt(replicates)
        own = Quantity.measured(
            0.0, "mmol/L", mean_u, "own", kind="A", degrees_of_freedom=replicates - 1
        )
        return (own + Quantity.measured(0.0, "mmol/L", self.lasting_u, "lasting")).interval(0.95)[1]

    def replicates_for(self, wanted_mmol_l: float) -> int | None:
        """Smallest number of titrations whose mean reaches a 95 % half width; None if none does."""
        room = (wanted_mmol_l / self.coverage_factor) ** 2 - self.lasting_u**2
        if room <= 0.0:
            return None
        count = max(1, math.ceil(self.repeated_u**2 / room * (1.0 - 1e-12)))
        return count if count <= MOST_REPLICATES else None

    def mean_of(self, replicates: int) -> Quantity:
        """Mean of so many titrations with every source by name, mmol/L."""
        each = [_titration(self, number) for number in range(1, replicates + 1)]
        value = self.one.value
        return combine(value, "mmol/L", [(1.0 / replicates, one) for one in each])


_EACH = ", titration "


def is_new(name: str) -> bool:
    """Whether a source is new in each titration, so that replicates lessen it."""
    return _EACH in name


def _titration(forecast: Forecast, number: int) -> Quantity:
    """Hardness of the titration with a number, mmol/L."""
    setup = forecast.setup
    label = f"{_EACH.removeprefix(', ')}{number}"
    volume = Quantity(forecast.flask.equivalence_ml, "mL")
    for name, part in forecast.endpoint_parts.items():
        if is_new(name):
            # Each titration has its own draw of this source.
            ((_, c),) = part.contributions.items()
            part = Quantity(0.0, "mL", {f"{name}{number}": c})
        volume += part
    burette = setup.burette
    volume = burette_volume(burette, volume, label)
    sample = Quantity(0.0, "mL")
    for delivery in pipette_deliveries(setup.pipette, setup.fillings, label=label):
        sample += delivery
    return (setup.titrant_mol_l * volume / sample).scaled(1000.0, "mmol/L")


def _forecast(
    reading: str, setup: Setup, flask: Flask, parts: dict[str, Quantity], correction_ml: float
) -> Forecast:
    empty = Forecast(reading, Quantity(0.0, "mmol/L"), setup, flask, parts, correction_ml)
    return replace(empty, one=_titration(empty, 1))


def _normal(u_ml: float, name: str) -> Quantity:
    return Quantity.measured(0.0, "mL", u_ml, name)


def judgement_ml(flasks: tuple[Flask, ...]) -> float:
    """Scatter of one person's end by eye, mL, for the longest change that may be."""
    longest = 0.0
    for flask in flasks:
        found = indicator_error(flask)
        middle = found.midpoint_ml
        # Where half of the indicator is free from the start the whole titre is the change.
        length = found.last_red_ml - (-flask.equivalence_ml if math.isnan(middle) else middle)
        longest = max(longest, length)
    return JUDGEMENT_ML * max(1.0, longest / SHARP_ML)


def by_eye(setup: Setup, flasks: tuple[Flask, ...]) -> Forecast | None:
    """Forecast of a titration by eye whose titre is corrected for the predicted indicator error.

    Parameters
    ----------
    setup:
        Ware and titrant.
    flasks:
        The flask for each possible share of magnesium, at least one.

    Returns
    -------
    None where a flask is blue from the start.
    """
    error = eye_error(flasks)
    if math.isnan(error.correction_ml + error.shade_half_width_ml + error.constants_ml):
        return None
    parts = {}
    for name, half in (
        ("indicator error: magnesium share", error.magnesium_half_width_ml),
        ("eye: shade that is called blue", error.shade_half_width_ml),
    ):
        if half > 0:
            parts[name] = Quantity.from_limits(0.0, "mL", half, "rectangular", name)
    for name, u in (
        ("indicator error: constants and pH", error.constants_ml),
        ("indicator error: amount of indicator", error.indicator_ml),
    ):
        parts[name] = _normal(u, name)
    if setup.titre_scatter_ml is None:
        name = f"eye: last drop{_EACH}"
        half = 0.5 * setup.drop_ml
        parts[name] = Quantity.from_limits(0.0, "mL", half, "rectangular", name)
        name, scatter = f"eye: judgement of the colour{_EACH}", judgement_ml(flasks)
    else:
        name, scatter = f"endpoint: scatter between titrations{_EACH}", setup.titre_scatter_ml
    parts[name] = _normal(scatter, name)
    # On the average the titre passes the last red by half a drop.
    correction = error.correction_ml + 0.5 * setup.drop_ml
    return _forecast("eye", setup, flasks[0], parts, correction)


def colour_parts_ml(setup: Setup, flask: Flask) -> dict[str, float] | None:
    """Standard uncertainty of the equivalence volume from the fit of a recording, by source, mL.

    The Cramer-Rao bound of the model that will be fitted, at the planned additions: the inverse of
    J'J with the priors as observations. The simulated recordings of the tests reach it.

    Returns
    -------
    None where the flask is blue from the start.
    """
    found = _colour_parts_ml(flask, setup.mixing_lag_s, setup.drop_ml, setup.colour_scatter)
    return None if found is None else dict(found)


@lru_cache(maxsize=64)
def _colour_parts_ml(
    flask: Flask, mixing_lag_s: float, drop_ml: float, colour_scatter: float
) -> dict[str, float] | None:
    pouring = pouring_for(flask, recorded=True, mixing_lag_s=mixing_lag_s, drop_ml=drop_ml)
    if pouring is None:
        return None
    volume = np.array(pouring.volumes_ml())
    metal = flask.calcium_mmol + flask.magnesium_mmol + flask.mg_edta_mmol
    magnesium = (flask.magnesium_mmol + flask.mg_edta_mmol) / metal
    share = min(max(magnesium, _SMALLEST_SHARE), 1.0 - _SMALLEST_SHARE)
    theta = np.zeros(PARAMETERS)
    theta[EQUIVALENCE], theta[BLUE] = flask.equivalence_ml, 1.0
    theta[ROOT_MG] = math.sqrt(share / (1.0 - share))
    theta[LOG_IND], theta[LAG] = math.log(flask.indicator_umol), mixing_lag_s
    free = np.ones(PARAMETERS, dtype=bool)
    free[[LAG, PLUME]] = False
    model = Model(
        setting=Setting(flask.volume_ml, flask.titrant_mol_l, lambda _lag: volume, False, flask.ph),
        priors=Priors(),
        signal=np.zeros(volume.size),
        sigma=np.full(volume.size, colour_scatter),
        volume_ml=volume,
        floor=0.0,
        free=free,
    )
    jacobian = model.jacobian(theta)
    covariance = np.asarray(np.linalg.pinv(jacobian.T @ jacobian, hermitian=True))
    found = contributions(model, Fit(theta, covariance, jacobian, 0.0))
    if magnesium < _SMALLEST_SHARE:
        name = "magnesium share, constants and pH"
        found[name] = math.hypot(found.get(name, 0.0), _border_u_ml(model, theta))
    drops = pouring.stretches[-1]
    lag = mixing_lag_s
    if lag > 0:
        # What of the last addition is not yet mixed in when the pause ends, by the lag.
        left = drops.addition_ml * math.exp(-drops.pause_s / lag) * drops.pause_s / lag**2
        found["mixing lag"] = left * _LAG_U_S
    return found


def _border_u_ml(model: Model, theta: FloatArray) -> float:
    """What a little magnesium that the curve cannot exclude does to the equivalence volume, mL.

    At the border of no magnesium the derivative by its root is zero, so the linear bound says
    nothing. For each root on a grid the other parameters are refitted to first order; the shifts
    are weighted with the likelihood that is left.
    """
    free = model.free.copy()
    free[ROOT_MG] = False
    none = theta.copy()
    none[ROOT_MG] = 0.0
    jacobian = model.jacobian(none)[:, free[model.free]]
    column = int(np.flatnonzero(free).searchsorted(EQUIVALENCE))
    at_none = model.residuals(none)
    weights, shifts = [], []
    for root in _ROOTS:
        there = none.copy()
        there[ROOT_MG] = root
        change = model.residuals(there) - at_none
        step, *_ = np.linalg.lstsq(jacobian, -change, rcond=None)
        left = change + jacobian @ step
        weights.append(math.exp(-0.5 * float(left @ left)))
        shifts.append(float(step[column]))
    return math.sqrt(float(np.average(np.square(shifts), weights=weights)))


def by_recording(setup: Setup, flasks: tuple[Flask, ...]) -> Forecast | None:
    """Forecast of a recorded titration, for the least favourable of the flasks.

    Parameters and result as for `by_eye`; nothing has to be corrected.
    """
    found = [(flask, colour_parts_ml(setup, flask)) for flask in flasks]
    known = [(flask, parts) for flask, parts in found if parts is not None]
    if len(known) < len(flasks):
        return None
    flask, worst = max(known, key=lambda pair: math.hypot(*pair[1].values()))
    parts = {}
    for name, u in worst.items():
        new = name == "scatter of the colour"
        full = f"endpoint: {name}{_EACH}" if new else f"endpoint: {name}"
        if new and setup.titre_scatter_ml is not None:
            full, u = f"endpoint: scatter between titrations{_EACH}", setup.titre_scatter_ml
        parts[full] = _normal(u, full)
    return _forecast("recording", setup, flask, parts, 0.0)
