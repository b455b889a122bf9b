"""The chamber pressure of a firing: when it burned, its integral, and whether it can be the chamber's at all.

SI, absolute pressures; times in seconds after T-0.
"""

import math
from collections.abc import Mapping

import numpy as np

from standbook.analysis.dataset.channel import Channel, pair_u
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.thrust import CHAMBER_ABOVE_TANK
from standbook.analysis.physics.impulse import integrate
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.analysis.thrust.tank_flows import TankFlow
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

CHOKED = 1.5  # chamber over ambient pressure, above which something burns
MEAN_OVER = 0.02  # s
SHARE = 0.25  # of the greatest chamber pressure; below it a burn begins or ends
BRIDGED = 0.5  # s; a chamber pressure runs straight across a shorter gap


def chamber_burns(dataset: Dataset) -> tuple[float, float] | None:
    """Return when the chamber's pressure first rose and last fell through a choked nozzle's; ``None`` if not known."""
    ambient = dataset.plan.site.ambient_pressure.value
    found: tuple[float, float] | None = None
    for channel in dataset.measuring(measurands.CHAMBER_PRESSURE):
        time, pressure = channel.known()
        if time.size < 8:
            continue
        mean = running_mean(time, pressure, MEAN_OVER)
        burning = np.flatnonzero((mean > 2.0 * CHOKED * ambient) & (mean > SHARE * float(mean.max())))
        if burning.size and burning[0] > 0 and burning[-1] + 1 < time.size:
            begin, end = float(time[burning[0]]), float(time[burning[-1]])
            found = (begin, end) if found is None else (min(begin, found[0]), max(end, found[1]))
    return found


def above_tank(
    dataset: Dataset, chamber: Channel | None, flows: Mapping[str, TankFlow], begin: float, end: float
) -> Finding | None:
    """Say that a chamber reads above a tank that feeds it: no liquid flows uphill."""
    if chamber is None or end - begin < 1.0:
        return None
    inside = (chamber.time > begin) & (chamber.time < end) & np.isfinite(chamber.reading)
    level = float(np.median(chamber.reading[inside])) if inside.any() else 0.0
    ambient = dataset.plan.site.ambient_pressure
    for name, flow in flows.items():
        own = flow.channel
        part = (own.time > begin) & (own.time < end) & np.isfinite(own.reading)
        tank = float(np.median(own.reading[part])) if part.any() else math.inf
        u = pair_u(own, tank, chamber, level, ambient).of(1.0, -1.0) if part.any() else 0.0
        if level > tank + 3.0 * u:
            return CHAMBER_ABOVE_TANK.at(
                chamber.tag, begin, level_bar=level / 1e5, tank_tag=own.tag, name=name, tank_bar=tank / 1e5
            )
    return None


def pressure_integral(dataset: Dataset, chamber: Channel, begin: float, end: float) -> Measured:
    """Integrate the pressure over what was seen of it; a gap counts as zero, as it does for thrust. [Pa s]."""
    return _integral(dataset, chamber, integrate(chamber.time, chamber.reading).between(begin, end), end - begin)


def bridged_integral(dataset: Dataset, chamber: Channel, begin: float, end: float) -> Measured | None:
    """Return the pressure integral straight across short gaps; ``None`` where a gap is long."""
    good = np.isfinite(chamber.reading) & (chamber.time >= begin) & (chamber.time <= end)
    time, reading = chamber.time[good], chamber.reading[good]
    if time.size < 8 or float(np.max(np.diff(time))) > BRIDGED:
        return None
    value = (
        float(np.trapezoid(reading, time))
        + float(reading[0]) * (time[0] - begin)
        + float(reading[-1]) * (end - time[-1])
    )
    return _integral(dataset, chamber, value, end - begin)


def _integral(dataset: Dataset, chamber: Channel, value: float, length: float) -> Measured:
    mean_u = chamber.reading_u(value / length, dataset.plan.site.ambient_pressure)
    return Measured(value, mean_u * length, "Pa*s")
