"""What one tank's sensors and notes tell of where its flow begins and ends. SI, absolute pressures."""

from standbook.analysis.flow_ends.flow_ends import Pressurant
from standbook.analysis.physics import fluids
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError


def pressurant_of(plan: Plan, tank: Tank) -> Pressurant | None:
    """Return what decides how fast a tank's gas leaves; ``None`` for one whose properties are not known."""
    temperature = (tank.gas_temperature or plan.site.ambient_temperature).value
    try:
        specific_constant, ratio = fluids.thin_gas(tank.pressurant, temperature=temperature)
    except DataError:
        return None
    return Pressurant(heat_capacity_ratio=ratio, specific_constant=specific_constant, temperature=temperature)
