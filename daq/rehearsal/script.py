"""Schedule the frames of a simulated device: a table of counts as wire format 1, each frame with its time.

Pure: no port, no clock. Times are seconds of the device's own clock after the first row. Every hello says that
this is a rehearsal. What becomes of it on the link is ``daq.rehearsal.link_fault_injection``, sending is
``daq.rehearsal.device``.
"""

import dataclasses
import heapq
import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from standbook.daq.rehearsal.fault_catalogue import BrownOut, LayoutChange, NoHello
from standbook.daq.rehearsal.sensor_faults import Fault
from standbook.daq.wire.encoder import beat_body, edge_body, encode_frame, encode_samples, hello_body, note_body
from standbook.daq.wire.hello import Hello, WireChannel, WireLine
from standbook.daq.wire.messages import PLAYED_OUT

FRAME_SECONDS = 0.02  # rows are gathered this long into one samples frame
BEAT_SECONDS, HELLO_SECONDS = 0.1, 1.0
BOOT_SECONDS = 0.05  # from reset to the first row


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class PlayedStream:
    """Rows of one stream."""

    number: int
    name: str
    interval_ticks: int
    channels: tuple[WireChannel, ...]
    counts: NDArray[np.int32]  # (rows, channels)

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.counts.shape[0])


@dataclass(frozen=True, slots=True)
class PlayedEdge:
    """An edge of a digital line, as a level this many ticks after the first row."""

    ticks: int
    line: int
    level: int


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Table:
    """Rows and edges that one device transmits in a rehearsal; all lines are low before their first edge."""

    device: str
    serial: str
    firmware: str
    boot: int
    tick_hz: int
    start_ticks: int  # device clock at the first row of every stream; counts on past 32 bits
    streams: tuple[PlayedStream, ...]
    lines: tuple[WireLine, ...] = ()
    edges: tuple[PlayedEdge, ...] = ()
    start_levels: int = 0  # of the lines, one bit each
    at_rest: bool = False  # played faster, it says no more in a real second than a board does

    def pace(self, time_scale: float) -> float:
        """Return how much longer than a board's own are the device seconds between frames, beats and hellos."""
        return max(1.0, time_scale) if self.at_rest else 1.0

    @property
    def seconds(self) -> float:
        """Length of the longest stream on the device's clock."""
        return _ticks(self) / self.tick_hz

    def hello(self, stream: PlayedStream, time_scale: float) -> Hello:
        """Describe one stream."""
        return Hello(
            device=self.device,
            serial=self.serial,
            firmware=self.firmware,
            boot=self.boot,
            tick_hz=self.tick_hz,
            stream=stream.number,
            streams=len(self.streams),
            name=stream.name,
            interval_ticks=stream.interval_ticks,
            channels=stream.channels,
            lines=self.lines,
            time_scale=time_scale,
            rehearsal=True,
        )

    def levels(self, ticks: int) -> int:
        """Return the levels of all lines at a time after the first row, one bit each."""
        levels = self.start_levels
        for edge in sorted(self.edges, key=lambda e: e.ticks):
            if edge.ticks <= ticks:
                levels = levels | 1 << edge.line if edge.level else levels & ~(1 << edge.line)
        return levels

    def first(self, ticks: int) -> "Table":
        """Return the part before an instant after the first row."""
        streams = [dataclasses.replace(s, counts=s.counts[: -(-ticks // s.interval_ticks)]) for s in self.streams]
        return dataclasses.replace(self, streams=tuple(streams), edges=tuple(e for e in self.edges if e.ticks < ticks))

    def rest(self, ticks: int, *, boot: int, start_ticks: int) -> "Table":
        """Return the part from an instant after the first row on, as another boot would transmit it."""
        streams = [dataclasses.replace(s, counts=s.counts[-(-ticks // s.interval_ticks) :]) for s in self.streams]
        edges = [dataclasses.replace(e, ticks=e.ticks - ticks) for e in self.edges if e.ticks >= ticks]
        return dataclasses.replace(
            self,
            boot=boot,
            start_ticks=start_ticks,
            streams=tuple(streams),
            edges=tuple(edges),
            start_levels=self.levels(ticks),
        )


@dataclass(frozen=True, slots=True)
class Part:
    """Rows of one stream, counted over the whole table."""

    stream: int
    first: int
    rows: int


class Event(Enum):
    """State that the port or link changes to: unplugged, plugged, stalled, running."""

    UNPLUGGED = "unplugged"
    PLUGGED = "plugged"
    STALLED = "stalled"
    RUNNING = "running"


@dataclass(frozen=True, slots=True)
class Said:
    """A frame and its transmission time, seconds after the first row; with faults a stretch of the link or an event."""

    at: float
    frame: bytes
    parts: tuple[Part, ...] = ()  # rows that are meant to travel in it
    event: Event | None = None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Boot:
    """Everything a device transmits between two starts."""

    table: Table  # its part
    at: float  # of its first row, after the table's first [s]
    until: float  # nothing is said later, after the table's first row [s]
    skipped: Mapping[int, int]  # rows of the whole table before its own, by stream
    change_row: int  # first row of its first stream that has another layout; as many as there are rows: none

    def layouts(self, stream: PlayedStream) -> tuple[tuple[int, PlayedStream], ...]:
        """Return the layouts of a stream, each with the row from which it applies."""
        if stream is not self.table.streams[0] or self.change_row >= stream.rows:
            return ((0, stream),)
        return (0, stream), (self.change_row, changed_layout(stream))


def changed_layout(stream: PlayedStream) -> PlayedStream:
    """Return a stream with one channel fewer, or one more where it has a single one."""
    if len(stream.channels) > 1:
        return dataclasses.replace(stream, channels=stream.channels[:-1], counts=stream.counts[:, :-1])
    (channel,) = stream.channels
    more = dataclasses.replace(channel, name=f"{channel.name}b")
    return dataclasses.replace(stream, channels=(channel, more), counts=np.repeat(stream.counts, 2, axis=1))


def boots(table: Table, faults: Sequence[Fault] = ()) -> tuple[Boot, ...]:
    """Split a table where brown-outs restart the device; rows of the time in between are lost.

    Rows come on every stream's own grid; a start resumes where all of them have a row. A brown-out during another, or
    after the last row, does nothing.
    """
    grid = int(np.lcm.reduce([s.interval_ticks for s in table.streams]))
    change = min((round(f.at * table.tick_hz) for f in faults if isinstance(f, LayoutChange)), default=None)
    found: list[Boot] = []
    start, rest = 0, table
    for fault in sorted((f for f in faults if isinstance(f, BrownOut)), key=lambda f: f.at):
        stop = round(fault.at * table.tick_hz)
        resume = -(-round((fault.at + fault.seconds) * table.tick_hz) // grid) * grid
        if stop <= start or resume >= _ticks(table):
            continue
        found.append(_boot(rest.first(stop - start), table, start, fault.at, change))
        rest = rest.rest(resume - start, boot=rest.boot + 1, start_ticks=round(BOOT_SECONDS * table.tick_hz))
        start = resume
    return (*found, _boot(rest, table, start, math.inf, change))


def _boot(part: Table, whole: Table, start: int, until: float, change: int | None) -> Boot:
    if change is not None and change < start:  # the device comes back as it was
        part = dataclasses.replace(part, streams=(changed_layout(part.streams[0]), *part.streams[1:]))
    stream = part.streams[0]
    change_row = stream.rows
    if change is not None and change >= start:  # frames are whole
        size = _rows_per_frame(part, stream, part.hello(stream, 1.0), 1.0)
        change_row = min(stream.rows, -(-(change - start) // (stream.interval_ticks * size)) * size)
    return Boot(
        table=part,
        at=start / whole.tick_hz,
        until=until,
        skipped={s.number: -(-start // s.interval_ticks) for s in whole.streams},
        change_row=change_row,
    )


def script(
    table: Table, *, time_scale: float = 1.0, linger: float = 0.0, faults: Sequence[Fault] = ()
) -> Iterator[Said]:
    """Yield the frames of a device, in order of time.

    Parameters
    ----------
    table : Table
        Rows, lines, edges.
    time_scale : float
        Stated in hello when above 1; ``at`` stays on the device's clock.
    linger : float
        Hello and beats go on this long after the last row. [s]
    faults : sequence of Fault
        Those of the device itself are played: brown-outs, another layout, no hello. The rest is others' business.
    """
    hellos = not any(isinstance(fault, NoHello) for fault in faults)
    starts = boots(table, faults)
    for boot in starts:
        said = _one_boot(boot, time_scale, linger if boot is starts[-1] else 0.0, hellos=hellos)
        if boot is starts[-1]:
            said = _with_ending(said, boot.table)
        for item in said:
            at = item.at + boot.at
            if at <= boot.until:
                yield dataclasses.replace(item, at=at, parts=tuple(_shifted(part, boot) for part in item.parts))


def _shifted(part: Part, boot: Boot) -> Part:
    return dataclasses.replace(part, first=part.first + boot.skipped[part.stream])


def _with_ending(said: Iterator[Said], table: Table) -> Iterator[Said]:
    """Let the device say that its last row is out, so that a recording can end before the port does."""
    body = note_body(0, table.boot, table.start_ticks + _ticks(table), PLAYED_OUT)
    over: Said | None = Said(table.seconds, encode_frame(body))
    for item in said:
        if over is not None and item.at > table.seconds:
            yield over
            over = None
        yield item
    if over is not None:
        yield over


def _ticks(table: Table) -> int:
    return max(stream.rows * stream.interval_ticks for stream in table.streams)


def _one_boot(boot: Boot, time_scale: float, linger: float, *, hellos: bool) -> Iterator[Said]:
    table = boot.table
    pace = table.pace(time_scale)
    said: list[Iterator[_Timed]] = [_edges(table), _beats(table, linger, pace)]
    for k, stream in enumerate(table.streams):
        said.append(_samples(boot, stream, pace))
        if hellos:
            said.append(_hellos(boot, stream, time_scale, table.seconds + linger, k / len(table.streams)))
    # Each is in order; of two things at one time a hello comes first.
    ordered = heapq.merge(*said, key=lambda pair: pair[:2])
    return (item for _, _, item in ordered)


_Timed = tuple[float, int, Said]


def _timed(order: int, said: Said) -> _Timed:
    return said.at, order, said


def _hellos(boot: Boot, stream: PlayedStream, time_scale: float, seconds: float, share: float) -> Iterator[_Timed]:
    """Describe a stream at boot, when its layout changes, and once a second."""
    table = boot.table
    layouts = [
        (row * stream.interval_ticks / table.tick_hz, encode_frame(hello_body(table.hello(sent, time_scale))))
        for row, sent in boot.layouts(stream)
    ]
    every = HELLO_SECONDS * table.pace(time_scale)
    periodic = ((k + share) * every for k in itertools.count(0 if share else 1))
    times = itertools.takewhile(lambda at: at <= seconds, periodic)
    for at in heapq.merge((since for since, _ in layouts), times):
        yield _timed(0, Said(at, next(frame for since, frame in reversed(layouts) if since <= at)))


def _rows_per_frame(table: Table, stream: PlayedStream, hello: Hello, pace: float) -> int:
    gathered = round(FRAME_SECONDS * pace * table.tick_hz / stream.interval_ticks)
    return max(1, min(hello.max_rows, gathered))


def _samples(boot: Boot, stream: PlayedStream, pace: float) -> Iterator[_Timed]:
    table = boot.table
    size = _rows_per_frame(table, stream, table.hello(stream, 1.0), pace)
    layouts = boot.layouts(stream)
    ends = (*(row for row, _ in layouts[1:]), stream.rows)
    for (begin, sent), end in zip(layouts, ends, strict=True):
        hello = table.hello(sent, 1.0)
        for start in range(begin, end, size):
            rows = sent.counts[start : min(start + size, end)]
            ticks = start * stream.interval_ticks
            frame = encode_samples(hello, start, table.start_ticks + ticks, table.levels(ticks), rows, size)[0]
            at = (start + len(rows)) * stream.interval_ticks / table.tick_hz
            yield _timed(2, Said(at, frame, (Part(stream.number, start, len(rows)),)))


def _edges(table: Table) -> Iterator[_Timed]:
    counts = dict.fromkeys((line.line for line in table.lines), 0)
    for edge in sorted(table.edges, key=lambda e: e.ticks):
        counts[edge.line] += 1
        body = edge_body(edge.line, table.boot, edge.level, counts[edge.line], table.start_ticks + edge.ticks)
        yield _timed(1, Said(edge.ticks / table.tick_hz, encode_frame(body)))


def _beats(table: Table, linger: float, pace: float) -> Iterator[_Timed]:
    for k in itertools.count(1):
        at = k * BEAT_SECONDS * pace
        if at > table.seconds + linger:
            return
        ticks = round(at * table.tick_hz)
        past = [edge for edge in table.edges if edge.ticks <= ticks]
        edges = []
        for line in table.lines:
            own = [edge.ticks for edge in past if edge.line == line.line]
            edges.append((len(own), table.start_ticks + max(own) if own else 0))
        rows = [(s.number, _framed(table, s, ticks, pace)) for s in table.streams]
        body = beat_body(table.boot, table.levels(ticks), table.start_ticks + ticks, edges, rows)
        yield _timed(3, Said(at, encode_frame(body)))


def _framed(table: Table, stream: PlayedStream, ticks: int, pace: float) -> int:
    """First row of the samples frame that comes next after a time."""
    size = _rows_per_frame(table, stream, table.hello(stream, 1.0), pace)
    taken = min(ticks // stream.interval_ticks, stream.rows)
    return taken if taken == stream.rows else taken // size * size
