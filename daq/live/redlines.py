"""Evaluate the plan's redlines on every sample, latch and announce them; nobody's valve moves.

A redline counts in its phase only, from its delay on, and trips at the sample that makes it M of the last N. Samples
at a rail, from a broken wire or of a channel that does not respond count neither way. The first one out is the one
whose sample is earliest on the common clock, whichever device it came from and whenever it arrived.
"""

from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.daq.config.plan import Redline
from standbook.daq.display_units import Chosen, shown_text
from standbook.daq.live.channel_monitor import ChannelMonitor
from standbook.daq.live.live_clock import Moment
from standbook.daq.live.phase_tracker import Span
from standbook.daq.quantity import Quantity, Reference

# Where a burn ends by itself this is seen in means of a tenth of a second; samples younger than this wait until then,
# so that the end of the burn does not trip what watches the burn.
SETTLING: Final = 0.25  # [s] of the device
FORGET: Final = 0.5  # [s] without samples: what came before no longer counts among the N


def limit_of(redline: Redline, reference: Reference | None, ambient: Quantity) -> float:
    """Convert the limit to the channel's pressure reference. [Pa]."""
    stated = redline.below if redline.below is not None else redline.above
    assert stated is not None  # noqa: S101 - the plan's validator requires one
    if reference == "gauge" and stated.reference == "absolute":
        return stated.value - ambient.value
    if reference == "absolute" and stated.reference == "gauge":
        return stated.value + ambient.value
    return stated.value


class RedlineWatch:
    """Evaluate one redline on one channel."""

    def __init__(
        self, redline: Redline, monitor: ChannelMonitor, ambient: Quantity, chosen: Chosen | None = None
    ) -> None:
        self.redline, self.monitor = redline, monitor
        self.tripped: Moment | None = None  # latched
        self._limit = limit_of(redline, monitor.calibration.reference, ambient)
        self._chosen = chosen or {}
        self._below = redline.below is not None
        self._settling = SETTLING if self._below and redline.phase in ("burn", "flow") else 0.0
        self._need, self._of = redline.persist
        self._recent = np.empty(0, np.bool_)  # the last samples that counted, fewer than N
        self._cursor: Moment | None = None  # up to where samples were judged
        self._span_start: Moment | None = None

    @property
    def text(self) -> str:
        """The limit in words, in the units that people are shown."""
        stated = self.redline.below if self.redline.below is not None else self.redline.above
        assert stated is not None  # noqa: S101 - as above
        return f"{self.redline.tag} {'below' if self._below else 'above'} {shown_text(stated, self._chosen)}"

    def begins(self, span: Span) -> Moment | None:
        """Time from which samples count, the delay included; ``None`` where that is from the start."""
        after = self.redline.after
        if span.start is None or after is None:
            return span.start
        return span.start.later(after.value)

    def advance(self, span: Span | None, *, vouched: bool) -> None:
        """Evaluate new samples; ``span`` while the redline's phase is on, or has just ended."""
        ring = self.monitor.ring
        if self.tripped is not None or span is None or ring is None or ring.newest is None:
            return
        base = ring.base
        begin = self.begins(span)
        first = int(ring.ticks[0]) if begin is None else begin.on(base)
        if self._cursor is not None and self._cursor.base is base and self._span_start == span.start:
            first = max(first, self._cursor.ticks)
        else:
            self._recent = np.empty(0, np.bool_)
        end = ring.newest + 1 - base.span(self._settling)
        if span.end is not None:
            end = span.end.on(base)
        if end <= first:
            return
        if self._cursor is not None and self._cursor.base is base and first - self._cursor.ticks > base.span(FORGET):
            self._recent = np.empty(0, np.bool_)
        self._cursor, self._span_start = Moment(base, end), span.start
        rows = ring.between(first, end)
        if rows.stop > rows.start and vouched:
            self._judge(ring.ticks[rows], *self.monitor.readings(rows))

    def _judge(
        self,
        ticks: NDArray[np.int64],
        values: NDArray[np.float64],
        at_rail: NDArray[np.bool_],
        broken: NDArray[np.bool_],
    ) -> None:
        good = ~(at_rail | broken)
        over = values[good] < self._limit if self._below else values[good] > self._limit
        flags = np.concatenate((self._recent, over))
        total = np.concatenate(([0], np.cumsum(flags)))
        last = np.arange(self._recent.size, flags.size) + 1
        among = total[last] - total[np.maximum(0, last - self._of)]
        hits = np.flatnonzero((among >= self._need) & over)
        if hits.size and self.monitor.ring is not None:
            self.tripped = Moment(self.monitor.ring.base, int(ticks[good][hits[0]]))
        self._recent = flags[flags.size - min(flags.size, self._of - 1) :]
