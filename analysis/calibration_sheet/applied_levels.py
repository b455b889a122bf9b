"""What stood on the sensor at each reading of a sheet, in the unit of its calibration.

Masses become forces, gravity and the column between reference and sensor are taken in, gauge becomes absolute.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy import constants

from standbook.analysis.calibration.applied_level import (
    CONVENTIONAL_AIR,
    CONVENTIONAL_DENSITY,
    FORMULA_U,
    at_sensor,
    gravity_at,
    hung_force,
)
from standbook.analysis.calibration.readings_sheet import ReadingsSheet
from standbook.analysis.calibration.reference_error import stack_counts
from standbook.analysis.report.content.number_format import two_digits
from standbook.daq.arrays import Array
from standbook.daq.config.calibration import Calibration
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.quantity import dimension_of, in_unit, parse_unit

WATER = 998.2  # kg/m³ at 20 degC [CIPM2001]
WATER_U = 1.0  # kg/m³: 15 to 25 degC
GASES = {"nitrogen": 28.0134e-3, "air": 28.9655e-3, "helium": 4.0026e-3}  # kg/mol, from memory
GAS_U = 0.02  # relative, of a gas taken as ideal: judgement
STACK_AGREES = 0.1  # of the lightest weight: by how much a level may differ from the sum of what hangs


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class AppliedLevels:
    """Levels on the sensor."""

    unit: str  # of the calibration, "bar(g)"
    value: Array  # (N,) [unit]
    offset_u: float  # standard, common to all levels: column and barometer [unit]
    gain_u: float  # standard, relative, common to all levels: gravity
    per_kilogram: float  # force of one kilogram that hangs [unit]; zero where nothing hangs
    stack: tuple[int, ...]  # how many weights hang at each reading; empty where they are not listed
    words: tuple[str, ...]  # what was done to the levels as read, a sentence each

    @property
    def scale(self) -> float:
        """SI value of one unit."""
        return parse_unit(self.unit, dimension_of(self.unit))[0]


def applied_levels(sheet: ReadingsSheet, last: Calibration | None, name: str) -> AppliedLevels:
    """Turn the levels of a sheet into what stood on its sensor; ``name`` is what messages call the sheet.

    Raises
    ------
    ConfigError
        A key is missing that the levels need, or stands there and cannot be used with them.
    """
    unit = _unit(sheet, last, name)
    dimension = sheet.levels[0].dimension
    _check_unused(sheet, dimension, name)
    if dimension == "mass":
        return _hung(sheet, unit, name)
    if dimension == "pressure":
        return _pressures(sheet, unit, name)
    value = np.array([in_unit(level.value, unit) for level in sheet.levels])
    return AppliedLevels(unit=unit, value=value, offset_u=0.0, gain_u=0.0, per_kilogram=0.0, stack=(), words=())


def _unit(sheet: ReadingsSheet, last: Calibration | None, name: str) -> str:
    first = sheet.levels[0]
    wanted = "force" if first.dimension == "mass" else first.dimension
    unit = sheet.sensor.reading_unit or (last.reading_unit if last is not None else None)
    if unit is None:
        unit = "N" if first.dimension == "mass" else first.text.split()[-1]
    try:
        dimension = dimension_of(unit)
        parse_unit(unit, dimension)
    except ValueError as error:
        raise ConfigError(f"{name}: sensor.reading_unit: {error}") from None
    if dimension != wanted:
        raise ConfigError(
            f'{name}: run: levels like "{first.text}" give readings of {wanted}, but the sensor reads {unit}; '
            "correct sensor.reading_unit or the levels"
        )
    return unit


def _check_unused(sheet: ReadingsSheet, dimension: str, name: str) -> None:
    """Refuse keys that nothing is computed from with levels of this kind."""
    place, reference = sheet.place, sheet.reference
    hangs = dimension == "mass"
    unused = {
        "place.liquid": bool(place.liquid) and dimension != "pressure",
        "place.liquid_density": place.liquid_density is not None and dimension != "pressure",
        "place.sensor_above_reference": place.sensor_above_reference is not None and dimension != "pressure",
        "place.air_density": place.air_density is not None and not hangs,
        "reference.weights": bool(reference.weights) and not hangs,
        "reference.weights_density": reference.weights_density is not None and not hangs,
        "reference.gravity": reference.gravity is not None
        and not hangs
        and (dimension != "pressure" or reference.what != "dead-weight tester"),
    }
    problems = [
        f"{name}: {key}: nothing is computed from it with levels of {dimension} on a {reference.what}; remove it"
        for key, stands in unused.items()
        if stands
    ]
    if hangs != (reference.what == "dead weights"):
        problems.append(f"{name}: reference.what: levels of {dimension} do not come from a {reference.what}")
    if problems:
        raise ConfigError(*problems)


def _gravity(sheet: ReadingsSheet) -> float | None:
    place = sheet.place
    if place.latitude is None:
        return None
    return gravity_at(place.latitude.value, place.height.value if place.height is not None else 0.0)


def _hung(sheet: ReadingsSheet, unit: str, name: str) -> AppliedLevels:
    reference, place = sheet.reference, sheet.place
    local, adjusted = _gravity(sheet), reference.gravity
    if local is None and adjusted is None:
        raise ConfigError(f"{name}: place.latitude: this key is missing; masses that hang pull by local gravity")
    gravity = adjusted.value if adjusted is not None else local or 0.0
    mass = np.array([level.value for level in sheet.levels])
    stack: tuple[int, ...] = ()
    by = "where the scale was adjusted" if adjusted is not None else "by latitude and height"
    words = [f"hung at {gravity:.5f} m/s2, {by}"]
    if reference.weights:
        mass, stack = _stacked(sheet, mass, name)
        words.append("each level is the sum of its weights as they were weighed")
    density = reference.weights_density.value if reference.weights_density else CONVENTIONAL_DENSITY
    air = place.air_density.value if place.air_density else CONVENTIONAL_AIR
    one = float(hung_force(np.ones(1), gravity, density=density, air=air)[0]) / parse_unit(unit, "force")[0]
    words.append(f"buoyancy of conventional mass: 1 kg pulls {one:.6g} {unit}")
    u = adjusted.u / gravity if adjusted is not None else FORMULA_U
    return AppliedLevels(
        unit=unit, value=mass * one, offset_u=0.0, gain_u=u, per_kilogram=one, stack=stack, words=tuple(words)
    )


def _stacked(sheet: ReadingsSheet, mass: Array, name: str) -> tuple[Array, tuple[int, ...]]:
    weights = np.array([weight.value for weight in sheet.reference.weights])
    try:
        counts = stack_counts(mass, weights, agrees=STACK_AGREES * float(weights.min()))
    except DataError as error:
        raise ConfigError(f"{name}: reference.weights: in kg, a level of {error}") from None
    return np.concatenate([[0.0], np.cumsum(weights)])[counts], tuple(counts)


def _pressures(sheet: ReadingsSheet, unit: str, name: str) -> AppliedLevels:
    scale, wanted = parse_unit(unit, "pressure")
    pressure = np.array([level.value for level in sheet.levels])
    words: list[str] = []
    local, gain_u = _gravity(sheet), 0.0
    if sheet.reference.what == "dead-weight tester":
        if sheet.reference.gravity is None or local is None:
            raise ConfigError(
                f"{name}: reference.gravity and place.latitude: both are needed, what the tester is made for and "
                "what it stands in"
            )
        made_for = sheet.reference.gravity.value
        words.append(_pulled(sheet, pressure, local, made_for))
        pressure, gain_u = pressure * local / made_for, FORMULA_U
    pressure, column_u = _through_column(sheet, pressure, local or constants.g, words, name)
    pressure, air_u = _in_reference(sheet, pressure, wanted, words, name)
    return AppliedLevels(
        unit=unit,
        value=pressure / scale,
        offset_u=math.hypot(column_u, air_u) / scale,
        gain_u=gain_u,
        per_kilogram=0.0,
        stack=(),
        words=tuple(words),
    )


def _pulled(sheet: ReadingsSheet, pressure: Array, local: float, made_for: float) -> str:
    """Say what gravity here makes of a tester's levels, the highest of them as an example."""
    highest = sheet.levels[int(np.argmax(pressure))].text.split()
    share = 100.0 * (local / made_for - 1.0)
    became = f"{float(highest[0]):g} became {float(highest[0]) * local / made_for:.5g} {highest[-1].partition('(')[0]}"
    return (
        f"the tester's weights pull by {local:.5f} m/s2, not {made_for:.5f}: each level "
        f"{'raised' if share >= 0.0 else 'lowered'} by {two_digits(abs(share))} %, {became}"
    )


def _through_column(
    sheet: ReadingsSheet, pressure: Array, gravity: float, words: list[str], name: str
) -> tuple[Array, float]:
    """Take in the column from reference to sensor; return the pressures and what is uncertain of it. [Pa]."""
    place = sheet.place
    above = place.sensor_above_reference
    if above is None:
        if place.liquid or place.liquid_density is not None:
            raise ConfigError(
                f'{name}: place.sensor_above_reference: this key is missing; write "0.00 +/- 0.01 m" if level'
            )
        words.append("no column between reference and sensor was stated: none is corrected for")
        return pressure, 0.0
    density, u = _density(sheet, pressure, name)
    found = at_sensor(pressure, density, gravity, above.value)
    head = float(np.max(np.abs(density))) * gravity
    words.append(
        f"corrected for the column of {place.liquid or 'liquid'}, {-head * above.value / 1e2:+.1f} mbar at the sensor"
    )
    return found, math.hypot(head * above.u, u * gravity * above.value)


def _density(sheet: ReadingsSheet, pressure: Array, name: str) -> tuple[Array, float]:
    place = sheet.place
    if place.liquid_density is not None:
        return np.full(pressure.size, place.liquid_density.value), place.liquid_density.u
    if place.liquid == "water":
        return np.full(pressure.size, WATER), WATER_U
    if place.liquid not in GASES:
        known = ", ".join(("water", *GASES))
        raise ConfigError(
            f'{name}: place.liquid: density of "{place.liquid}" is not known; add liquid_density ({known})'
        )
    ambient = place.barometer.value if place.barometer is not None else constants.atm
    absolute = pressure + (ambient if sheet.levels[0].reference == "gauge" else 0.0)
    kelvin = [run.temperature.value if run.temperature else 293.15 for run in sheet.run for _ in run.readings]
    density = absolute * GASES[place.liquid] / (constants.R * np.array(kelvin))
    return density, GAS_U * float(density.max())


def _in_reference(
    sheet: ReadingsSheet, pressure: Array, wanted: str | None, words: list[str], name: str
) -> tuple[Array, float]:
    have, barometer = sheet.levels[0].reference, sheet.place.barometer
    if have == wanted:
        return pressure, 0.0
    if {have, wanted} != {"absolute", "gauge"}:
        raise ConfigError(f"{name}: run: levels are of {have} pressure, the sensor reads {wanted}; correct one of them")
    if barometer is None:
        raise ConfigError(
            f"{name}: place.barometer: this key is missing; levels are {have}, the sensor reads {wanted}; "
            'write it like "97.8 +/- 0.15 kPa(a)"'
        )
    words.append(f"barometer of {barometer.text} taken in")
    return pressure + (barometer.value if wanted == "absolute" else -barometer.value), barometer.u
