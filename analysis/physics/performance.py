"""Performance of one firing from its integrals: c*, specific impulse, thrust coefficient, mixture, stiffness.

SI, absolute pressures, plain numbers and arrays. Every result carries the standard uncertainty of what went into
it; inputs are taken as independent. What mass left is decided elsewhere.
"""

import math
from collections.abc import Callable

import numpy as np

from standbook.analysis.physics import finite_chamber
from standbook.analysis.physics.engine import characteristic_velocity, specific_impulse, thrust_coefficient
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Engine

# Of the pressure, where the plan states neither tap nor contraction ratio: what a ratio of 3 makes of it, which is the
# narrowest chamber that is common (judgement), and the root mean square over either end and ratios of 3 to 10.
TAP_UNSTATED, TAP_UNSTATED_U = 0.024, 0.0104
FACE_UNSTATED_U = 0.0154  # of the pressure at the injector over the reading, about 1, over the same ends and ratios
TAP_U = 0.1  # of the correction for a stated tap: heat capacity ratio, friction; judgement
THROAT_UNSTATED = 0.01  # of the throat's area, limits either way, where nothing tells how it grows hot; judgement
# Linear expansion [1/K] and mean warming of the wall [K] in a burn of seconds: common practice, no source.
HOT = {"copper": (17e-6, 400.0), "graphite": (5e-6, 1500.0), "steel": (17e-6, 500.0)}


def total_over_reading(engine: Engine) -> Measured:
    """Return the total pressure where the nozzle begins over what the chamber's sensor reads. [-].

    Notes
    -----
    A stated tap is corrected for. With a contraction ratio alone the tap may be at either end, rectangular between.
    """
    ratio = engine.contraction_ratio
    if ratio is None:
        return Measured(1.0, TAP_UNSTATED_U, "1")
    face = 1.0 / finite_chamber.face_over_total(ratio.value)
    end = 1.0 / finite_chamber.end_over_total(ratio.value)
    if engine.chamber_tap is None:
        return Measured((face + end) / 2.0, abs(end - face) / math.sqrt(12.0), "1")
    value = face if engine.chamber_tap == "injector face" else end
    # The correction falls as the square of the ratio.
    return Measured(value, abs(value - 1.0) * _root_sum(TAP_U, 2.0 * ratio.u / ratio.value), "1")


def face_over_reading(engine: Engine | None) -> Measured:
    """Return the pressure that the injector discharges against over what the chamber's sensor reads. [-].

    Notes
    -----
    1 for a tap at the face; with the tap not known it is between 1 and what a tap before the nozzle makes it.
    """
    if engine is None or engine.chamber_tap == "injector face":
        return Measured(1.0, 0.0, "1")
    ratio = engine.contraction_ratio
    if ratio is None:
        return Measured(1.0, FACE_UNSTATED_U, "1")
    most = finite_chamber.face_over_total(ratio.value) / finite_chamber.end_over_total(ratio.value)
    if engine.chamber_tap is None:
        return Measured((1.0 + most) / 2.0, (most - 1.0) / math.sqrt(12.0), "1")
    return Measured(most, (most - 1.0) * _root_sum(TAP_U, 2.0 * ratio.u / ratio.value), "1")


def throat_in_burn(engine: Engine, after: Measured | None = None) -> Measured:
    """Return the throat's mean area during a burn, worn and hot. [m²].

    Parameters
    ----------
    engine : Engine
        Diameter before, and the throat's material.
    after : Measured, optional
        Diameter gauged cold after the run. [m]

    Notes
    -----
    Mean of before and after, their difference rectangular; half of what a hot wall of the material grows by, the other
    half as limits either way.
    """
    before = throat_area(engine)
    value, u = before.value, before.u
    if after is not None:
        worn = math.pi / 4.0 * after.value**2
        spread = (worn - value) / 2.0 / math.sqrt(3.0)
        u = _root_sum(before.u / 2.0, worn * after.u / after.value, spread)
        value = (value + worn) / 2.0
    if engine.throat_material is None:
        return Measured(value, _root_sum(u, value * THROAT_UNSTATED / math.sqrt(3.0)), "m2")
    half = finite_chamber.hot_area_growth(*HOT[engine.throat_material]) / 2.0
    return Measured(value * (1.0 + half), _root_sum(u, value * half / math.sqrt(3.0)), "m2")


def unstated_share(engine: Engine) -> float:
    """Return the most by which pressure times throat area can read low for facts that the plan does not state. [-]."""
    tap = 0.0
    if engine.contraction_ratio is None:
        tap = TAP_UNSTATED
    elif engine.chamber_tap is None:
        middle = total_over_reading(engine)
        tap = math.sqrt(3.0) * middle.u / middle.value
    return tap + (THROAT_UNSTATED if engine.throat_material is None else 0.0)


def scaled(quantity: Measured, by: Measured) -> Measured:
    """Return the product of two independent quantities, in the unit of the first."""
    value = quantity.value * by.value
    return Measured(value, abs(value) * _root_sum(_relative(quantity), _relative(by)), quantity.unit)


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
