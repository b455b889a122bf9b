"""States of liquid and gas in which a run flowed, or will flow by its prediction: what carries over compares these.

SI, absolute pressures. A liquid that boils flowed as its own analysis found it, not as its plan had it.
"""

import math
from dataclasses import dataclass, replace

from standbook.analysis.findings.cold_flow import LIQUID_AS_FLOWED, NO_OUTLET_THERMOMETER
from standbook.analysis.physics import fluids
from standbook.analysis.prediction.carry_over import Side, Ullage
from standbook.analysis.results.prediction import Prediction
from standbook.analysis.results.results import Results
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLiquid:
    """State in which the analysis of a run found a boiling liquid to have flowed."""

    density: float  # [kg/m3]
    density_u: float
    warmest: float  # [K]
    vapour_pressure: float  # at the warmest, absolute [Pa]
    load: float  # aboard at the opening [kg]
    held: float  # at pressure before it, as far as the record shows [s]
    measured: bool  # a thermometer was in it


def found_liquid(results: Results, tank: str) -> FoundLiquid | None:
    """Return what an analysis said of a tank's boiling liquid; ``None`` where it said nothing."""
    for finding in results.findings:
        if finding.channel == tank and finding.of(LIQUID_AS_FLOWED, NO_OUTLET_THERMOMETER):
            value = {name: float(finding.values[name] or 0.0) for name in _KEPT}
            return FoundLiquid(
                density=value["density"],
                density_u=value["density_u"],
                warmest=value["warmest"],
                vapour_pressure=1e5 * value["vapour_bar"],
                load=value["load"],
                held=value["held"],
                measured=finding.of(LIQUID_AS_FLOWED),
            )
    return None


_KEPT = ("density", "density_u", "warmest", "vapour_bar", "load", "held")


def as_found(plan: Plan, results: Results) -> Plan:
    """Return a run's plan with each boiling liquid as dense, and as much, as its analysis found it."""
    return plan.model_copy(update={"tank": tuple(_tank_as_found(tank, results) for tank in plan.tank)})


def _tank_as_found(tank: Tank, results: Results) -> Tank:
    found = found_liquid(results, tank.name)
    if found is None:
        return tank
    density = replace(tank.liquid_density, value=found.density, u=found.density_u)
    load = replace(tank.liquid_load, value=found.load)
    return tank.model_copy(update={"liquid_density": density, "liquid_load": load})


def flowed(plan: Plan, results: Results, tank: str, viscosity: float | None = None) -> Side | None:
    """Return the state in which a run's liquid flowed; ``None`` where its pressures are not known."""
    result = results.tanks[tank]
    if result.start_pressure is None or result.end_pressure is None:
        return None
    inlet = result.start_pressure.value, result.end_pressure.value
    side = side_of(plan, plan.tank_named(tank), inlet, _behind(plan, results, inlet), viscosity)
    if not plan.kind.boiling_liquid:
        return side
    found = found_liquid(results, tank)
    if found is None or not found.measured:
        return replace(side, warmth_told=False)
    return replace(side, vapour_pressure=found.vapour_pressure)


def side_of(
    plan: Plan, tank: Tank, inlet: tuple[float, float], outlet: tuple[float, float], viscosity: float | None
) -> Side:
    """Return the state of a tank's liquid between pressures at start and end of its flow."""
    rho = tank.liquid_density.value
    vapour = None
    try:
        # what a cryogenic liquid's density says of its temperature is worth more than the weather
        temperature = (
            fluids.temperature_of(tank.liquid, pressure=inlet[0], density=rho)
            if fluids.is_cryogenic(tank.liquid)
            else plan.site.ambient_temperature.value
        )
        vapour = fluids.vapour_pressure(tank.liquid, temperature=temperature)
        if viscosity is None:
            viscosity = fluids.viscosity(tank.liquid, pressure=inlet[0], temperature=temperature)
    except DataError:
        pass  # a mixture, or a state that the library does not hold: said where it is missed
    return Side(
        liquid=tank.liquid,
        density=rho,
        viscosity=viscosity,
        vapour_pressure=vapour,
        inlet=inlet,
        outlet=outlet,
        rounding=tank.inlet_rounding,
    )


def _behind(plan: Plan, results: Results, inlet: tuple[float, float]) -> tuple[float, float]:
    engine = results.engine
    if not plan.kind.fires or engine is None or engine.chamber_pressure is None:
        back = plan.back_pressure().value
        return back, back
    # A mean is kept of the chamber; it falls nearly as the tanks do, which is near enough for a Reynolds number.
    share = engine.chamber_pressure.value / ((inlet[0] + inlet[1]) / 2.0)
    return share * inlet[0], share * inlet[1]


def course_of(nominal: Prediction, plan: Plan, name: str) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the pressures before and behind a tank's side, each at start and end, by a prediction."""
    scalars = nominal.scalars
    if plan.kind.fires:
        inlet = (scalars[f"tank pressure at start/{name}"].nominal, scalars[f"tank pressure at end/{name}"].nominal)
        return inlet, (scalars["chamber pressure at start"].nominal, scalars["chamber pressure at end"].nominal)
    back = plan.back_pressure().value
    return (scalars["tank pressure at start"].nominal, scalars["tank pressure at end"].nominal), (back, back)


def end_log_ratio(tank: Tank) -> float:
    """Return ln of the gas volume of an emptied tank over that at its start."""
    last = tank.internal_volume.value - tank.unusable_residual.value / tank.liquid_density.value
    return math.log(last / tank.ullage_volume)


def ullage_of(tank: Tank, plan: Plan, ratio: float, pressures: tuple[float, float], duration: float) -> Ullage:
    """Return the gas of a tank as it expands between two pressures, by a log ratio of volumes."""
    temperature = tank.gas_temperature.value if tank.gas_temperature else plan.site.ambient_temperature.value
    try:
        chord = fluids.chord_isentropic_exponent(
            tank.pressurant, start_pressure=pressures[0], end_pressure=pressures[1], temperature=temperature
        )
    except DataError:
        chord = None
    return Ullage(
        liquid=tank.liquid,
        pressurant=tank.pressurant,
        end_log_ratio=ratio,
        start_pressure=pressures[0],
        duration=duration,
        isentropic_chord=chord,
        wall=tank.wall_material,
        fill=1.0 - tank.ullage_volume / tank.internal_volume.value,
    )
