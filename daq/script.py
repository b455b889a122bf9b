"""What a made-up device says, and when: a table of counts as frames of wire format 1, with faults.

Pure: no port, no clock. Times are seconds of the device's own clock after the first row. Every hello says that
this is a rehearsal. Sending is ``daq.rehearsal``.
"""

import dataclasses
import heapq
import itertools
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.encode import beat_body, edge_body, encode_frame, encode_samples, hello_body, note_body
from daq.hello import Hello, WireChannel, WireLine

FRAME_SECONDS = 0.02  # rows are gathered this long into one samples frame
BEAT_SECONDS, HELLO_SECONDS = 0.1, 1.0
BOOT_SECONDS = 0.05  # from reset to the first row
PLAYED_OUT = "rehearsal: played to the end"  # a note; a recording of a rehearsal may stop here


@dataclass(frozen=True, slots=True, eq=False)
class PlayedStream:
    """One stream's rows."""

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
    """A digital line takes a level, this many ticks after the first row."""

    ticks: int
    line: int
    level: int


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Everything that one device will say during a rehearsal; all lines are low before their first edge."""

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
        """Return the part before a time after the first row."""
        streams = [
            dataclasses.replace(s, counts=s.counts[: -(-ticks // s.interval_ticks)]) for s in self.streams
        ]
        return dataclasses.replace(
            self, streams=tuple(streams), edges=tuple(e for e in self.edges if e.ticks < ticks)
        )

    def rest(self, ticks: int, *, boot: int, start_ticks: int) -> "Table":
        """Return the part from a time after the first row on, as another boot would send it."""
        streams = [
            dataclasses.replace(s, counts=s.counts[-(-ticks // s.interval_ticks) :]) for s in self.streams
        ]
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
class Reset:
    """A brown-out: at this time after the first row the device falls silent, then boots anew."""

    at: float
    silent: float


@dataclass(frozen=True, slots=True)
class Damaged:
    """One bit of the first samples frame after this time is turned over."""

    at: float
    bit: int = 200


Fault = Reset | Damaged


@dataclass(frozen=True, slots=True)
class Said:
    """One frame and when it is sent, seconds after the first row."""

    at: float
    frame: bytes
    stream: int | None = None  # of a samples frame
    row: int = 0  # its first row, counted over the whole table
    rows: int = 0


def script(
    table: Table, *, time_scale: float = 1.0, linger: float = 0.0, faults: Sequence[Fault] = ()
) -> Iterator[Said]:
    """Yield what a device says, in order of time.

    Parameters
    ----------
    table : Table
        Rows, lines, edges.
    time_scale : float
        Stated in hello when above 1; ``at`` stays on the device's clock.
    linger : float
        Hello and beats go on this long after the last row. [s]
    faults : sequence of Reset and Damaged
        What goes wrong.
    """
    reset = min((fault for fault in faults if isinstance(fault, Reset)), key=lambda f: f.at, default=None)
    if reset is None:
        said = _with_ending(_one_boot(table, time_scale, linger), table)
    else:
        stop, resume = (round(t * table.tick_hz) for t in (reset.at, reset.at + reset.silent))
        # Rows come on every stream's own grid; resume where all of them have a row.
        grid = int(np.lcm.reduce([s.interval_ticks for s in table.streams]))
        resume = -(-resume // grid) * grid
        after = table.rest(resume, boot=table.boot + 1, start_ticks=round(BOOT_SECONDS * table.tick_hz))
        later = [dataclasses.replace(f, at=f.at - resume / table.tick_hz) for f in faults if f.at > reset.at]
        said = itertools.chain(
            (item for item in _one_boot(table.first(stop), time_scale, 0.0) if item.at <= reset.at),
            (
                dataclasses.replace(
                    item,
                    at=item.at + resume / table.tick_hz,
                    row=item.row + _skipped(table, item.stream, resume),
                )
                for item in script(after, time_scale=time_scale, linger=linger, faults=later)
            ),
        )
    waiting = sorted(
        (f for f in faults if isinstance(f, Damaged) and (reset is None or f.at <= reset.at)), key=lambda f: f.at
    )
    for item in said:
        if waiting and item.rows and item.at >= waiting[0].at:
            yield dataclasses.replace(item, frame=_turned(item.frame, waiting.pop(0).bit))
        else:
            yield item


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


def _skipped(table: Table, stream: int | None, ticks: int) -> int:
    intervals = {s.number: s.interval_ticks for s in table.streams}
    return 0 if stream is None else -(-ticks // intervals[stream])


def _turned(frame: bytes, bit: int) -> bytes:
    """Turn over one bit, not in the delimiter."""
    byte = bit // 8 % (len(frame) - 1)
    changed = bytearray(frame)
    changed[byte] ^= 1 << bit % 8
    if changed[byte] == 0:  # would split the frame in two; damage of another kind
        changed[byte] = frame[byte] ^ 0x81
    return bytes(changed)


def _one_boot(table: Table, time_scale: float, linger: float) -> Iterator[Said]:
    hellos = {stream.number: table.hello(stream, time_scale) for stream in table.streams}
    parts = [
        *(_samples(table, stream, hellos[stream.number]) for stream in table.streams),
        _edges(table),
        _beats(table, linger),
        *(
            _hellos(hellos[stream.number], table.seconds + linger, k / len(table.streams))
            for k, stream in enumerate(table.streams)
        ),
    ]
    # Each part is in order; of two things at one time a hello comes first.
    ordered = heapq.merge(*parts, key=lambda pair: pair[:2])
    return (said for _, _, said in ordered)


_Timed = tuple[float, int, Said]


def _timed(order: int, said: Said) -> _Timed:
    return said.at, order, said


def _hellos(hello: Hello, seconds: float, share: float) -> Iterator[_Timed]:
    frame = encode_frame(hello_body(hello))
    yield _timed(0, Said(0.0, frame))  # every stream at boot
    for k in itertools.count(1):
        at = (k - 1 + share) * HELLO_SECONDS if share else k * HELLO_SECONDS
        if at > seconds:
            return
        yield _timed(0, Said(at, frame))


def _rows_per_frame(table: Table, stream: PlayedStream, hello: Hello) -> int:
    gathered = round(FRAME_SECONDS * table.tick_hz / stream.interval_ticks)
    return max(1, min(hello.max_rows, gathered))


def _samples(table: Table, stream: PlayedStream, hello: Hello) -> Iterator[_Timed]:
    size = _rows_per_frame(table, stream, hello)
    for start in range(0, stream.rows, size):
        rows = stream.counts[start : start + size]
        ticks = start * stream.interval_ticks
        frame = encode_samples(hello, start, table.start_ticks + ticks, table.levels(ticks), rows, size)[0]
        sent = (start + len(rows)) * stream.interval_ticks / table.tick_hz
        yield _timed(2, Said(sent, frame, stream.number, start, len(rows)))


def _edges(table: Table) -> Iterator[_Timed]:
    counts = dict.fromkeys((line.line for line in table.lines), 0)
    for edge in sorted(table.edges, key=lambda e: e.ticks):
        counts[edge.line] += 1
        body = edge_body(edge.line, table.boot, edge.level, counts[edge.line], table.start_ticks + edge.ticks)
        yield _timed(1, Said(edge.ticks / table.tick_hz, encode_frame(body)))


def _beats(table: Table, linger: float) -> Iterator[_Timed]:
    for k in itertools.count(1):
        at = k * BEAT_SECONDS
        if at > table.seconds + linger:
            return
        ticks = round(at * table.tick_hz)
        past = [edge for edge in table.edges if edge.ticks <= ticks]
        edges = []
        for line in table.lines:
            own = [edge.ticks for edge in past if edge.line == line.line]
            edges.append((len(own), table.start_ticks + max(own) if own else 0))
        rows = [(s.number, _framed(table, s, ticks)) for s in table.streams]
        body = beat_body(table.boot, table.levels(ticks), table.start_ticks + ticks, edges, rows)
        yield _timed(3, Said(at, encode_frame(body)))


def _framed(table: Table, stream: PlayedStream, ticks: int) -> int:
    """First row of the samples frame that comes next after a time."""
    size = _rows_per_frame(table, stream, table.hello(stream, 1.0))
    taken = min(ticks // stream.interval_ticks, stream.rows)
    return taken if taken == stream.rows else taken // size * size
