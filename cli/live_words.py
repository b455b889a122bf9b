"""Format the live state in words and numbers, alike for the screen and for plain lines.

Values come as SI and are written in the unit of their calibration. What is withdrawn is ``--`` with its reason; what
cannot be said of a vessel is "unknown".
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rich.cells import cell_len

from standbook.daq.capture.disk_space import DiskState
from standbook.daq.config.plan import Plan
from standbook.daq.live.live_state import (
    ImpulseState,
    Indication,
    LiveState,
    MarkState,
    Phase,
    RedlineState,
    VesselState,
)
from standbook.daq.printable import printable
from standbook.daq.quantity import in_unit
from standbook.daq.recording.link_health import LinkState

WITHDRAWN: Final = "--"
UNKNOWN: Final = "unknown"
CAUTION_SHORT: Final = "A screen reading is never authority to approach."
_STATES: Final = {"recording": "recording", "lost": "PORT LOST", "ended": "NO LONGER RECORDED"}
_DECIMALS: Final = {"kN": 3, "V": 3, "MPa": 3, "kg": 2, "kN*s": 3, "N": 0, "lbf": 0, "Pa": 0, "mV": 1}


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """Facts that stay the same during a recording."""

    number: str
    kind: str
    mark_keys: tuple[tuple[str, str], ...] = ()  # key as it is shown, text
    takes_keys: bool = False  # somebody reads the keyboard
    leave: str = "Ctrl-C = stop"  # how this screen is left


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """Everything that is shown of one moment."""

    head: Head
    state: LiveState
    links: tuple[LinkState, ...]
    disk: DiskState
    alarms: tuple[str, ...] = ()  # the first one out first
    newest: str = ""  # that of them which was called last
    notices: tuple[str, ...] = ()  # what was said once of the recording itself, the newest last
    earlier_notices: int = 0  # that were said before these
    acknowledged: frozenset[str] = frozenset()  # alarms that somebody has seen; they stand, and are not loud


def head_of(plan: Plan, *, takes_keys: bool, only_watches: bool = False) -> Head:
    """Read the constant facts from the plan."""
    return Head(
        number=plan.test.number,
        kind=plan.test.kind,
        mark_keys=tuple(("space" if mark.key == " " else mark.key.upper(), mark.text) for mark in plan.mark),
        takes_keys=takes_keys,
        leave="Ctrl-C ends this screen" if only_watches else "Ctrl-C = stop",
    )


def whole_lines(text: str, width: int, *, first: str = "", indent: str = "  ") -> list[str]:
    """Write a text in lines of ``width``, broken between groups that stand two spaces apart, else between words.

    Only a word that is longer than a line is broken itself. What could command a terminal is written by number first:
    it is longer then. A letter that takes two columns of a terminal counts as two.
    """
    text = printable(text)
    if cell_len(first) + cell_len(text) <= width:
        return [first + text]
    lines, is_begun = [first], False
    for group in text.split("  "):
        gap = "  "
        for piece in [group] if cell_len(indent) + cell_len(group) <= width else group.split(" "):
            if is_begun and cell_len(lines[-1]) + cell_len(gap) + cell_len(piece) > width:
                lines.append(indent + piece)
            else:
                lines[-1] += gap + piece if is_begun else piece
            is_begun, gap = True, " "
    return [part.rstrip() for line in lines for part in _broken(line, width)]


def padded(text: str, width: int) -> str:
    """Fill a text up to a number of columns; a longer one stays as it is."""
    return text + " " * (width - cell_len(text))


def _broken(line: str, width: int) -> list[str]:
    """Break a line after as many columns as there are; one letter stands in a line of its own, however wide it is."""
    if cell_len(line) <= width:
        return [line] if line else []
    parts, left = [""], width
    for letter in line:
        columns = cell_len(letter)
        if columns > left and parts[-1]:
            parts.append("")
            left = width
        parts[-1] += letter
        left -= columns
    return parts


def more(count: int, noun: str = "") -> str:
    """Count what there was no room for."""
    return f"  (+ {_counted(count, noun) if noun else f'{count:,} more'})"


def number_in(value: float, unit: str) -> str:
    """Write an SI value in ``unit``, without the unit, with as many decimals as a person can use."""
    shown = in_unit(value, unit)
    plain = unit.partition("(")[0]
    decimals = _DECIMALS.get(plain, 0 if abs(shown) >= 999.5 else 1)
    text = f"{shown:.{decimals}f}"
    return text.removeprefix("-") if float(text) == 0.0 else text


def seconds(value: float) -> str:
    """Write a count of seconds as people say it: 12.3 s, 4:05, 1:02:03."""
    if value < 100.0:
        return f"{value:.1f} s"
    minutes, rest = divmod(int(value), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def t_plus(since: float | None) -> str:
    """Write the time since T-0."""
    return "before T-0" if since is None else f"T{since:+.1f} s"


def age(value: float | None) -> str:
    """Write the age of a value."""
    return "no data yet" if value is None else f"{value:.1f} s old"


def what(channel: Indication) -> str:
    """Name the measurand of a channel, in the fewest words."""
    short = channel.measures.removesuffix(" pressure") if channel.dimension == "pressure" else channel.measures
    return f"{channel.tank} {short}" if channel.tank else short


def band(channel: Indication, width: int = 80) -> str:
    """Say whether a shown value lies inside its predicted band, with the band; empty where there is none."""
    if channel.value is None or channel.low is None or channel.high is None:
        return ""
    low, high = number_in(channel.low, channel.unit), number_in(channel.high, channel.unit)
    word = "OUTSIDE" if channel.is_outside else "inside"
    long = f"{word} {low} to {high}"
    return long if len(long) <= width or "-" in low + high else f"{word} {low}-{high}"


def shown(channel: Indication) -> str:
    """Write a channel's value; nothing is held that cannot be vouched for."""
    if channel.value is None or not channel.standing.is_shown:
        return WITHDRAWN
    return number_in(channel.value, channel.unit)


def agreement(vessel: VesselState) -> str:
    """Say whether the sensors of a vessel agree."""
    names = ", ".join(vessel.sensors)
    if vessel.agree is None and len(vessel.sensors) == 1:
        return f"{names} is its only sensor" if vessel.value is None else f"by {names} alone"
    if vessel.agree is None:
        return f"{names}: fewer than two respond"
    return f"{names} {'agree' if vessel.agree else 'DISAGREE'}"


def vessel_value(vessel: VesselState) -> str:
    """Write a vessel's pressure, or that it is unknown."""
    if vessel.value is None or vessel.agree is False:
        return UNKNOWN
    return f"{number_in(vessel.value, vessel.unit)} {vessel.unit}"


def vessel_line(vessel: VesselState) -> str:
    """Write a vessel's pressure and the agreement of its sensors in one short line."""
    value = vessel_value(vessel)
    old = "" if vessel.age is None or (value == UNKNOWN and vessel.agree is None) else f", {age(vessel.age)}"
    return f"{vessel.name} {value}; {agreement(vessel)}{old}"


def link_line(link: LinkState) -> str:
    """Write the state of a link and of its data on disk."""
    synced = "nothing on disk yet" if link.sync_age is None else f"on disk {link.sync_age:.1f} s ago"
    hidden = f" + ? in {_counted(link.restarts, 'restart')}" if link.restarts else ""
    counts = (
        ("damaged", link.damaged_frames),
        ("clock steps", link.clock_steps),
        ("clock rate changes", link.rate_changes),
    )
    amiss = [f"{name} {count:,}" for name, count in counts if count] or ([] if hidden else ["damaged 0"])
    state = f"{link.device} {_STATES.get(link.state, link.state)}"
    return "  ".join([state, f"{link.rate:,.0f} rows/s", f"lost {link.lost_rows:,}{hidden}", *amiss, synced])


def disk_line(disk: DiskState) -> str:
    """Write the free disk space and the recording time that it allows."""
    if disk.free_bytes is None:
        free = "free space not known"
    elif disk.free_bytes < 1e9:
        free = f"{disk.free_bytes / 1e6:.1f} MB free"
    else:
        free = f"{disk.free_bytes / 1e9:,.1f} GB free"
    if disk.seconds_left is None:
        return f"disk {free}"
    hours, minutes = disk.seconds_left / 3600.0, disk.seconds_left / 60.0
    room = f"{disk.seconds_left:.0f} s" if minutes < 2.0 else f"{minutes:.0f} min"
    if hours >= 2.0:
        room = "over 99 h" if hours > 99.0 else f"{hours:.{0 if hours >= 9.95 else 1}f} h"
    return f"disk {free}, room for {room}"


def impulse_lines(impulse: ImpulseState, channels: Sequence[Indication]) -> tuple[str, str]:
    """Write the running impulse against the limit, with lbf*s beside it where forces are in lbf; and what it lacks."""
    limit = ""
    if impulse.limit is not None:
        share = "" if impulse.value is None else f" = {impulse.value / impulse.limit:.1%}".replace("%", " %")
        in_pounds = any(channel.unit == "lbf" for channel in channels)
        beside = f" ({in_unit(impulse.limit, 'lbf*s'):,.0f} lbf*s)" if in_pounds else ""
        limit = f" of {impulse.limit:,.0f} N*s{beside}{share}"
    least = "at least " if impulse.at_least else ""
    value = WITHDRAWN if impulse.value is None else f"{least}{impulse.value:,.0f} N*s"
    named = f" ({impulse.limit_name})" if impulse.limit_name else ""
    return f"impulse {value}{limit}{named}", impulse.sentence


def redline_lines(redlines: Sequence[RedlineState], since_t_zero: float | None) -> tuple[str, ...]:
    """Write each redline: those that tripped first, in their order."""
    tripped = sorted((r for r in redlines if r.tripped_at is not None), key=lambda r: (r.order is None, r.order))
    lines = [
        f"{_first_out(r.order)}, latched, {_when(r.tripped_at or 0.0, since_t_zero)}  {r.call}: {r.text}"
        for r in tripped
    ]
    waiting = [r for r in redlines if r.tripped_at is None]
    lines += [f"{'ARMED' if r.armed else 'not armed'}  {r.name}: {r.text}" for r in waiting]
    return tuple(lines)


def mark_lines(marks: Sequence[MarkState], since_t_zero: float | None) -> tuple[str, ...]:
    """Write each mark, newest first."""
    return tuple(
        f"mark {m.number} {_when(m.at, since_t_zero)}  {m.text or '(no name)'}"
        + (" (VOID)" if m.struck else "")
        + (f"; {m.remark}" if m.remark else "")
        for m in reversed(marks)
    )


def phase_words(state: LiveState) -> str:
    """Name the phase, with its count-up."""
    return f"{state.phase.value.upper()} {seconds(state.phase_seconds)}"


def is_safing(state: LiveState) -> bool:
    """Tell whether the phase is safing, so that the tanks take the large figures."""
    return state.phase is Phase.SAFING


def link_alarms(links: Sequence[LinkState], disk: DiskState, over: Collection[str]) -> dict[str, str]:
    """Report faults of links and disk, each under a name that stays the same while the fault lasts.

    Parameters
    ----------
    links, disk
        What is known. A link that is there but says nothing shows in its channels, which the live state calls.
    over
        Devices that said that they have nothing more to send.
    """
    found: dict[str, str] = {}
    for link in links:
        lost = link.state != "recording" and link.device not in over
        words = f"{link.device} {_STATES.get(link.state, link.state)}: nothing new comes" if lost else ""
        sentence = ". ".join(part for part in (words, link.message) if part)
        if lost or (link.state == "recording" and link.message):
            found[f"link {link.device}"] = sentence
    if disk.warning:
        found["disk"] = disk.warning
    return found


class AlarmBook:
    """Keep the active alarms in order of appearance, and tell which are new."""

    def __init__(self) -> None:
        self._standing: dict[str, str] = {}
        self._called: dict[str, int] = {}  # how many were called before it
        self._calls = 0
        self._seen: frozenset[str] = frozenset()  # names that somebody acknowledged, as long as they stand

    def acknowledge(self) -> None:
        """Note that somebody has seen every alarm that stands; one that comes again is new."""
        self._seen = frozenset(self._standing)

    @property
    def acknowledged(self) -> frozenset[str]:
        """Sentences of active alarms that somebody has seen."""
        return frozenset(self._standing[name] for name in self._seen)

    @property
    def newest(self) -> str:
        """Sentence of the active alarm raised last."""
        last = max(self._called, key=self._called.__getitem__, default=None)
        return "" if last is None else self._standing[last]

    def take(
        self, *groups: Mapping[str, str], ordered: Mapping[str, str] | None = None
    ) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
        """Update with the active alarms; return all sentences, the new ones, and those cleared.

        Parameters
        ----------
        groups
            Sentences by a name that stays; they stand in the order in which they were first called.
        ordered
            More of them, in the order in which they happened, which is kept: a redline may be called later than what
            happened after it.
        """
        ordered = ordered or {}
        now = {name: sentence for group in (*groups, ordered) for name, sentence in group.items()}
        over = tuple(sentence for name, sentence in self._standing.items() if name not in now)
        new = tuple(sentence for name, sentence in now.items() if name not in self._standing)
        names = [name for name in self._standing if name in now] + [name for name in now if name not in self._standing]
        called = {name: self._called[name] for name in names if name in self._called}
        for name in names:
            if name not in called:
                called[name] = self._calls
                self._calls += 1
        happened = iter([name for name in ordered if name in now])
        self._called = called
        self._seen &= now.keys()
        self._standing = {name: now[name] for name in (next(happened) if n in ordered else n for n in names)}
        return tuple(self._standing.values()), new, over


def _counted(count: int, noun: str) -> str:
    return f"{count:,} {noun}{'' if count == 1 else 's'}"


def _first_out(order: int | None) -> str:
    return "TRIPPED" if order is None else f"FIRST OUT {order}" if order == 1 else f"THEN {order}"


def _when(at: float, since_t_zero: float | None) -> str:
    return f"{at:.1f} s" if since_t_zero is None else f"T{at:+.1f} s"
