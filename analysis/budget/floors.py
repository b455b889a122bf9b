"""Standard uncertainties that no crew of this kind gets below: a smaller one, or none, counts as these.

SI. Judgement from what references, scales, gauges and plug gauges of a small stand can show; no source.
"""

import dataclasses
import math
from collections.abc import Iterable
from dataclasses import dataclass

from standbook.analysis.findings.channels import U_BELOW_FLOOR
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Engine, Plan, Site, Tank
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import Quantity

CELL_GAIN = 1e-3  # relative, of a load cell in place
SENSOR = 1e-3  # of the range of a tank's or chamber's sensor
THROAT = 1e-5  # m, of its diameter
VOLUME = 5e-4  # relative, of a tank filled with water and weighed
DENSITY = 1e-3  # relative
START_PRESSURE = 3e3  # Pa, as a crew sets it by a gauge
SCALE_INTERVALS = 1.0  # limits either way for each container of a load, which is weighed full and empty
BAROMETER = 30.0  # Pa
CLOCK = 1e-6  # relative, of a rate fitted to arrivals
ANY_RANGE = 1e8  # in a reading unit: an import without calibration states no range
FLOORED = frozenset({measurands.TANK_PRESSURE, measurands.CHAMBER_PRESSURE})


@dataclass(frozen=True, slots=True)
class _Held:
    """One value of the plan at its floor at least, and whether that was more than typed."""

    value: Quantity
    said: tuple[Finding, ...]


def floored_plan(plan: Plan) -> tuple[Plan, list[Finding]]:
    """Return the plan with no uncertainty below its floor, and name each that was."""
    site, of_site = _floored_site(plan.site)
    engine, of_engine = _floored_engine(plan.engine) if plan.engine is not None else (None, [])
    tanks = [_floored_tank(tank) for tank in plan.tank]
    said = [*of_site, *of_engine, *(finding for _, found in tanks for finding in found)]
    if not said:
        return plan, []
    return plan.model_copy(update={"site": site, "engine": engine, "tank": tuple(tank for tank, _ in tanks)}), said


def floored_calibration(calibration: Calibration, measures: str) -> tuple[Calibration, list[Finding]]:
    """Return a pressure sensor's calibration with its zero doubted enough that the whole is not below the floor."""
    c, span = calibration, calibration.highest - calibration.lowest
    if measures not in FLOORED or c.characteristic is not None or c.highest >= ANY_RANGE:
        return c, []
    least = SENSOR * span
    if max(c.zero_u(), c.slope_u() * span) >= least:
        return c, []
    stated, floor = (f"{u:.3g} {c.reading_unit.partition('(')[0]}" for u in (c.zero_u(), least))
    said = U_BELOW_FLOOR.at(c.tag, what=f"calibration {c.name}", stated=stated, floor=floor)
    return c.model_copy(update={"zero_uncertainty": least}), [said]


def _floored_site(site: Site) -> tuple[Site, list[Finding]]:
    held = _at_least(site.ambient_pressure, BAROMETER, "the barometer", None, ("mbar", 1e-2))
    return site.model_copy(update={"ambient_pressure": held.value}), list(held.said)


def _floored_engine(engine: Engine) -> tuple[Engine, list[Finding]]:
    held = _at_least(engine.throat_diameter, THROAT, "throat_diameter", None, ("mm", 1e3))
    return engine.model_copy(update={"throat_diameter": held.value}), list(held.said)


def _floored_tank(tank: Tank) -> tuple[Tank, list[Finding]]:
    volume, density, start = tank.internal_volume, tank.liquid_density, tank.start_pressure
    held = {
        "start_pressure": _at_least(start, START_PRESSURE, "start_pressure", tank.name, ("bar", 1e-5)),
        "internal_volume": _at_least(volume, VOLUME * volume.value, "internal_volume", tank.name, ("L", 1e3)),
        "liquid_density": _at_least(density, DENSITY * density.value, "liquid_density", tank.name, ("kg/m3", 1.0)),
    }
    if tank.containers is not None and tank.scale_interval is not None:
        least = tank.containers * SCALE_INTERVALS * tank.scale_interval.value / math.sqrt(3.0)
        held["liquid_load"] = _at_least(tank.liquid_load, least, "liquid_load", tank.name, ("kg", 1.0))
    said = _all_said(held.values())
    return tank.model_copy(update={name: one.value for name, one in held.items()}), said


def _all_said(held: Iterable[_Held]) -> list[Finding]:
    return [finding for one in held for finding in one.said]


def _at_least(typed: Quantity, floor: float, what: str, of: str | None, shown: tuple[str, float]) -> _Held:
    """Hold one typed value at its floor; ``shown`` is the unit that it is printed in and how many of it make one SI."""
    if typed.u >= floor:
        return _Held(typed, ())
    stated, least = (f"{u * shown[1]:.3g} {shown[0]}" for u in (typed.u, floor))
    said = U_BELOW_FLOOR.at(of, what=f"{of}: {what}" if of else what, stated=stated, floor=least)
    return _Held(dataclasses.replace(typed, u=floor), (said,))
