"""Detect a blocked sensing line: a pressure channel that does not move while its neighbours do.

A line blocked by ice keeps its pressure and the sensor goes on making noise, so the counts look alive. Judged is
movement between the ends of a short window, in pascal, against a neighbour: the redundant sensor of the vessel at
any time; tank against its manifold, and chamber against both manifolds, only in steady flow, where feed pressures
fall together slowly. A neighbour that jumps is no evidence: its movement must go on through the window, and the verdict
takes two judgements that are further apart than a jump can stay in the middle of it. In a start, a shutdown or a
depletion one of them moves and the other rightly does not.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from standbook.daq.config import measurands
from standbook.daq.live.channel_monitor import ChannelMonitor
from standbook.daq.live.live_clock import Moment

SPAN: Final = 1.25  # [s] of the device; with the ends below a frozen line shows within 2 s
END: Final = 0.2  # [s] averaged at either end
MOVED: Final = 0.005  # of full range: the neighbour has moved; 0.3 bar of 60
MOST: Final = 0.06  # of full range: more in one window is no steady flow
STILL: Final = 0.2  # of the neighbour's movement: the channel did not follow
NOISES: Final = 8.0  # the neighbour's movement in standard deviations of an end's mean
SETTLED: Final = 1.0  # [s] after the start of a flow


@dataclass(frozen=True, slots=True)
class Movement:
    """Change of a channel over the window and over its halves, SI."""

    first: float  # half of it
    second: float
    doubt: float  # standard deviation of the whole

    @property
    def whole(self) -> float:
        """Change from end to end."""
        return self.first + self.second

    @property
    def is_steady(self) -> bool:
        """Tell whether both halves contributed."""
        whole = self.whole
        return whole != 0.0 and min(self.first / whole, self.second / whole) >= 0.25


def movement(monitor: ChannelMonitor) -> Movement | None:
    """Measure the recent change of a channel; ``None`` where the window is not full of valid rows."""
    ring = monitor.ring
    if ring is None or ring.newest is None or ring.ticks[0] > ring.newest - ring.base.span(SPAN):
        return None
    span, end = ring.base.span(SPAN), ring.base.span(END)
    starts = (ring.newest - span, ring.newest - (span + end) // 2, ring.newest - end + 1)
    ends = []
    doubt = 0.0
    for start in starts:
        values, at_rail, broken = monitor.readings(ring.between(start, start + end))
        good = values[~(at_rail | broken)]
        if good.size < 2 or 2 * good.size < values.size:
            return None
        ends.append(float(good.mean()))
        # Noise of neighbouring samples is correlated; a tenth of them counts.
        apart = good - ends[-1]
        doubt += float(apart @ apart) / good.size / max(1.0, good.size / 10.0)
    return Movement(ends[1] - ends[0], ends[2] - ends[1], float(np.sqrt(doubt)))


@dataclass(frozen=True, slots=True)
class Neighbour:
    """A channel that should move with another; ``settled`` when only in steady flow."""

    monitor: ChannelMonitor
    settled: bool


def neighbours_of(monitor: ChannelMonitor, others: Sequence[ChannelMonitor]) -> tuple[Neighbour, ...]:
    """Find the pressure channels that should move with one."""
    item, found = monitor.item, []
    for other in others:
        if other is monitor or not other.is_pressure:
            continue
        kinds = {item.measures, other.item.measures}
        if item.measures == other.item.measures and item.measurand.is_of_vessel:
            if item.tank == other.item.tank:
                found.append(Neighbour(other, settled=False))
        elif (kinds == {measurands.TANK_PRESSURE, measurands.MANIFOLD_PRESSURE} and item.tank == other.item.tank) or (
            kinds == {measurands.CHAMBER_PRESSURE, measurands.MANIFOLD_PRESSURE}
        ):
            found.append(Neighbour(other, settled=True))
    return tuple(found)


class StuckLineDetector:
    """Detect a blocked line on one channel; the verdict holds until the channel moves again."""

    def __init__(self, monitor: ChannelMonitor, neighbours: tuple[Neighbour, ...]) -> None:
        self.monitor = monitor
        self.silent = False
        self._neighbours = neighbours
        self._suspected = False  # at the last judgement

    def judge(self, moves: dict[str, Movement | None], flow_since: Moment | None) -> None:
        """Evaluate the movements of all channels, by tag; ``flow_since`` while something flows."""
        own = moves.get(self.monitor.tag)
        if own is None:
            return
        least = MOVED * self.monitor.full_range
        before, self._suspected = self._suspected, False
        if abs(own.whole) >= 0.5 * least and abs(own.whole) >= NOISES * own.doubt:
            self.silent = False
            return
        for neighbour in self._neighbours:
            other = moves.get(neighbour.monitor.tag)
            if other is None or abs(other.whole) < max(least, NOISES * other.doubt):
                continue
            if abs(own.whole) >= STILL * abs(other.whole):
                continue
            if other.is_steady and (not neighbour.settled or self._is_settled(other, flow_since)):
                self._suspected = True
                self.silent |= before

    def _is_settled(self, other: Movement, flow_since: Moment | None) -> bool:
        ring = self.monitor.ring
        if flow_since is None or ring is None or ring.newest is None:
            return False
        begun = flow_since.on(ring.base) + ring.base.span(SETTLED)
        slow = abs(other.whole) <= MOST * self.monitor.full_range
        return slow and ring.newest - ring.base.span(SPAN) >= begun
