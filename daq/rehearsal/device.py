"""Play a table of counts as a simulated device on a pseudo-terminal; everything is marked as a rehearsal.

Like a board, the device never waits for the reader: a frame that fits neither its own small ring nor the port is
dropped, counted, and reported in a note as soon as there is room. When a busy computer holds up the device itself it
catches up at the speed of a link, not in one burst that no port could hold. What it really sent it knows to the row
(``daq.rehearsal.ground_truth``), whatever goes wrong on purpose. Pseudo-terminals exist on Linux and macOS; importing
this module needs none.
"""

import math
import os
import select
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from standbook.daq.errors import LinkError
from standbook.daq.rehearsal.fault_catalogue import ClockOff
from standbook.daq.rehearsal.ground_truth import GroundTruth, TransmitLog, account
from standbook.daq.rehearsal.link_fault_injection import on_the_link
from standbook.daq.rehearsal.pseudo_terminal import drained, open_terminal, unread
from standbook.daq.rehearsal.script import Event, Part, PlayedEdge, PlayedStream, Said, Table, boots, script
from standbook.daq.rehearsal.sensor_faults import Fault
from standbook.daq.wire.decoder import MAX_ENCODED
from standbook.daq.wire.encoder import encode_frame, note_body
from standbook.daq.wire.hello import WireChannel, WireLine

__all__ = [
    "GroundTruth",
    "PlayedEdge",
    "PlayedStream",
    "RehearsalDevice",
    "Table",
    "WireChannel",
    "WireLine",
    "play",
]

RING_BYTES = 4096  # what a small board keeps for its port
LINGER = 10.0  # s of real time in which the reader of a busy computer may find the end before the port hangs up
SETTLE = 0.3  # s of real time from the port's opening to the first byte: opening flushes what came before
NAP = 0.002  # s of real time, between looks at clock and port
LINK_SHARE = 4.0  # link speed over what the table needs: how fast a device that was held up itself catches up
BURST = 4096  # bytes that the link takes at once
WARNING = 1  # severity of a note


@dataclass(slots=True)
class _Ring:
    """What waits for the port, whole frames only; one that is larger than the ring has it for itself."""

    capacity: int
    frames: deque[Said] = field(default_factory=deque)
    size: int = 0
    begun: int = 0  # bytes of the first frame already written

    def offer(self, said: Said) -> bool:
        if not self.holds(len(said.frame)):
            return False
        self.frames.append(said)
        self.size += len(said.frame)
        return True

    def holds(self, size: int) -> bool:
        return not self.frames or self.size + size <= self.capacity

    def bytes(self) -> bytes:
        return b"".join(said.frame for said in self.frames)[self.begun :]

    def take(self, count: int) -> None:
        """Forget written bytes."""
        self.size -= count
        self.begun += count
        while self.frames and self.begun >= len(self.frames[0].frame):
            self.begun -= len(self.frames.popleft().frame)


class RehearsalDevice:
    """Simulated device on a pseudo-terminal; use it as a context manager.

    Parameters
    ----------
    table : Table
        What it says; faults of sensors and clock are in it already (``daq.rehearsal.sensor_fault_injection``).
    time_scale : float
        So many device seconds pass in a real one.
    faults : sequence of Fault
        What goes wrong with the device, its clock's pace, the link and the port.
    ring_bytes : int
        The device's own buffer; holds one frame at least.
    port_buffer : int or None
        Bytes that the port holds for a reader that does not read; ``None``: all that the system gives, about 20 kB
        on Linux. A real serial port holds about 4 kB.
    linger : float
        Real seconds of hello and beats after the last row; it ends early when the reader closes the port.
    settle : float
        Real seconds from the port's opening to the first byte, and after an unplugging too.
    moved : callable or None
        Told the port's new path after an unplugging, and an empty one while there is none.
    """

    def __init__(
        self,
        table: Table,
        *,
        time_scale: float = 1.0,
        faults: Sequence[Fault] = (),
        ring_bytes: int = RING_BYTES,
        port_buffer: int | None = None,
        linger: float = LINGER,
        settle: float = SETTLE,
        moved: Callable[[str], None] | None = None,
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
        self._moved = moved
        self._ledger = TransmitLog()
        self._planned: list[Part] = []
        self._dropped: list[Part] = []
        self._frames_dropped = 0
        self._stalled = False
        self._awaited = False  # after an unplugging, until a reader has had time to settle
        self._reader_since: float | None = None
        self._unreported = 0
        self._full = False  # the port took less than it was given
        self._pace = LINK_SHARE * time_scale * _bytes_per_second(table)
        self._credit, self._credited = float(BURST), time.monotonic()

    def __enter__(self) -> "RehearsalDevice":
        self._master, self.port = open_terminal()
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

    def run(
        self,
        stop: threading.Event | None = None,
        *,
        wait: float | None = None,
        begin: Callable[[], bool] | None = None,
    ) -> GroundTruth:
        """Wait for a reader, then play the table.

        Parameters
        ----------
        stop : Event or None
            Ends the play when set.
        wait : float or None
            Longest real time to wait for the port to be opened. [s]
        begin : callable or None
            Called once there is a reader; returns when the table's first row is due, or false for no play at all.

        Raises
        ------
        LinkError
            Nobody opened the port in that time.
        """
        stop = stop or threading.Event()
        if not self._wait_for_reader(stop, wait) or (begin is not None and not begin()):
            return self._result(complete=False)
        start = time.monotonic()
        complete = True
        linger = self.linger * self.time_scale
        said_by_device = script(self.table, time_scale=self.time_scale, linger=linger, faults=self.faults)
        pace = self.time_scale * math.prod(1.0 + f.rate for f in self.faults if isinstance(f, ClockOff))
        for said in on_the_link(said_by_device, self.faults):
            if said.at > self.table.seconds + linger:
                break
            if not self._until(start + said.at / pace, stop):
                complete = said.at > self.table.seconds
                break
            if said.event is not None:
                self._happen(said.event)
                continue
            if said.at > self.table.seconds and self._master >= 0 and not self._awaited and not self.has_reader():
                break
            self._planned += said.parts
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
        if self._master < 0:
            return False
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
        self._watch_room()
        return not stop.wait(self.settle)

    def _watch_room(self) -> None:
        if self.port_buffer is not None:
            self._spy = os.open(self.port, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)

    def _happen(self, event: Event) -> None:
        if event is Event.UNPLUGGED:
            self._unplug()
        elif event is Event.PLUGGED:
            self._master, self.port = open_terminal(apart_from=self.port)
            self._awaited, self._reader_since = True, None
            if self._moved is not None:
                self._moved(self.port)
        else:
            self._stalled = event is Event.STALLED

    def _unplug(self) -> None:
        """Hang up, with what waits in the device lost; what the reader had time to take is known."""
        if self._master < 0:
            return
        unread = drained(self.port) if self.has_reader() else 0
        self._close()
        self._ledger.hang_up(unread)
        self._drop_ring()
        if self._moved is not None:
            self._moved("")

    def _close(self) -> None:
        for descriptor in (self._master, self._spy):
            if descriptor >= 0:
                os.close(descriptor)
        self._master = self._spy = -1

    def _is_heard(self) -> bool:
        """Tell whether bytes reach somebody: after an unplugging a reader opens, flushes, then listens."""
        if not self.has_reader():
            return False
        if self._awaited:
            now = time.monotonic()
            self._reader_since = self._reader_since or now
            if now < self._reader_since + self.settle:
                return False
            self._awaited = False
            self._watch_room()
        return True

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
        if not self._ring.holds(size):
            self._flush()
        return self._ring.holds(size)

    def _flush(self) -> None:
        if not self._ring.frames:
            return
        if not self._is_heard():
            self._ledger.hang_up()
            self._drop_ring()
            return
        if self._stalled:
            self._full = True
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
        self._ledger.write(waiting[:written])
        self._ring.take(written)

    def _room(self) -> int | None:
        if self._spy < 0 or self.port_buffer is None:
            return None
        return max(0, self.port_buffer - unread(self._spy))

    def _drop(self, said: Said) -> None:
        self._frames_dropped += 1
        self._dropped += said.parts
        self._unreported += sum(part.rows for part in said.parts)

    def _drop_ring(self) -> None:
        while self._ring.frames:
            self._drop(self._ring.frames.popleft())
        self._ring.size = self._ring.begun = 0

    def _result(self, *, complete: bool) -> GroundTruth:
        return account(
            self._ledger,
            boots(self.table, self.faults),
            {stream.number: stream.rows for stream in self.table.streams},
            self._planned,
            self._dropped,
            frames_dropped=self._frames_dropped,
            complete=complete,
        )


def play(
    table: Table,
    *,
    time_scale: float = 1.0,
    faults: Sequence[Fault] = (),
    announce: Callable[[str], None] | None = None,
    wait: float | None = None,
    stop: threading.Event | None = None,
    port_buffer: int | None = None,
) -> GroundTruth:
    """Serve a table once; ``announce`` receives the port's path before the device waits for its reader."""
    with RehearsalDevice(table, time_scale=time_scale, faults=faults, port_buffer=port_buffer) as device:
        if announce is not None:
            announce(device.port)
        return device.run(stop, wait=wait)


def _bytes_per_second(table: Table) -> float:
    """Return about what a table needs of a link, frames and beats included."""
    rows = ((table.hello(s, 1.0).row_bytes, table.tick_hz / s.interval_ticks) for s in table.streams)
    return sum(1.1 * size * rate for size, rate in rows) + 4000.0
