"""The capture process on real pseudo-terminals: signals, kills, ports that come back, a disk that fills."""

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

import pytest

import standbook.daq.capture.process
from standbook.daq.capture.launcher import CaptureHandle, start_capture
from standbook.daq.capture.process import Ending, Order, main, record
from standbook.daq.capture.process_status import CaptureStatus, StatusBoard, read_status
from standbook.daq.capture.serial_port import PortInfo
from standbook.daq.errors import LinkError, RecordError
from standbook.daq.host_clock import HostClocks
from standbook.daq.journal.reader import JournalFollower, read_journal
from standbook.daq.journal.record_format import Event
from standbook.daq.journal.writer import journals_of

pytestmark = pytest.mark.xdist_group("real_time")

PATIENCE = 20.0  # [s] until a test that would hang fails; nothing takes this long when it passes

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


@pytest.mark.slow
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
def test_a_second_capture_finds_the_port_busy(tmp_path: Path, pty: Pty, started: Callable[..., CaptureHandle]) -> None:
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
def test_a_replugged_device_goes_on_in_a_new_journal(tmp_path: Path, started: Callable[..., CaptureHandle]) -> None:
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
    time.sleep(3 * standbook.daq.capture.process.RETRY)
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
        "from standbook.daq.capture.process import main; sys.exit(main(sys.argv[1:]))"
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


# --- in this process: the paths that need no signal


@pytest.fixture
def calm(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Keep ``main`` from changing the priority and the signal handlers of the test run."""
    monkeypatch.setattr("standbook.daq.capture.process._come_first", lambda: None)
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
def test_a_stop_ends_main_with_zero(tmp_path: Path, pty: Pty, calm: None, capsys: pytest.CaptureFixture[str]) -> None:
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
    standbook.daq.capture.process._come_first()
    assert len(asked) == 2
    assert asked[-1] == -10


@needs_pty
def test_a_port_that_moved_is_found_by_its_usb_serial_number(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    first, second = Pty(), Pty()
    present = [PortInfo(first.path, "0007", "node")]
    monkeypatch.setattr(standbook.daq.capture.process, "list_ports", lambda: tuple(present))
    really_open = standbook.daq.capture.process.open_port

    def open_as_hardware(path: str, baud: int) -> object:
        port = really_open(path, baud)
        port.is_pseudo = False
        return port

    monkeypatch.setattr(standbook.daq.capture.process, "open_port", open_as_hardware)
    pauses: list[float] = []

    def pause(seconds: float) -> None:
        pauses.append(seconds)
        present[:] = [PortInfo(second.path, "0007", "node")]

    def stop() -> bool:
        if len(journals_of(tmp_path, "cradle-a")) == 1 and first.master >= 0:
            first.close()
        return len(journals_of(tmp_path, "cradle-a")) == 2

    board = StatusBoard(None, CaptureStatus(device="cradle-a", pid=os.getpid(), port=first.path))
    order = Order("cradle-a", first.path, 115_200, tmp_path)
    end = record(order, board, HostClocks(), stop, pause=pause)
    board.end("stopped", 0)
    second.close()
    assert end.ending is Ending.STOPPED
    assert pauses == [standbook.daq.capture.process.RETRY]
    assert read_journal(tmp_path / "cradle-a_002.arrows").meta["port"] == second.path
    assert read_journal(tmp_path / "cradle-a_002.arrows").meta["usb_serial_number"] == "0007"
