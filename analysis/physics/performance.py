"""Performance of one firing from its integrals: c*, specific impulse, thrust coefficient, mixture, stiffness.

SI, absolute pressures, plain numbers and arrays. Every result carries the standard uncertainty of what went into
it; inputs are taken as independent. What mass left is decided elsewhere.
"""

import math
from collections.abc import Mapping

import numpy as np
from scipy.constants import g as standard_gravity

from standbook.analysis.findings.thrust import IMPULSE_PER_MASS_IMPOSSIBLE, STIFFNESS_LOW, THRUST_COEFFICIENT_IMPOSSIBLE
from standbook.analysis.physics.engine import characteristic_velocity, specific_impulse, thrust_coefficient
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Engine
from standbook.daq.findings.finding import Finding, Severity
from standbook.daq.quantity import factor

STIFFNESS_USUAL = 0.20  # pressure drop over chamber pressure; [Humble1995] p. 209 has 0.10 to 0.20, others more
STIFFNESS_LEAST = 0.10
CREDIBLE_THRUST_COEFFICIENT = (0.6, 2.2)  # below no nozzle at all, above the largest vacuum nozzles
CREDIBLE_ISP_SHARE = (0.45, 1.5)  # of the plan's engine in vacuum; sea level and poor burning take less than half
CONFUSED_UNITS: Mapping[str, float] = {
    "N/lbf": factor("lbf", "force"),
    "N/kgf": factor("kgf", "force"),
    "kPa/psi": factor("psi", "pressure") / 1e3,
    "psi/bar": factor("bar", "pressure") / factor("psi", "pressure"),
}


def throat_area(engine: Engine) -> Measured:
    """Return the throat area from its diameter. [m²]."""
    d = engine.throat_diameter
    area = math.pi / 4.0 * d.value**2
    return Measured(area, area * 2.0 * d.u / d.value, "m2")


def exit_force(engine: Engine, ambient: Measured) -> Measured:
    """Return what ambient pressure takes from the thrust, exit area times pressure. [N]."""
    area, ratio = throat_area(engine), engine.expansion_ratio
    value = ratio.value * area.value * ambient.value
    return Measured(value, value * _root_sum(_relative(area), ratio.u / ratio.value, _relative(ambient)), "N")


def cstar(pressure_integral: Measured, throat: Measured, mass: Measured) -> Measured:
    """Return the overall characteristic velocity over the burn. [m/s]."""
    value = characteristic_velocity(pressure_integral.value, throat.value, mass.value)
    u = _root_sum(_relative(pressure_integral), _relative(throat), _relative(mass))
    return Measured(value, value * u, "m/s")


def isp(impulse: Measured, mass: Measured) -> Measured:
    """Return total impulse over expelled weight. [s]."""
    value = specific_impulse(impulse.value, mass.value)
    return Measured(value, abs(value) * _root_sum(_relative(impulse), _relative(mass)), "s")


def mean_thrust_coefficient(impulse: Measured, throat: Measured, pressure_integral: Measured) -> Measured:
    """Return the mean thrust coefficient at site ambient. [-]."""
    value = thrust_coefficient(impulse.value, throat.value, pressure_integral.value)
    u = _root_sum(_relative(impulse), _relative(throat), _relative(pressure_integral))
    return Measured(value, abs(value) * u, "1")


def mixture_ratio(oxidiser: Measured, fuel: Measured) -> Measured:
    """Return expelled oxidiser over expelled fuel. [-]."""
    value = oxidiser.value / fuel.value
    return Measured(value, value * _root_sum(_relative(oxidiser), _relative(fuel)), "1")


def stiffness_curve(upstream: Array, chamber: Array) -> Array:
    """Return pressure drop over chamber pressure, both pressures absolute. (N,) [-]."""
    return np.divide(upstream - chamber, chamber, out=np.full_like(chamber, np.nan), where=chamber > 0.0)


def least_stiffness(
    time: Array,
    upstream: Array,
    chamber: Array,
    *,
    start: float,
    end: float,
    span: float,
    u_upstream: float,
    u_chamber: float,
) -> tuple[Measured, float] | None:
    """Find the least mean stiffness over ``span`` seconds and when it was.

    Parameters
    ----------
    time, upstream, chamber : (N,) array
        Instants [s], pressure before the injector and in the chamber, absolute [Pa].
    start, end, span : float
        Where to look, and over how long to average. [s]
    u_upstream, u_chamber : float
        Standard uncertainties of the two pressures. [Pa]
    """
    inside = (time >= start) & (time <= end) & np.isfinite(upstream) & np.isfinite(chamber)
    if np.count_nonzero(inside) < 8 or end - start < 2.0 * span:
        return None
    t = time[inside]
    above, below = running_mean(t, upstream[inside], span), running_mean(t, chamber[inside], span)
    curve = stiffness_curve(above, below)
    middle = (t >= start + span / 2.0) & (t <= end - span / 2.0)
    k = int(np.flatnonzero(middle)[np.nanargmin(curve[middle])])
    u = math.hypot(u_upstream, u_chamber * above[k] / below[k]) / below[k]
    return Measured(float(curve[k]), float(u), "1"), float(t[k])


def stiffness_finding(tank: str, least: Measured, at: float, *, of_feed: bool) -> Finding | None:
    """Say where a drop over the injector is too soft to keep chamber and feed apart."""
    if least.value >= STIFFNESS_USUAL:
        return None
    severity: Severity = "caution" if least.value < STIFFNESS_LEAST else "note"
    what = "feed drop" if of_feed else "injector drop"
    return STIFFNESS_LOW.at(tank, at, severity=severity, what=what, least=least.value, stiffness_usual=STIFFNESS_USUAL)


def thrust_coefficient_finding(tag: str, coefficient: Measured) -> Finding | None:
    """Name the unit that was probably confused where no nozzle could have such a thrust coefficient."""
    low, high = CREDIBLE_THRUST_COEFFICIENT
    if low <= coefficient.value <= high:
        return None
    guess = _unit_guess(coefficient.value, CREDIBLE_THRUST_COEFFICIENT, usual=1.4)  # of small nozzles
    hint = f" A factor of {guess[1]:.3f}, the {guess[0]} ratio, would explain it." if guess else ""
    return THRUST_COEFFICIENT_IMPOSSIBLE.at(tag, coefficient=coefficient.value, low=low, high=high, hint=hint)


def impulse_per_mass_finding(tag: str, value: float, engine: Engine) -> Finding | None:
    """Name the unit that was probably confused where specific impulse [s] is far from that of the plan's engine."""
    planned = engine.cstar_efficiency.value * max(speed.value for _, speed in engine.cstar_table)
    planned *= engine.thrust_coefficient_efficiency.value * engine.vacuum_thrust_coefficient.value / standard_gravity
    share = value / planned
    low, high = CREDIBLE_ISP_SHARE
    if low <= share <= high:
        return None
    guess = _unit_guess(share, CREDIBLE_ISP_SHARE, usual=0.85)
    hint = f" A factor of {guess[1]:.3f}, the {guess[0]} ratio, would explain it." if guess else ""
    return IMPULSE_PER_MASS_IMPOSSIBLE.at(
        tag,
        specific_impulse=value,
        share_percent=100.0 * share,
        low_percent=100.0 * low,
        high_percent=100.0 * high,
        hint=hint,
    )


def _unit_guess(value: float, credible: tuple[float, float], *, usual: float) -> tuple[str, float] | None:
    low, high = credible
    fits = []
    for name, ratio in CONFUSED_UNITS.items():
        corrected = value * ratio if value < low else value / ratio
        if low <= corrected <= high:
            fits.append((abs(math.log(corrected / usual)), name, ratio))
    return min(fits)[1:] if fits else None


def _relative(quantity: Measured) -> float:
    return quantity.u / abs(quantity.value) if quantity.value else math.inf


def _root_sum(*parts: float) -> float:
    return math.sqrt(sum(part**2 for part in parts))
