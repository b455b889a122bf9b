"""Performance of one firing from its integrals: c*, specific impulse, thrust coefficient, mixture, stiffness.

SI, absolute pressures, plain numbers and arrays. Every result carries the standard uncertainty of what went into
it; inputs are taken as independent. What mass left is decided elsewhere.
"""

import math
from collections.abc import Callable

import numpy as np

from standbook.analysis.physics.engine import characteristic_velocity, specific_impulse, thrust_coefficient
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Engine


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
    u_of: Callable[[float, float], float],
) -> tuple[Measured, float] | None:
    """Find the least mean stiffness over ``span`` seconds and when it was.

    Parameters
    ----------
    time, upstream, chamber : (N,) array
        Instants [s], pressure before the injector and in the chamber, absolute [Pa].
    start, end, span : float
        Where to look, and over how long to average. [s]
    u_of : callable
        Standard uncertainty of what has these derivatives by the two pressures.
    """
    inside = (time >= start) & (time <= end) & np.isfinite(upstream) & np.isfinite(chamber)
    if np.count_nonzero(inside) < 8 or end - start < 2.0 * span:
        return None
    t = time[inside]
    above, below = running_mean(t, upstream[inside], span), running_mean(t, chamber[inside], span)
    curve = stiffness_curve(above, below)
    middle = (t >= start + span / 2.0) & (t <= end - span / 2.0)
    k = int(np.flatnonzero(middle)[np.nanargmin(curve[middle])])
    u = u_of(1.0 / float(below[k]), -float(above[k] / below[k] ** 2))
    return Measured(float(curve[k]), float(u), "1"), float(t[k])


def _relative(quantity: Measured) -> float:
    return quantity.u / abs(quantity.value) if quantity.value else math.inf


def _root_sum(*parts: float) -> float:
    return math.sqrt(sum(part**2 for part in parts))
