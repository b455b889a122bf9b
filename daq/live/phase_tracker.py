"""Track the phase of a test (standby, burn or flow, misfire, safing) from the record, with the moment it began.

T-0 is the plan's edge. Something is lit when chamber pressure or thrust has risen by a tenth of its range; a burn
ends when the line falls back or when what had risen has halved within a second. A plan whose T-0 is no edge stays in
standby: nothing here guesses an opening. Seconds are the device's.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from standbook.daq.live.live_clock import Moment
from standbook.daq.live.live_state import Phase

LIT_SHARE: Final = 0.1  # of full range
LIT_WITHIN: Final = 3.0  # [s] after the fire command; an igniter burns for one or two
HALVED_WITHIN: Final = 1.0  # [s]
FLOW_ENDS_AFTER: Final = 1.5  # times the planned duration
# Means over a tenth of a second, looked at every 0.05 s, show an end this late.
SEEN_LATE: Final = 0.15  # [s]


@dataclass(frozen=True, slots=True)
class Span:
    """Start and, once known, end of a phase."""

    start: Moment | None  # none: with the recording
    end: Moment | None


class PhaseWatch:
    """Track the phase of one test.

    Parameters
    ----------
    is_firing : bool
        A static fire can misfire; a cold flow cannot.
    flow_duration : float, optional
        Planned seconds of a cold flow; half as long again is well past it.
    """

    def __init__(self, *, is_firing: bool, flow_duration: float | None = None) -> None:
        self.phase = Phase.STANDBY
        self.t_zero: Moment | None = None
        self.since: Moment | None = None  # when the phase began; none in standby
        self.spans: dict[Phase, Span] = {Phase.STANDBY: Span(None, None)}  # the latest of each
        self.by_itself = False  # it ended without the line falling back
        self._is_firing, self._flow_duration = is_firing, flow_duration
        self._lit = False
        self._before: dict[str, float] = {}  # mean before T-0
        self._rises: deque[tuple[int, str, float]] = deque()  # ticks, tag, rise
        self._seen_any = False

    @property
    def flowing_since(self) -> Moment | None:
        """Start of the burn or flow, while it lasts."""
        return self.since if self.phase in (Phase.BURN, Phase.FLOW) else None

    def edge(self, at: Moment, *, is_t_zero: bool) -> None:
        """Take in an edge of the plan's line: T-0, or its return."""
        if is_t_zero and self.phase in (Phase.STANDBY, Phase.MISFIRE):
            self.t_zero = at  # the last fire command is the one that counts
            self._lit = self._seen_any = False
            self._rises.clear()
            self._enter(Phase.BURN if self._is_firing else Phase.FLOW, at)
        elif not is_t_zero and self.phase is Phase.BURN and not self._lit and self._seen_any:
            self._enter(Phase.MISFIRE, at)
        elif not is_t_zero and self.phase in (Phase.BURN, Phase.FLOW):
            self._enter(Phase.SAFING, at)

    def update(self, now: Moment, values: Mapping[str, tuple[float, float]]) -> None:
        """Update with what chamber and thrust indicate now, on the clock of T-0.

        ``values`` holds mean over the last tenth of a second and full range of each channel that can be vouched for.
        """
        if self.t_zero is None or self.phase is Phase.STANDBY:
            self._before = {tag: value for tag, (value, _) in values.items()}
            return
        seconds = (now.ticks - self.t_zero.ticks) / now.base.tick_hz if now.base is self.t_zero.base else 0.0
        if self.phase is Phase.FLOW:
            if self._flow_duration is not None and seconds > FLOW_ENDS_AFTER * self._flow_duration:
                self.by_itself = True
                self._enter(Phase.SAFING, now)
            return
        if self.phase not in (Phase.BURN, Phase.MISFIRE) or seconds <= 0.0:
            return
        risen = {
            tag: (value - self._before[tag]) / full for tag, (value, full) in values.items() if tag in self._before
        }
        self._seen_any |= bool(risen)
        if any(rise >= LIT_SHARE for rise in risen.values()):
            self._lit = True
            if self.phase is Phase.MISFIRE:  # lit late
                self._enter(Phase.BURN, now)
        elif not self._lit and self.phase is Phase.BURN and seconds > LIT_WITHIN and self._seen_any:
            self._enter(Phase.MISFIRE, now)
        if self._lit and self.phase is Phase.BURN:
            self._look_for_end(now, risen)

    def _look_for_end(self, now: Moment, risen: Mapping[str, float]) -> None:
        oldest = now.ticks - now.base.span(HALVED_WITHIN)
        while self._rises and self._rises[0][0] < oldest:
            self._rises.popleft()
        halved = []
        for tag, rise in risen.items():
            highest = max((old for _, name, old in self._rises if name == tag), default=0.0)
            if highest >= LIT_SHARE:
                halved.append(rise < 0.5 * highest)
            self._rises.append((now.ticks, tag, rise))
        if halved and all(halved):
            self.by_itself = True
            self._enter(Phase.SAFING, now.later(-SEEN_LATE))

    def _enter(self, phase: Phase, at: Moment) -> None:
        self.spans[self.phase] = Span(self.spans[self.phase].start, at)
        self.spans[phase] = Span(at, None)
        self.phase, self.since = phase, at
