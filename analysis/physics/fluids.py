"""Density, vapour pressure and isentropic exponents of the liquids and gases at a stand.

SI, absolute pressures, kelvin. Only pure fluids and air: a mixture such as aqueous alcohol has no entry, its
density belongs in the plan. The property library is loaded by the functions that name a fluid, not before.
"""

import math
import re

from standbook.daq.errors import DataError

CELSIUS_ZERO = 273.15  # K
HALF_HUMID = 0.5  # relative humidity where nobody read it; dry or damp moves the density of air by 0.5 % at most
NEAR_CRITICAL = 0.98  # of the critical pressure; nearer to it the density of a boiling liquid means little
STEEL = 8000.0  # kg/m³, of the weights that scales are adjusted with, by convention

# What people write in a plan -> what the property library calls it.
_NAMES = {
    "nitrogen": "Nitrogen",
    "gaseous nitrogen": "Nitrogen",
    "gn2": "Nitrogen",
    "n2": "Nitrogen",
    "liquid nitrogen": "Nitrogen",
    "ln2": "Nitrogen",
    "helium": "Helium",
    "he": "Helium",
    "argon": "Argon",
    "ar": "Argon",
    "air": "Air",
    "dry air": "Air",
    "compressed air": "Air",
    "carbon dioxide": "CarbonDioxide",
    "co2": "CarbonDioxide",
    "oxygen": "Oxygen",
    "gaseous oxygen": "Oxygen",
    "gox": "Oxygen",
    "o2": "Oxygen",
    "liquid oxygen": "Oxygen",
    "lox": "Oxygen",
    "water": "Water",
    "ethanol": "Ethanol",
    "methanol": "Methanol",
    "propane": "n-Propane",
    "methane": "Methane",
    "liquid methane": "Methane",
    "nitrous oxide": "NitrousOxide",
    "n2o": "NitrousOxide",
}

_GAS_CONSTANT = 8.314462618  # J/(mol K), exact since 2019
# By the property library's name: molar mass [g/mol]; thin and at 20 °C, ratio of heat capacities [-] and second virial
# coefficient [cm³/mol]. What the library has, which takes seconds to load.
_PERMANENT = {
    "Nitrogen": (28.0134, 1.400, -5.9),
    "Helium": (4.0026, 1.667, 11.9),
    "Argon": (39.948, 1.667, -16.6),
    "Air": (28.9647, 1.400, -9.1),
    "Oxygen": (31.9988, 1.395, -16.9),
    "Methane": (16.0425, 1.305, -44.9),
}
_THIN = 1e5  # Pa; here a gas is as good as ideal

_CRYOGENS = re.compile(
    r"\b(?:liquid (?:oxygen|nitrogen|methane|argon|hydrogen|air|natural gas)|lox|ln2|lar|lh2|lch4|lng)\b"
)
_GASES = {"oxygen", "nitrogen", "methane", "argon", "hydrogen"}  # named as a tank's liquid they are liquefied


def is_cryogenic(liquid: str) -> bool:
    """Tell whether a plan's liquid is a liquefied gas, far colder than the room."""
    words = " ".join(liquid.lower().replace("-", " ").replace("_", " ").split())
    return words in _GASES or _CRYOGENS.search(words) is not None


def known_fluids() -> tuple[str, ...]:
    """Return the names this module understands."""
    return tuple(_NAMES)


def water_density(temperature: float) -> float:
    """Return the density of air-free water at 101 325 Pa. [kg/m³].

    Parameters
    ----------
    temperature : float
        Between 0 and 40 °C. [K]

    Raises
    ------
    DataError
        Outside that range, where the formula was not fitted.

    Notes
    -----
    CIPM 2001 formula; IAPWS-95 differs by 0.0006 kg/m³ at most between 5 and 25 °C. At tank pressure water is
    denser by about 0.05 % per 10 bar: use `density`. Source: [CIPM2001].
    """
    t = temperature - CELSIUS_ZERO
    if not 0.0 <= t <= 40.0:
        raise DataError(
            f"water at {t:.1f} degC: the density formula holds from 0 to 40 degC; give liquid_density in the plan"
        )
    return 999.974950 * (1.0 - (t - 3.983035) ** 2 * (t + 301.797) / (522528.9 * (t + 69.34881)))


def density(fluid: str, *, pressure: float, temperature: float) -> float:
    """Return the density of a fluid at an absolute pressure [Pa] and a temperature [K]. [kg/m³]."""
    return _property("D", fluid, ("P", pressure), ("T", temperature))


def air_density(*, pressure: float, temperature: float, humidity: float = HALF_HUMID) -> float:
    """Return the density of air at an absolute pressure [Pa], a temperature [K] and a relative humidity. [kg/m³].

    Notes
    -----
    (0.348444 p - h (0.00252 t - 0.020582)) / (273.15 + t) with p in mbar, h in %, t in °C; 4e-4 of it, standard.
    Simplified formula of a national laboratory's note on buoyancy, from memory.
    """
    t = temperature - CELSIUS_ZERO
    return (0.348444 * pressure / 1e2 - 1e2 * humidity * (0.00252 * t - 0.020582)) / temperature


def mass_over_reading(density: float, air: float) -> float:
    """Return a mass over what a scale adjusted with steel weights shows of it, densities in kg/m³. [-]. Derived."""
    return (1.0 - air / STEEL) / (1.0 - air / density)


def pressurant_density(gas: str, *, pressure: float, temperature: float) -> float:
    """Return the density of a pressurant at an absolute pressure [Pa] and a temperature [K]. [kg/m³].

    Raises
    ------
    DataError
        An unknown fluid or state.

    Notes
    -----
    P / (R T + B P) for permanent gases, B at 20 °C: within 2 % of the property library from -10 to 40 °C up to 50 bar
    (methane 4 %). Any other fluid is asked of the library.
    """
    known = _PERMANENT.get(_library_name(gas))
    if known is None:
        return density(gas, pressure=pressure, temperature=temperature)
    molar_mass, _, virial = known
    return molar_mass * 1e-3 * pressure / (_GAS_CONSTANT * temperature + virial * 1e-6 * pressure)


def thin_gas(gas: str, *, temperature: float) -> tuple[float, float]:
    """Return specific gas constant [J/(kg K)] and ratio of heat capacities of a gas as good as ideal, at [K].

    Raises
    ------
    DataError
        An unknown fluid, or one that is no gas there at 1 bar.

    Notes
    -----
    Of a permanent gas within 2 % of the property library from -20 to 50 °C.
    """
    known = _PERMANENT.get(_library_name(gas))
    if known is not None:
        return _GAS_CONSTANT / (known[0] * 1e-3), known[1]
    constant = _THIN / (density(gas, pressure=_THIN, temperature=temperature) * temperature)
    return constant, isentropic_exponent(gas, pressure=_THIN, temperature=temperature)


def viscosity(fluid: str, *, pressure: float, temperature: float) -> float:
    """Return the dynamic viscosity at an absolute pressure [Pa] and a temperature [K]. [Pa s]."""
    return _property("V", fluid, ("P", pressure), ("T", temperature))


def temperature_of(fluid: str, *, pressure: float, density: float) -> float:
    """Return the temperature [K] at which a fluid has a density [kg/m³] under an absolute pressure [Pa]."""
    return _property("T", fluid, ("P", pressure), ("D", density))


def vapour_pressure(fluid: str, *, temperature: float) -> float:
    """Return the absolute saturation pressure of a liquid. [Pa].

    Raises
    ------
    DataError
        Above the critical point, below the triple point, or an unknown fluid.
    """
    return _property("P", fluid, ("T", temperature), ("Q", 0.0))


def boiling_liquid(fluid: str, *, pressure: float) -> tuple[float, float]:
    """Return temperature [K] and density [kg/m³] of a liquid that boils at an absolute pressure [Pa].

    Raises
    ------
    DataError
        Above the critical pressure, or an unknown fluid.
    """
    return _property("T", fluid, ("P", pressure), ("Q", 0.0)), _property("D", fluid, ("P", pressure), ("Q", 0.0))


def warmest_liquid(fluid: str, *, pressure: float) -> tuple[float, float]:
    """Return temperature [K] and density [kg/m³] at which a liquid boils under an absolute pressure [Pa].

    Notes
    -----
    Above ``NEAR_CRITICAL`` of the critical pressure there is no boiling: the state at that pressure is returned.
    """
    return boiling_liquid(fluid, pressure=min(pressure, NEAR_CRITICAL * critical_pressure(fluid)))


def critical_pressure(fluid: str) -> float:
    """Return the absolute pressure above which a fluid cannot boil. [Pa]."""
    from CoolProp.CoolProp import PropsSI

    return float(PropsSI("Pcrit", _library_name(fluid)))


def isentropic_exponent(fluid: str, *, pressure: float, temperature: float) -> float:
    """Return the local isentropic P-V exponent of a gas, rho a² / P (absolute pressure [Pa], [K])."""
    rho = density(fluid, pressure=pressure, temperature=temperature)
    speed = _property("A", fluid, ("P", pressure), ("T", temperature))
    return rho * speed**2 / pressure


def isentropic_temperature(fluid: str, *, start_pressure: float, end_pressure: float, temperature: float) -> float:
    """Return the temperature [K] after a change between two absolute pressures [Pa] without heat."""
    entropy = _property("S", fluid, ("P", start_pressure), ("T", temperature))
    return _property("T", fluid, ("P", end_pressure), ("S", entropy))


def gas_property(name: str, fluid: str, *, pressure: float, temperature: float) -> float:
    """Return a property by the library's name, such as ``"Cvmass"``, at an absolute pressure [Pa] and [K]. SI."""
    return _property(name, fluid, ("P", pressure), ("T", temperature))


def chord_isentropic_exponent(fluid: str, *, start_pressure: float, end_pressure: float, temperature: float) -> float:
    """Return the exponent that joins two states of equal entropy, ln(P0/P1) / ln(V1/V0).

    Parameters
    ----------
    start_pressure, end_pressure : float
        Absolute. [Pa]
    temperature : float
        Of the gas at the start. [K]

    Raises
    ------
    DataError
        The two pressures are equal, or a fluid or state is unknown.

    Notes
    -----
    Nitrogen from 35 to 20 bar at 293 K has 1.446, not 1.40: a bound of n <= 1.40 would be wrong.
    """
    if start_pressure == end_pressure:
        raise DataError(
            f"{fluid}: start and end pressure are both {start_pressure:.6g} Pa; no chord exponent between them"
        )
    entropy = _property("S", fluid, ("P", start_pressure), ("T", temperature))
    start = density(fluid, pressure=start_pressure, temperature=temperature)
    end = _property("D", fluid, ("P", end_pressure), ("S", entropy))
    return math.log(start_pressure / end_pressure) / math.log(start / end)


def _library_name(fluid: str) -> str:
    try:
        return _NAMES[" ".join(fluid.lower().replace("-", " ").replace("_", " ").split())]
    except KeyError:
        raise DataError(
            f"fluid {fluid!r} is not known; use one of {', '.join(_NAMES)}, or give its properties in the plan"
        ) from None


def _property(name: str, fluid: str, first: tuple[str, float], second: tuple[str, float]) -> float:
    from CoolProp.CoolProp import PropsSI  # a second or so to load: only where a fluid is named

    library_name = _library_name(fluid)
    try:
        return float(PropsSI(name, *first, *second, library_name))
    except ValueError as error:
        state = ", ".join(f"{key} = {value:.6g}" for key, value in (first, second))
        raise DataError(f"{fluid}: no properties at {state} (SI); check pressure and temperature") from error
