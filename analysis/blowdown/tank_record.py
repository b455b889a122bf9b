"""What one tank's sensors and notes tell of where its flow begins and ends. SI, absolute pressures."""

from standbook.analysis.flow_ends.flow_ends import Pressurant
from standbook.analysis.physics import fluids
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError

THIN = 1e5  # Pa; here a gas is as good as ideal


def pressurant_of(plan: Plan, tank: Tank) -> Pressurant | None:
    """Return what decides how fast a tank's gas leaves; ``None`` for one whose properties are not known."""
    temperature = (tank.gas_temperature or plan.site.ambient_temperature).value
    try:
        density = fluids.density(tank.pressurant, pressure=THIN, temperature=temperature)
        ratio = fluids.isentropic_exponent(tank.pressurant, pressure=THIN, temperature=temperature)
    except DataError:
        return None
    return Pressurant(
        heat_capacity_ratio=ratio, specific_constant=THIN / (density * temperature), temperature=temperature
    )
