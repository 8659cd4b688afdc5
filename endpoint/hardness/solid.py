"""Calcium and magnesium of a solid, from the hardness of its digest.

    content = c(digest) V(digest) dilution / m(solid)

The content goes through first order and draws from the inputs of the titration, as the hardness of
the digest does, so that the two have intervals of one kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calibration.quantity import Quantity
from endpoint.hardness.budget import Evaluation, evaluate
from endpoint.hardness.formula import Formula
from endpoint.hardness.units import M_CACO3


@dataclass(frozen=True)
class Solid:
    """A solid that was digested and made up to a volume; the sample is a part of it, diluted."""

    mass_g: float
    mass_standard_uncertainty_g: float | None
    digest_ml: float
    digest_standard_uncertainty_ml: float | None
    dilution: float


@dataclass(frozen=True)
class Content:
    """Calcium and magnesium of a solid."""

    evaluation: Evaluation
    """In mmol/g."""
    missing: tuple[str, ...]
    """What the record does not state, so that its uncertainty is not in the budget."""


def content_of(digest: Formula, solid: Solid) -> Content:
    """Calcium and magnesium of a solid, mmol/g.

    Parameters
    ----------
    digest:
        Hardness of the digest as it was titrated.
    solid:
        What was digested.
    """
    mass_u, digest_u = solid.mass_standard_uncertainty_g, solid.digest_standard_uncertainty_ml
    mass = Quantity.measured(solid.mass_g, "g", mass_u or 0.0, "solid: mass")
    name = "solid: volume of the digest"
    volume = Quantity.measured(solid.digest_ml, "mL", digest_u or 0.0, name)

    def model(volume_ml: Any, mass_g: Any, *titrated: Any) -> Any:
        return digest.function(*titrated) * volume_ml / mass_g

    inputs = [("volume of the digest", volume), ("mass of the solid", mass), *digest.inputs]
    # mol/L times mL is mmol.
    found = evaluate(model, inputs, factor=solid.dilution, unit="mmol/g")
    missing = tuple(
        f"{name} (no uncertainty stated)"
        for name, u in (("mass of the solid", mass_u), ("volume of the digest", digest_u))
        if u is None
    )
    return Content(found, missing)


def content_remarks(content: Content) -> tuple[str, ...]:
    """Say that a solid cannot hold so much."""
    found = content.evaluation
    if found.interval95[0] * M_CACO3 <= 1000.0:
        return ()
    return (
        f"The solid would hold {found.quantity.value * M_CACO3:.0f} mg/g as CaCO3, more than its "
        "whole mass: check mass_g, digest_ml, dilution and sample.volume_ml. Only a solid with "
        "magnesium carbonate, lime or magnesia holds so much.",
    )
