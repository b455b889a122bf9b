"""Parse typed quantities: a value, a standard uncertainty, a unit, and for pressures a reference.

Everything is converted to SI here, at the edge; inside the program numbers are plain SI floats.
Conversion factors come from ``scipy.constants``. No unit registry and no arithmetic on quantities.
"""

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator
from scipy import constants

Reference = Literal["absolute", "gauge", "difference"]
REFERENCE_MARKS: Mapping[str, Reference] = {"a": "absolute", "g": "gauge", "d": "difference"}

# dimension -> unit -> factor to SI; temperatures carry an offset and are treated apart
UNITS: Mapping[str, Mapping[str, float]] = {
    "pressure": {
        "Pa": 1.0,
        "hPa": 1e2,
        "kPa": 1e3,
        "MPa": 1e6,
        "mbar": 1e2,
        "bar": constants.bar,
        "psi": constants.psi,
        "atm": constants.atm,
    },
    "length": {
        "m": 1.0,
        "cm": 1e-2,
        "mm": 1e-3,
        "um": 1e-6,
        "in": constants.inch,
        "ft": constants.foot,
    },
    "area": {"m2": 1.0, "cm2": 1e-4, "mm2": 1e-6, "in2": constants.inch**2},
    "volume": {"m3": 1.0, "L": 1e-3, "mL": 1e-6, "cm3": 1e-6, "in3": constants.inch**3},
    "mass": {"kg": 1.0, "g": 1e-3, "lb": constants.lb},
    "density": {"kg/m3": 1.0, "g/mL": 1e3, "g/cm3": 1e3, "kg/L": 1e3},
    "mass flow": {"kg/s": 1.0, "g/s": 1e-3, "g/min": 1e-3 / 60.0, "kg/h": 1.0 / 3600.0},
    "volume flow": {"m3/s": 1.0, "L/s": 1e-3, "L/min": 1e-3 / constants.minute, "mL/s": 1e-6},
    "force": {"N": 1.0, "kN": 1e3, "lbf": constants.lbf, "kgf": constants.kgf},
    "impulse": {"N*s": 1.0, "kN*s": 1e3, "lbf*s": constants.lbf},
    "speed": {"m/s": 1.0, "ft/s": constants.foot},
    "acceleration": {"m/s2": 1.0},
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0},
    "frequency": {"Hz": 1.0, "kHz": 1e3},
    "temperature": {"K": 1.0, "degC": 1.0, "degF": 5.0 / 9.0},
    "voltage": {"V": 1.0, "mV": 1e-3, "uV": 1e-6},
    "resistance": {"ohm": 1.0, "kohm": 1e3},
    "force per pressure": {"N/Pa": 1.0, "N/bar": 1.0 / constants.bar},
    "angle": {"rad": 1.0, "deg": constants.degree},
    "number": {"": 1.0, "1": 1.0},
    "share": {"%": 1e-2, "ppm": 1e-6, "": 1.0},
}
TEMPERATURE_ZERO: Mapping[str, float] = {"K": 0.0, "degC": constants.zero_Celsius, "degF": 459.67 * 5.0 / 9.0}
SI_UNIT: Mapping[str, str] = {dimension: next(iter(units)) for dimension, units in UNITS.items()}
EXAMPLES: Mapping[str, str] = {
    "pressure": "31.0 +/- 0.15 bar(g)",
    "number": "1.45 +/- 0.12",
    "share": "0.25 %",
    "angle": "1.5 deg",
    "temperature": "18 +/- 1 degC",
}

LONGEST = 200  # characters of a phrase that is taken apart; patterns would take seconds over thousands
_NUMBER = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_QUANTITY = re.compile(
    rf"^\s*(?P<value>{_NUMBER})\s*(?:(?:\+/-|±)\s*(?P<u>{_NUMBER})\s*)?(?P<unit>[^\s(]*)\s*(?:\((?P<mark>\w+)\))?\s*$"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One value with its standard uncertainty, in SI.

    ``reference`` is given for pressures only; ``text`` is what the person typed.
    """

    value: float
    u: float  # standard uncertainty, same unit; 0.0 where none was stated
    dimension: str
    reference: Reference | None = None
    text: str = ""

    @property
    def unit(self) -> str:
        """SI unit of ``value`` and ``u``."""
        return SI_UNIT[self.dimension]

    @property
    def relative_u(self) -> float:
        """Standard uncertainty over the magnitude of the value."""
        return self.u / abs(self.value) if self.value else math.inf


def factor(unit: str, dimension: str) -> float:
    """Return the SI value of one ``unit``.

    Raises
    ------
    ValueError
        The unit is not one of the dimension's.
    """
    units = UNITS[dimension]
    if unit not in units:
        known = ", ".join(u for u in units if u)
        raise ValueError(f"unknown unit {unit!r} for {dimension}; known: {known}")
    return units[unit]


def parse_quantity(text: object, dimension: str) -> Quantity:
    """Read ``"31.0 +/- 0.15 bar(g)"`` into SI; what follows ``+/-`` is a standard uncertainty.

    Raises
    ------
    ValueError
        A bare number, an unknown unit, a pressure without (a), (g) or (d), or a negative uncertainty.
        The message says what to write instead.
    """
    example = EXAMPLES.get(dimension, f"1.0 {SI_UNIT[dimension]}")
    one = f"an {dimension}" if dimension[0] in "aeiou" else f"a {dimension}"
    if isinstance(text, (int, float)) and not isinstance(text, bool):
        message = f'bare number {text}; write a quoted {dimension} with its unit, like "{example}"'
        raise ValueError(message)  # noqa: TRY004 - pydantic collects ValueError
    if not isinstance(text, str):
        raise ValueError(f'{text!r} is not a quantity; write a quoted {dimension}, like "{example}"')  # noqa: TRY004 - as above
    if len(text) > LONGEST:
        raise ValueError(
            f'"{text[:20]}..." has {len(text):,} characters and is no quantity; write {one} like "{example}"'
        )
    match = _QUANTITY.match(text)
    if match is None:
        raise ValueError(f'"{text}" is not a quantity; write {one} like "{example}"')
    unit, mark = match["unit"], match["mark"]
    if not unit and "" not in UNITS[dimension]:
        raise ValueError(f'"{text}" has no unit; write {one} like "{example}"')
    scale = factor(unit, dimension)
    reference = _reference(text, unit, mark, dimension)
    value = float(match["value"]) * scale
    if dimension == "temperature":
        value += TEMPERATURE_ZERO[unit]
    u = float(match["u"] or 0.0) * scale
    if not (math.isfinite(value) and math.isfinite(u)):
        raise ValueError(f'"{text}" is larger than any {dimension} can be')
    if u < 0.0:
        raise ValueError(f'"{text}" has a negative uncertainty; "+/-" takes a standard uncertainty >= 0')
    return Quantity(value=value, u=u, dimension=dimension, reference=reference, text=text)


def _reference(text: str, unit: str, mark: str | None, dimension: str) -> Reference | None:
    if dimension != "pressure":
        if mark is not None:
            raise ValueError(f'"{text}": only pressures take a reference in brackets, not a {dimension}')
        return None
    if mark is None or mark not in REFERENCE_MARKS:
        raise ValueError(
            f'"{text}" does not say which pressure; write {unit}(a) for absolute, {unit}(g) for gauge '
            f"or {unit}(d) for a difference"
        )
    return REFERENCE_MARKS[mark]


def absolute(pressure: Quantity, ambient: Quantity) -> Quantity:
    """Convert a gauge pressure to absolute; the two uncertainties combine as a root sum of squares.

    Raises
    ------
    ValueError
        ``pressure`` is a difference, or ``ambient`` is not absolute.
    """
    if ambient.reference != "absolute":
        raise ValueError(f'ambient pressure "{ambient.text}" must be absolute')
    if pressure.reference == "absolute":
        return pressure
    if pressure.reference != "gauge":
        raise ValueError(f'"{pressure.text}" is neither absolute nor gauge')
    u = math.hypot(pressure.u, ambient.u)
    return Quantity(
        value=pressure.value + ambient.value, u=u, dimension="pressure", reference="absolute", text=pressure.text
    )


def parse_unit(text: str, dimension: str) -> tuple[float, Reference | None]:
    """Read a unit alone, ``"bar(g)"`` or ``"N"``, into its SI factor and reference.

    Raises
    ------
    ValueError
        As for :func:`parse_quantity`.
    """
    unit, _, rest = text.partition("(")
    mark = rest.rstrip(")") if rest else None
    return factor(unit, dimension), _reference(text, unit, mark, dimension)


def in_unit(value: float, text: str) -> float:
    """Convert an SI value to a unit such as ``"bar(g)"``, for people to read; the reference is that of the value.

    Raises
    ------
    ValueError
        As for :func:`dimension_of`.
    """
    unit, dimension = text.partition("(")[0], dimension_of(text)
    offset = TEMPERATURE_ZERO[unit] if dimension == "temperature" else 0.0
    return (value - offset) / UNITS[dimension][unit]


def dimension_of(unit_text: str) -> str:
    """Name the dimension whose table holds this unit, ``"bar(g)"`` included.

    Raises
    ------
    ValueError
        No dimension has it.
    """
    unit = unit_text.partition("(")[0]
    for dimension, units in UNITS.items():
        if unit in units:
            return dimension
    raise ValueError(f"unknown unit {unit_text!r}")


def _field(dimension: str, sign: Literal["any", "positive", "not negative"] = "any") -> Any:  # noqa: ANN401
    def check(value: object) -> Quantity:
        quantity = value if isinstance(value, Quantity) else parse_quantity(value, dimension)
        if sign == "positive" and quantity.value <= 0.0:
            raise ValueError(f'"{quantity.text}" must be more than zero')
        if sign == "not negative" and quantity.value < 0.0:
            raise ValueError(f'"{quantity.text}" must not be negative')
        return quantity

    return BeforeValidator(check)


# Types for the fields of typed files.
Pressure = Annotated[Quantity, _field("pressure")]
Temperature = Annotated[Quantity, _field("temperature", "positive")]
Length = Annotated[Quantity, _field("length", "positive")]
Height = Annotated[Quantity, _field("length", "not negative")]
Area = Annotated[Quantity, _field("area", "positive")]
Volume = Annotated[Quantity, _field("volume", "positive")]
Mass = Annotated[Quantity, _field("mass", "positive")]
Residual = Annotated[Quantity, _field("mass", "not negative")]
MassFlow = Annotated[Quantity, _field("mass flow", "not negative")]
Density = Annotated[Quantity, _field("density", "positive")]
Force = Annotated[Quantity, _field("force")]
ForcePerPressure = Annotated[Quantity, _field("force per pressure")]
Impulse = Annotated[Quantity, _field("impulse", "positive")]
Speed = Annotated[Quantity, _field("speed", "positive")]
Acceleration = Annotated[Quantity, _field("acceleration", "positive")]
Duration = Annotated[Quantity, _field("time", "not negative")]
Frequency = Annotated[Quantity, _field("frequency", "positive")]
Voltage = Annotated[Quantity, _field("voltage")]
Resistance = Annotated[Quantity, _field("resistance", "positive")]
Number = Annotated[Quantity, _field("number")]
Angle = Annotated[Quantity, _field("angle")]
Share = Annotated[Quantity, _field("share", "not negative")]
