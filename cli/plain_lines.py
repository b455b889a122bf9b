"""Print the live screen's facts as plain lines for logs, pipes and screen readers: all every few seconds, news at once.

A pipe that nobody reads any more ends the lines and not the recording.
"""

from collections.abc import Callable, Sequence
from typing import Final

from standbook.cli.live_words import (
    CAUTION_SHORT,
    Picture,
    age,
    band,
    disk_line,
    impulse_lines,
    is_safing,
    link_line,
    mark_lines,
    phase_words,
    redline_lines,
    shown,
    t_plus,
    vessel_line,
)
from standbook.daq.live.live_state import Indication

EVERY: Final = 5.0  # [s]
CAUTION_EVERY: Final = 60.0  # [s]


class PlainLines:
    """Print news at once, and everything every few seconds.

    Parameters
    ----------
    say : callable
        Takes a line; raises OSError when nobody can read it any more.
    """

    def __init__(self, say: Callable[[str], None]) -> None:
        self._say = say
        self._next = 0.0
        self._next_caution = 0.0
        self._phase = ""
        self._links: dict[str, str] = {}
        self._marks: set[tuple[int, bool]] = set()
        self.is_gone = False  # nobody reads

    def show(self, picture: Picture, new: Sequence[str], over: Sequence[str]) -> None:
        """Print the lines that one moment calls for.

        Parameters
        ----------
        picture : Picture
            What is known.
        new, over : sequence of str
            Alarms that were not there before, and that are gone.
        """
        if self.is_gone:
            return
        state = picture.state
        try:
            for sentence in new:
                self._line(picture, f"ALARM {sentence}")
            for sentence in over:
                self._line(picture, f"alarm cleared: {sentence}")
            self._news(picture)
            if state.elapsed >= self._next:
                self._next = state.elapsed + EVERY
                for line in status_lines(picture):
                    self._line(picture, line)
            if state.elapsed >= self._next_caution:
                self._next_caution = state.elapsed + CAUTION_EVERY
                self._line(picture, CAUTION_SHORT)
        except OSError:
            self.is_gone = True

    def _news(self, picture: Picture) -> None:
        state = picture.state
        if state.phase.value != self._phase:
            self._phase = state.phase.value
            self._next = 0.0
            self._line(picture, f"phase {phase_words(state)}")
        links = {link.device: link.state for link in picture.links}
        changed = [link for link in picture.links if self._links.get(link.device, "recording") != link.state]
        self._links = links
        for link in changed:
            self._line(picture, link_line(link))
        marks = {(mark.number, mark.struck) for mark in state.marks}
        fresh = [mark for mark in state.marks if (mark.number, mark.struck) not in self._marks]
        self._marks = marks
        for line in mark_lines(fresh, state.since_t_zero)[::-1]:
            self._line(picture, line)

    def _line(self, picture: Picture, text: str) -> None:
        state = picture.state
        when = f"{state.elapsed:8.1f} s" + ("" if state.since_t_zero is None else f"  {t_plus(state.since_t_zero)}")
        self._say(f"{when}  {text}")


def status_lines(picture: Picture) -> tuple[str, ...]:
    """Write everything that the screen shows."""
    state = picture.state
    made_up = "REHEARSAL " if state.rehearsal else ""
    lines = [f"{made_up}{picture.head.number} {picture.head.kind}, {phase_words(state)}, {t_plus(state.since_t_zero)}"]
    keys = [channel for channel in state.channels if channel.is_key]
    lines += [_channel(channel) for channel in keys]
    lines += ["; ".join(_short(channel) for channel in state.channels if not channel.is_key)]
    lines += [vessel.sentence if is_safing(state) else vessel_line(vessel) for vessel in state.vessels]
    if state.impulse is not None:
        lines.append("; ".join(part for part in impulse_lines(state.impulse, state.channels) if part))
    lines += [f"redline {line}" for line in redline_lines(state.redlines, state.since_t_zero)]
    lines += [f"{link_line(link)}" for link in picture.links]
    lines.append(disk_line(picture.disk))
    lines += [f"active alarm {sentence}" for sentence in picture.alarms]
    return tuple(line for line in lines if line)


def _channel(channel: Indication) -> str:
    if not channel.standing.is_shown or channel.value is None:
        return _short(channel) if channel.age is None else f"{_short(channel)}, {age(channel.age)}"
    words = band(channel)
    return ", ".join([_short(channel), age(channel.age), *([f"{words}"] if words else [])])


def _short(channel: Indication) -> str:
    reason = "" if channel.standing.is_shown and channel.value is not None else f" {channel.standing.value.upper()}"
    out = " OUTSIDE the prediction" if channel.is_outside and not channel.is_key else ""
    return f"{channel.tag} {shown(channel)} {channel.unit}{reason}{out}"
