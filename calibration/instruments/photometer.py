"""Photometer: zero, noise, linearity, stray light and the highest absorbance to be believed.

Each wavelength is judged by itself, from a blank and from neutral filters or a dilution series. The
model of stray light is in `calibration.instruments.stray_light`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calibration.cells import Section, SheetProblem
from calibration.certificate import Certificate, CertificateProblem
from calibration.instruments.stray_light import (
    Level,
    Noise,
    ScaleFit,
    believed,
    fit_scale,
    linear_limit,
    noise_of,
    straightened,
)
from calibration.quantity import Quantity
from calibration.sheet import Sheet

FloatArray = NDArray[np.float64]

NEAREST_NM = 15.0
"""Stray light found at one wavelength is used this far from it (common practice, no source)."""
_HIGHEST_ABSORBANCE = 6.0
"""Absorbance beyond which a cell of a sheet is a typing error: no photometer shows so much. Common
practice, no source."""


class PhotometerProblem(SheetProblem):
    """Readings of a photometer do not show what they should."""


def calibrated_wavelength(certificate: Certificate, wavelength_nm: float) -> float:
    """Wavelength of the certificate that stands for another one, at most 15 nm away.

    Raises
    ------
    CertificateProblem
        The photometer was not calibrated near it.
    """
    try:
        known = [float(part["wavelength_nm"]) for part in certificate.details["wavelengths"]]
    except (KeyError, TypeError, ValueError):
        known = []
    if not known:
        raise CertificateProblem(
            f"Certificate {certificate.identifier} does not say for which wavelengths it holds.",
            "Make it again with: endpoint calibrate photometer SHEET.",
        )
    nearest = min(known, key=lambda nm: abs(nm - wavelength_nm))
    if abs(nearest - wavelength_nm) > NEAREST_NM:
        raise CertificateProblem(
            f"Certificate {certificate.identifier} holds for "
            f"{', '.join(f'{nm:g}' for nm in known)} nm, not for {wavelength_nm:g} nm.",
            "Calibrate at that wavelength, or leave the certificate out.",
        )
    return nearest


def highest_absorbance(certificate: Certificate, wavelength_nm: float) -> float:
    """Highest absorbance, as shown, that can be believed; readings above it are saturated.

    Raises
    ------
    CertificateProblem
        The photometer was not calibrated near that wavelength.
    """
    nm = calibrated_wavelength(certificate, wavelength_nm)
    return certificate.quantity(f"highest absorbance at {nm:g} nm", "1").value


def corrected(
    absorbance: ArrayLike, certificate: Certificate, wavelength_nm: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Absorbance without the share that stray light took away.

    Parameters
    ----------
    absorbance:
        As shown, any shape.
    certificate:
        Of kind "photometer".
    wavelength_nm:
        Of the readings, within 15 nm of one that was calibrated.

    Returns
    -------
    The corrected absorbance, and whether each reading is above the highest one that can be
    believed; those are given the value of that highest one.

    Raises
    ------
    CertificateProblem
        The photometer was not calibrated near that wavelength.
    """
    nm = calibrated_wavelength(certificate, wavelength_nm)
    shown = np.asarray(absorbance, dtype=np.float64)
    top = highest_absorbance(certificate, nm)
    stray = certificate.quantity(f"stray light at {nm:g} nm", "1").value
    return straightened(np.minimum(shown, top), stray), shown > top


def certificate_from_sheet(sheet: Sheet) -> Certificate:
    """Make a certificate of kind "photometer" from a sheet.

    Tables: `[photometer]` digit (0.001), share_percent (1: deviation allowed), dilution_percent
    (relative standard uncertainty of a dilution, 0.2); `[[reading]]`, or rows of a CSV, with kind
    "blank", "dark", "filter" or "dilution", wavelength_nm, absorbance (dark: transmittance_percent)
    and nominal_absorbance with nominal_uncertainty (standard), or concentration (0 to 1, relative
    to the undiluted one); `[[peak]]` nominal_nm, read_nm of a holmium or didymium filter.

    Quantities, all "1", for each wavelength ("... at 620 nm"): blank, noise, slope, stray light,
    linear limit, highest absorbance; and "wavelength offset" (nm) where peaks were read.

    Raises
    ------
    SheetProblem
        A cell is missing or cannot be used, or the readings do not show what they should.
    """
    head = sheet.head()
    part = sheet.section("photometer", needed=False)
    digit = part.number("digit", 0.0, 0.01, 0.001)
    share = part.number("share_percent", 0.1, 10.0, 1.0) / 100.0
    dilution = part.number("dilution_percent", 0.0, 5.0, 0.2) / 100.0
    part.close()
    quantities, remarks = _wavelength_scale(sheet, head.identifier)
    by_wave = _by_wavelength(sheet.rows("reading", 6))
    sheet.close()
    details: list[dict[str, Any]] = []
    readings: dict[str, tuple[float, ...]] = {}
    for nm, rows in sorted(by_wave.items()):
        found = _one_wavelength(sheet.name, nm, rows, (digit, share, dilution), head.identifier)
        quantities |= found[0]
        details.append(found[1])
        readings |= {f"{kind} at {nm:g} nm": values for kind, values in found[2].items()}
        remarks += found[3]
    return Certificate(
        head.identifier, "photometer", head.what, head.date, head.expiry, head.operator,
        quantities, readings, (*head.remarks, *remarks),
        {"share": share, "wavelengths": details},
    )  # fmt: skip


def _by_wavelength(rows: Sequence[Section]) -> dict[float, list[tuple[str, Section, float]]]:
    """Kind, row and reading, by wavelength."""
    found: dict[float, list[tuple[str, Section, float]]] = {}
    for row in rows:
        kind = row.choice("kind", ("blank", "dark", "filter", "dilution"))
        nm = float(row.number("wavelength_nm", 190.0, 1100.0))
        if kind == "dark":
            value = float(row.number("transmittance_percent", -5.0, 5.0)) / 100.0
            row.close()
        else:
            value = _absorbance(row, kind)
        if kind == "blank":
            row.close()
        found.setdefault(nm, []).append((kind, row, value))
    return found


def _absorbance(row: Section, kind: str) -> float:
    """Absorbance of a row; transmittance is recognised where the number shows it."""
    value = float(row.number("absorbance", -0.5, 1e6))
    if value > _HIGHEST_ABSORBANCE or (kind == "blank" and value > 0.5):
        percent = 10.0 < value <= 110.0
        looks = "per cent of transmittance" if percent else "transmittance or counts"
        light = value / 100.0 if percent else value
        better = f" (here {-math.log10(light):.3f})" if percent or 0.5 < value <= 1.1 else ""
        raise row.problem(
            "absorbance", f"is {value:g}, which looks like {looks}.",
            f"Give absorbance, A = -log10(T){better}.",
        )  # fmt: skip
    return value


def _expected(row: Section, kind: str, dilution: float) -> tuple[float, float]:
    """What a filter or a dilution should give, with its standard uncertainty."""
    if kind == "filter":
        nominal = float(row.number("nominal_absorbance", 0.0, _HIGHEST_ABSORBANCE))
        return nominal, float(row.number("nominal_uncertainty", 0.0, 0.3))
    concentration = float(row.number("concentration", 0.0, 1e6))
    if concentration > 1.0:
        percent = concentration > 5.0
        raise row.problem(
            "concentration", f"is {concentration:g}, above 1, that of the undiluted solution.",
            f"In per cent? Then it is {concentration / 100.0:g}." if percent
            else "Were absorbance and concentration swapped?",
        )  # fmt: skip
    return concentration, dilution * concentration


def _levels(
    where: str, rows: Sequence[tuple[str, Section, float]], zero: float, dilution: float
) -> tuple[str, list[Level]]:
    """Kind of the series, and its levels in rising order of what was expected."""
    kinds = {kind for kind, _, _ in rows if kind in ("filter", "dilution")}
    if len(kinds) != 1:
        raise PhotometerProblem(
            f"{where}: there are {'filters and dilutions' if kinds else 'only blanks'}.",
            "Give either filters or a dilution series at each wavelength.",
        )
    kind = kinds.pop()
    grouped: dict[tuple[float, float], list[float]] = {}
    for its_kind, row, value in rows:
        if its_kind == kind:
            grouped.setdefault(_expected(row, kind, dilution), []).append(value - zero)
            row.close()
    levels = [Level(x, u, tuple(grouped[x, u])) for x, u in sorted(grouped) if x > 0.0]
    least = 3 if kind == "filter" else 4
    if len(levels) < least:
        raise PhotometerProblem(
            f"{where}: {len(levels)} {kind}(s) above zero are too few, needed are {least} or more.",
            "Measure more of them, up to an absorbance of 2 or more.",
        )
    _check_rising(where, kind, levels)
    return kind, levels


def _check_rising(where: str, kind: str, levels: Sequence[Level]) -> None:
    """Refuse readings that fall, and columns that were swapped."""
    y = np.array([level.mean for level in levels])
    x = np.array([level.expected for level in levels])
    if np.corrcoef(x, y)[0, 1] < 0.5:
        raise PhotometerProblem(
            f"{where}: the readings do not rise with the {kind}s.",
            "Give absorbance, A = -log10(T), not transmittance, and check the order of the rows.",
        )
    tenths = np.isclose(y * 20.0, np.round(y * 20.0), atol=1e-6).all()
    plain = np.isclose(x * 20.0, np.round(x * 20.0), atol=1e-6).all()
    if kind == "dilution" and tenths and not plain and y.max() <= 1.0:
        raise PhotometerProblem(
            f"{where}: the column absorbance holds {', '.join(f'{v:g}' for v in y)}, which look "
            "like dilutions.",
            "Were the columns absorbance and concentration swapped?",
        )


_Found = tuple[dict[str, Quantity], dict[str, Any], dict[str, tuple[float, ...]], list[str]]


def _one_wavelength(
    name: str, nm: float, rows: Sequence[tuple[str, Section, float]],
    settings: tuple[float, float, float], identifier: str,
) -> _Found:  # fmt: skip
    """Quantities, details, readings and remarks of one wavelength."""
    digit, share, dilution = settings
    where, at = f"{name}: {nm:g} nm", f"at {nm:g} nm"
    blanks = [value for kind, _, value in rows if kind == "blank"]
    if len(blanks) < 2:
        raise PhotometerProblem(
            f"{where}: there are {len(blanks)} blank reading(s), too few to show their scatter.",
            "Read the blank three times or more.",
        )
    zero = float(np.mean(blanks))
    kind, levels = _levels(where, rows, zero, dilution)
    noise = noise_of([blanks, *(level.readings for level in levels)], digit)
    zero_u = max(float(np.std(blanks, ddof=1)), digit / math.sqrt(12.0)) / math.sqrt(len(blanks))
    fit = fit_scale(levels, noise, zero_u, fixed_slope=len(levels) < 4)
    if fit.stray < -3.0 * fit.stray_uncertainty - 1e-5:
        raise PhotometerProblem(
            f"{where}: the high readings lie above the straight line; stray light would have to "
            "be negative.",
            "Check that nominal and read absorbance are not swapped, and the highest dilutions.",
        )
    blank = Quantity.measured(
        zero, "1", zero_u, f"{identifier}: blank {at}", kind="A",
        degrees_of_freedom=len(blanks) - 1,
    )  # fmt: skip
    quantities = {f"blank {at}": blank} | _judged(fit, noise, share, f"{identifier}: ", at)
    dark = [value for its_kind, _, value in rows if its_kind == "dark"]
    if len(dark) >= 2:
        quantities[f"dark {at}"] = Quantity.from_readings(dark, "1", f"{identifier}: dark {at}")
    details = {
        "wavelength_nm": nm, "series": kind, "misfit": fit.misfit,
        "true": fit.true.tolist(), "observed": fit.observed.tolist(),
        "residual": fit.residual.tolist(), "residual_uncertainty": fit.uncertainty.tolist(),
        "dark": float(np.mean(dark)) if dark else None,
        "noise_transmittance": noise.transmittance,
    }  # fmt: skip
    values = {k: tuple(v for kk, _, v in rows if kk == k) for k, _, _ in rows}
    return quantities, details, values, _words(nm, kind, fit, quantities, share, details)


def _judged(fit: ScaleFit, noise: Noise, share: float, prefix: str, at: str) -> dict[str, Quantity]:
    """Quantities that follow from the fit of one wavelength."""
    highest = float(fit.observed.max())
    stray = Quantity.measured(
        max(fit.stray, 0.0), "1", fit.stray_uncertainty, f"{prefix}stray light {at}", kind="A",
        degrees_of_freedom=fit.degrees_of_freedom,
    )  # fmt: skip
    limit = linear_limit(stray.value, share, highest)
    change = 0.01 * max(fit.stray_uncertainty, 1e-9)
    slope = (linear_limit(stray.value + change, share, highest) - limit) / change
    along = stray.scaled(slope)
    slope_u = fit.slope_uncertainty
    noise_u = noise.absorbance / math.sqrt(2.0 * max(noise.degrees_of_freedom, 1))
    top = believed(stray.value, fit.stray_uncertainty, noise, share, highest)
    return {
        f"noise {at}": Quantity.measured(
            noise.absorbance, "1", noise_u, f"{prefix}noise {at}", kind="A",
            degrees_of_freedom=max(noise.degrees_of_freedom, 1),
        ),
        f"slope {at}": Quantity.measured(
            fit.slope, "1", slope_u, f"{prefix}slope {at}", kind="A",
            degrees_of_freedom=fit.degrees_of_freedom,
        ),
        f"stray light {at}": stray,
        f"linear limit {at}": Quantity(limit, "1", along.contributions if slope else {}),
        f"highest absorbance {at}": Quantity(top, "1"),
    }  # fmt: skip


def _words(
    nm: float, kind: str, fit: ScaleFit, quantities: Mapping[str, Quantity], share: float,
    details: Mapping[str, Any],
) -> list[str]:  # fmt: skip
    at = f"at {nm:g} nm"
    stray = quantities[f"stray light {at}"]
    limit = quantities[f"linear limit {at}"].value
    top = quantities[f"highest absorbance {at}"].value
    highest = float(fit.observed.max())
    half = stray.expanded_uncertainty()
    words = [
        f"{nm:g} nm: stray light {100 * stray.value:.3g} % (± {100 * half:.2g} %, 95 %); straight "
        f"within {100 * share:g} % up to an absorbance of {limit:.2f}"
        + (", the highest that was read." if limit >= highest else "."),
        f"{nm:g} nm: readings above {top:.2f} cannot be trusted"
        + (", because nothing higher was read." if top >= highest - 1e-9 else "."),
    ]
    plateau = -math.log10(stray.value / (1 + stray.value)) if stray.value > 0 else math.inf
    if stray.value > half:
        words.append(f"{nm:g} nm: however dark the liquid, it cannot show more than {plateau:.2f}.")
    if fit.misfit > 4.0:
        words.append(
            f"{nm:g} nm: stray light alone does not describe the readings; the residuals are "
            f"{math.sqrt(fit.misfit):.1f} times what noise and the stated uncertainties allow."
        )
    wrong = abs(fit.slope - 1.0)
    if kind == "filter" and wrong > max(0.01, 2.0 * fit.slope_uncertainty):
        words.append(f"{nm:g} nm: the scale reads {100 * (fit.slope - 1.0):+.1f} % off.")
    if details["dark"] is not None and abs(details["dark"]) > 5e-4:
        words.append(
            f"{nm:g} nm: with the light path closed it shows {100 * details['dark']:.2f} % of "
            "light. The stray light found here includes that; set the dark zero first."
        )
    return words


def _wavelength_scale(sheet: Sheet, identifier: str) -> tuple[dict[str, Quantity], list[str]]:
    """Offset of the wavelength scale from peaks of a holmium or didymium filter."""
    harm = (
        "An error of 2 nm changes the absorbances by a few per cent, all readings of a titration "
        "alike; the volume at which the colour changes hardly moves."
    )
    peaks = sheet.tables.get("peak")
    sheet.has("peak")
    if peaks is None:
        return {}, [f"The wavelength scale was not checked. {harm}"]
    if not isinstance(peaks, list) or not all(isinstance(row, dict) for row in peaks):
        raise PhotometerProblem(f"{sheet.name}: peak is not a list.", "Write [[peak]] above each.")
    errors = []
    for n, cells in enumerate(peaks, 1):
        row = Section(f"{sheet.name}: peak, row {n}", cells)
        nominal = float(row.number("nominal_nm", 190.0, 1100.0))
        row.text("filter", "")
        errors.append(float(row.number("read_nm", nominal - 20.0, nominal + 20.0)) - nominal)
        row.close()
    if len(errors) < 2:
        raise PhotometerProblem(
            f"{sheet.name} holds 1 peak, which is too few to show the scatter.",
            "Read two peaks or more, or one peak twice.",
        )
    offset = Quantity.from_readings(errors, "nm", f"{identifier}: wavelength offset")
    words = [f"The wavelength scale reads {offset.value:+.1f} nm off."]
    if abs(offset.value) > 2.0:
        words.append(f"{harm} Have it adjusted anyway.")
    return {"wavelength offset": offset}, words
