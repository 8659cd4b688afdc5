"""What a record says of a titration, in quantities: the input of an analysis."""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass

from calibration.certificate import Certificate
from calibration.quantity import Quantity
from endpoint.burette.picture_reader import BuretteInPicture
from endpoint.burette.picture_volume import PictureVolume
from endpoint.chemistry.indicators import ERIOCHROME_BLACK_T, Indicator
from endpoint.colour.linear_light import Transfer
from endpoint.delivery.clock import LogClock
from endpoint.delivery.delivery import Delivery
from endpoint.equivalence.model import Priors, priors_for
from endpoint.hardness.other_metals import StatedMetal
from endpoint.record.certificates import UsedCertificate
from endpoint.recording.frame import Box

DEFAULT_LAG_S = (1.5, 0.75)
"""Assumed mixing time and its standard uncertainty, s, where the record gives none.

Turbulent blending takes N t95 = 5.3 Po^(-1/3) (T/D)^2 turns (Grenville and Nienow, Handbook of
Industrial Mixing, ch. 9, from memory). For stirring bars (Po about 0.4) in vessels of 1.8 to 2.8
lengths of the bar at 250 to 800 turns a minute that is 2 to 12 s, mostly 5 s; a first-order lag is
a third of it, since exp(-3) = 0.05: 1.6 s within a factor of 1.5 (1 sigma)."""


@dataclass(frozen=True)
class AnalysisInputs:
    """What the record says, in quantities."""

    label: str
    deliveries_ml: tuple[Quantity, ...]
    """Volume of the sample, one entry per filling of the pipette."""
    added_ml: float
    titrant_mol_l: Quantity
    delivery: Delivery | None
    """None where the rows of a photometer table state their volumes, or are still to be
    read out of the picture."""
    seen: BuretteInPicture | None = None
    """Readings of a burette that the picture shows, instead of a delivery."""
    logged: PictureVolume | None = None
    """Volumes of a log that states their uncertainty; `delivery` is theirs."""
    blank_ml: Quantity | None = None
    burette: Callable[[Quantity], Quantity] | None = None
    """Adds what the burette does to a delivered volume in mL, if the ware is stated."""
    burette_nominal_ml: float | None = None
    lag_s: tuple[float, float] | None = None
    """Mixing time and standard uncertainty if stated."""
    clock: LogClock | None = None
    """Clock of a log that goes with a film; None where one clock gave both."""
    clock_uncertainty_s: float = 0.0
    """Standard uncertainty of the clock of the log against that of the recording."""
    calcium_mmol_l: Quantity | None = None
    """Calcium from a second titration, without other metals."""
    calcium_by: str | None = None
    """How calcium was titrated alone, as the record says it."""
    alkalinity_mmol_l: Quantity | None = None
    """Acid capacity to pH 4.3, mmol/L of acid."""
    other_metals: tuple[StatedMetal, ...] = ()
    """Contents of the sample that are subtracted from the hardness."""
    minutes_since_buffer: float = 0.0
    """From adding the buffer to the first picture or row."""
    day: datetime.date | None = None
    """Day of the titration if stated."""
    method: Certificate | None = None
    """Verification of the method on this bench."""
    analyst: str | None = None
    """Who titrated, if stated."""
    certificates: tuple[UsedCertificate, ...] = ()
    liquid_box: Box | None = None
    reference_box: Box | None = None
    transfer: Transfer | None = None
    """Tone curve by name, or of the calibrated camera; None for what the recording says."""
    indicator: Indicator = ERIOCHROME_BLACK_T
    not_in_budget: tuple[str, ...] = ()
    """What the record does not state, so that its uncertainty is not in the budget."""

    @property
    def flask_ml(self) -> float:
        """Volume in the flask before the first addition."""
        return sum(part.value for part in self.deliveries_ml) + self.added_ml

    @property
    def priors(self) -> Priors:
        """Knowledge from before the recording."""
        lag, spread = self.lag_s or DEFAULT_LAG_S
        # A clock that is late and a lag that is long shift the curve alike.
        return priors_for(self.indicator, (lag, math.hypot(spread, self.clock_uncertainty_s)))
