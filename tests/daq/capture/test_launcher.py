"""A capture process that misbehaves is told about in one sentence and never waited for without end."""

import os
import signal
import subprocess
import sys
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest

from standbook.daq.capture.launcher import CaptureHandle, start_capture
from standbook.daq.errors import LinkError, RecordError
from standbook.daq.journal.reader import read_journal

pytestmark = [
    pytest.mark.xdist_group("real_time"),
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="the system has no pseudo-terminals"),
]


@pytest.fixture
def port() -> Iterator[str]:
    master, slave = os.openpty()
    tty.setraw(slave)
    yield os.ttyname(slave)
    os.close(slave)
    os.close(master)


def ended_with(program: str, tmp_path: Path) -> CaptureHandle:
    process = subprocess.Popen([sys.executable, "-c", program], stderr=subprocess.PIPE)
    process.wait()
    return CaptureHandle(process, "cradle-a", tmp_path, tmp_path / "status.json")


def test_a_capture_that_does_not_stop_is_killed_and_its_journal_stands(tmp_path: Path, port: str) -> None:
    handle = start_capture("cradle-a", port, 115_200, tmp_path)
    handle.wait_until_recording()
    os.kill(handle.pid, signal.SIGSTOP)
    assert handle.stop(timeout=0.1) == -signal.SIGKILL
    assert handle.stop() == -signal.SIGKILL
    assert not read_journal(tmp_path / "cradle-a_001.arrows").closed


def test_a_capture_that_says_nothing_is_waited_for_only_so_long(tmp_path: Path, port: str) -> None:
    handle = start_capture("cradle-a", port, 115_200, tmp_path)
    os.kill(handle.pid, signal.SIGSTOP)
    with pytest.raises(LinkError, match=r"cradle-a: the port did not open within 0\.05 s"):
        handle.wait_until_recording(timeout=0.05)
    handle.stop(timeout=0.0)


def test_a_capture_whose_status_the_disk_does_not_take_records_all_the_same(tmp_path: Path, port: str) -> None:
    handle = start_capture("cradle-a", port, 115_200, tmp_path, status=tmp_path / "no-folder" / "status.json")
    handle.wait_until_recording()
    assert handle.status() is None
    assert handle.stop() == 0
    assert [path.name for path in handle.journals] == ["cradle-a_001.arrows"]


def test_the_status_of_an_earlier_process_is_not_taken_for_this_one(tmp_path: Path, port: str) -> None:
    first = start_capture("cradle-a", port, 115_200, tmp_path)
    first.wait_until_recording()
    assert first.stop() == 0
    second = start_capture("cradle-a", port, 115_200, tmp_path)
    second.wait_until_recording()
    assert second.journal_path == tmp_path / "cradle-a_002.arrows"
    assert first.status() is None
    assert second.stop() == 0


@pytest.mark.parametrize(
    ("program", "kind", "sentence"),
    [
        ("import sys; sys.exit('no module')", RecordError, r"ended unexpectedly with code 1; .* \(no module\)$"),
        ("import sys; sys.exit(4)", LinkError, "cradle-a: capture ended with code 4"),
        ("import os; os.kill(os.getpid(), 9)", RecordError, "ended unexpectedly by signal 9; its journal holds"),
    ],
)
def test_every_way_to_end_has_its_branch_and_sentence(
    tmp_path: Path, program: str, kind: type[Exception], sentence: str
) -> None:
    handle = ended_with(program, tmp_path)
    with pytest.raises(kind, match=sentence):
        handle.wait_until_recording()


def test_a_capture_that_ended_well_before_anyone_looked_is_no_error(tmp_path: Path) -> None:
    handle = ended_with("", tmp_path)
    handle.wait_until_recording()
    assert handle.error() is None
    assert handle.stop() == 0


def test_a_port_whose_name_looks_like_an_option_is_no_such_port(tmp_path: Path) -> None:
    handle = start_capture("cradle-a", "--for", 115_200, tmp_path)
    with pytest.raises(LinkError, match="--for: no such port"):
        handle.wait_until_recording()
    handle.stop()
