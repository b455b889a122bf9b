"""Two sensors of the same pressure held against each other: one that is off, two that were exchanged.

SI, absolute pressures; times in seconds after T-0. Which of two is right is not decided here.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from standbook.analysis.channel_checks.channel_health import usable
from standbook.analysis.channel_checks.record_checks import common_supply
from standbook.analysis.dataset.channel import Channel, pair_u
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import CHANNELS_EXCHANGED_CROSSWISE, PAIR_DISAGREES
from standbook.analysis.signal.windows import block_average
from standbook.daq.arrays import Array
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import Quantity

AGREE = 3.0  # combined standard uncertainties
BLOCK = 0.5  # s


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parted:
    """Two sensors where they are furthest apart, in units of what their calibrations explain."""

    one: Channel
    other: Channel
    at: float  # [s]
    apart: float  # [Pa]
    allowed: float  # [Pa]


def pair_findings(dataset: Dataset, start: float, end: float) -> list[Finding]:
    """Name twins that part between two instants: two pairs that cross are exchanged, several may share a supply."""
    ambient = dataset.plan.site.ambient_pressure
    # One that clips, is open or stands still is named as such, and its twin serves.
    channels = [c for c in dataset.channels.values() if c.measurand.is_of_vessel and usable(c, start, end)]
    twins = [
        (one, other)
        for one, other in combinations(channels, 2)
        if (one.measures, one.tank) == (other.measures, other.tank)
    ]
    parted = [found for one, other in twins if (found := _parted(one, other, ambient, start, end))]
    crossed: list[_Parted] = []
    said: list[Finding] = []
    for first, second in combinations(parted, 2):
        if any(
            _parted(one, other, ambient, start, end) is not None
            for one, other in ((first.one, second.other), (second.one, first.other))
        ):
            continue
        crossed += [first, second]
        said.append(_exchanged(first, second))
    rest = [pair for pair in parted if pair not in crossed]
    supply, told = common_supply(dataset, [(pair.one, pair.other, pair.at) for pair in rest])
    said += supply
    return said + [_disagrees(pair) for pair in rest if not told & {pair.one.tag, pair.other.tag}]


def _parted(one: Channel, other: Channel, ambient: Quantity, start: float, end: float) -> _Parted | None:
    at, first = _blocks(one, start, end)
    _, second = _blocks(other, start, end)
    apart = first - second
    if not np.isfinite(apart).any():
        return None
    u = np.array([pair_u(one, p, other, p, ambient).of(1.0, -1.0) for p in np.nan_to_num(first)])
    # Both gauge sensors carry the same barometer: it cannot part them.
    if one.calibration.reference == other.calibration.reference == "gauge":
        u = np.sqrt(np.maximum(u**2 - 2.0 * ambient.u**2, 0.0))
    ratio = np.where(np.isfinite(apart), np.abs(apart) / np.maximum(u, 1e-9), 0.0)
    worst = int(np.argmax(ratio))
    if ratio[worst] <= AGREE:
        return None
    return _Parted(
        one=one, other=other, at=float(at[worst]), apart=float(apart[worst]), allowed=float(AGREE * u[worst])
    )


def _blocks(channel: Channel, start: float, end: float) -> tuple[Array, Array]:
    return block_average(channel.time, channel.reading, start=start, end=end, block=BLOCK)


def _disagrees(pair: _Parted) -> Finding:
    one, other = pair.one.tag, pair.other.tag
    return PAIR_DISAGREES.at(one, pair.at, other=other, apart_bar=pair.apart / 1e5, allowed_bar=pair.allowed / 1e5)


def _exchanged(first: _Parted, second: _Parted) -> Finding:
    one, other, third, fourth = first.one.tag, first.other.tag, second.one.tag, second.other.tag
    return CHANNELS_EXCHANGED_CROSSWISE.at(one, first.at, fourth=fourth, third=third, other=other)
