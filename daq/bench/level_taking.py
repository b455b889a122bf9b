"""Lead a person through the levels of a calibration, one key a level: what is to be set next, and what was taken.

Pure but for the log of marks, which is handed in: no screen, no port. A level that does not stand is refused; one that
was taken wrongly is struck out and stays in the log.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from standbook.daq.bench.live_level import LiveLevel
from standbook.daq.bench.recorded_levels import LEVEL_KEY
from standbook.daq.bench.settled_level import Level
from standbook.daq.run.marks import CrewMark, MarkLog

TAKE: Final = (" ", "\r", "\n")
BACK: Final = ("\x7f", "\b")
TYPED: Final = "0123456789.-"
UNMOVED, UNMOVED_SHARE = 10.0, 1e-3  # standard uncertainties, and of the span so far: the pump was not turned
LONGEST: Final = 12  # characters of a typed value


@dataclass(frozen=True, slots=True)
class Planned:
    """One level that is to be taken."""

    run: int  # counted from 1
    value: str  # a number, as the sheet has it
    unit: str
    way: str  # "up" or "down"

    def words(self, value: str) -> str:
        """Name the level; ``value`` is what the reference showed."""
        return f"run {self.run} {self.way} {value} {self.unit}"


@dataclass(frozen=True, slots=True)
class TakenLevel:
    """One level that was taken."""

    planned: Planned
    value: str  # as the reference showed it
    mark: CrewMark
    level: Level


class LevelTaking:
    """Take the planned levels in their order.

    Parameters
    ----------
    planned : sequence of Planned
        At least one.
    live : LiveLevel
        Fed by whoever records.
    marks : MarkLog
        Of the recording.
    """

    def __init__(self, planned: Sequence[Planned], live: LiveLevel, marks: MarkLog) -> None:
        self._planned, self._live, self._marks = tuple(planned), live, marks
        self.taken: list[TakenLevel] = []
        self.typed = ""  # what the reference shows, where it is not what was planned
        self.said = ""  # of the newest key

    @property
    def next(self) -> Planned | None:
        """What is to be set now; ``None`` when all are taken."""
        return self._planned[len(self.taken)] if len(self.taken) < len(self._planned) else None

    @property
    def place(self) -> str:
        """How many are taken, of how many."""
        return f"{len(self.taken) + 1}/{len(self._planned)}"

    def why_not(self, now_ns: int) -> str:
        """Say why the next level cannot be taken now; empty where it can."""
        planned, standing = self.next, self._live.standing(now_ns)
        if planned is None or standing.level is None or standing.why_not:
            return standing.why_not
        value = self.typed or planned.value
        last = self._unmoved(value, standing.level) if is_number(value) else None
        return "" if last is None else f"still at {last.value} {last.planned.unit}"

    def state(self, now_ns: int) -> str:
        """Say on one line which level is next, what the signal is and whether it stands."""
        planned, standing = self.next, self._live.standing(now_ns)
        if planned is None:
            return "all levels are taken"
        signal = "" if standing.level is None else f"{self._live.told(standing.level)}, "
        stands = self.why_not(now_ns) or "stands, press space"
        return f"{self.place} {planned.words(self.typed or planned.value)}: {signal}{stands}"

    def press(self, key: str, now_ns: int) -> None:
        """Execute one key at an instant of the monotonic clock. [ns].

        Raises
        ------
        RecordError
            The disk did not take the mark.
        """
        if key in TAKE:
            self._take(now_ns)
        elif key in BACK and self.typed:
            self.typed = self.typed[:-1]
        elif key in BACK:
            self._strike()
        elif key in TYPED and len(self.typed) < LONGEST:
            self.typed += key

    def _take(self, now_ns: int) -> None:
        planned, standing = self.next, self._live.standing(now_ns)
        if planned is None:
            self.said = "all levels are taken"
            return
        value = self.typed or planned.value
        if not is_number(value):
            self.said = f'not taken: "{value}" is no number'
            return
        if standing.level is None or standing.why_not:
            self.said = f"not taken: {standing.why_not}"
            return
        if (last := self._unmoved(value, standing.level)) is not None:
            self.said = f"not taken: the signal is still what it was at {last.value} {last.planned.unit}"
            return
        mark = self._marks.drop(planned.words(value), key=LEVEL_KEY)
        self._live.note_taken(standing.level)
        self.taken.append(TakenLevel(planned, value, mark, standing.level))
        self.typed = ""
        self.said = f"taken: {mark.text}, signal {self._live.told(standing.level)} indicated"
        if self.next is not None and self.next.run != planned.run:
            self.said += f"\nrun {self.next.run}: unload, disconnect and connect the sensor once, then go on"

    def _unmoved(self, value: str, level: Level) -> TakenLevel | None:
        """Return the level before this one where the signal has not left it, though another value is claimed."""
        if not self.taken or float(value) == float(self.taken[-1].value):
            return None
        last = self.taken[-1]
        noise = math.hypot(level.mean_u, last.level.mean_u)
        near = abs(level.mean - last.level.mean) <= max(UNMOVED * noise, UNMOVED_SHARE * self._live.span)
        return last if near else None

    def _strike(self) -> None:
        if not self.taken:
            self.said = "nothing to strike out"
            return
        last = self.taken.pop()
        self._marks.strike(last.mark.number)
        self.said = f"struck out: {last.mark.text}"


def is_number(text: str) -> bool:
    """Tell whether a text is a number as a reference shows one."""
    try:
        float(text)
    except ValueError:
        return False
    return True
