"""Standardisation of EDTA: from a weighed or bought standard and its titres to a certificate.

Model, with one EDTA for one metal ion:

    c = b V_aliquot / (mean titre - end error),   b = m P / (M V_flask) or certified

With a blank, read by the same eye, whose end has the same error, (mean titre - blank) holds none of
it: the error would be taken off twice otherwise.

All volumes are brought to 20 °C. Every input keeps its name, so a sample that is titrated with
the same burette, taken with the same pipette, or read by the same eye, stays correlated with the
concentration: with a titre V_standard here and V_sample there, an error e of the burette scale or
of the end leaves the relative remainder e (1/V_standard - 1/V_sample) in the hardness.

The sheet:

    format = 1
    [certificate]                 # id, what, date, expiry, operator
    [titrant]
    nominal_mol_l = 0.0100
    stored_in = "polyethylene"    # optional
    temperature_c = 21.5          # optional, of all solutions; half width temperature_half_width_c
    [standard]
    substance = "calcium carbonate"
    lot = "C-18"                  # optional
    mass_mg = 250.3               # and balance_half_width_mg, purity_percent,
                                  # purity_half_width_percent, air_buoyancy (optional)
    # or certified_mol_l with expanded_uncertainty_mol_l (or both in mg_l), coverage_factor, expiry
    [ware]                        # flask if weighed, burette if read; each may name a certificate
    pipette = { nominal_ml = 25, class = "A", name = "P1" }    # and pipette_fillings = 1
    [end]
    read = "eye"                  # or "recording"
    indicator = "Eriochrome Black T"
    analyst = "KT"
    error_ml = -0.03              # end read minus equivalence, with error_standard_uncertainty_ml
    [blank]                       # optional: volume_ml, standard_uncertainty_ml
    [repeatability]               # optional: standard_deviation_ml, titrations
    [[titre]]
    volume_ml = 24.87             # and start_ml, fills; or result = "run-1/result.json"
    [certificates]                # optional: accept = ["id"] of an expired certificate of ware

A single titre that was read is taken only with [repeatability]; see
`calibration.standardisation.titres`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from calibration.cells import Section, SheetProblem
from calibration.certificate import Certificate
from calibration.quantity import Quantity
from calibration.sheet import Head, Sheet
from calibration.standardisation.end_error import EndReading, end_reading
from calibration.standardisation.recorded import Recorded, recorded_titre
from calibration.standardisation.standard_sheet import standard_solution
from calibration.standardisation.titres import Repeatability, Titre, Titres, mean_of
from calibration.ware.bench_ware import BenchWare, Session, bench_ware
from calibration.ware.water import REFERENCE_C, water_density

BLANK_U_ML = 0.02
"""Standard uncertainty of a blank where none is stated (common practice, no source)."""
_REFUSED_RATIO = 1.10
_REMARKED_RATIO = 1.05
"""Concentration over the nominal one, or its inverse: from 5 % on there is a remark, beyond 10 % a
refusal. Solutions are made up to 1 or 2 %, so that more is a mistake in the sheet; a wrong pipette
or flask makes a factor of 2 and more. Common practice, no source."""
_MONTH_DAYS = 31
"""How long a standardised EDTA solution is used, days (common practice, no source); a longer life
is remarked."""
_VESSELS = ("polyethylene", "borosilicate glass", "soft glass")


@dataclass(frozen=True)
class _Aliquots:
    """The pipette that measured the standard."""

    pipette: BenchWare
    fillings: int
    session: Session

    def volume_ml(self, label: str) -> Quantity:
        """Aliquot of one titre, mL at 20 °C."""
        return self.pipette.filled(self.fillings, label, self.session)

    def own_part(self, label: str) -> Quantity:
        """0 with the fillings of one aliquot, as a part of it."""
        volume = self.volume_ml(label)
        own = {name: c for name, c in volume.contributions.items() if label in name}
        return Quantity(0.0, "1", own).scaled(1.0 / volume.value)

    def shared(self) -> Quantity:
        """Aliquot without its fillings, which the titres carry; mL."""
        mark = "any aliquot"
        volume = self.volume_ml(mark)
        parts = {name: c for name, c in volume.contributions.items() if mark not in name}
        return Quantity(volume.value, volume.unit, parts)


def volume_ratio(from_c: float, to_c: float) -> float:
    """Volume of a dilute solution at `to_c` over its volume at `from_c`, as for water.

    A titrant of c mol/L at `from_c` holds c / ratio at `to_c`. Volumes from
    `calibration.ware.glassware` are at 20 °C already; this is for a volume that was not measured
    with ware.

    Parameters
    ----------
    from_c, to_c:
        Temperatures, 0 to 40 °C.

    Raises
    ------
    WaterProblem
        A temperature is outside 0 to 40 °C.
    """
    return water_density(from_c) / water_density(to_c)


def concentration(
    standard_mol_l: Quantity, aliquot_ml: Quantity, net_titre_ml: Quantity
) -> Quantity:
    """Concentration of the titrant in mol/L: standard times aliquot over net titre.

    Raises
    ------
    QuantityProblem
        The net titre is 0.
    """
    return (standard_mol_l * aliquot_ml / net_titre_ml).scaled(1.0, "mol/L")


def certificate_from_sheet(sheet: Sheet) -> Certificate:
    """Certificate of kind "titrant" with the quantity "concentration" in mol/L at 20 °C.

    Parameters
    ----------
    sheet:
        As the module's text shows it; result files that it names are read.

    Raises
    ------
    CalibrationProblem
        A cell is missing or cannot be true, a recording is not located, a single titre has no
        repeatability, or the concentration is more than 10 % from the nominal one.
    """
    head = sheet.head()
    nominal_mol_l, session, keeping = _solution(sheet, head)
    end = end_reading(sheet.section("end"))
    ware = sheet.section("ware")
    pipette = bench_ware(ware, "pipette", session)
    aliquots = _Aliquots(pipette, ware.whole("pipette_fillings", 1, 10, 1), session)
    standard = standard_solution(sheet.section("standard"), ware, session)
    titres, details, remarks = _titres(sheet, ware, end, aliquots, session)
    ware.close()
    net, about_end = _net(sheet, titres.mean_ml, end, head.identifier)
    sheet.close()
    found = concentration(standard.mol_l, aliquots.shared(), net)
    near = _near_nominal(sheet, found, nominal_mol_l)
    return Certificate(
        identifier=head.identifier,
        kind="titrant",
        what=head.what,
        date=head.date,
        expiry=head.expiry,
        operator=head.operator,
        quantities={"concentration": found},
        readings={"titre_ml": tuple(details.pop("titre_ml"))},
        remarks=(
            *head.remarks,
            *near,
            *pipette.remarks,
            *remarks,
            *titres.remarks,
            *about_end,
            *keeping,
            *standard.remarks,
        ),
        details={
            "nominal_mol_l": nominal_mol_l,
            "standard": standard.details,
            "end": {"read": end.read, "indicator": end.indicator, "analyst": end.analyst},
            "pipette": pipette.name,
            "aliquot_ml": pipette.nominal_ml * aliquots.fillings,
            "temperature_c": session.temperature_c,
            "mean_titre_ml": titres.mean_ml.value,
            "standard_deviation_ml": titres.standard_deviation_ml,
            "scatter_from": titres.scatter_from,
            **details,
        },
    )


def _solution(sheet: Sheet, head: Head) -> tuple[float, Session, tuple[str, ...]]:
    """Nominal concentration, what the volumes have in common, remarks on keeping it."""
    section = sheet.section("titrant")
    nominal = section.number("nominal_mol_l", 1e-4, 0.5)
    stored = section.choice("stored_in", _VESSELS, None)
    temperature_c = section.number("temperature_c", 5.0, 40.0, None)
    half_width_c = section.number("temperature_half_width_c", 0.05, 10.0, None)
    section.close()
    remarks = []
    if temperature_c is not None:
        percent = 100.0 * (1.0 / volume_ratio(REFERENCE_C, temperature_c) - 1.0)
        remarks.append(
            f"The concentration holds at {REFERENCE_C:g} °C; at {temperature_c:g} °C, as measured, "
            f"it is {percent:+.2f} % from that."
        )
    if head.expiry is None:
        remarks.append(
            "No expiry is stated: EDTA is usually standardised again each month (common practice)."
        )
    elif (head.expiry - head.date).days > _MONTH_DAYS:
        remarks.append(
            f"It is set to hold for {(head.expiry - head.date).days} days; a month is usual "
            "(common practice)."
        )
    if stored is None:
        remarks.append("Keep it in polyethylene: from glass it takes up calcium (common practice).")
    elif stored != _VESSELS[0]:
        remarks.append(
            f"It is kept in {stored}, from which it can take up calcium: polyethylene is usual "
            "(common practice)."
        )
    accepting = sheet.section("certificates", needed=False)
    accepted = accepting.cells.get("accept", []) if accepting.has("accept") else []
    accepting.close()
    if not isinstance(accepted, list) or not all(isinstance(text, str) for text in accepted):
        raise accepting.problem("accept", "is not a list of texts.", 'Write ["..."].')
    session = Session(
        head.identifier, head.date, temperature_c, half_width_c, sheet.folder, tuple(accepted)
    )
    return nominal, session, tuple(remarks)


def _titres(
    sheet: Sheet, ware: Section, end: EndReading, aliquots: _Aliquots, session: Session
) -> tuple[Titres, dict[str, Any], tuple[str, ...]]:
    """Mean at 20 °C, what the certificate keeps of the titres, remarks."""
    rows = sheet.rows("titre")
    recorded = [row for row in rows if row.has("result")]
    if recorded and (end.read == "eye" or len(recorded) < len(rows)):
        raise recorded[0].problem(
            "result",
            "is a recording, but other titres are volumes that were read."
            if end.read != "eye"
            else 'is a recording, but [end] says read = "eye".',
            'Give recordings alone, with read = "recording", or volume_ml alone.',
        )
    identifier = session.identifier
    if recorded:
        runs = _recordings(rows, sheet, identifier)
        listed = [_with_filling(run.titre, aliquots) for run in runs]
        details: dict[str, Any] = {
            "recordings": [run.run for run in runs],
            "titre_ml": [run.titre.volume_ml.value for run in runs],
        }
        remarks = tuple(remark for run in runs for remark in run.remarks)
        earlier = None
    else:
        burette = bench_ware(ware, "burette", session)
        volumes = [
            _read_volume(row, burette, f"{identifier} titre {n}", session)
            for n, row in enumerate(rows, 1)
        ]
        listed = [_with_filling(titre, aliquots) for titre in volumes]
        details = {"burette": burette.name, "titre_ml": [row.cells["volume_ml"] for row in rows]}
        remarks = (*burette.remarks, *_too_small(burette, listed))
        earlier = _repeatability(sheet)
        if len(rows) == 1 and earlier is None:
            raise SheetProblem(
                f"{sheet.name}: titre holds one titre, which does not show its scatter.",
                "Titrate again, or add [repeatability] with standard_deviation_ml and titrations "
                "of earlier work.",
            )
    found = mean_of(listed, identifier, recordings=bool(recorded), earlier=earlier)
    return found, details, remarks


def _recordings(rows: tuple[Section, ...], sheet: Sheet, identifier: str) -> list[Recorded]:
    runs = []
    seen: dict[str, str] = {}
    for number, row in enumerate(rows, 1):
        path = str((sheet.folder / row.text("result")).resolve())
        if path in seen:
            raise row.problem(
                "result", f"is the recording of {seen[path]} again.", "Name each recording once."
            )
        seen[path] = row.where
        runs.append(recorded_titre(row, sheet.folder, identifier, number))
        row.close()
    return runs


def _read_volume(row: Section, burette: BenchWare, label: str, session: Session) -> Titre:
    fills = row.whole("fills", 1, 4, 1)
    start_ml = row.number("start_ml", 0.0, burette.nominal_ml, 0.0)
    volume_ml = row.number("volume_ml", 0.5, 500.0)
    row.close()
    holds = burette.nominal_ml
    from_start = f" from the reading {start_ml:g} mL" if start_ml else ""
    if start_ml + volume_ml > fills * holds:
        raise row.problem(
            "volume_ml",
            f"is {volume_ml:g} mL{from_start}, but {burette.name} holds {holds:g} mL.",
            "Check the reading; if the burette was filled again, add fills = 2.",
        )
    return Titre(burette.delivered(volume_ml, label, fills, start_ml, session), label)


def _with_filling(titre: Titre, aliquots: _Aliquots) -> Titre:
    """Titre that also carries the filling of its own aliquot, as a volume of titrant.

    A fuller pipette makes the titre larger in proportion. Kept with the titre, the filling is
    part of what makes titres differ, so it is not counted again next to their scatter.
    """
    filling = aliquots.own_part(titre.label).scaled(titre.volume_ml.value, "mL")
    return Titre(titre.volume_ml + filling, titre.label)


def _repeatability(sheet: Sheet) -> Repeatability | None:
    if not sheet.has("repeatability"):
        return None
    section = sheet.section("repeatability")
    s = section.number("standard_deviation_ml", 0.001, 1.0)
    titrations = section.whole("titrations", 2, 10_000)
    section.close()
    return Repeatability(s, titrations - 1.0)


def _net(
    sheet: Sheet, mean_ml: Quantity, end: EndReading, identifier: str
) -> tuple[Quantity, tuple[str, ...]]:
    """Mean titre without end error and blank, mL; what there is to say about the end."""
    net, remarks = mean_ml, end.remarks
    if end.error_ml is not None and not sheet.has("blank"):
        net = net - end.error_ml
    if sheet.has("blank"):
        section = sheet.section("blank")
        blank_ml = section.number("volume_ml", 0.0, 5.0)
        u = section.number("standard_uncertainty_ml", 0.0, 1.0, BLANK_U_ML)
        section.close()
        if blank_ml >= mean_ml.value:
            raise section.problem(
                "volume_ml",
                f"is {blank_ml:g} mL, not smaller than the mean titre of {mean_ml.value:.2f} mL.",
                "Check that the two were not swapped.",
            )
        net = net - Quantity.measured(blank_ml, "mL", u, f"blank, {identifier}")
        if end.error_ml is not None:
            remarks = (
                "The blank counts as read by the same eye: the error of the end cancels in titre "
                "less blank, and is not subtracted again.",
            )
    if not net.value > 0.0:
        raise SheetProblem(
            f"{sheet.name}: nothing is left of the titre after end error and blank.",
            "Check error_ml and the blank against the titres.",
        )
    return net, remarks


def _too_small(burette: BenchWare, titres: list[Titre]) -> tuple[str, ...]:
    """Remark on a burette that is too large (USP 29, chapter 31: 30 % of it or more)."""
    smallest = min(titre.volume_ml.value for titre in titres)
    if smallest >= 0.3 * burette.nominal_ml:
        return ()
    return (
        f"A titre of {smallest:.2f} mL is less than 30 % of the burette "
        f"({burette.nominal_ml:g} mL): take more standard or a smaller burette.",
    )


def _near_nominal(sheet: Sheet, found: Quantity, nominal_mol_l: float) -> tuple[str, ...]:
    ratio = found.value / nominal_mol_l
    if not 1.0 / _REFUSED_RATIO <= ratio <= _REFUSED_RATIO:
        raise SheetProblem(
            f"{sheet.name}: the concentration comes out as {found.value:.4g} mol/L, {ratio:.3g} "
            f"times the nominal_mol_l of {nominal_mol_l:g}.",
            "Check the mass, the flask, the pipette and its fillings, the titres, and "
            "nominal_mol_l; two of them may be swapped.",
        )
    if 1.0 / _REMARKED_RATIO <= ratio <= _REMARKED_RATIO:
        return ()
    return (
        f"The concentration is {100.0 * (ratio - 1.0):+.1f} % from the nominal "
        f"{nominal_mol_l:g} mol/L: check the readings.",
    )
