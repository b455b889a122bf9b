"""What capture costs and what it misses, with devices that never wait, busy cores and a live screen beside it.

``python -m tests.benchmarks.bench_capture --rate 1000000 --seconds 300 --busy 2 --screen`` plays wire format 1 at that
many bytes a second from each of ``--devices`` boards into the recorder of ``standbook record``: capture processes,
reading along, live values and, with ``--screen``, the screen on a terminal of 80 x 24. ``--busy`` loops keep that many
cores busy. ``--inside`` reads the ports in threads of the recorder's own process instead, for comparison.

A board hands over what its clock says, at most four times faster when this computer held it up; what fits neither the
pseudo-terminal nor its own small ring is dropped and counted, and so is what was taken and is in no journal. Whether
somebody failed to read, or the system failed to pass on what it held, is told apart, and so is how late boards were.
A pseudo-terminal holds a third of what the driver of a USB port does (64 kB and more; from memory), and the system
passes it on at the priority of any program: ``--room 65536`` gives the boards the rest of such a driver's buffer.
Linux only: memory and processor time are read from /proc.
"""

import argparse
import datetime as dt
import fcntl
import functools
import multiprocessing
import os
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import threading
import time
import tty
import zlib
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np
from cobs import cobs

import standbook.daq.recording.recorder
from standbook.cli.record import record_run
from standbook.cli.starter import write_campaign
from standbook.daq.capture.process import Order, record
from standbook.daq.capture.process_status import CaptureStatus, StatusBoard
from standbook.daq.config.campaign import read_campaign
from standbook.daq.host_clock import HostClocks
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.record_format import Event
from standbook.daq.rehearsal.device import RING_BYTES
from standbook.daq.wire.encoder import encode_frame, hello_body, pack_rows
from standbook.daq.wire.hello import Hello, WireChannel
from standbook.daq.wire.messages import KIND_SAMPLES, SAMPLES_HEADER
from tests.repository import ROOT

BURST = 4096  # bytes that a link takes at once
CATCH_UP = 4.0  # how much faster than its rate a board goes that this computer held up
LINE_BUFFER = 4000  # bytes that Linux keeps ready for a reader, nearly; the rest of a terminal's 20 kB waits before
PATIENCE = 60.0  # [s]
DEVICES = ("cradle-a", "cradle-b", "cradle-c", "cradle-d", "cradle-e", "cradle-f")


# --- the boards --------------------------------------------------------------------------------------------


@dataclass
class Board:
    """One board: its frames are made as they are sent, with true sequence, ticks and CRC."""

    number: int
    rate: int  # [byte/s]
    room: int = RING_BYTES  # what waits before the pseudo-terminal, in the board or in a driver [byte]
    master: int = -1
    path: str = ""
    taken: int = 0  # by the pseudo-terminal [byte]
    dropped: int = 0
    behind: int = 0  # of the dropped: while the reader had less to read than a driver holds
    _sequence: int = 0
    _hellos: int = 0
    _credit: float = BURST
    _waiting: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        channels = tuple(WireChannel(f"adc{k}", "i16", -32768, 32767) for k in range(8))
        interval = max(1, round(1e6 * 16.5 / self.rate))  # 16 bytes a row, and its share of the frame
        name, serial = DEVICES[self.number], f"{self.number + 7:04d}"
        self.hello = Hello(
            device=name,
            serial=serial,
            firmware="1.0.0",
            boot=1,
            tick_hz=1_000_000,
            stream=1,
            streams=1,
            name="fast",
            interval_ticks=interval,
            channels=channels,
            lines=(),
            rehearsal=True,
        )
        counts = np.random.default_rng(self.number).integers(-9000, 9000, (self.hello.max_rows, 8), dtype=np.int32)
        self._rows = pack_rows(self.hello, counts).tobytes()
        self.master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(slave)
        self._slave = slave  # kept, so that a reader comes and goes without a hang-up

    def _frame(self) -> bytes:
        rows, told = self.hello.max_rows, self.hello
        ticks = self._sequence * told.interval_ticks % 2**32
        body = SAMPLES_HEADER.pack(KIND_SAMPLES, 1, 1, told.layout, 0, rows, self._sequence % 2**32, ticks) + self._rows
        self._sequence += rows
        return cobs.encode(body + struct.pack("<I", zlib.crc32(body))) + b"\0"

    def _unread(self) -> int:
        """Return how many bytes wait where a reader can get them."""
        return int.from_bytes(fcntl.ioctl(self._slave, termios.FIONREAD, bytes(4)), sys.byteorder)

    def tick(self, elapsed: float, since: float) -> None:
        """Send what is due, as fast as the link of a board would."""
        if elapsed >= self._hellos:
            self._hellos += 1
            self._waiting += encode_frame(hello_body(self.hello))
        due = int(elapsed * self.rate)
        while self.taken + self.dropped + len(self._waiting) < due:
            self._waiting += self._frame()
        self._credit = min(BURST, self._credit + CATCH_UP * self.rate * since)
        piece = bytes(self._waiting[: min(int(self._credit), due - self.taken - self.dropped)])
        if not piece:
            return
        try:
            done = os.write(self.master, piece)
        except BlockingIOError:
            done = 0
        self.taken += done
        self._credit -= done
        del self._waiting[:done]
        too_much = due - self.taken - self.dropped - self.room
        if done < len(piece) and too_much > 0:
            self.dropped += too_much
            self.behind += too_much if self._unread() < LINE_BUFFER else 0
            del self._waiting[:too_much]


def serve(pipe: Connection, devices: int, rate: int, seconds: float, tick: float, room: int) -> None:
    """Be the boards: give their ports, wait for the word, send, say what became of it."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    # A real board needs nothing of this computer, nor does it weigh in its sharing of time among programs.
    with suppress(OSError):
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(50))
    boards = [Board(number, rate, room) for number in range(devices)]
    pipe.send([board.path for board in boards])
    pipe.recv()
    start = last = time.perf_counter()
    late: list[float] = []
    while (elapsed := time.perf_counter() - start) < seconds:
        since, last = start + elapsed - last, start + elapsed
        for board in boards:
            board.tick(elapsed, since)
        late.append(since - tick)
        time.sleep(max(0.0, tick - (time.perf_counter() - start - elapsed)))
    worst = np.sort(late)
    pipe.send(([(board.taken, board.dropped, board.behind) for board in boards], worst[-1], int((worst > 0.005).sum())))
    pipe.recv()


# --- the recorder ------------------------------------------------------------------------------------------


class InsideCapture:
    """Reads a port in a thread of this process: what a recorder without a process of its own would do."""

    def __init__(self, device: str, port: str, baud: int, folder: Path) -> None:
        self.device = device
        self._board = StatusBoard(None, CaptureStatus(device=device, pid=os.getpid(), port=port))
        self._stopping = threading.Event()
        order = Order(device, port, baud, folder)
        self._thread = threading.Thread(
            target=record, args=(order, self._board, HostClocks(), self._stopping.is_set), daemon=True
        )
        self._thread.start()

    def status(self) -> CaptureStatus:
        return self._board.now

    def poll(self) -> int | None:
        return None if self._thread.is_alive() else 0

    def error(self) -> None:
        return None

    def wait_until_recording(self, timeout: float = 10.0) -> None:
        while not self._board.now.openings:
            time.sleep(0.01)

    def stop(self, timeout: float = 10.0) -> int:
        self._stopping.set()
        self._thread.join()
        return 0


def watch(folder: Path, ports: list[str], *, inside: bool) -> None:
    """Record as ``standbook record`` does, until a signal; nothing is sealed."""
    if inside:
        standbook.daq.recording.recorder.record_devices = functools.partial(
            standbook.daq.recording.recorder.record_devices, start=InsideCapture
        )
    today = dt.datetime.now().astimezone().date()
    campaign = write_campaign(folder, today=today)
    plan = campaign / "plans/WF-03.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace('"30 min"', '"1 min"'), encoding="utf-8")
    stand = campaign / "stand.toml"
    names = DEVICES[: len(ports)]
    more = "".join(f'\n[[device]]\nname = "{name}"\nclock_tolerance = "50 ppm"\n' for name in names[1:])
    stand.write_text(stand.read_text(encoding="utf-8") + more, encoding="utf-8")
    given = dict(zip(names, ports, strict=True))
    record_run(read_campaign(plan, today=today), given, None, rehearsal=True, postdiction=True)


# --- measuring ---------------------------------------------------------------------------------------------


def used(pid: int) -> tuple[float, float]:
    """Return processor seconds and resident megabytes of a process."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()
    ticks = int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK"), int(fields[21]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def drain(master: int) -> None:
    """Be a terminal that takes everything."""
    with suppress(OSError):
        while os.read(master, 1 << 16):
            pass


@dataclass
class Usage:
    """Processor time and memory of one process, looked at once a second."""

    pid: int
    cpu: float = 0.0
    memory: list[float] = field(default_factory=list)

    def look(self) -> None:
        with suppress(OSError):
            self.cpu, now = used(self.pid)
            self.memory.append(now)

    def words(self, wall: float) -> str:
        part = max(1, min(60, len(self.memory) // 3))
        first, last = max(self.memory[:part]), max(self.memory[-part:])
        memory = f"memory {first:.1f} MB in the first {part} s, {last:.1f} MB in the last"
        return f"{self.cpu / wall:.1%} of one core; {memory}"


def measure(folder: Path, told: argparse.Namespace) -> None:
    """Run once and print the figures."""
    context = multiprocessing.get_context("spawn")
    pipe, other = context.Pipe()
    boards = context.Process(target=serve, args=(other, told.devices, told.rate, told.seconds, told.tick, told.room))
    boards.start()
    loops: list[subprocess.Popen[bytes]] = []
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    threading.Thread(target=drain, args=(master,), daemon=True).start()
    try:
        if not pipe.poll(PATIENCE):
            raise SystemExit("the boards did not begin")
        ports = pipe.recv()
        command = [sys.executable, "-m", "tests.benchmarks.bench_capture", "--watch", str(folder), *ports]
        watcher = subprocess.Popen(
            [*command, *(["--inside"] if told.inside else [])],
            cwd=ROOT,
            env={**os.environ, "TERM": "xterm-256color"},
            stdin=slave if told.screen else subprocess.DEVNULL,
            stdout=slave if told.screen else subprocess.DEVNULL,
        )
        try:
            _until_begun(folder, told.devices, watcher)
            loops += [subprocess.Popen([sys.executable, "-S", "-c", "while True: pass"]) for _ in range(told.busy)]
            time.sleep(0.2)
            _measure(folder, told, pipe, watcher)
        finally:
            watcher.kill()
            watcher.wait()
    finally:
        boards.kill()
        boards.join()
        for loop in loops:
            loop.kill()
            loop.wait()


def _until_begun(folder: Path, devices: int, watcher: "subprocess.Popen[bytes]") -> None:
    deadline = time.monotonic() + PATIENCE
    while len(list(folder.glob("*/runs/*/raw/*_001.arrows"))) < devices:
        if watcher.poll() is not None or time.monotonic() > deadline:
            raise SystemExit("the recorder did not begin")
        time.sleep(0.02)


def _measure(folder: Path, told: argparse.Namespace, pipe: Connection, watcher: "subprocess.Popen[bytes]") -> None:
    pipe.send("go")
    children = Path(f"/proc/{watcher.pid}/task/{watcher.pid}/children").read_text(encoding="ascii").split()
    captures = [] if told.inside else [Usage(int(child)) for child in children]
    screen = Usage(watcher.pid)
    start = time.monotonic()
    while not pipe.poll(1.0):
        for usage in (screen, *captures):
            usage.look()
    sent, latest, late_ticks = pipe.recv()
    time.sleep(0.5)  # the last record is on its way
    for usage in (screen, *captures):
        usage.look()
    wall = time.monotonic() - start
    watcher.send_signal(signal.SIGINT)
    code = watcher.wait(PATIENCE)
    pipe.send("over")
    print(f"{told.devices} x {told.rate} B/s for {wall:.0f} s, {told.busy} busy loops, exit code {code}")
    print(f"boards: latest tick {1e3 * latest:.1f} ms, {late_ticks} ticks later than 5 ms")
    paths = sorted(folder.glob("*/runs/*/raw/*_001.arrows"))
    for path, (taken, dropped, behind) in zip(paths, sent, strict=True):
        journal = read_journal(path)
        gaps = np.diff(journal.arrival_ns[journal.events == Event.DATA]) / 1e6
        print(
            f"{path.stem}: sent {taken + dropped} bytes, lost {dropped + taken - len(journal.stream)} (no room in the "
            f"pseudo-terminal {dropped}, of these {behind} because the system had not passed on what it held, "
            f"{dropped - behind} because nobody read; taken and not journalled {taken - len(journal.stream)}); "
            f"longest time between records {gaps.max():.1f} ms; closed {journal.closed}, damage {len(journal.damage)}"
        )
    for usage in captures:
        print(f"capture {usage.pid}: {usage.words(wall)}")
    print(f"{'recorder with capture inside' if told.inside else 'recorder'}: {screen.words(wall)}")
    print(f"all of it: {(screen.cpu + sum(c.cpu for c in captures)) / wall:.1%} of one core")


def main() -> None:
    """Read the options and run once."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rate", type=int, default=1_000_000, help="of each board [byte/s]")
    parser.add_argument("--devices", type=int, default=1)
    parser.add_argument("--seconds", type=float, default=20.0)
    parser.add_argument("--busy", type=int, default=0, help="loops that keep a core busy each")
    parser.add_argument("--screen", action="store_true", help="the live screen, on a terminal of 80 x 24")
    parser.add_argument("--inside", action="store_true", help="read the ports in the recorder's own process")
    parser.add_argument("--room", type=int, default=RING_BYTES, help="that waits before the pseudo-terminal [byte]")
    parser.add_argument("--tick", type=float, default=0.001, help="of the boards' clocks [s]")
    parser.add_argument("--watch", nargs="+", metavar=("FOLDER", "PORT"), help=argparse.SUPPRESS)
    told = parser.parse_args()
    if told.watch:
        watch(Path(told.watch[0]), told.watch[1:], inside=told.inside)
        return
    with tempfile.TemporaryDirectory() as name:
        measure(Path(name), told)


if __name__ == "__main__":
    main()
