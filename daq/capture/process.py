"""Copy one serial port into journals, in a process of its own that does nothing else.

``capture`` is the loop for one opening of a port; it is handed its source of bytes, its journal and its
clocks. ``record`` opens the port, opens it again after an unplugging, and starts a new journal each time.
Times are integer nanoseconds in records and seconds elsewhere. Bytes are not looked at here, nothing is ever
sent to the device, and nothing that reads a journal can hold this process up.

Run it as ``python -m standbook.daq.capture.process --device NAME --port PATH --baud N --folder DIR``; SIGINT and
SIGTERM are the normal stop.
"""

import argparse
import os
import signal
import stat
import sys
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from enum import Enum
from functools import partial
from pathlib import Path
from typing import Final, Protocol

from standbook.daq.capture.process_status import CaptureStatus, Progress, StatusBoard
from standbook.daq.capture.serial_port import PortInfo, ReadPort, list_ports, open_port
from standbook.daq.capture.write_queue import JournalSink, JournalSpool
from standbook.daq.errors import EXIT_FINE, LinkError, RecordError, StandError
from standbook.daq.host_clock import Clocks, HostClocks, HostTime, clock_step
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriteError, JournalWriter, next_journal
from standbook.daq.printable import printable
from standbook.daq.storage.folder_lock import hold_folder_lock

RETRY: Final = 0.25  # [s] between two attempts to open a lost port again


class ByteSource(Protocol):
    """Interface of what bytes can be read from; a ``ReadPort`` implements it."""

    def read(self, timeout: float) -> bytes:
        """Wait at most ``timeout`` seconds; return what came, or raise LinkError when nothing can come."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How long [s] and how much [byte] the loop may hold back."""

    coalesce: float = 0.015  # reads joined in one record; with waking up it stays below 20 ms
    sync_after: float = 0.050  # from the first record not synced to asking for a sync; 100 ms is promised
    idle: float = 0.050  # longest wait for a byte: how late a stop or a clock step is seen
    record_bytes: int = 1 << 16


class Ending(Enum):
    """Reason why one opening of the port ended."""

    STOPPED = "stopped"
    LOST = "port lost"
    DISK = "disk"


@dataclass(frozen=True, slots=True)
class CaptureEnd:
    """Outcome of one opening of a port."""

    ending: Ending
    message: str  # one sentence; empty for a normal stop
    received_bytes: int


def capture(
    source: ByteSource,
    journal: JournalSink,
    clock: Clocks,
    stop: Callable[[], bool],
    limits: Limits | None = None,
    *,
    note: str = "",
) -> CaptureEnd:
    """Copy ``source`` into ``journal`` until ``stop`` says so, the port is lost or the disk is full.

    Parameters
    ----------
    source, journal, clock
        Where bytes come from, where records go, what time it is.
    stop
        Asked between reads; whatever has arrived by then is still recorded.
    limits
        How long bytes may be held back.
    note
        Words for the ``opened`` record.

    Notes
    -----
    The instant of a data record is when its last byte was in hand, so no byte in it arrived later. The
    journal is closed on return. Disk trouble is an ending and not an exception: what was written stands.
    """
    loop = _Loop(journal, clock, limits or Limits())
    try:
        loop.note(clock.now(), Event.OPENED, note)
        ending, message = loop.run(source, stop)
    except JournalWriteError as error:
        ending, message = Ending.DISK, str(error)
    try:
        if ending is Ending.LOST:
            loop.note(clock.now(), Event.LOST, message)
        loop.note(clock.now(), Event.CLOSED, message or ending.value)
    except JournalWriteError as error:  # no room even for that; readers see a journal that just ends
        ending, message = Ending.DISK, message if ending is Ending.DISK else str(error)
    try:
        journal.close()
    except JournalWriteError as error:
        ending, message = Ending.DISK, message if ending is Ending.DISK else str(error)
    return CaptureEnd(ending, message, loop.received_bytes)


class _Loop:
    """State of one ``capture``: bytes not yet in a record, records not yet synced."""

    def __init__(self, journal: JournalSink, clock: Clocks, limits: Limits) -> None:
        self._journal = journal
        self._clock = clock
        self._limits = limits
        self._pending = bytearray()
        self._first = self._last = self._seen = clock.now()  # of pending bytes; of any look at the clock
        self._sync_due: int | None = None  # monotonic [ns]
        self.received_bytes = 0

    def run(self, source: ByteSource, stop: Callable[[], bool]) -> tuple[Ending, str]:
        while True:
            stopping = stop()
            try:
                piece = source.read(0.0 if stopping else self._patience())
            except LinkError as error:
                self._flush()
                return Ending.LOST, str(error)
            now = self._clock.now()
            self._watch_clocks(now)
            if piece:
                self._first = self._first if self._pending else now
                self._last = now
                self._pending += piece
                self.received_bytes += len(piece)
            if stopping or self._is_due(now):
                self._flush()
            if self._sync_due is not None and now.monotonic_ns >= self._sync_due:
                self._sync()
            if stopping:
                return Ending.STOPPED, ""

    def note(self, now: HostTime, event: Event, words: str) -> None:
        self._append(now, event, words.encode())
        self._sync()

    def _sync(self) -> None:
        self._journal.sync()
        self._sync_due = None

    def _watch_clocks(self, now: HostTime) -> None:
        step = clock_step(self._seen, now)
        self._seen = now
        if step is not None:
            self._flush()  # these bytes came before the step
            self.note(now, Event.CLOCK_STEP, str(step))

    def _patience(self) -> float:
        """Return how long a read may wait before something else is due, in seconds."""
        due = [self._seen.monotonic_ns + _nanoseconds(self._limits.idle)]
        if self._pending:
            due.append(self._first.monotonic_ns + _nanoseconds(self._limits.coalesce))
        if self._sync_due is not None:
            due.append(self._sync_due)
        return max(0, min(due) - self._seen.monotonic_ns) / 1e9

    def _is_due(self, now: HostTime) -> bool:
        hold_folder_lock = now.monotonic_ns - self._first.monotonic_ns
        full = len(self._pending) >= self._limits.record_bytes
        return full or hold_folder_lock >= _nanoseconds(self._limits.coalesce)

    def _flush(self) -> None:
        if self._pending:
            self._append(self._last, Event.DATA, bytes(self._pending))
            self._pending.clear()

    def _append(self, when: HostTime, event: Event, data: bytes) -> None:
        self._journal.append(Row(when.monotonic_ns, when.wall_ns, when.boottime_ns, event, data))
        if self._sync_due is None:
            self._sync_due = self._seen.monotonic_ns + _nanoseconds(self._limits.sync_after)


def _nanoseconds(seconds: float) -> int:
    return round(seconds * 1e9)


# --- the process -------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Order:
    """Device, port and folder that one capture process records."""

    device: str  # as the stand file names it; journals carry it in their names
    port: str
    baud: int
    folder: Path


def record(
    order: Order,
    board: StatusBoard,
    clock: Clocks,
    stop: Callable[[], bool],
    *,
    pause: Callable[[float], None] = time.sleep,
) -> CaptureEnd:
    """Record a port until ``stop``, reopening it after an unplugging: one journal per opening.

    Raises
    ------
    LinkError
        The port cannot be opened the first time.
    RecordError
        A journal cannot be started.
    """
    port = open_port(order.port, order.baud)
    serial_number = _serial_number(order.port)
    while True:
        link = _link_identity(order.port)
        try:
            path = next_journal(order.folder, order.device)
            spool = JournalSpool(JournalWriter(path, _meta(order, port, serial_number)))
            board.opening(port.path, path.name, partial(_progress, spool))
            end = capture(port, spool, clock, stop, note=f"{port.path} at {order.baud} bit/s")
        finally:
            port.close()
        if end.ending is not Ending.LOST:
            return end
        board.say("lost", end.message)
        again = _open_again(order, port, link, serial_number, stop, pause)
        if again is None:
            return CaptureEnd(Ending.STOPPED, "", end.received_bytes)
        port = again


def _open_again(
    order: Order,
    lost: ReadPort,
    link: tuple[int, int] | None,
    serial_number: str | None,
    stop: Callable[[], bool],
    pause: Callable[[float], None],
) -> ReadPort | None:
    """Try until the port is back, under its name or, by its USB serial number, under another.

    The name of a pseudo-terminal is given to the next terminal window that opens, so a lost one is only
    opened again through a link that was made again.
    """
    while not stop():
        if not lost.is_pseudo or _link_identity(order.port) not in (None, link):
            for path in reopen_candidates(order.port, serial_number, list_ports()):
                with suppress(LinkError):
                    return open_port(path, order.baud)
        pause(RETRY)
    return None


def _link_identity(port: str) -> tuple[int, int] | None:
    with suppress(OSError):
        found = Path(port).lstat()
        if stat.S_ISLNK(found.st_mode):
            return found.st_ino, found.st_mtime_ns
    return None


def _progress(spool: JournalSpool) -> Progress:
    return Progress(
        written_bytes=spool.data_bytes,
        dropped_bytes=spool.dropped_bytes,
        written_ns=spool.written_ns,
        synced_ns=spool.synced_ns,
        longest_sync_ns=spool.longest_sync_ns,
    )


def reopen_candidates(port: str, serial_number: str | None, present: Sequence[PortInfo]) -> tuple[str, ...]:
    """Return the paths that may be the lost ``port``: never one that is known to be another device."""
    real = str(Path(port).resolve())
    same_place = [info for info in present if info.path in (port, real)]
    if serial_number is None:
        return (port,)
    if any(info.serial_number not in (None, serial_number) for info in same_place):
        first: tuple[str, ...] = ()
    else:
        first = (port,)
    moved = (info.path for info in present if info.serial_number == serial_number and info not in same_place)
    return (*first, *moved)


def _serial_number(port: str) -> str | None:
    real = str(Path(port).resolve())
    return next((info.serial_number for info in list_ports() if info.path in (port, real)), None)


def _meta(order: Order, port: ReadPort, serial_number: str | None) -> dict[str, str]:
    return {
        "device": order.device,
        "port": port.path,
        "baud": str(order.baud),
        "usb_serial_number": serial_number or "",
        "host_boot": _host_boot(),
    }


def _host_boot() -> str:
    """Return what tells one start of this computer from another; monotonic times compare within one only."""
    with suppress(OSError):
        return Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
    return ""


def _come_first() -> None:
    """Ask to run as soon as a byte comes, whatever else is running; all of it needs a privilege, and works without.

    A serial driver holds some milliseconds of a fast stream, while a busy computer lets a usual process wait for
    tens. This one needs little: it sleeps in ``read`` nearly all the time. Being nice alone does not do: where
    Linux groups processes by session, it counts only within the session, and this process has one of its own.
    """
    if hasattr(os, "sched_setscheduler"):
        with suppress(OSError):
            lowest = os.sched_param(os.sched_get_priority_min(os.SCHED_RR))
            os.sched_setscheduler(0, os.SCHED_RR, lowest)
            return
    if hasattr(os, "nice"):
        with suppress(OSError):
            os.nice(-10)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one capture process; return its exit code."""
    parser = argparse.ArgumentParser(
        prog="python -m standbook.daq.capture.process", description="Record one serial port."
    )
    parser.add_argument("--device", required=True, help="name of the device in stand.toml")
    parser.add_argument("--port", required=True, help="path of the serial port")
    parser.add_argument("--baud", required=True, type=int, help="speed in bit/s")
    parser.add_argument("--folder", required=True, type=Path, help="folder for the journals")
    parser.add_argument("--status", type=Path, help="file for the state of this process")
    told = parser.parse_args(arguments)

    stopping: list[int] = []
    for name in ("SIGINT", "SIGTERM", "SIGBREAK"):  # the last on Windows only
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), lambda number, _: stopping.append(number))
    _come_first()

    order = Order(told.device, told.port, told.baud, told.folder)
    board = StatusBoard(told.status, CaptureStatus(device=order.device, pid=os.getpid(), port=order.port))
    try:
        with hold_folder_lock(order.folder):
            end = record(order, board, HostClocks(), lambda: bool(stopping))
    except StandError as error:
        code, message = error.exit_code, str(error)
    else:
        code = RecordError.exit_code if end.ending is Ending.DISK else EXIT_FINE
        message = end.message
    board.end("failed" if code else "stopped", code, message)
    if message:
        sys.stderr.write(f"{printable(message)}\n")
    return code


if __name__ == "__main__":
    sys.exit(main())
