r"""Start pressures of a plan against relief and nameplate, in the hold before the run as well.

SI, absolute pressures; sentences show bar(g). Gas that warms in a closed tank rises as :math:`P\,(T_1/T_0)\,V_g/(V_g -
\beta V_l \Delta T)`, the liquid's own expansion taking volume from it; a cryogenic liquid that warms to the temperature
at which its vapour would lift the relief may fill the tank first. None of this says that a vessel will hold.
"""

from collections.abc import Iterator

from scipy.constants import atmosphere, bar, zero_Celsius

from standbook.analysis.findings.prediction import (
    HOLD_IN_THE_SUN,
    LIQUID_FULL_BEFORE_RELIEF,
    RELIEF_ABOVE_NAMEPLATE,
    START_NEAR_RELIEF,
    START_OVER_LIMIT,
)
from standbook.analysis.physics.fluids import boiling_liquid
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import absolute

MARGIN, MOST = 0.90, 0.97  # of a relief's set pressure (g): working margin, and set tolerance; common practice
HOTTEST = zero_Celsius + 45.0  # [K] in the sun, where the plan does not say; judgement
EXPANSION = 1.1e-3  # 1/K, of alcohols and kerosene, volumetric; from memory, water expands less
CRYOGENIC = 200.0  # K; a liquid that boils below this in the open warms in any hold


def vessel_findings(plan: Plan) -> tuple[Finding, ...]:
    """Hold the pressures of every tank against its relief and nameplate."""
    return tuple(finding for tank in plan.tank for finding in _of_tank(plan, tank))


def _of_tank(plan: Plan, tank: Tank) -> Iterator[Finding]:
    ambient = plan.site.ambient_pressure
    start = plan.start_pressure(tank)
    highest = start.value + 2.0 * start.u - ambient.value
    relief, nameplate = (
        None if stated is None else absolute(stated, ambient).value - ambient.value
        for stated in (tank.relief_set_pressure, tank.nameplate_pressure)
    )
    if relief is not None and nameplate is not None and relief > nameplate:
        yield RELIEF_ABOVE_NAMEPLATE.at(tank.name, relief_bar=relief / bar, nameplate_bar=nameplate / bar)
    limits = [("nameplate pressure", nameplate, 1.0), ("relief's set pressure", relief, MOST)]
    over = [(words, limit, share) for words, limit, share in limits if limit is not None and highest > share * limit]
    for words, limit, share in over:
        yield START_OVER_LIMIT.at(
            tank.name, highest_bar=highest / bar, what=words, limit_bar=limit / bar, share_percent=100.0 * share
        )
    if relief is None or over:
        return
    if highest > MARGIN * relief:
        yield START_NEAR_RELIEF.at(
            tank.name, highest_bar=highest / bar, margin_percent=100.0 * MARGIN, relief_bar=relief / bar
        )
    boiling = _boiling(tank, relief + ambient.value)
    if boiling is None:
        yield from _in_the_sun(plan, tank, highest + ambient.value, relief)
    else:
        yield from _liquid_full(tank, boiling, relief)


def _boiling(tank: Tank, pressure: float) -> float | None:
    """Return the density of a cryogenic liquid that boils at a pressure [Pa]; ``None`` for any other. [kg/m³]."""
    try:
        at_air, _ = boiling_liquid(tank.liquid, pressure=atmosphere)
        return boiling_liquid(tank.liquid, pressure=pressure)[1] if at_air < CRYOGENIC else None
    except DataError:
        return None


def _in_the_sun(plan: Plan, tank: Tank, start: float, relief: float) -> Iterator[Finding]:
    gas, ambient = tank.gas_temperature or plan.site.ambient_temperature, plan.site.ambient_pressure
    warmer = HOTTEST - gas.value
    liquid = tank.liquid_load.value / tank.liquid_density.value
    ullage = tank.internal_volume.value - liquid
    left = ullage - EXPANSION * liquid * warmer
    if warmer <= 0.0 or left <= 0.0:
        return
    reached = start * HOTTEST / gas.value * ullage / left - ambient.value
    if reached > MOST * relief:
        yield HOLD_IN_THE_SUN.at(
            tank.name,
            warmer=warmer,
            hottest=HOTTEST - zero_Celsius,
            reached_bar=reached / bar,
            opens_bar=MOST * relief / bar,
        )


def _liquid_full(tank: Tank, boiling: float, relief: float) -> Iterator[Finding]:
    """Say where a closed tank of a cryogen becomes liquid-full before its relief opens."""
    most = boiling / tank.liquid_density.value
    load = tank.greatest_load or tank.liquid_load
    fill = load.value / tank.liquid_density.value / tank.internal_volume.value
    if fill > most:
        yield LIQUID_FULL_BEFORE_RELIEF.at(
            tank.name, fill_percent=100.0 * fill, most_percent=100.0 * most, relief_bar=relief / bar
        )
