"""The sheet of a gravimetric calibration: ware, balance, conditions and weighings, all checked.

Swapped columns, wrong units, marks that are no lines of the scale and masses that cannot belong
to their mark are refused with the cell and one remedy.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.cells import Section, SheetProblem
from calibration.propagation import propagate
from calibration.quantity import Quantity
from calibration.sheet import Sheet
from calibration.ware.tolerance import CLASSES, Tolerance, WareProblem, find_tolerance
from calibration.ware.water import Glass, WaterProblem, air_density, find_glass, weighed_volume

KINDS = ("burette", "pipette", "flask")
DEFAULT_SCALE_PPM = 10.0
"""Half width of the scale of an adjusted balance; common practice, no source."""
FAR_OFF_LIMITS = 20.0
"""A weighing that is farther off than so many limits of the class is refused. Assumed: a wrong
mark, tare or unit is farther off, worn ware is nearer."""


@dataclass(frozen=True)
class Piece:
    """The piece of ware that is calibrated."""

    label: str
    """Kind and name: "burette B2"."""
    name: str
    tolerance: Tolerance
    glass_name: str
    glass: Glass


@dataclass(frozen=True)
class Balance:
    """What is known of the balance."""

    division_g: float
    linearity_g: float
    """Half width of the error of any one reading."""
    scale: Quantity
    """Relative error of the scale, estimate 0."""
    scale_stated: bool


@dataclass(frozen=True)
class Conditions:
    """Water and air during the weighings."""

    water_c: float | None
    """Where it is one for all weighings."""
    thermometer: Quantity
    """Error of the water temperature, estimate 0 °C."""
    air: Quantity
    """Density of the air, kg/m3."""


@dataclass(frozen=True)
class Setup:
    """All that the weighings of one sheet share."""

    identifier: str
    piece: Piece
    balance: Balance
    conditions: Conditions

    @property
    def base(self) -> str:
        """Begin of the names of what belongs to this calibration only."""
        return f"{self.piece.label}: calibration {self.identifier}"

    def volume(self, mass_g: float, water_c: float) -> float:
        """Volume at 20 °C, mL, of a mass of water."""
        gamma = self.piece.glass.expansion_per_c
        return weighed_volume(mass_g, water_c, self.conditions.air.value, gamma)


@dataclass(frozen=True)
class Weighing:
    """One delivery, or one filling, that was weighed."""

    row: Section
    mark_ml: float
    mass_g: float
    water_c: float
    volume_ml: float
    """At 20 °C."""


def read_setup(sheet: Sheet, identifier: str, weighed: bool) -> Setup:
    """Read [ware], [balance] and [conditions]; the last two are needed where water is `weighed`.

    Raises
    ------
    SheetProblem
        A cell is missing or cannot be true.
    """
    piece = _piece(sheet.section("ware"))
    balance = _balance(sheet.section("balance", weighed), identifier, weighed)
    base = f"{piece.label}: calibration {identifier}"
    conditions = _conditions(sheet.section("conditions", weighed), identifier, base, weighed)
    return Setup(identifier, piece, balance, conditions)


def _piece(part: Section) -> Piece:
    kind = part.choice("kind", KINDS)
    name = part.text("name")
    nominal = part.number("nominal_ml", 0.5, 5000.0)
    ware_class = part.choice("class", CLASSES)
    standard = part.text("standard", None)
    limit = part.number("limit_ml", 1e-4, 0.1 * nominal, None)
    division = None
    if kind == "burette":
        division = part.number("division_ml", 0.001, 5.0, None if limit is None else ...)
    glass = part.text("glass")
    part.close()
    try:
        expansion = find_glass(glass)
    except WaterProblem as problem:
        raise SheetProblem(f"{part.place('glass')}: {problem.sentence}", problem.remedy) from None
    try:
        tolerance = (
            find_tolerance(kind, nominal, ware_class, division, standard)
            if limit is None
            else Tolerance(
                kind, nominal, division, ware_class, limit, limit, "", "stated in the sheet", "read"
            )
        )
    except WareProblem as problem:
        remedy = problem.remedy.replace("give a certificate", "state limit_ml here")
        raise SheetProblem(f"{part.where}: {problem.sentence}", remedy) from None
    return Piece(f"{kind} {name}", name, tolerance, glass, expansion)


def _balance(part: Section, identifier: str, weighed: bool) -> Balance:
    needed = ... if weighed else 0.0
    name = part.text("name", identifier)
    division = part.number("division_mg", 0.0009, 100.0, needed)
    linearity = part.number("linearity_mg", 0.0009, 1000.0, needed)
    scale = part.number("scale_ppm", 0.0, 1000.0, DEFAULT_SCALE_PPM)
    part.close()
    error = Quantity.from_limits(0.0, "1", scale * 1e-6, "rectangular", f"balance {name}: scale")
    return Balance(division * 1e-3, linearity * 1e-3, error, part.has("scale_ppm"))


def _conditions(part: Section, identifier: str, base: str, weighed: bool) -> Conditions:
    name = part.text("thermometer", identifier)
    water = part.number("water_c", 5.0, 35.0, None)
    half = part.number("water_half_width_c", 0.005, 3.0, ... if weighed else 0.0)
    air = part.number("air_c", 5.0, 35.0, 20.0 if water is None else water)
    air_half = part.number("air_half_width_c", 0.0, 10.0, 3.0)
    pressure = part.number("pressure_hpa", 600.0, 1080.0, ... if weighed else 1013.25)
    pressure_half = part.number("pressure_half_width_hpa", 0.0, 200.0, 10.0)
    humidity = part.number("humidity_percent", 1.5, 100.0, 50.0)
    humidity_half = part.number("humidity_half_width_percent", 0.0, 50.0, 20.0)
    part.close()
    density = propagate(
        air_density,
        Quantity.from_limits(air, "°C", air_half, "rectangular", "temperature"),
        Quantity.from_limits(pressure, "hPa", pressure_half, "rectangular", "pressure"),
        Quantity.from_limits(humidity, "%", humidity_half, "rectangular", "humidity"),
        unit="kg/m3",
        sensitivities=_air_slopes(air, pressure, humidity),
    )
    u = density.standard_uncertainty
    return Conditions(
        water,
        Quantity.from_limits(0.0, "°C", half, "rectangular", f"thermometer {name}: error"),
        Quantity.measured(density.value, "kg/m3", u, f"{base}, air density"),
    )


def _air_slopes(air_c: float, pressure_hpa: float, humidity_percent: float) -> list[float]:
    """Differences that stay inside 0 to 100 % and the other limits of the formula."""
    here = air_density(air_c, pressure_hpa, humidity_percent)
    return [
        air_density(air_c + 1.0, pressure_hpa, humidity_percent) - here,
        air_density(air_c, pressure_hpa + 1.0, humidity_percent) - here,
        here - air_density(air_c, pressure_hpa, humidity_percent - 1.0),
    ]


# --- readings -----------------------------------------------------------------------------------


def read_weighings(rows: Sequence[Section], setup: Setup) -> tuple[Weighing, ...]:
    """Read and check every weighing.

    Raises
    ------
    SheetProblem
        A cell is missing, or mark, mass and temperature cannot belong together.
    """
    found = tuple(_weighing(row, setup) for row in rows)
    _check_digits(found, setup.balance)
    return found


def _weighing(row: Section, setup: Setup) -> Weighing:
    tolerance = setup.piece.tolerance
    mark = _mark(row, tolerance) if tolerance.kind == "burette" else tolerance.nominal_ml
    mass_cell, water_cell = (_plain(row.cells.get(key)) for key in ("mass_g", "water_c"))
    if _near(water_cell, mark) and mass_cell is not None and not _near(mass_cell, mark):
        raise row.problem(
            "water_c",
            f"is {water_cell:g} °C, which would be right as the mass of {mark:g} mL.",
            "mass_g and water_c seem to be swapped: check the columns.",
        )
    mass = read_mass(row, 0.5 * mark, 1.5 * mark)
    water = read_water(row, setup)
    row.close()
    volume = setup.volume(mass, water)
    if abs(volume - mark) > FAR_OFF_LIMITS * tolerance.limit_ml:
        raise row.problem(
            _mass_key(row),
            f"gives {volume:.5g} mL for {mark:g} mL, more than {FAR_OFF_LIMITS:g} limits of the "
            f"class ({tolerance.limit_ml:g} mL) off.",
            "Check the mark and the mass; if the weighing went wrong, leave it out and say so in "
            "remarks.",
        )
    return Weighing(row, mark, mass, water, volume)


def _plain(cell: object) -> float | None:
    plain = isinstance(cell, int | float) and not isinstance(cell, bool) and abs(cell) < 1e9
    return float(cell) if plain else None  # type: ignore[arg-type]


def _near(mass_g: float | None, mark_ml: float) -> bool:
    """Tell whether a number could be the mass of that much water."""
    return mass_g is not None and abs(mass_g - 0.997 * mark_ml) < 0.02 * mark_ml


def _on_scale(value: float | None, tolerance: Tolerance) -> bool:
    if value is None or not 0.0 < value <= tolerance.nominal_ml:
        return False
    lines = value / (tolerance.division_ml or tolerance.nominal_ml)
    return abs(lines - round(lines)) < 1e-6


def _mark(row: Section, tolerance: Tolerance) -> float:
    cell, mass = (_plain(row.cells.get(key)) for key in ("mark_ml", "mass_g"))
    swapped = _on_scale(mass, tolerance) and mass is not None and _near(cell, mass)
    if swapped and not _on_scale(cell, tolerance):
        raise row.problem(
            "mark_ml",
            f"is {cell:g}, no line of the scale, but mass_g is {mass:g}, which is one.",
            "mark_ml and mass_g seem to be swapped: check the columns.",
        )
    division = tolerance.division_ml or tolerance.nominal_ml
    mark = float(row.number("mark_ml", division, tolerance.nominal_ml))
    if not _on_scale(mark, tolerance):
        raise row.problem(
            "mark_ml",
            f"is {mark:g} mL, no line of a scale with divisions of {division:g} mL.",
            "Give the line that the meniscus was set to.",
        )
    return mark


def read_water(row: Section, setup: Setup) -> float:
    """Water temperature of a row, else that of the conditions, °C."""
    shared = setup.conditions.water_c
    return float(row.number("water_c", 5.0, 35.0, ... if shared is None else shared))


def _mass_key(row: Section) -> str:
    return "mass_g" if "mass_g" in row.cells else "mass_after_g"


def read_mass(row: Section, low: float, high: float) -> float:
    """Mass of water, g: mass_g, or the difference of mass_after_g and mass_before_g.

    Raises
    ------
    SheetProblem
        A mass is missing, in another unit, outside `low` to `high`, or before and after are
        swapped.
    """
    if not (row.has("mass_before_g") or row.has("mass_after_g")):
        return float(row.number("mass_g", low, high))
    if row.has("mass_g"):
        raise row.problem(
            "mass_g",
            "is given as well as mass_before_g and mass_after_g.",
            "Keep one of the two ways.",
        )
    before = float(row.number("mass_before_g", 0.0, 20_000.0))
    after = float(row.number("mass_after_g", 0.0, 20_000.0))
    mass = round(after - before, 9)
    if mass <= 0:
        raise row.problem(
            "mass_after_g",
            f"is {after:g} g, not more than mass_before_g, {before:g} g.",
            "The two seem to be swapped: check the columns.",
        )
    if not low <= mass <= high:
        raise row.problem(
            "mass_after_g",
            f"is {mass:.6g} g more than mass_before_g; the water should weigh {low:g} to {high:g} "
            "g.",
            "Check both masses, their unit (g) and the mark.",
        )
    return mass


def _check_digits(weighings: Sequence[Weighing], balance: Balance) -> None:
    """Refuse masses finer, or all much coarser, than the division of the balance."""
    shown = f"{balance.division_g * 1e3:g} mg"
    round_numbers = 0
    for w in weighings:
        steps = w.mass_g / balance.division_g
        if abs(steps - round(steps)) > 1e-3:
            raise w.row.problem(
                _mass_key(w.row),
                f"gives {w.mass_g:.9g} g, finer than the balance shows: {shown}.",
                "Correct the mass, or balance.division_mg.",
            )
        round_numbers += round(steps) % 100 == 0
    if round_numbers == len(weighings) >= 3:
        raise weighings[0].row.problem(
            _mass_key(weighings[0].row),
            f"gives {weighings[0].mass_g:g} g, a round number as in every row, though the balance "
            f"shows {shown}.",
            "Enter the masses as the balance showed them, or check for swapped columns.",
        )
