"""Evaluate the newest value of every channel from its last few seconds, and whether it is valid by itself.

Readings are SI, each pressure in the reference of its calibration. A value is the mean of the last tenth of a second;
it is withdrawn, never held, when rows stop, when a share of them stands at a rail or can only come from a broken
wire, and when counts stand still that used to flicker. What neighbours say of a channel is
``daq.live.stuck_sensing_line``.
"""

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Array, Ints
from standbook.daq.config.calibration import CARRIED, Calibration, to_si
from standbook.daq.config.signal_conversion import Rails, clipped, open_wire, signal_from_counts
from standbook.daq.config.stand import Input
from standbook.daq.live.live_clock import TimeBase
from standbook.daq.live.live_state import Validity
from standbook.daq.quantity import parse_quantity

WINDOW: Final = 0.1  # [s] of the device, over which a value is averaged
KEPT: Final = 4.0  # [s] of the device
MOST_ROWS: Final = 400_000  # of one stream, whatever its rate
# Rows travel up to 60 ms in the board and in capture, and screens look ten times a second; so that a value is blank
# within 0.5 s of its loss it counts as old a little before that.
STALE_AFTER: Final = 0.4  # [s] of the computer
STALE_ROWS: Final = 3  # a slow stream may be this many intervals late
# One sample in a window of a hundred may be a spike of the igniter: it is left out of the mean. More is the channel.
BAD_SHARE: Final = 0.05
# Frozen counts: a channel whose own noise never was below one count gives the same count again with a probability of
# at most erf(0.5 / (sqrt(2) noise)), 0.38 at one count and 0.024 at 17. So many equal rows that chance alone does
# not make them in the life of a stand (1e-15 from any row on: once in 3,000 years at 10,000 rows a second) are a
# frozen channel. A quiet channel of coarse resolution has less noise than that at some time, and is never judged so.
# Chance is not all: noise that came from a pump ends when the pump is switched off, and a converter slower than the
# stream repeats its counts. Hence it must last, longer while nothing flows and pressures may truly stand still.
FROZEN_AFTER: Final = 1.0  # [s] of the device
FROZEN_IN_FLOW: Final = 0.2  # [s] of the device
FROZEN_ROWS: Final = 20  # at least
FROZEN_NOISE: Final = 1.0  # [count]
FROZEN_CHANCE: Final = 1e-15
FROZEN_LONGER: Final = 3  # times the longest run of equal counts after which the channel moved again
NOISE_BLOCK: Final = 1.0  # [s] of the device
NOISE_BLOCKS: Final = 2  # seen before a channel is judged by its noise


class Ring:
    """Ring buffer of the newest rows of one stream, in time order.

    Parameters
    ----------
    base : TimeBase
        The clock of the rows.
    names : tuple of str
        Columns, as the wire calls them.
    rails : tuple of Rails or None
        Per column; ``None`` where counts have no rail.
    interval : float
        Nominal, between rows. [s]
    """

    def __init__(
        self, base: TimeBase, names: tuple[str, ...], rails: tuple[Rails | None, ...], interval: float
    ) -> None:
        self.base, self.names, self.rails, self.interval = base, names, rails, interval
        self._keep = min(MOST_ROWS, max(FROZEN_ROWS, round(KEPT / interval)) + 2)
        self._ticks = np.empty(2 * self._keep, np.int64)
        self._counts = np.empty((2 * self._keep, len(names)))
        self._end = self._start = 0
        self.still_since = np.zeros(len(names), np.int64)  # ticks at which each column changed last
        self.still_rows = np.zeros(len(names), np.int64)
        self.floor = np.full(len(names), np.inf)  # quietest noise seen [count]
        self._need = np.full(len(names), FROZEN_ROWS)  # equal rows that chance does not make
        self._longest = np.zeros(len(names), np.int64)  # equal rows after which a column moved again
        self._frozen = np.zeros(len(names), np.bool_)  # found so, and has not moved since
        self._blocks = 0
        self._block_from: int | None = None

    def learn_from(self, earlier: "Ring") -> None:
        """Take over each column's noise from the rows before a board restart."""
        if earlier.names == self.names:
            self.floor, self._need = earlier.floor.copy(), earlier._need.copy()
            self._longest, self._blocks = earlier._longest.copy(), earlier._blocks

    @property
    def ticks(self) -> Ints:
        """Unwrapped device clock of the rows kept."""
        return self._ticks[self._start : self._end]

    @property
    def counts(self) -> Array:
        """Counts of the rows kept, (N, C)."""
        return self._counts[self._start : self._end]

    @property
    def newest(self) -> int | None:
        """Ticks of the newest row."""
        return int(self._ticks[self._end - 1]) if self._end > self._start else None

    def add(self, ticks: Ints, counts: NDArray[np.integer] | Array) -> int:
        """Append rows; those not newer than what is there are left out. Return how many were added."""
        if self.newest is not None and ticks.size and ticks[0] <= self.newest:
            newer = ticks > self.newest
            ticks, counts = ticks[newer], counts[newer]
        if ticks.size > 1 and (np.diff(ticks) <= 0).any():
            ticks, where = np.unique(ticks, return_index=True)
            counts = counts[where]
        if not ticks.size:
            return 0
        ticks, counts = ticks[-self._keep :], counts[-self._keep :]
        self._note_still(ticks, counts)
        if self._end + ticks.size > self._ticks.size:
            kept = min(self._keep, self._end)
            self._ticks[:kept] = self._ticks[self._end - kept : self._end]
            self._counts[:kept] = self._counts[self._end - kept : self._end]
            self._end = kept
        self._ticks[self._end : self._end + ticks.size] = ticks
        self._counts[self._end : self._end + ticks.size] = counts
        self._end += ticks.size
        self._start = max(0, self._end - self._keep)
        self._note_noise()
        return int(ticks.size)

    def since(self, ticks: int) -> slice:
        """Rows from a time on, as places in ``ticks`` and ``counts``."""
        return slice(int(np.searchsorted(self.ticks, ticks)), self.ticks.size)

    def between(self, first: int, end: int) -> slice:
        """Rows from ``first`` to before ``end``."""
        return slice(*np.searchsorted(self.ticks, (first, end)).tolist())

    def is_frozen(self, column: int, *, in_flow: bool = False) -> bool:
        """Tell whether a column whose counts normally change has stopped changing; ``in_flow`` while something flows.

        Once found it holds until the column moves, also when the flow ends meanwhile.
        """
        if self._frozen[column]:
            return True
        if self.newest is None or self._blocks < NOISE_BLOCKS or self.floor[column] < FROZEN_NOISE:
            return False
        rows, still = int(self.still_rows[column]), self.newest - int(self.still_since[column])
        enough = max(int(self._need[column]), FROZEN_LONGER * int(self._longest[column]))
        is_long = rows >= self._need[column] and still >= self.base.span(FROZEN_AFTER)
        is_enough = in_flow and rows >= enough and still >= self.base.span(FROZEN_IN_FLOW)
        self._frozen[column] = is_long or is_enough
        return is_long or is_enough

    def _note_still(self, ticks: Ints, counts: NDArray[np.integer] | Array) -> None:
        if self._end == self._start:
            self.still_since[:] = ticks[0]
        before = self._counts[self._end - 1] if self._end > self._start else counts[0]
        differs = counts != before
        moved = differs.any(axis=0)
        if not moved.any():
            self.still_rows += ticks.size
            return
        run = self.still_rows + differs.argmax(axis=0)
        self._longest = np.where(moved & ~self._frozen, np.maximum(self._longest, run), self._longest)
        self._frozen &= ~moved
        differs = counts[::-1] != counts[-1]
        tail = np.where(differs.any(axis=0), differs.argmax(axis=0), ticks.size)
        self.still_rows = np.where(moved, tail, self.still_rows + ticks.size)
        self.still_since[moved] = ticks[-tail[moved]]

    def _note_noise(self) -> None:
        newest = int(self._ticks[self._end - 1])
        if self._block_from is None:
            self._block_from = newest
        if newest - self._block_from < self.base.span(NOISE_BLOCK):
            return
        rows = self.counts[self.since(self._block_from)]
        self._block_from = newest
        if len(rows) < FROZEN_ROWS:
            return
        noise = np.diff(rows, axis=0).std(axis=0) / np.sqrt(2.0)
        # The block in which a flickering column freezes says nothing of its noise.
        freezing = (self.still_rows >= FROZEN_ROWS) & (self.floor >= FROZEN_NOISE) & np.isfinite(self.floor)
        self.floor = np.where(freezing, self.floor, np.fmin(self.floor, noise))
        self._need = np.array([rows_needed(quietest) for quietest in self.floor.tolist()])
        self._blocks += 1


def rows_needed(noise: float) -> int:
    r"""Compute how many equal counts in a row noise of so many counts does not make by chance.

    Notes
    -----
    Normal noise that is independent from row to row gives the likeliest count with probability
    :math:`p = \operatorname{erf}(1 / (2 \sqrt 2 \sigma))`, so that n rows equal the one before them with
    :math:`p^n` at most. Noise is measured from differences of neighbours and so leaves out what is correlated.
    """
    if not FROZEN_NOISE <= noise < math.inf:
        return FROZEN_ROWS  # is not judged by it
    same = math.erf(0.5 / (math.sqrt(2.0) * noise))
    return max(FROZEN_ROWS, 1 + math.ceil(math.log(FROZEN_CHANCE) / math.log(same)))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelReading:
    """Reading of a channel by itself at one moment, with its validity."""

    standing: Validity
    value: float | None  # [SI]; None unless indicated
    noise: float  # standard deviation in the window [SI]
    rows: int  # in the window
    age: float | None  # of the newest row [s]


class ChannelMonitor:
    """Monitor of one calibrated channel.

    Parameters
    ----------
    item : Input
        The stand's entry.
    calibration : Calibration
        Of its sensor.
    supply : ChannelMonitor, optional
        The channel that measures its supply.
    """

    def __init__(self, item: Input, calibration: Calibration, supply: "ChannelMonitor | None" = None) -> None:
        self.item, self.calibration = item, calibration
        self.ring: Ring | None = None
        self.column = -1
        self._supply = supply
        is_stated = supply is None and item.is_supply_stated
        self._volts = parse_quantity(item.supply, "voltage").value if is_stated else 1.0
        ends = to_si(np.array([0.0, 1.0]), calibration)  # a straight line; asking for its unit each time is slow
        self._si_zero, self._si_scale = float(ends[0]), float(ends[1] - ends[0])
        low, high = calibration.reach(CARRIED)
        self._low, self._high = low * self._si_scale + self._si_zero, high * self._si_scale + self._si_zero
        span = (calibration.highest - calibration.lowest) * calibration.scale
        self.full_range: Final = span  # of the calibration [SI]
        self.is_pressure: Final = calibration.dimension == "pressure"
        self._asked: tuple[int, int | None, int, int] | None = None
        self._answer: Array = np.empty(0)
        self._lacks_supply = item.supply is not None and supply is None and not is_stated

    @property
    def tag(self) -> str:
        """The channel's name everywhere."""
        return self.item.tag

    def attach(self, ring: Ring) -> None:
        """Switch to another ring: the first, or one after a board restart or a change of layout."""
        if self.item.wire in ring.names:
            self.ring, self.column = ring, ring.names.index(self.item.wire)

    def readings(self, rows: slice) -> tuple[Array, NDArray[np.bool_], NDArray[np.bool_]]:
        """Compute readings [SI], and mark those that are clipped or can only come from a broken wire."""
        ring = self.ring
        assert ring is not None  # noqa: S101 - asked only for rows that are there
        counts = ring.counts[rows, self.column]
        rails = ring.rails[self.column]
        at_rail = np.zeros(counts.shape, np.bool_)
        if rails is not None:
            at_rail = clipped(counts.astype(np.int64), rails)
        signal = signal_from_counts(self.item, counts, self._supply_at(rows))
        broken = open_wire(self.item, signal) | ~np.isfinite(signal)
        return self.calibration.reading(signal) * self._si_scale + self._si_zero, at_rail, broken

    def mean(self, rows: slice) -> float | None:
        """Average the valid rows; ``None`` when fewer than half are valid."""
        values, at_rail, broken = self.readings(rows)
        good = values[~(at_rail | broken)]
        return float(good.mean()) if good.size and 2 * good.size >= values.size else None

    def evaluate(self, now_ns: int, *, in_flow: bool = False) -> ChannelReading:
        """Evaluate the channel at a moment of the monotonic clock [ns]; ``in_flow`` while something flows."""
        ring = self.ring
        newest = ring.newest if ring is not None else None
        if ring is None or newest is None or self._lacks_supply:
            return ChannelReading(standing=Validity.NO_DATA, value=None, noise=0.0, rows=0, age=None)
        age = max(0.0, (now_ns - ring.base.host_ns(newest)) / 1e9)
        if age > max(STALE_AFTER, STALE_ROWS * ring.interval / ring.base.time_scale):
            return ChannelReading(standing=Validity.STALE, value=None, noise=0.0, rows=0, age=age)
        values, at_rail, broken = self.readings(ring.since(min(newest, newest - ring.base.span(WINDOW) + 1)))
        bad = at_rail | broken
        if not bad.any():
            standing, good = self._frozen_or_not(in_flow=in_flow), values
        else:
            standing, good = self._standing(at_rail, broken, in_flow=in_flow), values[~bad]
        mean = float(good.mean()) if good.size else math.nan
        if standing is Validity.INDICATED and (mean < self._low or mean > self._high):
            standing = Validity.BEYOND
        if standing is not Validity.INDICATED or not good.size:
            return ChannelReading(standing=standing, value=None, noise=0.0, rows=int(good.size), age=age)
        return ChannelReading(standing=standing, value=mean, noise=float(good.std()), rows=int(good.size), age=age)

    def _standing(self, at_rail: NDArray[np.bool_], broken: NDArray[np.bool_], *, in_flow: bool) -> Validity:
        """Judge a window: a rail outranks a broken wire, and both outrank a still one; they say more."""
        if at_rail.mean() >= BAD_SHARE and at_rail.mean() >= broken.mean():
            return Validity.CLIPPED
        if broken.mean() >= BAD_SHARE:
            return Validity.OPEN_WIRE
        if (at_rail | broken).mean() >= BAD_SHARE:
            return Validity.CLIPPED
        return self._frozen_or_not(in_flow=in_flow)

    def _frozen_or_not(self, *, in_flow: bool) -> Validity:
        assert self.ring is not None  # noqa: S101 - looked at before
        is_frozen = self.ring.is_frozen(self.column, in_flow=in_flow)
        return Validity.NOT_RESPONDING if is_frozen else Validity.INDICATED

    def _supply_at(self, rows: slice) -> Array | float:
        supply = self._supply
        if supply is None or supply.ring is None:
            return self._volts
        if supply.ring is self.ring:
            return supply.volts(rows)
        else:
            newest = supply.ring.newest
            assert newest is not None  # noqa: S101 - a ring is made with its first rows
            volts = np.atleast_1d(supply.readings(supply.ring.since(newest - supply.ring.base.span(WINDOW)))[0].mean())
        # A supply that is gone scales nothing: the signal is no number, which counts as a broken wire.
        return float(volts[0]) if volts[0] > 0.0 else math.nan

    def volts(self, rows: slice) -> Array:
        """Return the readings of a supply, for scaling other channels; several ask for the same rows in turn."""
        ring = self.ring
        assert ring is not None  # noqa: S101 - asked only for rows that are there
        key = (id(ring), ring.newest, rows.start, rows.stop)
        if self._asked != key:
            values = self.readings(rows)[0]
            self._asked, self._answer = key, np.where(values > 0.0, values, np.nan)
        return self._answer
