"""A made-up device on a pseudo-terminal, playing a table of counts. All of it is marked a rehearsal.

Like a board, the device never waits for the reader: a frame that fits neither its own small ring nor the port is
dropped, counted, and reported in a note as soon as there is room. When a busy computer holds up the device itself it
catches up at the speed of a link, not in one burst that no port could hold. Pseudo-terminals exist on Linux and macOS;
importing this module needs none.
"""

import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from daq.encode import encode_frame, note_body
from daq.errors import LinkError
from daq.hello import WireChannel, WireLine
from daq.script import Damaged, Fault, PlayedEdge, PlayedStream, Reset, Said, Table, script
from daq.wire import MAX_ENCODED

__all__ = [
    "Damaged",
    "Fault",
    "PlayedEdge",
    "PlayedStream",
    "RehearsalDevice",
    "Reset",
    "Sent",
    "Table",
    "WireChannel",
    "WireLine",
    "play",
]

RING_BYTES = 4096  # what a small board keeps for its port
SETTLE = 0.3  # s of real time from the port's opening to the first byte: opening flushes what came before
NAP = 0.002  # s of real time, between looks at clock and port
LINK_SHARE = 4.0  # link speed over what the table needs: how fast a device that was held up itself catches up
BURST = 4096  # bytes that the link takes at once
WARNING = 1  # severity of a note


@dataclass(frozen=True, slots=True)
class Sent:
    """What became of a table: rows that left the device, and rows that had no room."""

    rows_sent: Mapping[int, int]  # by stream number
    rows_dropped: Mapping[int, int]
    dropped: tuple[tuple[int, int, int], ...]  # stream, first row, rows; in order
    frames_dropped: int  # of any kind
    complete: bool  # the whole table was played

    @property
    def overrun(self) -> int:
        """Rows dropped on all streams."""
        return sum(self.rows_dropped.values())

    def sentences(self) -> tuple[str, ...]:
        """Say what became of the table, one line a fact."""
        lines = [
            f"stream {stream}: {rows:,} rows sent, {self.rows_dropped[stream]:,} had no room"
            for stream, rows in self.rows_sent.items()
        ]
        lines += [
            f"stream {stream}: rows {first} to {first + rows - 1} had no room" for stream, first, rows in self.dropped
        ]
        return (*lines, "played to the end" if self.complete else "stopped before the end")


@dataclass(slots=True)
class _Ring:
    """Frames that wait for the port, whole frames only."""

    capacity: int
    frames: deque[Said] = field(default_factory=deque)
    size: int = 0
    begun: int = 0  # bytes of the first frame already written

    def offer(self, said: Said) -> bool:
        if self.size + len(said.frame) > self.capacity:
            return False
        self.frames.append(said)
        self.size += len(said.frame)
        return True

    def bytes(self) -> bytes:
        return b"".join(said.frame for said in self.frames)[self.begun :]

    def take(self, count: int) -> list[Said]:
        """Forget written bytes; return the frames that are now out as a whole."""
        self.size -= count
        self.begun += count
        out = []
        while self.frames and self.begun >= len(self.frames[0].frame):
            out.append(self.frames.popleft())
            self.begun -= len(out[-1].frame)
        return out


class RehearsalDevice:
    """A made-up device on a pseudo-terminal; use it as a context manager.

    Parameters
    ----------
    table : Table
        What it says.
    time_scale : float
        So many device seconds pass in a real one.
    faults : sequence of Reset and Damaged
        What goes wrong.
    ring_bytes : int
        The device's own buffer; holds one frame at least.
    port_buffer : int or None
        Bytes that the port holds for a reader that does not read; ``None``: all that the system gives, about 20 kB
        on Linux. A real serial port holds about 4 kB.
    linger : float
        Real seconds of hello and beats after the last row; it ends early when the reader closes the port.
    settle : float
        Real seconds from the port's opening to the first byte.
    """

    def __init__(
        self,
        table: Table,
        *,
        time_scale: float = 1.0,
        faults: Sequence[Fault] = (),
        ring_bytes: int = RING_BYTES,
        port_buffer: int | None = None,
        linger: float = 1.0,
        settle: float = SETTLE,
    ) -> None:
        if not 0.0 < time_scale <= 1000.0:
            raise ValueError(f"time_scale is {time_scale}, must be above 0 and at most 1000")
        if ring_bytes <= MAX_ENCODED:
            raise ValueError(f"ring_bytes is {ring_bytes}, must hold one frame of {MAX_ENCODED + 1} bytes")
        self.table, self.time_scale, self.faults = table, time_scale, tuple(faults)
        self.linger, self.settle, self.port_buffer = linger, settle, port_buffer
        self.port = ""
        self._ring = _Ring(ring_bytes)
        self._master, self._spy = -1, -1
        self._sent = {stream.number: 0 for stream in table.streams}
        self._lost = dict(self._sent)
        self._ranges: list[tuple[int, int, int]] = []
        self._frames_dropped = 0
        self._unreported = 0
        self._full = False  # the port took less than it was given
        self._pace = LINK_SHARE * time_scale * _bytes_per_second(table)
        self._credit, self._credited = float(BURST), time.monotonic()

    def __enter__(self) -> "RehearsalDevice":
        self._master, self.port = _open_terminal()
        return self

    def __exit__(self, *_: object) -> None:
        for descriptor in (self._master, self._spy):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._spy = -1

    def run(self, stop: threading.Event | None = None, *, wait: float | None = None) -> Sent:
        """Wait for a reader, then play the table.

        Parameters
        ----------
        stop : Event or None
            Ends the play when set.
        wait : float or None
            Longest real time to wait for the port to be opened. [s]

        Raises
        ------
        LinkError
            Nobody opened the port in that time.
        """
        stop = stop or threading.Event()
        if not self._wait_for_reader(stop, wait):
            return self._result(complete=False)
        start = time.monotonic()
        complete = True
        for said in script(
            self.table, time_scale=self.time_scale, linger=self.linger * self.time_scale, faults=self.faults
        ):
            if not self._until(start + said.at / self.time_scale, stop):
                complete = said.at > self.table.seconds
                break
            if said.at > self.table.seconds and not self.has_reader():
                break
            self._say(said)
        # What still waits in the ring is given the time that a board's port would take.
        deadline = time.monotonic() + NAP * 50
        while self._ring.frames and time.monotonic() < deadline and not stop.is_set():
            self._flush()
            stop.wait(NAP)
        self._drop_ring()
        return self._result(complete=complete)

    def has_reader(self) -> bool:
        """Tell whether anybody has the port open."""
        if self._spy >= 0:
            return True  # our own look at the port hides that the reader is gone
        poll = select.poll()
        poll.register(self._master, select.POLLOUT)
        return not any(events & select.POLLHUP for _, events in poll.poll(0))

    def _wait_for_reader(self, stop: threading.Event, wait: float | None) -> bool:
        deadline = None if wait is None else time.monotonic() + wait
        while not self.has_reader():
            if deadline is not None and time.monotonic() > deadline:
                raise LinkError(
                    f"{self.port}: nobody opened the rehearsal's port within {wait:g} s; start the recorder"
                )
            if stop.wait(NAP):
                return False
        if self.port_buffer is not None:
            self._spy = os.open(self.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        return not stop.wait(self.settle)

    def _until(self, due: float, stop: threading.Event) -> bool:
        """Go on sending until a time has come; false when told to stop."""
        while True:
            self._flush()
            rest = due - time.monotonic()
            if rest <= 0.0:
                return not stop.is_set()
            if stop.wait(min(rest, NAP)):
                return False

    def _say(self, said: Said) -> None:
        if self._unreported:
            ticks = self.table.start_ticks + round(said.at * self.table.tick_hz)
            text = f"overrun: {self._unreported} rows not sent"
            note = Said(said.at, encode_frame(note_body(WARNING, self.table.boot, ticks, text)))
            if self._fits(len(note.frame) + len(said.frame)) and self._ring.offer(note):
                self._unreported = 0
        while not self._fits(len(said.frame)):
            if self._full:
                self._drop(said)
                return
            time.sleep(NAP / 4)  # for the link, never for the reader
        self._ring.offer(said)

    def _fits(self, size: int) -> bool:
        if self._ring.size + size > self._ring.capacity:
            self._flush()
        return self._ring.size + size <= self._ring.capacity

    def _flush(self) -> None:
        if not self._ring.frames:
            return
        if not self.has_reader():
            self._drop_ring()
            return
        now = time.monotonic()
        self._credit = min(BURST, self._credit + (now - self._credited) * self._pace)
        self._credited = now
        offered = self._ring.bytes()[: int(self._credit)]
        waiting = offered[: self._room()]
        try:
            written = os.write(self._master, waiting) if waiting else 0
        except (BlockingIOError, InterruptedError):
            written = 0
        except OSError:  # macOS: the reader has just closed the port
            self._drop_ring()
            return
        self._full = written < len(offered)
        self._credit -= written
        for said in self._ring.take(written):
            if said.stream is not None:
                self._sent[said.stream] += said.rows

    def _room(self) -> int | None:
        if self._spy < 0 or self.port_buffer is None:
            return None
        return max(0, self.port_buffer - _unread(self._spy))

    def _drop(self, said: Said) -> None:
        self._frames_dropped += 1
        if said.stream is not None:
            self._lost[said.stream] += said.rows
            self._unreported += said.rows
            self._extend(said.stream, said.row, said.rows)

    def _extend(self, stream: int, row: int, rows: int) -> None:
        """Note a dropped range, joined to the stream's last one where it follows on."""
        last = next((k for k in reversed(range(len(self._ranges))) if self._ranges[k][0] == stream), None)
        if last is not None and self._ranges[last][1] + self._ranges[last][2] == row:
            self._ranges[last] = (stream, self._ranges[last][1], self._ranges[last][2] + rows)
        else:
            self._ranges.append((stream, row, rows))

    def _drop_ring(self) -> None:
        while self._ring.frames:
            self._drop(self._ring.frames.popleft())
        self._ring.size = self._ring.begun = 0

    def _result(self, *, complete: bool) -> Sent:
        return Sent(dict(self._sent), dict(self._lost), tuple(self._ranges), self._frames_dropped, complete)


def play(
    table: Table,
    *,
    time_scale: float = 1.0,
    faults: Sequence[Fault] = (),
    announce: Callable[[str], None] | None = None,
    wait: float | None = None,
    stop: threading.Event | None = None,
    port_buffer: int | None = None,
) -> Sent:
    """Serve a table once; ``announce`` is told the port's path before the device waits for its reader."""
    with RehearsalDevice(table, time_scale=time_scale, faults=faults, port_buffer=port_buffer) as device:
        if announce is not None:
            announce(device.port)
        return device.run(stop, wait=wait)


def _bytes_per_second(table: Table) -> float:
    """Return about what a table needs of a link, frames and beats included."""
    rows = ((table.hello(s, 1.0).row_bytes, table.tick_hz / s.interval_ticks) for s in table.streams)
    return sum(1.1 * size * rate for size, rate in rows) + 4000.0


def _open_terminal() -> tuple[int, str]:
    """Open a pseudo-terminal in raw mode; return its master and the path that a reader opens."""
    try:
        import pty
        import tty
    except ImportError:
        raise LinkError(
            "this system has no pseudo-terminals, so a made-up device cannot be served; use Linux or macOS"
        ) from None
    master, slave = pty.openpty()
    tty.setraw(slave)  # before the first byte: an echo or a translated newline would damage frames
    path = os.ttyname(slave)
    # With our end of the slave closed, the master hangs up until a reader has opened it.
    os.close(slave)
    os.set_blocking(master, False)
    return master, path


def _unread(descriptor: int) -> int:
    import fcntl
    import termios

    return int.from_bytes(fcntl.ioctl(descriptor, termios.FIONREAD, bytes(4)), "little")
