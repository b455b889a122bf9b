"""Whether thrust keeps its course beside chamber pressure: one ratio through the whole settled burn.

SI. A cell whose gain or zero changes in mid-burn, or that carries only part of the load for a while, changes that
ratio; a gain that is wrong throughout does not. The nozzle's own change with pressure is taken out by the plan.
"""

from dataclasses import dataclass

import numpy as np

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.performance import exit_force
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import block_average
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array, Mask

BLOCK = 0.1  # s averaged
WINDOWS = (0.06, 0.12, 0.25, 0.40, 0.50)  # of the burn, each held against the rest of it
LEAST_BLOCKS = 3  # of a window; less than that, one ring of the stand decides
FEWEST = 12  # blocks of a burn of which anything is said


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The greatest departure of the ratio within the burn."""

    departure: float  # mean within a window over mean of the rest, less one [-]
    start: float  # of that window [s]
    end: float


def course_of(
    dataset: Dataset, record: ThrustRecord, chamber: Channel | None, start: float, end: float
) -> Course | None:
    """Return the greatest departure of thrust from the chamber's pressure; ``None`` where too little is known."""
    engine, ambient = dataset.plan.engine, dataset.plan.site.ambient_pressure
    if engine is None or chamber is None or end - start < FEWEST * BLOCK:
        return None
    outside = exit_force(engine, Measured(ambient.value, ambient.u, "Pa")).value
    time, thrust = block_average(record.time, record.thrust, start=start, end=end, block=BLOCK)
    _, pressure = block_average(chamber.time, chamber.reading, start=start, end=end, block=BLOCK)
    good = np.isfinite(thrust) & np.isfinite(pressure) & (pressure > 0.0)
    good &= ~_touched(time, record) & (thrust > 0.0)
    if np.count_nonzero(good) < FEWEST:
        return None
    coefficient = float(np.median((thrust[good] + outside) / pressure[good]))
    return greatest_departure(time[good], thrust[good] / (coefficient * pressure[good] - outside))


def greatest_departure(time: Array, ratio: Array) -> Course:
    """Hold the mean of each window against the mean of the rest. Shapes (B,), (B,)."""
    count, total = ratio.size, np.concatenate([[0.0], np.cumsum(ratio)])
    half = 0.5 * float(time[1] - time[0])
    worst = Course(departure=0.0, start=float(time[0]) - half, end=float(time[-1]) + half)
    for share in WINDOWS:
        size = max(LEAST_BLOCKS, round(share * count))
        if size >= count:
            continue
        inside = total[size:] - total[:-size]
        apart = (inside / size) / ((total[-1] - inside) / (count - size)) - 1.0
        k = int(np.argmax(np.abs(apart)))
        if abs(apart[k]) > abs(worst.departure):
            worst = Course(departure=float(apart[k]), start=float(time[k]) - half, end=float(time[k + size - 1]) + half)
    return worst


def _touched(time: Array, record: ThrustRecord) -> Mask:
    """Tell which blocks hold clipped samples, which are named already. (B,)."""
    at, half = record.time[record.clipped], 0.5 * float(time[1] - time[0])
    return np.asarray(np.searchsorted(at, time + half) > np.searchsorted(at, time - half))
