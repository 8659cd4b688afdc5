"""How the end of a titration is found, and the error of an end that a person reads.

With the end error e (end read minus equivalence) a titre V means V - e. Where standard and sample
are read by the same person with the same indicator, e has one name in both, and

    H ~ c V_sample,  c ~ 1 / (V_standard - e)   leaves   u(H)/H = u(e) (1/V_standard - 1/V_sample),

nothing at all for equal titres. Where the sample is a recording, whose equivalence volume holds no
such error, the whole u(e)/V_standard stays in the hardness.
"""

from __future__ import annotations

from dataclasses import dataclass

from calibration.cells import Section
from calibration.quantity import Quantity

ASSUMED_END_U_ML = 0.05
"""Standard uncertainty of an end read by eye where none is stated: one drop (common practice, no
source)."""


@dataclass(frozen=True)
class EndReading:
    """How the end of the titrations was found."""

    read: str
    """"eye" or "recording"."""
    indicator: str | None
    analyst: str | None
    error_ml: Quantity | None
    """End read minus equivalence; None for a recording."""
    remarks: tuple[str, ...] = ()


def end_read_by_eye(
    analyst: str, indicator: str, error_ml: float, standard_uncertainty_ml: float
) -> Quantity:
    """End error in mL, end read minus equivalence, under the one name that makes it cancel.

    Subtract it from every titre that this person reads with this indicator, of the standard and
    of the sample, with the same numbers.

    Parameters
    ----------
    analyst:
        Initials.
    indicator:
        Name of the indicator.
    error_ml:
        Estimate; negative where the end is read too early.
    standard_uncertainty_ml:
        Its standard uncertainty, 0 or more.
    """
    name = f"end read by eye: {analyst}, {indicator}"
    return Quantity.measured(error_ml, "mL", standard_uncertainty_ml, name)


def end_reading(section: Section) -> EndReading:
    """Read the table [end] of a sheet.

    Raises
    ------
    SheetProblem
        A cell is missing or cannot be true, or an end error is given for a recording.
    """
    read = section.choice("read", ("eye", "recording"))
    stated = section.has("error_ml") or section.has("error_standard_uncertainty_ml")
    if read == "recording":
        if stated:
            raise section.problem(
                "error_ml",
                "belongs to an end that is read by eye.",
                "Leave it out: a recording gives the equivalence volume.",
            )
        end = EndReading(read, section.text("indicator", None), section.text("analyst", None), None)
        section.close()
        return end
    indicator, analyst = section.text("indicator"), section.text("analyst")
    error = section.number("error_ml", -2.0, 2.0, 0.0)
    if section.has("error_ml"):
        u = section.number("error_standard_uncertainty_ml", 0.0, 1.0)
        remarks: tuple[str, ...] = ()
    else:
        u = section.number("error_standard_uncertainty_ml", 0.0, 1.0, ASSUMED_END_U_ML)
        remarks = (
            f"The error of the end read by eye is not stated: 0 mL with the standard uncertainty "
            f"{u:g} mL is taken. Most of it cancels in samples that {analyst} reads with "
            f"{indicator} too, not in recordings.",
        )
    section.close()
    return EndReading(
        read, indicator, analyst, end_read_by_eye(analyst, indicator, error, u), remarks
    )
