"""The liquid column above the injector, and readings just before an instant. SI."""

import math

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.physics.blowdown import Head
from standbook.analysis.signal.windows import block_average
from standbook.daq.config.plan import Plan, Tank


def head_of(plan: Plan, tank: Tank) -> Head | None:
    """Return the liquid column between surface and injector, ``None`` where the plan gives no diameter."""
    if tank.internal_diameter is None:
        return None
    area = math.pi / 4.0 * tank.internal_diameter.value**2
    height = tank.outlet_below_floor.value + tank.liquid_load.value / tank.liquid_density.value / area
    return Head(height, area, plan.site.gravity.value)


def mean_near(channel: Channel, at: float, before: float) -> float:
    """Return the mean reading over the seconds before an instant; not a number where there is none."""
    _, mean = block_average(channel.time, channel.reading, start=at - before, end=at, block=before)
    return float(mean[0])
