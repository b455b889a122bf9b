"""Tell how much pressurant left a tank after its liquid: weight that the cell loses, and that no burn expelled.

SI, absolute pressures. Heat from the wall is bounded.
"""

import math
from dataclasses import dataclass

from standbook.analysis.blowdown.liquid_column import mean_near
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.physics import fluids
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import Window
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError

GAS_TEMPERATURE_U = 0.10  # of the mass that left: the gas above a cold liquid is known to some 30 K; judgement
COLDEST = 70.0  # K, below which the library holds no pressurant as a gas


@dataclass(frozen=True, slots=True, kw_only=True)
class GasState:
    """Gas of one tank at an instant."""

    pressure: float  # absolute [Pa]
    volume: float  # [m3]


def gas_left(pressurant: str, *, temperature: float, start: GasState, end: GasState, later: float) -> Measured:
    """Compute the mass of gas that left a tank between the end of its liquid and a later instant.

    Parameters
    ----------
    pressurant : str
        As a plan names it.
    temperature : float
        Of the gas before the valves open. [K]
    start, end : GasState
        Before the valves open, and when the liquid ends; no gas leaves between them.
    later : float
        Pressure at the later instant, the volume as at the end. Absolute. [Pa]

    Returns
    -------
    Measured
        [kg], at least 0.

    Raises
    ------
    DataError
        An unknown pressurant, or one that is no gas in this state.

    Notes
    -----
    Mass aboard is density times volume. What stays cools without heat at least to the isentropic temperature and is
    warmed at most to where the flow left it; the middle is taken, its half-width rectangular. Derived.
    """
    aboard = fluids.pressurant_density(pressurant, pressure=start.pressure, temperature=temperature) * start.volume
    if later >= end.pressure:
        return Measured(0.0, 0.0, "kg")
    # Gas is near enough ideal for the ratio of two temperatures of one mass.
    ended = max(COLDEST, temperature * end.pressure * end.volume / (start.pressure * start.volume))
    _, gamma = fluids.thin_gas(pressurant, temperature=ended)
    cold = max(COLDEST, ended * (later / end.pressure) ** ((gamma - 1.0) / gamma))
    share = later / end.pressure
    most, least = min(1.0, share * ended / cold), share
    left = aboard * (1.0 - (most + least) / 2.0)
    return Measured(left, math.hypot(GAS_TEMPERATURE_U * left, aboard * (most - least) / math.sqrt(12.0)), "kg")


def gas_left_until(
    plan: Plan, tank: Tank, channel: Channel, flow: tuple[float, float], expelled: float, later: Window
) -> Measured | None:
    """Compute the gas that left one tank between the end of its liquid and a window.

    Parameters
    ----------
    plan, tank
        Pressurant, its temperature (ambient where the plan does not say) and the ullage above the load.
    channel : Channel
        Absolute pressure of the tank. [Pa]
    flow : tuple of float
        Opening and end of the liquid's flow. [s]
    expelled : float
        Liquid that left. [kg]
    later : Window
        Such as the cell's second zero.

    Returns
    -------
    Measured or None
        [kg]; ``None`` where the gas or a pressure is not known.
    """
    opening, end = flow
    start, ended = mean_near(channel, opening, 0.5), mean_near(channel, end, 0.05)
    last = mean_near(channel, later.end, later.end - later.start)
    if not all(math.isfinite(pressure) and pressure > 0.0 for pressure in (start, ended, last)):
        return None
    first = GasState(pressure=start, volume=tank.ullage_volume)
    emptied = GasState(pressure=ended, volume=tank.ullage_volume + expelled / tank.liquid_density.value)
    temperature = (tank.gas_temperature or plan.site.ambient_temperature).value
    try:
        return gas_left(tank.pressurant, temperature=temperature, start=first, end=emptied, later=last)
    except DataError:
        return None
