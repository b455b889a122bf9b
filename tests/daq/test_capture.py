"""The capture loop with clocks moved by hand, and the capture process on real pseudo-terminals."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest

import daq.capture
from daq.capture import CaptureEnd, Ending, Limits, Order, capture, main, record, reopen_candidates
from daq.encode import encode_frame, encode_samples, hello_body
from daq.envelope import Event, Row
from daq.errors import LinkError, RecordError
from daq.hello import Hello, WireChannel
from daq.instant import HostClocks, Instant
from daq.journal import JournalFollower, JournalWriteError, JournalWriter, journals_of, read_journal
from daq.launch import CaptureHandle, start_capture
from daq.port import PortInfo
from daq.recover import recover_wire
from daq.status import CaptureStatus, StatusBoard, missing_journal, read_status
from daq.tape import read_tapes

MS = 1_000_000
PATIENCE = 20.0  # [s] until a test that would hang fails; nothing takes this long when it passes


class Scene:
    """Port, journal and clocks in one, with a script of what happens at which millisecond.

    ``arrivals`` gives bytes by time; ``lost_at`` hangs the port up; ``stop_at`` asks for the stop. Time
    passes only while the loop waits in ``read``.
    """

    def __init__(
        self,
        arrivals: dict[int, bytes],
        *,
        stop_at: int = 10_000,
        lost_at: int | None = None,
        slept: tuple[int, int] = (-1, 0),
        wall_step: tuple[int, int] = (-1, 0),
        fail_at: int | None = None,
    ) -> None:
        self.arrivals = {at * MS: data for at, data in arrivals.items()}
        self.now_ns = 0
        self.stop_at, self.lost_at, self.fail_at = stop_at * MS, lost_at, fail_at
        self.slept, self.wall_step = slept, wall_step
        self.rows: list[Row] = []
        self.written_at: list[int] = []
        self.syncs: list[tuple[int, int]] = []  # when, and how many rows were there
        self.closes = 0

    def stop(self) -> bool:
        return self.now_ns >= self.stop_at

    def read(self, timeout: float) -> bytes:
        until = self.now_ns + round(timeout * 1e9)
        if self.lost_at is not None and until >= self.lost_at * MS and not self._waiting(self.lost_at * MS):
            self.now_ns = self.lost_at * MS
            raise LinkError("/dev/ttyACM0: the port was lost (hang-up); plug it in again")
        due = [at for at in self.arrivals if at <= until]
        if not due:
            self.now_ns = until
            return b""
        self.now_ns = max(self.now_ns, min(due))
        ready = sorted(at for at in due if at <= self.now_ns)
        return b"".join(self.arrivals.pop(at) for at in ready)

    def _waiting(self, until: int) -> bool:
        return any(at < until for at in self.arrivals)

    def now(self) -> Instant:
        slept = self.slept[1] * MS if 0 <= self.slept[0] * MS <= self.now_ns else 0
        step = self.wall_step[1] * MS if 0 <= self.wall_step[0] * MS <= self.now_ns else 0
        return Instant(self.now_ns, 10**18 + self.now_ns + slept + step, self.now_ns + slept)

    def append(self, arrival_ns: int, wall_ns: int, boottime_ns: int, event: Event, data: bytes = b"") -> None:
        if self.fail_at is not None and self.now_ns >= self.fail_at * MS:
            raise JournalWriteError("raw/a_001.arrows: cannot write the journal: disk full")
        self.rows.append(Row(arrival_ns, wall_ns, boottime_ns, event, data))
        self.written_at.append(self.now_ns)

    def sync(self) -> None:
        self.syncs.append((self.now_ns, len(self.rows)))

    def close(self) -> None:
        self.closes += 1
        self.sync()

    def play(self, limits: Limits | None = None) -> CaptureEnd:
        return capture(self, self, self, self.stop, limits, note="/dev/ttyACM0 at 115200 bit/s")

    @property
    def events(self) -> list[Event]:
        return [row.event for row in self.rows]

    @property
    def data(self) -> bytes:
        return b"".join(row.data for row in self.rows if row.event is Event.DATA)


def test_an_opening_is_recorded_from_opened_to_closed() -> None:
    scene = Scene({100: b"abc"}, stop_at=300)
    end = scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.CLOSED]
    assert [row.data for row in scene.rows] == [b"/dev/ttyACM0 at 115200 bit/s", b"abc", b"stopped"]
    assert end == CaptureEnd(Ending.STOPPED, "", 3)
    assert scene.closes == 1


def test_bytes_are_written_within_20_ms_and_synced_within_100_ms_of_being_read() -> None:
    chance = random.Random(5)
    times = sorted(chance.sample(range(1, 5000), 1500))
    sent = {at: bytes([at % 251]) * chance.randrange(1, 40) for at in times}
    scene = Scene(dict(sent), stop_at=5100)
    scene.play()
    assert scene.data == b"".join(sent[at] for at in times)
    offsets, position = {}, 0
    for at in times:
        offsets[position] = at
        position += len(sent[at])
    position = 0
    for number, row in enumerate(scene.rows):
        if row.event is Event.DATA:
            first_read = offsets[position] * MS
            position += len(row.data)
            assert scene.written_at[number] - first_read <= 20 * MS
            synced = min(at for at, count in scene.syncs if count > number)
            assert synced - scene.written_at[number] <= 100 * MS


def test_reads_are_joined_so_that_a_busy_port_costs_few_records() -> None:
    scene = Scene(dict.fromkeys(range(1, 1001), b"x"), stop_at=1100)
    scene.play()
    assert scene.events.count(Event.DATA) <= 1000 / 15 + 1


def test_no_byte_of_a_record_arrived_after_the_instant_it_carries() -> None:
    scene = Scene({10: b"a", 12: b"b", 20: b"c"}, stop_at=200)
    scene.play()
    (row,) = [row for row in scene.rows if row.event is Event.DATA]
    assert (row.data, row.arrival_ns) == (b"abc", 20 * MS)


def test_a_flood_is_cut_into_records_of_bounded_size() -> None:
    scene = Scene({at: bytes(40_000) for at in range(1, 50)}, stop_at=100)
    scene.play()
    assert max(len(row.data) for row in scene.rows) <= (1 << 16) + 40_000
    assert len(scene.data) == 49 * 40_000


def test_what_arrived_before_the_stop_is_recorded() -> None:
    scene = Scene({99: b"a", 100: b"b"}, stop_at=100)
    assert scene.play().received_bytes == 2
    assert scene.data == b"ab"
    assert scene.events[-1] is Event.CLOSED


def test_an_unplugged_port_ends_the_journal_in_order_with_all_bytes() -> None:
    scene = Scene({10: b"abc", 30: b"def"}, lost_at=35)
    end = scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.DATA, Event.LOST, Event.CLOSED]
    assert scene.data == b"abcdef"
    assert end.ending is Ending.LOST
    assert "hang-up" in end.message
    assert b"hang-up" in scene.rows[-2].data
    assert scene.rows[-2].arrival_ns == 35 * MS


def test_a_silent_port_still_has_its_stop_seen_within_50_ms() -> None:
    scene = Scene({}, stop_at=1001)
    scene.play()
    assert scene.rows[-1].arrival_ns <= 1051 * MS


def test_sleep_is_declared_between_the_bytes_before_and_after() -> None:
    scene = Scene({50: b"before", 60: b"after"}, slept=(60, 3_600_000), stop_at=200)
    scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.CLOCK_STEP, Event.DATA, Event.CLOSED]
    assert [row.data for row in scene.rows[1:4]] == [b"before", b"computer slept 3600.000 s", b"after"]


def test_a_wall_clock_that_was_set_is_declared_once() -> None:
    scene = Scene({50: b"a", 300: b"b"}, wall_step=(200, -2500), stop_at=600)
    scene.play()
    assert scene.events == [Event.OPENED, Event.DATA, Event.CLOCK_STEP, Event.DATA, Event.CLOSED]
    assert scene.rows[2].data == b"wall clock stepped -2.500 s"


@pytest.mark.parametrize("fail_at", [0, 100])
def test_a_full_disk_is_an_orderly_end_and_what_was_written_stands(fail_at: int) -> None:
    scene = Scene(dict.fromkeys(range(1, 1000, 10), b"x"), fail_at=fail_at)
    end = scene.play()
    assert end.ending is Ending.DISK
    assert "disk full" in end.message
    assert scene.closes == 1
    assert all(at < max(1, fail_at) * MS for at in scene.written_at)
    assert (len(scene.rows) > 3) == (fail_at > 0)


def test_when_the_disk_takes_the_last_record_the_journal_says_why_it_ended() -> None:
    class OneFailure(Scene):
        def append(self, *record: object) -> None:  # type: ignore[override]
            try:
                super().append(*record)  # type: ignore[arg-type]
            except JournalWriteError:
                self.fail_at = None
                raise

    scene = OneFailure(dict.fromkeys(range(1, 1000, 10), b"x"), fail_at=100)
    assert scene.play().ending is Ending.DISK
    assert scene.rows[-1].event is Event.CLOSED
    assert b"disk full" in scene.rows[-1].data


def test_a_failure_only_at_closing_is_not_hidden() -> None:
    class FailsAtClose(Scene):
        def close(self) -> None:
            raise JournalWriteError("raw/a_001.arrows: cannot sync the journal: Input/output error")

    end = FailsAtClose({1: b"x"}, stop_at=100).play()
    assert (end.ending, end.message) == (
        Ending.DISK,
        "raw/a_001.arrows: cannot sync the journal: Input/output error",
    )


def test_a_disk_that_fills_between_loss_and_its_record_is_told() -> None:
    scene = Scene({1: b"x"}, lost_at=50, fail_at=50)
    end = scene.play()
    assert end.ending is Ending.DISK
    assert scene.events == [Event.OPENED, Event.DATA]


@pytest.mark.parametrize(
    ("serial_number", "present", "expected"),
    [
        (None, [], ("/dev/ttyACM0",)),
        ("0007", [], ("/dev/ttyACM0",)),
        ("0007", [PortInfo("/dev/ttyACM0", "0007", "")], ("/dev/ttyACM0",)),
        ("0007", [PortInfo("/dev/ttyACM1", "0007", "")], ("/dev/ttyACM0", "/dev/ttyACM1")),
        # Another board now has the old name: never open that one.
        ("0007", [PortInfo("/dev/ttyACM0", "0008", ""), PortInfo("/dev/ttyACM3", "0007", "")], ("/dev/ttyACM3",)),
        ("0007", [PortInfo("/dev/ttyACM0", "0008", "")], ()),
    ],
)
def test_a_lost_port_is_looked_for_by_name_and_usb_serial_number(
    serial_number: str | None, present: list[PortInfo], expected: tuple[str, ...]
) -> None:
    assert reopen_candidates("/dev/ttyACM0", serial_number, present) == expected


# --- on real pseudo-terminals ------------------------------------------------------------------------------

needs_pty = pytest.mark.skipif(not hasattr(os, "openpty"), reason="the system has no pseudo-terminals")


class Pty:
    """A device on a pseudo-terminal that never waits for its reader."""

    def __init__(self) -> None:
        self.master, self.slave = os.openpty()
        tty.setraw(self.slave)
        os.set_blocking(self.master, False)
        self.path = os.ttyname(self.slave)

    def send_all(self, data: bytes, deadline: float) -> None:
        """Send ``data`` in pieces, slower than the reader, so that nothing is dropped."""
        left = memoryview(data)
        while left:
            assert time.monotonic() < deadline
            try:
                left = left[os.write(self.master, left[:512]) :]
            except BlockingIOError:
                time.sleep(0.001)

    def close(self) -> None:
        for fd in (self.slave, self.master):
            if fd >= 0:
                os.close(fd)
        self.slave = self.master = -1


@pytest.fixture
def pty() -> Iterator[Pty]:
    device = Pty()
    yield device
    device.close()


@pytest.fixture
def started() -> Iterator[Callable[..., CaptureHandle]]:
    handles: list[CaptureHandle] = []

    def start(port: str, folder: Path) -> CaptureHandle:
        handle = start_capture("cradle-a", port, 2_000_000, folder)
        handles.append(handle)
        handle.wait_until_recording()
        return handle

    yield start
    for handle in handles:
        handle.stop()


def wait_for(condition: Callable[[], bool]) -> None:
    deadline = time.monotonic() + PATIENCE
    while not condition():
        assert time.monotonic() < deadline, "it did not happen"
        time.sleep(0.005)


def numbered(count: int) -> bytes:
    return b"".join(b"%08d\n" % k for k in range(count))


@needs_pty
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_is_the_normal_stop_and_every_byte_is_there(
    tmp_path: Path, pty: Pty, started: Callable[..., CaptureHandle], number: int
) -> None:
    handle = started(pty.path, tmp_path)
    data = numbered(20_000)
    pty.send_all(data, time.monotonic() + PATIENCE)
    os.kill(handle.pid, number)
    wait_for(lambda: handle.poll() is not None)
    assert handle.poll() == 0
    assert handle.error() is None
    (path,) = handle.journals
    journal = read_journal(path)
    assert journal.stream == data
    assert journal.closed
    assert journal.torn_bytes == 0
    assert [Event(e) for e in journal.events][:1] == [Event.OPENED]
    assert journal.meta["device"] == "cradle-a"
    assert journal.meta["port"] == pty.path
    status = handle.status()
    assert status is not None
    assert (status.state, status.exit_code, status.written_bytes) == ("stopped", 0, len(data))
    assert handle.journal_path == path


@needs_pty
def test_kill_9_in_mid_stream_loses_nothing_past_the_last_completed_write(tmp_path: Path) -> None:
    chance = random.Random(7)
    for trial in range(5):
        folder = tmp_path / str(trial)
        folder.mkdir()
        device = Pty()
        handle = start_capture("cradle-a", device.path, 2_000_000, folder)
        handle.wait_until_recording()
        sent, follower = bytearray(), JournalFollower(folder / "cradle-a_001.arrows")
        seen = b""
        kill_at = chance.randrange(20_000, 200_000)
        deadline = time.monotonic() + PATIENCE
        while len(sent) < kill_at or not seen:
            piece = b"%08d\n" % (len(sent) // 9)
            device.send_all(piece, deadline)
            sent += piece
            if len(sent) % 900 == 0:
                seen += b"".join(row.data for row in follower.poll() if row.event is Event.DATA)
        os.kill(handle.pid, signal.SIGKILL)
        wait_for(lambda handle=handle: handle.poll() is not None)
        journal = read_journal(folder / "cradle-a_001.arrows")
        device.close()
        assert sent.startswith(journal.stream)
        assert journal.stream.startswith(seen)
        assert not journal.closed
        assert journal.damage == ()
        # At most one message can have been in the writing.
        assert journal.torn_bytes < 100_000
        assert handle.poll() == -signal.SIGKILL
        assert isinstance(handle.error(), RecordError)
        assert "its journal holds all that was written" in str(handle.error())


@needs_pty
def test_a_second_capture_finds_the_port_busy(
    tmp_path: Path, pty: Pty, started: Callable[..., CaptureHandle]
) -> None:
    started(pty.path, tmp_path)
    (tmp_path / "other").mkdir()
    other = start_capture("cradle-b", pty.path, 115_200, tmp_path / "other")
    with pytest.raises(LinkError, match=f"{pty.path}: the port is busy"):
        other.wait_until_recording()
    assert other.stop() == LinkError.exit_code
    assert [path.name for path in (tmp_path / "other").iterdir()] == ["cradle-b_capture.json"]
    status = other.status()
    assert status is not None
    assert (status.state, status.exit_code, status.journal) == ("failed", 4, "")
    assert other.journal_path is None


@needs_pty
def test_a_replugged_device_goes_on_in_a_new_journal(
    tmp_path: Path, started: Callable[..., CaptureHandle]
) -> None:
    link = tmp_path / "device"
    first, second = Pty(), Pty()
    link.symlink_to(first.path)
    handle = started(str(link), tmp_path)
    first.send_all(b"one", time.monotonic() + PATIENCE)
    follower = JournalFollower(tmp_path / "cradle-a_001.arrows")
    wait_for(lambda: any(row.event is Event.DATA for row in follower.poll()))
    first.close()
    wait_for(lambda: (s := handle.status()) is not None and s.state == "lost")
    status = handle.status()
    assert status is not None
    assert "the port was lost" in status.message
    link.unlink()
    link.symlink_to(second.path)
    wait_for(lambda: (s := handle.status()) is not None and s.openings == 2)
    second.send_all(b"two", time.monotonic() + PATIENCE)
    follower = JournalFollower(tmp_path / "cradle-a_002.arrows")
    wait_for(lambda: any(row.event is Event.DATA for row in follower.poll()))
    assert handle.stop() == 0
    second.close()
    journals = [read_journal(path) for path in handle.journals]
    assert [journal.stream for journal in journals] == [b"one", b"two"]
    assert [journal.closed for journal in journals] == [True, True]
    assert list(journals[0].events[-2:]) == [Event.LOST, Event.CLOSED]


@needs_pty
def test_a_lost_pseudo_terminal_is_not_opened_again_by_its_number(
    tmp_path: Path, started: Callable[..., CaptureHandle]
) -> None:
    first = Pty()
    handle = started(first.path, tmp_path)
    first.close()
    wait_for(lambda: (s := handle.status()) is not None and s.state == "lost")
    heirs = [Pty()]  # takes the lowest free number, as the next terminal window would
    while heirs[-1].path != first.path:  # something else on this computer let go of a lower one
        assert len(heirs) < 50
        heirs.append(Pty())
    time.sleep(3 * daq.capture.RETRY)
    status = handle.status()
    for heir in heirs:
        heir.close()
    assert status is not None
    assert (status.state, status.openings) == ("lost", 1)
    assert handle.stop() == 0


@needs_pty
def test_ctrl_c_in_the_terminal_does_not_reach_the_capture(
    tmp_path: Path, pty: Pty, started: Callable[..., CaptureHandle]
) -> None:
    handle = started(pty.path, tmp_path)
    assert os.getpgid(handle.pid) == handle.pid != os.getpgrp()
    assert os.getsid(handle.pid) == handle.pid


@needs_pty
def test_each_device_has_a_process_and_journals_of_its_own(tmp_path: Path) -> None:
    devices = {"cradle-a": Pty(), "cradle-b": Pty()}
    handles = [start_capture(name, device.path, 115_200, tmp_path) for name, device in devices.items()]
    for handle in handles:
        handle.wait_until_recording()
    for name, device in devices.items():
        device.send_all(name.encode(), time.monotonic() + PATIENCE)
    assert [handle.stop() for handle in handles] == [0, 0]
    for name, device in devices.items():
        device.close()
        (path,) = journals_of(tmp_path, name)
        assert read_journal(path).stream == name.encode()


@needs_pty
def test_a_disk_that_fills_ends_the_capture_in_order_with_one_sentence(tmp_path: Path, pty: Pty) -> None:
    limit = 200_000
    program = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        f"resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}));"
        "from daq.capture import main; sys.exit(main(sys.argv[1:]))"
    )
    arguments = ["--device", "cradle-a", "--port", pty.path, "--baud", "115200", "--folder", str(tmp_path)]
    process = subprocess.Popen([sys.executable, "-c", program, *arguments], stderr=subprocess.PIPE)
    path = tmp_path / "cradle-a_001.arrows"
    wait_for(path.exists)
    follower = JournalFollower(path)
    wait_for(lambda: bool(follower.poll()))
    sent = numbered(100_000)
    left = memoryview(sent)
    deadline = time.monotonic() + PATIENCE
    while process.poll() is None:
        assert time.monotonic() < deadline
        try:
            left = left[os.write(pty.master, left[:512]) :]
        except BlockingIOError:
            time.sleep(0.001)
    assert process.stderr is not None
    sentence = process.stderr.read().decode()
    process.stderr.close()
    assert process.returncode == RecordError.exit_code
    assert sentence == f"{path}: cannot write the journal: disk full; free some space or choose another disk\n"
    journal = read_journal(path)
    assert sent.startswith(journal.stream)
    assert journal.whole_bytes > limit - 70_000
    assert journal.torn_bytes == 0


# --- in this process: the paths that need no signal --------------------------------------------------------


@pytest.fixture
def calm(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Keep ``main`` from changing the priority and the signal handlers of the test run."""
    monkeypatch.setattr("daq.capture._come_first", lambda: None)
    kept = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    yield
    for number, handler in kept.items():
        signal.signal(number, handler)


def run_main(port: str, folder: Path, *more: str) -> int:
    return main(["--device", "cradle-a", "--port", port, "--baud", "115200", "--folder", str(folder), *more])


def test_a_missing_port_ends_with_its_branch_and_one_sentence(
    tmp_path: Path, calm: None, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_main("/dev/ttyNONE7", tmp_path) == LinkError.exit_code
    assert capsys.readouterr().err.startswith("/dev/ttyNONE7: no such port;")
    assert list(tmp_path.iterdir()) == []


@needs_pty
def test_a_missing_folder_ends_with_its_branch_and_one_sentence(
    tmp_path: Path, pty: Pty, calm: None, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_main(pty.path, tmp_path / "none") == RecordError.exit_code
    assert "cannot read the folder of the journals: No such file or directory" in capsys.readouterr().err


@needs_pty
def test_a_stop_ends_main_with_zero(
    tmp_path: Path, pty: Pty, calm: None, capsys: pytest.CaptureFixture[str]
) -> None:
    status = tmp_path / "status.json"

    def interrupt() -> None:
        wait_for(lambda: (s := read_status(status)) is not None and s.openings == 1)
        os.kill(os.getpid(), signal.SIGINT)

    thread = threading.Thread(target=interrupt)
    thread.start()
    assert run_main(pty.path, tmp_path, "--status", str(status)) == 0
    thread.join()
    assert capsys.readouterr().err == ""
    assert read_journal(tmp_path / "cradle-a_001.arrows").closed


def test_it_asks_to_come_first_and_takes_a_refusal(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []

    def refuse(*what: object) -> None:
        asked.append(what[-1])
        raise PermissionError

    monkeypatch.setattr(os, "sched_setscheduler", refuse, raising=False)
    monkeypatch.setattr(os, "nice", refuse, raising=False)
    daq.capture._come_first()
    assert len(asked) == 2
    assert asked[-1] == -10


@needs_pty
def test_a_port_that_moved_is_found_by_its_usb_serial_number(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first, second = Pty(), Pty()
    present = [PortInfo(first.path, "0007", "node")]
    monkeypatch.setattr(daq.capture, "list_ports", lambda: tuple(present))
    really_open = daq.capture.open_port

    def open_as_hardware(path: str, baud: int) -> object:
        port = really_open(path, baud)
        port.is_pseudo = False
        return port

    monkeypatch.setattr(daq.capture, "open_port", open_as_hardware)
    pauses: list[float] = []

    def pause(seconds: float) -> None:
        pauses.append(seconds)
        present[:] = [PortInfo(second.path, "0007", "node")]

    def stop() -> bool:
        if len(journals_of(tmp_path, "cradle-a")) == 1 and first.master >= 0:
            first.close()
        return len(journals_of(tmp_path, "cradle-a")) == 2

    board = StatusBoard(None, CaptureStatus("cradle-a", os.getpid(), first.path))
    order = Order("cradle-a", first.path, 115_200, tmp_path)
    end = record(order, board, HostClocks(), stop, pause=pause)
    board.end("stopped", 0)
    second.close()
    assert end.ending is Ending.STOPPED
    assert pauses == [daq.capture.RETRY]
    assert read_journal(tmp_path / "cradle-a_002.arrows").meta["port"] == second.path
    assert read_journal(tmp_path / "cradle-a_002.arrows").meta["usb_serial_number"] == "0007"


def test_a_status_that_is_missing_torn_or_foreign_is_no_status(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    assert read_status(path) is None
    for content in (b"", b'{"device": "x', b"[]", b'{"device": "x"}'):
        path.write_bytes(content)
        assert read_status(path) is None


def test_a_status_of_an_earlier_version_is_read(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    path.write_text('{"device": "cradle-a", "pid": 7, "port": "/dev/ttyACM0", "state": "stopped", "more": 1}', "utf-8")
    assert read_status(path) == CaptureStatus("cradle-a", 7, "/dev/ttyACM0", state="stopped")


def test_a_last_journal_that_is_not_there_is_named(tmp_path: Path) -> None:
    assert missing_journal(tmp_path, "cradle-a") is None
    told = '{"device": "cradle-a", "pid": 7, "port": "/dev/ttyACM0", "journal": "%s"}'
    status = tmp_path / "cradle-a_capture.json"
    status.write_text(told % "", "utf-8")
    assert missing_journal(tmp_path, "cradle-a") is None
    status.write_text(told % "cradle-a_002.arrows", "utf-8")
    assert missing_journal(tmp_path, "cradle-a") == "cradle-a_002.arrows"
    (tmp_path / "cradle-a_002.arrows").touch()
    assert missing_journal(tmp_path, "cradle-a") is None


def test_a_status_that_cannot_be_written_stops_nothing(tmp_path: Path) -> None:
    board = StatusBoard(tmp_path / "none" / "status.json", CaptureStatus("cradle-a", 1, "/dev/ttyACM0"))
    board.say("lost", "unplugged")
    assert board.now.message == "unplugged"
    board.end("stopped", 0)


def test_capture_brings_in_neither_arrow_nor_numpy() -> None:
    program = "import sys, daq.capture; sys.exit(bool({'numpy', 'pyarrow', 'pandas'} & set(sys.modules)))"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


# --- what a sleeping computer and a clock that was set leave behind -----------------------------------------


def test_sleep_and_clock_step_become_notes_and_the_gap_of_the_sleep_is_declared(tmp_path: Path) -> None:
    """A board goes on at 1 kHz while the computer sleeps for 30 s; later somebody sets the clock back by 90 s."""
    told = Hello("cradle-a", "0007", "1", 3, 1_000_000, 1, 1, "fast", 1000, (WireChannel("ain0", "u16", 0, 65535),), ())
    journal = JournalWriter(tmp_path / "cradle-a_001.arrows", {"device": "cradle-a", "host_boot": "one"})

    def frames(at_ms: int, host_ms: int) -> bytes:
        counts = np.arange(at_ms - 10, at_ms, dtype=np.int32)[:, np.newaxis]
        (frame,) = encode_samples(told, at_ms - 10, (at_ms - 10) * 1000, 0, counts, 10)
        return (encode_frame(hello_body(told)) if host_ms % 1000 == 10 else b"") + frame

    awake = {ms: frames(ms, ms) for ms in range(10, 4001, 10)}
    # The monotonic clock stands still in sleep: what the board sends after 2 s comes 30 s later on the boot clock.
    arrivals = {ms: data if ms < 2000 else frames(ms + 30_000, ms) for ms, data in awake.items()}
    scene = Scene(arrivals, slept=(2000, 30_000), wall_step=(3000, -90_000), stop_at=4100)
    assert capture(scene, journal, scene, scene.stop).ending is Ending.STOPPED
    tape = read_tapes(tmp_path)["cradle-a"]
    texts = [(note.severity, note.text) for note in tape.notes]
    assert ("caution", "clock step: computer slept 30.000 s") in texts
    assert ("caution", "clock step: wall clock stepped -90.000 s") in texts
    device = recover_wire(tape, origin_ns=0, tolerance=50e-6)
    (segment,) = device.streams[0].segments
    missing = np.flatnonzero(np.diff(segment.sequence) != 1)
    assert segment.sequence[missing].tolist() == [1989]
    assert int(np.diff(segment.sequence)[missing[0]]) - 1 == 30_000
    assert device.clock is not None
    host = device.clock.to_host_ns(segment.key, segment.ticks)
    gap = (host[missing[0] + 1] - host[missing[0]]) / 1e9
    assert gap == pytest.approx(30.001, abs=0.002)  # 50 ppm of 30 s
