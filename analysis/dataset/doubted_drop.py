"""A pressure drop between two sensors, and what it is off by where one source of doubt is one u higher. SI."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.results.quantities import Measured
from standbook.daq.arrays import Array
from standbook.daq.quantity import Quantity

ENOUGH = 1000  # instants that tell what a small change of pressure makes of a flow
TAP = "tap"  # of the sensor downstream: where it reads, and not where the liquid leaves


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DoubtedDrop:
    """A pressure drop at some of its instants, with its sources of doubt."""

    time: Array  # (M,) [s]
    drive: Array  # (M,) [Pa]
    moved: Mapping[str, Array]  # by the source's name, (M,) [Pa]


def doubted_drop(above: Channel, below: Channel, factor: Measured, drive: Array, ambient: Quantity) -> DoubtedDrop:
    """Say what two sensors leave open of a pressure drop; what moves both counts by its difference.

    Parameters
    ----------
    above, below : Channel
        Upstream and downstream.
    factor : Measured
        Pressure that the liquid flows against over what the sensor downstream reads. [-]
    drive : (N,) array
        The drop at the upstream samples. [Pa]
    ambient : Quantity
        Barometer, absolute. [Pa]
    """
    first, second = _some(above), _some(below)
    time, at = above.time[first], below.time[second]
    moved = above.moved(ambient, first)
    behind = {**below.moved(ambient, second), TAP: below.reading[second] * factor.u / factor.value}
    for name, effect in behind.items():
        moved[name] = moved.get(name, 0.0) - factor.value * np.interp(time, at, effect)
    return DoubtedDrop(time=time, drive=drive[first], moved=moved)


def _some(channel: Channel) -> NDArray[np.intp]:
    """Return indices of readings that are numbers, evenly apart and no more than a smooth change needs."""
    known = np.flatnonzero(np.isfinite(channel.reading))
    return known[:: max(known.size // ENOUGH, 1)]
