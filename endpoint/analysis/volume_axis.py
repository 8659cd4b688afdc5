"""What reading a volume out of the picture adds to a result."""

from __future__ import annotations

import numpy as np

from endpoint.delivery.picture_volume import SeenVolume
from endpoint.equivalence.fit import Estimate

_NAMES = {
    "meniscus": "volume from the meniscus",
    "drops": "volume from counted drops",
    "log": "volume of the log",
}


def contribution_of(kind: str, volume: SeenVolume, at_ml: float) -> tuple[str, float]:
    """Name and size, mL, of what reading a volume out of the picture adds to its uncertainty."""
    return _NAMES[kind], float(np.interp(at_ml, volume.volume_ml, volume.sigma_ml))


def widened(estimate: Estimate | None, volume: SeenVolume) -> Estimate | None:
    """Estimate with the uncertainty of the volume axis itself, which the fit does not know."""
    if estimate is None:
        return None
    _, more = contribution_of("meniscus", volume, estimate.value_ml)
    u = estimate.standard_uncertainty_ml
    whole = float(np.hypot(u, more))
    low, high = estimate.value_ml - estimate.low_ml, estimate.high_ml - estimate.value_ml
    k = 1.96
    return Estimate(
        estimate.value_ml,
        whole,
        estimate.value_ml - float(np.hypot(low, k * more)),
        estimate.value_ml + float(np.hypot(high, k * more)),
    )
