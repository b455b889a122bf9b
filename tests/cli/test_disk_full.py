"""A small disk fills while a test is recorded: what was written is whole, and what to do is said.

Needs a file system of 20 MB that only this test uses, so root; elsewhere the tests are skipped, and the same with
stand-ins is in tests/daq.
"""

import os
import signal
import subprocess
import sys
import tty
from contextlib import contextmanager, suppress

import pytest

from standbook.cli.main import run
from standbook.daq.capture.disk_space import RESERVE
from standbook.daq.capture.launcher import start_capture
from standbook.daq.capture.process_status import read_status
from standbook.daq.config.stand import read_stand
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.writer import journals_of
from standbook.daq.recording.journal_follower import Follower
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.storage.folder_lock import is_folder_locked
from tests.cli.made_run import PATIENCE, ended, small_campaign, standbook, until
from tests.playing import playing
from tests.studies.real_time_loss import made_up_table

pytestmark = pytest.mark.xdist_group("real_time")

DISK_BYTES = 20 << 20
SECONDS = 120.0  # longer than any test takes


@pytest.fixture
def disk(tmp_path):
    """A disk of 20 MB."""
    if not sys.platform.startswith("linux") or os.geteuid() != 0:
        pytest.skip("only root on Linux can make a small disk")
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", str(place)], capture_output=True, check=False
    )
    if mounted.returncode:
        pytest.skip(f"no small disk can be made here: {mounted.stderr.decode().strip()}")
    yield place
    subprocess.run(["umount", str(place)], check=True)


def free(place):
    found = os.statvfs(place)
    return found.f_bavail * found.f_frsize


def fill(place, leave):
    """Leave this many bytes."""
    with (place / "filler").open("ab", buffering=0) as file, suppress(OSError):
        while (room := free(place) - leave) > 0:
            file.write(bytes(min(room, 1 << 16)))


@contextmanager
def recording(disk):
    """Record a simulated device onto the disk; give process, folder and a follower that has seen rows."""
    campaign = small_campaign(disk)
    with playing(RehearsalDevice(made_up_table(SECONDS))) as port:
        arguments = ["record", campaign / "plans/WF-03.toml", "--postdiction", "--rehearsal", "--no-analysis"]
        process = standbook(*arguments, "--port", f"cradle-a={port}", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        with ended(process):
            runs = campaign / "runs"
            found = until(
                lambda: [f for f in runs.glob("*") if not f.name.startswith(".")] if runs.exists() else [], "a run"
            )
            raw = found[0] / "raw"
            follower = Follower(read_stand(campaign / "stand.toml").device[0], raw)
            try:
                until(lambda: raw.exists() and follower.poll().rows > 500, "rows")
                yield process, found[0], follower
            finally:
                status = read_status(raw / "cradle-a_capture.json")
                if status is not None and is_folder_locked(raw):
                    os.kill(status.pid, signal.SIGKILL)


def is_whole(folder):
    (path,) = journals_of(folder / "raw", "cradle-a")
    journal = read_journal(path)
    return journal.torn_bytes == 0 and not journal.damage


@pytest.mark.slow
def test_recording_stops_in_order_before_the_disk_is_full(disk):
    with recording(disk) as (process, folder, follower):
        fill(disk, leave=RESERVE + 150_000)  # some seconds of this device, reserve for stopping included
        out, err = process.communicate(timeout=PATIENCE)
        rows = follower.poll().rows
    assert process.returncode == (10 if "Sealed:" in out else 6)  # not whole, or not sealed
    assert "recording was stopped because only" in err
    assert "what was received until then is written; free some space or choose another disk" in err
    assert is_whole(folder)
    (path,) = journals_of(folder / "raw", "cradle-a")
    assert read_journal(path).closed
    if "Sealed:" not in out:  # how much room sealing needs is its own affair
        assert f"standbook recover {folder}" in err
        (disk / "filler").unlink()
        assert run(["recover", str(folder), "--no-analysis"]) == 10
    assert "recording ended early" in (folder / "record.json").read_text()
    assert rows > 500
    assert (folder / "manifest.json").exists()


@pytest.mark.slow
def test_a_disk_that_is_full_at_once_loses_nothing_that_was_written(disk):
    with recording(disk) as (process, folder, follower):
        before = follower.poll().rows
        fill(disk, leave=0)
        out, err = process.communicate(timeout=PATIENCE)
        (path,) = journals_of(folder / "raw", "cradle-a")
        rows = follower.poll().rows
    assert process.returncode == 6
    assert "Traceback" not in err
    assert "free some space or choose another disk" in err
    assert "Sealed:" not in out
    assert "cradle-a_001.arrows: cannot write the journal: disk full" in err or "recording was stopped" in err
    assert f"standbook recover {folder}" in err
    assert "the journals" in err
    assert is_whole(folder)
    assert rows >= before
    (disk / "filler").unlink()
    assert run(["recover", str(folder), "--no-analysis"]) in (
        0,
        10,
    )  # 10: there was no room left to say that it was closed
    assert (folder / "manifest.json").exists()
    assert len(read_journal(path).stream) > 0


@pytest.mark.slow
def test_a_device_fills_the_disk_by_itself_and_capture_ends_in_order(disk):
    """Without a recorder that watches the room: 20 MB of journal, then the system says no."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    raw = disk / "raw"
    raw.mkdir()
    handle = start_capture("cradle-a", os.ttyname(slave), 2_000_000, raw)
    sent = 0
    try:
        handle.wait_until_recording()
        pattern = bytes(range(251)) * 32
        while handle.poll() is None and sent < 2 * DISK_BYTES:
            at = sent % 251
            with suppress(BlockingIOError):
                sent += os.write(master, pattern[at : at + 4000])
        until(lambda: handle.poll() is not None, "the end of capture")
    finally:
        handle.stop()
        os.close(slave)
        os.close(master)
    assert handle.poll() == 6
    (path,) = handle.journals
    assert str(handle.error()) == f"{path}: cannot write the journal: disk full; free some space or choose another disk"
    journal = read_journal(path)
    assert journal.torn_bytes == 0
    assert journal.damage == ()
    assert len(journal.stream) > DISK_BYTES - (1 << 20)
    assert journal.stream == (bytes(range(251)) * (len(journal.stream) // 251 + 1))[: len(journal.stream)]
