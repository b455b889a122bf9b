"""Sum the running total impulse during a burn: an indication, without weighing or correction.

The reading of the thrust cell minus its mean in a quiet window before T-0, summed by trapezoids over device ticks from
T-0 to the end of thrust. Where samples are missing or cannot be believed nothing is added, and the sum is "at least"
from there on; so it is once the cell reads further than it was calibrated. The analysis computes the impulse; this is
for the crew to watch against the limit.
"""

from collections.abc import Callable
from typing import Final

import numpy as np

from standbook.daq.config.plan import ImpulseClass
from standbook.daq.live.channel_monitor import ChannelMonitor
from standbook.daq.live.live_clock import Moment, TimeBase
from standbook.daq.live.live_state import ImpulseState, Validity

TARE_FROM: Final = -1.5  # [s] after T-0
TARE_TO: Final = -0.1  # [s] after T-0; valves and igniter are quiet before
TARE_ROWS: Final = 20
BEHIND: Final = 0.25  # [s] of the device: the end of thrust is known by then, so nothing after it is counted
GAP_ROWS: Final = 1.5  # intervals: more between two rows is a gap


class RunningImpulse:
    """Running sum of one thrust channel.

    Parameters
    ----------
    monitor : ChannelMonitor
        The thrust cell.
    limit : ImpulseClass
        Of the plan.
    weight_sign : int
        How lost weight shows in a tared reading: +1 as more thrust, -1 as less, 0 not at all.
    expelled_weight : callable of seconds after T-0, optional
        Predicted weight of what has left. [N]
    """

    def __init__(
        self,
        monitor: ChannelMonitor,
        limit: ImpulseClass,
        *,
        weight_sign: int,
        expelled_weight: Callable[[float], float] | None = None,
    ) -> None:
        self.monitor = monitor
        self._limit, self._weight_sign, self._expelled_weight = limit, weight_sign, expelled_weight
        self._sum = 0.0
        self._missing = 0.0  # [s]
        self._beyond = False  # the cell has read further than it was calibrated
        self._railed = 0  # samples at the converter's rail, none of which counts
        self._t_zero: Moment | None = None
        self._tare: float | None = None
        self._last: tuple[int, float] | None = None  # ticks and thrust of the newest sample taken in
        self._over = False
        self._counted_on: TimeBase | None = None
        self._from = 0  # ticks at which counting began, on the clock that runs
        self._looked_to = 0  # ticks past the newest row looked at, on the clock that runs
        self._last_host = 0  # of the newest sample taken in [ns]

    def advance(self, t_zero: Moment | None, until: Moment | None, *, behind: float = BEHIND) -> None:
        """Take in what is new since T-0, up to the end of thrust once that is known, else up to ``behind`` [s] ago."""
        ring = self.monitor.ring
        if t_zero is None or ring is None or ring.newest is None or self._over:
            return
        base = ring.base
        if self._t_zero is None or self._t_zero != t_zero:
            self._begin(t_zero)
        if self._tare is None:
            return
        if self._last is not None and base is not self._counted_on:
            # The board has started again: its clock is another, and what lies between is missing.
            self._missing += max(0.0, (base.host_ns(int(ring.ticks[0])) - self._last_host) / 1e9 * base.time_scale)
            self._last, self._from, self._looked_to = None, int(ring.ticks[0]), int(ring.ticks[0])
        self._counted_on = base
        first = self._last[0] + 1 if self._last is not None else self._from
        end = ring.newest + 1 - base.span(behind) if until is None else until.on(base)
        if end > first:
            self._add(ring.between(first, end), t_zero.on(base))
        if self._last is not None:
            self._last_host = base.host_ns(self._last[0])
        # Over when the newest row lies past the end of thrust: all that came before it is there, or missing.
        if until is not None and ring.newest >= end:
            self._over = True
            counted = self._last[0] if self._last is not None else self._from
            rest = (end - counted) / base.tick_hz
            self._missing += rest if rest > GAP_ROWS * ring.interval else 0.0

    def read_beyond(self) -> None:
        """Note that the cell reads further than it was calibrated: from there on the sum is "at least"."""
        self._beyond = (self._t_zero is not None and not self._over) or self._beyond

    def as_read(self, thrust: tuple[float, float], after: float) -> tuple[float, float] | None:
        """Turn a predicted band of thrust, so many seconds after T-0, into one of the cell's reading. [N].

        ``None`` while the cell has no zero, or when the weight that has left is not known.
        """
        if self._tare is None or (self._weight_sign and self._expelled_weight is None):
            return None
        weight = self._expelled_weight(after) if self._expelled_weight is not None else 0.0
        shift = self._tare + self._weight_sign * weight
        return thrust[0] + shift, thrust[1] + shift

    def _begin(self, t_zero: Moment) -> None:
        ring = self.monitor.ring
        assert ring is not None  # noqa: S101 - the caller looked
        self._t_zero, self._sum, self._missing, self._railed, self._last = t_zero, 0.0, 0.0, 0, None
        self._beyond = False
        self._counted_on, self._last_host = ring.base, 0
        at = self._from = self._looked_to = t_zero.on(ring.base)
        rows = ring.between(at + ring.base.span(TARE_FROM), at + ring.base.span(TARE_TO))
        self._tare = self.monitor.mean(rows) if rows.stop - rows.start >= TARE_ROWS else None

    def _add(self, rows: slice, zero: int) -> None:
        ring = self.monitor.ring
        assert ring is not None  # noqa: S101 - the caller looked
        assert self._tare is not None  # noqa: S101 - as above
        values, at_rail, broken = self.monitor.readings(rows)
        good = ~(at_rail | broken)
        # While none is good the same rows are looked at again; each counts once.
        self._railed += int(np.count_nonzero(at_rail & (ring.ticks[rows] >= self._looked_to)))
        self._looked_to = int(ring.ticks[rows][-1]) + 1 if values.size else self._looked_to
        ticks, thrust = ring.ticks[rows][good], values[good] - self._tare
        if not ticks.size:
            return
        hz = ring.base.tick_hz
        if self._expelled_weight is not None and self._weight_sign:
            seconds = (ticks - zero) / hz
            weight = np.array([self._expelled_weight(second) for second in seconds.tolist()])
            thrust = thrust - self._weight_sign * weight
        before = self._last if self._last is not None else (self._from, float(thrust[0]))
        ticks = np.concatenate(([before[0]], ticks))
        thrust = np.concatenate(([before[1]], thrust))
        steps = np.diff(ticks) / hz
        whole = steps <= GAP_ROWS * ring.interval
        self._sum += float((steps * (thrust[1:] + thrust[:-1]) / 2.0)[whole].sum())
        self._missing += float(steps[~whole].sum())
        self._last = (int(ticks[-1]), float(thrust[-1]))

    def state(self, standing: Validity) -> ImpulseState:
        """Return the sum; ``standing`` is the channel's now, which matters until the end of thrust."""
        limit, name = self._limit.limit.value, self._limit.limit_name
        tag = self.monitor.tag
        if self._t_zero is None:
            return ImpulseState(None, limit, name, "nothing before T-0")
        if self._tare is None:
            return ImpulseState(None, limit, name, f"unknown: {tag} has no zero from before T-0")
        # What was summed before a clip stands, and what is above the rail can only raise it.
        is_clipped = standing is Validity.CLIPPED and not self._over
        if not (standing.is_shown or is_clipped or standing is Validity.BEYOND or self._over):
            return ImpulseState(None, limit, name, f"unknown: {tag} cannot be vouched for")
        railed = f"{self._railed:,} sample{'' if self._railed == 1 else 's'}" if self._railed else ""
        lacks = [f"{tag} is at its rail now{f', {railed} so far' if railed else ''}"] if is_clipped else []
        lacks += [f"{self._missing:.3f} s of {tag} missing"] if self._missing > 0.0 else []
        lacks += [f"{railed} at its rail"] if railed and not is_clipped else []
        lacks += [f"{tag} read further than it was calibrated"] if self._beyond else []
        words = ["indication only", *lacks]
        if self._weight_sign and self._expelled_weight is None:
            words.append(f"lost weight {'raises' if self._weight_sign > 0 else 'lowers'} it")
        elif self._weight_sign:
            words.append("lost weight modelled, not weighed")
        return ImpulseState(self._sum, limit, name, "; ".join(words), at_least=bool(lacks))
