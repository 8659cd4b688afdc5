"""The equivalence volume with every named contribution: of fit, readings and ware."""

from __future__ import annotations

import math

from calibration.quantity import Contribution, FrozenTable, Quantity, Source
from endpoint.analysis.inputs import AnalysisInputs
from endpoint.burette.picture_volume import PictureVolume
from endpoint.equivalence.fit import Transition

_NAMES = {
    "meniscus": "volume from the meniscus",
    "drops": "volume from counted drops",
    "log": "volume of the log",
}


def equivalence_quantity(
    job: AnalysisInputs, fit: Transition, value_ml: float, seen: PictureVolume | None = None
) -> Quantity:
    """Equivalence volume in mL with every named contribution.

    Parameters
    ----------
    job:
        Says how the volume was read, and what the burette adds.
    fit:
        Its contributions are the recording's own.
    value_ml:
        Equivalence volume.
    seen:
        Delivered volume with an uncertainty of its own, from the picture or from the log.
    """
    freedom = fit.degrees_of_freedom
    parts = {}
    for name, size in fit.contributions_ml.items():
        from_scatter = name == "scatter of the colour"
        parts[f"endpoint: {name}"] = Contribution(
            size,
            kind="A" if from_scatter else "B",
            degrees_of_freedom=freedom if from_scatter else math.inf,
            source=Source(0.0, "mL", size),
        )
    if seen is not None:
        kind = "log" if job.seen is None else job.seen.readings.kind
        size = seen.sigma_at(value_ml)
        parts[f"{job.label}: {_NAMES[kind]}"] = Contribution(size, source=Source(0.0, "mL", size))
    volume = Quantity(value_ml, "mL", FrozenTable(parts))
    return volume if job.burette is None else job.burette(volume)
