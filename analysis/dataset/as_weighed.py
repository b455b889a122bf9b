"""What a crew typed of a run, as the analysis takes it: masses for scale readings, volumes as filled, u at its floor.

A scale adjusted with steel weights shows less than a light liquid's mass, since air carries more of it.
"""

import dataclasses

from standbook.analysis.budget.floors import floored_plan
from standbook.analysis.physics.fluids import air_density, mass_over_reading
from standbook.analysis.physics.vessel_volume import as_filled
from standbook.daq.config.plan import Plan, Site, Tank
from standbook.daq.findings.finding import Finding


def plan_of_run(plan: Plan) -> tuple[Plan, list[Finding]]:
    """Return the plan of a run that was weighed, filled and pressurised, and name each u that claimed too much."""
    plan, said = floored_plan(plan)
    tanks = tuple(_weighed(plan, tank) for tank in plan.tank)
    return as_filled(plan.model_copy(update={"tank": tanks})), said


def in_air(plan: Plan, tank: str) -> float:
    """Return the mass of a tank's liquid over what a scale showed of it, in the plan's air. [-]."""
    return over_reading(plan.site, plan.tank_named(tank).liquid_density.value)


def over_reading(site: Site, density: float) -> float:
    """Return the mass of a liquid of a density [kg/m³] over what a scale showed of it, in the air of a site. [-]."""
    air = air_density(pressure=site.ambient_pressure.value, temperature=site.ambient_temperature.value)
    return mass_over_reading(density, air)


def _weighed(plan: Plan, tank: Tank) -> Tank:
    share, typed = in_air(plan, tank.name), tank.liquid_load
    load = dataclasses.replace(typed, value=share * typed.value, u=share * typed.u)
    return tank.model_copy(update={"liquid_load": load})
