"""Calibrated glassware in use: volumes from the certificate of a burette, pipette or flask.

Every contribution of the certificate keeps its name, so two volumes from one piece of ware stay
correlated, in one titration or between two, and through files. The functions complement those
of `calibration.ware.glassware`, which know only the class, and take the same options.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Unpack

from calibration.certificate import Certificate, CertificateProblem
from calibration.plain import checked_number, checked_text
from calibration.problem import CalibrationProblem
from calibration.quantity import Quantity, combine
from calibration.ware.glassware import (
    Temperature,
    at_reference_temperature,
    reading_errors,
    reading_limit,
    with_fillings,
)
from calibration.ware.tolerance import WareProblem
from calibration.ware.water import find_glass

WARE_ML = (0.01, 10_000.0)
"""Volumes of a pipette or flask that can be true, mL."""
CORRECTIONS_ML = (-10.0, 10.0)
"""Corrections of ware that can be true, mL: far more than the largest tolerance of any."""


@dataclass(frozen=True)
class CalibratedBurette:
    """A burette with the corrections of its certificate."""

    name: str
    """Kind and name: "burette B2"."""
    identifier: str
    """Of the certificate."""
    nominal_ml: float
    division_ml: float
    glass: str
    marks_ml: tuple[float, ...]
    """Calibrated lines, ascending, without the zero line."""
    corrections: tuple[Quantity, ...]
    """True minus nominal volume from the zero line to each mark, mL at 20 °C."""

    def correction_at(self, reading_ml: float) -> Quantity:
        """Correction of the volume from the zero line to a reading, mL at 20 °C.

        Parameters
        ----------
        reading_ml:
            Reading of the scale, 0 to the last calibrated mark.

        Returns
        -------
        The straight line between the neighbouring marks; 0 mL at the zero line. Between marks the
        irregular bore adds an uncertainty: its errors are taken to add up along the tube as a
        random walk, whose steps are seen in the corrections (their scatter is in the steps too,
        so it is an upper estimate). Pinned at both marks, the walk strays most in the middle, by
        half a step. This model is our own; no source.

        Raises
        ------
        WareProblem
            The reading is outside the calibrated part of the scale.
        """
        if not 0.0 <= reading_ml <= self.marks_ml[-1]:
            raise WareProblem(
                f"The reading {reading_ml:g} mL is outside the calibrated part of the {self.name}, "
                f"0 to {self.marks_ml[-1]:g} mL.",
                "Check the reading, or calibrate the burette down to its lowest line.",
            )
        marks = (0.0, *self.marks_ml)
        values = (Quantity(0.0, "mL"), *self.corrections)
        n = next(i for i in range(1, len(marks)) if reading_ml <= marks[i])
        low, high = marks[n - 1], marks[n]
        f = (reading_ml - low) / (high - low)
        line = (1.0 - f) * values[n - 1].value + f * values[n].value
        terms = [(1.0 - f, values[n - 1]), (f, values[n])]
        if 0.0 < f < 1.0:
            terms.append((2.0 * math.sqrt(f * (1.0 - f)), self._stray(low, high)))
        return combine(line, "mL", [term for term in terms if term[0] != 0.0])

    def _stray(self, low: float, high: float) -> Quantity:
        """0 mL with the uncertainty of the straight line in the middle between two marks."""
        marks = (0.0, *self.marks_ml)
        values = (0.0, *(q.value for q in self.corrections))
        steps = [
            (values[i] - values[i - 1]) ** 2 / (marks[i] - marks[i - 1])
            for i in range(1, len(marks))
        ]
        u = 0.5 * math.sqrt(sum(steps) / len(steps) * (high - low))
        name = f"{self.name}: calibration {self.identifier}, between {low:g} and {high:g} mL"
        return Quantity.measured(0.0, "mL", u, name, degrees_of_freedom=len(steps))

    def slope_at(self, reading_ml: float) -> float:
        """Change of the correction with the reading, mL per mL: slope of the line there."""
        marks = (0.0, *self.marks_ml)
        values = (0.0, *(q.value for q in self.corrections))
        last = len(marks) - 1
        n = next((i for i in range(1, last) if reading_ml <= marks[i]), last)
        return (values[n] - values[n - 1]) / (marks[n] - marks[n - 1])


def burette_from_certificate(certificate: Certificate) -> CalibratedBurette:
    """Return the burette that a certificate is about.

    Parameters
    ----------
    certificate:
        As `calibration.ware.weighing` makes it; whether it may be used is `Certificate.check_use`.

    Raises
    ------
    CalibrationProblem
        It is not about a burette, or its table of corrections is not complete.
    """
    where = _details(certificate, ("burette",))
    details = certificate.details
    nominal = checked_number(details.get("nominal_ml"), f"{where}: nominal_ml")
    division = checked_number(details.get("division_ml"), f"{where}: division_ml")
    stated = details.get("marks_ml")
    marks = stated if isinstance(stated, tuple) else ()
    marks = tuple(checked_number(m, f"{where}: marks_ml") for m in marks)
    if not marks or marks[0] <= 0.0 or any(b <= a for a, b in itertools.pairwise(marks)):
        raise CertificateProblem(
            f"{where}: marks_ml is not an ascending list of marks.",
            "Calibrate the burette by weighing several marks.",
        )
    corrections = tuple(
        certificate.quantity(f"correction at {m:g} mL", "mL", *CORRECTIONS_ML) for m in marks
    )
    return CalibratedBurette(
        _label(certificate, where),
        certificate.identifier,
        nominal,
        division,
        _glass(certificate, where),
        marks,
        corrections,
    )


def calibrated_burette_volume(
    burette: CalibratedBurette,
    volume_ml: Quantity | float,
    label: str = "",
    *,
    start_ml: float = 0.0,
    fills: int = 1,
    refills: Sequence[tuple[float, float]] = (),
    reading_limit_ml: float | None = None,
    **temperature: Unpack[Temperature],
) -> Quantity:
    """Volume delivered by a calibrated burette: difference of readings and of corrections.

    Parameters
    ----------
    burette:
        From `burette_from_certificate`.
    volume_ml:
        Difference of the readings at end and start, mL; contributions that it already has are
        kept. With several fills, the sum of the differences.
    label:
        Name of this titration, so that the readings of two titrations stay independent.
    start_ml:
        First reading, mL.
    fills:
        How often the burette was filled. Each filling but the last is taken to be used down to
        the last calibrated mark, each but the first to begin at zero. Without meaning where
        `refills` say it better.
    refills:
        Volume delivered before each filling but the first, and the reading after it, mL.
    reading_limit_ml:
        Half width of the error of one reading, triangular; default a fifth of a division; 0 where
        nobody reads, as with a pump.
    **temperature:
        temperature_c, temperature_half_width_c and temperature_name, as for
        `calibration.ware.glassware.at_reference_temperature`; the glass is that of the certificate.

    Returns
    -------
    Quantity in mL at 20 °C.

    Raises
    ------
    CalibrationProblem
        A reading would lie outside the calibrated part of the scale.
    """
    volume = volume_ml if isinstance(volume_ml, Quantity) else Quantity(volume_ml, "mL")
    if refills:
        spans = _spans(volume.value, start_ml, refills)
    else:
        spans = _usual_spans(burette, volume.value, start_ml, fills)
    end = spans[-1][1]
    corrections = [
        (sign, burette.correction_at(reading))
        for low, high in spans
        for sign, reading in ((1.0, high), (-1.0, low))
    ]
    value = volume.value + sum(factor * c.value for factor, c in corrections)
    terms = [(1.0 + burette.slope_at(end), volume), *corrections]
    total = combine(value, "mL", terms)
    fills = len(spans)
    if reading_limit_ml is None:
        reading_limit_ml = reading_limit(burette.division_ml)
    total += reading_errors(burette.name, label, fills, reading_limit_ml)
    return at_reference_temperature(total, burette.name, label, glass=burette.glass, **temperature)


def _spans(
    volume_ml: float, start_ml: float, refills: Sequence[tuple[float, float]]
) -> list[tuple[float, float]]:
    """First and last reading of each filling, mL, from what was read at the refills."""
    begins = [(0.0, start_ml), *refills]
    ends = [*(delivered for delivered, _ in refills), volume_ml]
    return [
        (reading, reading + end - begin) for (begin, reading), end in zip(begins, ends, strict=True)
    ]


def _usual_spans(
    burette: CalibratedBurette, volume_ml: float, start_ml: float, fills: int
) -> list[tuple[float, float]]:
    """The same where nobody wrote down the refills: from the last mark to the zero line."""
    top = burette.marks_ml[-1]
    end = start_ml + volume_ml - top * (fills - 1)
    if fills < 1 or volume_ml < 0.0 or not 0.0 <= end <= top * (1.0 + 1e-12):
        raise WareProblem(
            f"{volume_ml:g} mL from the reading {start_ml:g} mL do not fit {fills} filling(s) "
            f"of the {burette.name}, which is calibrated from 0 to {top:g} mL.",
            "Check the volume, the first reading and how often it was filled.",
        )
    begins = [start_ml, *[0.0] * (fills - 1)]
    ends = [*[top] * (fills - 1), min(end, top)]
    return list(zip(begins, ends, strict=True))


def deliveries_from_certificate(
    certificate: Certificate, times: int = 1, label: str = "", **temperature: Unpack[Temperature]
) -> tuple[Quantity, ...]:
    """One or several deliveries of a calibrated pipette (or fillings of a flask), mL at 20 °C.

    Parameters
    ----------
    certificate:
        As `calibration.ware.weighing` makes it for a pipette or a flask.
    times:
        Number of deliveries, >= 1.
    label:
        Name of this sample, so that fillings for two samples stay independent.
    **temperature:
        As for `calibrated_burette_volume`.

    Returns
    -------
    One quantity per delivery: the calibration is shared, each filling is its own.

    Raises
    ------
    CalibrationProblem
        It is not about a pipette or flask, or lacks its volume or filling.
    """
    where = _details(certificate, ("pipette", "flask"))
    name = _label(certificate, where)
    shared = at_reference_temperature(
        certificate.quantity("volume", "mL", *WARE_ML),
        name,
        label,
        glass=_glass(certificate, where),
        **temperature,
    )
    return with_fillings(
        shared, certificate.quantity("filling", "mL", *CORRECTIONS_ML), name, times, label
    )


def certified_kind(certificate: Certificate) -> str:
    """Kind of the ware that a certificate is about: "burette", "pipette" or "flask"."""
    _details(certificate, ("burette", "pipette", "flask"))
    return str(certificate.details["ware"])


def _details(certificate: Certificate, kinds: tuple[str, ...]) -> str:
    where = f"Certificate {certificate.identifier}: details"
    kind = checked_text(certificate.details.get("ware"), f"{where}: ware")
    if certificate.kind != "glassware" or kind not in kinds:
        raise CertificateProblem(
            f"Certificate {certificate.identifier} is about a {kind} ({certificate.what}).",
            f"Name the certificate of a {' or '.join(kinds)}.",
        )
    return where


def _label(certificate: Certificate, where: str) -> str:
    return f"{certificate.details['ware']} " + checked_text(
        certificate.details.get("name"), f"{where}: name"
    )


def _glass(certificate: Certificate, where: str) -> str:
    name = checked_text(certificate.details.get("glass"), f"{where}: glass")
    try:
        find_glass(name)
    except CalibrationProblem as problem:
        raise CertificateProblem(f"{where}: {problem.sentence}", problem.remedy) from None
    return name
