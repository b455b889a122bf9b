"""Recording as processes of its own: the normal stop, kills, lost pipes; what reached the disk is never lost."""

import json
import os
import pty
import signal
import subprocess
import sys
from contextlib import contextmanager, suppress
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standbook.cli.main import run
from standbook.daq.capture.process_status import read_status
from standbook.daq.config.stand import read_stand
from standbook.daq.recording.journal_follower import Follower
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.rehearsal.fault_catalogue import DroppedBytes
from standbook.daq.run.run_folder import check_run
from standbook.daq.storage.folder_lock import is_folder_locked
from tests.cli.made_run import PATIENCE, ended, small_campaign, standbook, until
from tests.playing import playing
from tests.studies.real_time_loss import made_up_table

pytestmark = pytest.mark.xdist_group("real_time")

SECONDS = 120.0  # longer than any test takes


@pytest.fixture
def campaign(tmp_path):
    return small_campaign(tmp_path)


class Recording:
    """A recorder with its capture, seen from outside by what they write."""

    def __init__(self, campaign, process):
        self.campaign = campaign
        self.process = process
        self.folder = until(self._folder, "the run folder")
        self.raw = self.folder / "raw"
        device = read_stand(campaign / "stand.toml").device[0]
        self._follower = Follower(device, self.raw)

    def _folder(self):
        found = [f for f in (self.campaign / "runs").glob("*") if not f.name.startswith(".")]
        return found[0] if found else None

    def status(self):
        return read_status(self.raw / "cradle-a_capture.json")

    def rows(self):
        return self._follower.poll().rows

    def until_rows(self, rows):
        until(lambda: self.rows() >= rows, f"{rows} rows on the disk")

    def kill_capture(self):
        with suppress(ProcessLookupError, AttributeError):
            os.kill(self.status().pid, signal.SIGKILL)

    def end(self):
        out, err = self.process.communicate(timeout=PATIENCE)
        return self.process.returncode, out, err

    def samples(self):
        return pd.read_parquet(self.folder / "samples/cradle-a_fast.parquet")


@contextmanager
def recording(campaign, port, *more, **options):
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, **options}
    arguments = ["--postdiction", "--rehearsal", "--no-analysis", "--port", f"cradle-a={port}", *more]
    process = standbook("record", campaign / "plans/WF-03.toml", *arguments, **options)
    with ended(process):
        made = Recording(campaign, process)
        try:
            yield made
        finally:
            made.kill_capture()


def is_what_was_played(frame, table):
    """Tell whether every recorded count is the one of the table."""
    names = [f"{tag}.counts" for tag in ("LC-1", "PT-11", "PT-12", "PT-13", "PT-21", "PT-22", "PT-23", "PT-31")]
    return np.array_equal(frame[names].to_numpy(), table.streams[0].counts[frame["sequence"].to_numpy()])


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_first_signal_is_the_normal_stop(campaign, number):
    table = made_up_table(SECONDS)
    with playing(RehearsalDevice(table)) as port, recording(campaign, port) as made:
        made.until_rows(500)
        made.process.send_signal(number)
        code, out, err = made.end()
    assert (code, [line for line in err.splitlines() if "may fall asleep" not in line]) == (0, [])
    assert "Sealed:" in out
    assert "raw/cradle-a_001.arrows" in check_run(made.folder).files
    frame = made.samples()
    assert len(frame) >= 500
    assert frame["sequence"].tolist() == list(range(len(frame)))
    assert is_what_was_played(frame, table)
    assert made.status().state == "stopped"


@pytest.mark.slow
def test_recording_for_some_seconds_stops_by_itself(campaign):
    with playing(RehearsalDevice(made_up_table(SECONDS))) as port, recording(campaign, port, "--for", "1.2") as made:
        code, _, _ = made.end()
    assert code == 0
    # the device waits 0.3 s after the opening; a busy computer may look at the clock late, never early
    assert 600 < len(made.samples()) < 1000 * SECONDS / 2
    check_run(made.folder)


@pytest.mark.slow
def test_rows_on_the_disk_before_recorder_and_capture_were_killed_are_sealed(campaign, capsys):
    table = made_up_table(SECONDS)
    with playing(RehearsalDevice(table)) as port, recording(campaign, port) as made:
        made.until_rows(1000)
        rows = made.rows()
        made.process.kill()
        made.kill_capture()
        code, _, _ = made.end()
        assert code == -signal.SIGKILL
        assert not (made.folder / "manifest.json").exists()
        until(lambda: not is_folder_locked(made.raw), "the end of capture")
        assert run(["recover", str(made.folder), "--no-analysis"]) == 10  # the end is not proven
    assert "WARN" not in capsys.readouterr().err
    frame = made.samples()
    assert len(frame) >= rows
    assert frame["sequence"].tolist() == list(range(len(frame)))
    assert is_what_was_played(frame, table)
    check_run(made.folder)


@pytest.mark.slow
def test_a_capture_that_outlives_its_recorder_goes_on_and_is_not_sealed_beside(campaign, capsys):
    table = made_up_table(SECONDS)
    with playing(RehearsalDevice(table)) as port, recording(campaign, port) as made:
        made.until_rows(200)
        made.process.kill()
        made.end()
        made.until_rows(made.rows() + 500)
        pid = made.status().pid
        assert run(["recover", str(made.folder), "--no-analysis"]) == 6
        assert f"still being recorded: cradle-a (process {pid}); end that first: kill {pid}" in capsys.readouterr().err
        assert not (made.folder / "manifest.json").exists()
        os.kill(pid, signal.SIGTERM)
        until(lambda: not is_folder_locked(made.raw), "the end of capture")
        assert made.status().exit_code == 0
        assert run(["recover", str(made.folder), "--no-analysis"]) == 10  # the recorder did not say how it ended
    assert "recording ended early" in capsys.readouterr().out
    assert len(made.samples()) >= 700
    assert is_what_was_played(made.samples(), table)


@pytest.mark.slow
def test_a_capture_that_dies_ends_the_recording_in_its_sentence_and_the_run_is_sealed(campaign):
    with playing(RehearsalDevice(made_up_table(SECONDS))) as port, recording(campaign, port) as made:
        made.until_rows(300)
        made.kill_capture()
        code, out, err = made.end()
    assert code == 10
    assert "capture ended unexpectedly by signal 9" in err
    assert "recording ended early: cradle-a: capture ended unexpectedly by signal 9" in out.partition("Sealed:")[2]
    assert len(made.samples()) >= 300
    check_run(made.folder)


@pytest.mark.slow
def test_a_recording_that_cannot_be_sealed_says_how_to_do_it_later(campaign, capsys):
    with playing(RehearsalDevice(made_up_table(SECONDS))) as port, recording(campaign, port) as made:
        made.until_rows(300)
        (made.folder / "samples").write_text("in the way", encoding="utf-8")
        made.process.send_signal(signal.SIGINT)
        code, _, err = made.end()
    assert code == 6
    assert f"recover it with: standbook recover {made.folder}" in err
    (made.folder / "samples").unlink()
    assert run(["recover", str(made.folder), "--no-analysis"]) == 0
    assert len(made.samples()) >= 300


@pytest.mark.slow
def test_rows_of_one_device_are_kept_when_another_is_silent(campaign, capsys):
    stand = campaign / "stand.toml"
    second = '\n[[device]]\nname = "cradle-b"\nserial = "0008"\nbaud = 115200\nformat = "wire 1"\n'
    stand.write_text(stand.read_text(encoding="utf-8") + second + 'clock_tolerance = "50 ppm"\n', encoding="utf-8")
    master, silent = pty.openpty()
    with playing(RehearsalDevice(made_up_table(SECONDS))) as port:
        arguments = ["record", campaign / "plans/WF-03.toml", "--postdiction", "--rehearsal", "--no-analysis"]
        arguments += ["--port", f"cradle-a={port}", "--port", f"cradle-b={os.ttyname(silent)}"]
        assert run([str(argument) for argument in arguments]) == 4
    for end in (master, silent):
        os.close(end)
    err = capsys.readouterr().err
    assert "cradle-b" in err
    assert "silence" in err
    (folder,) = (campaign / "runs").iterdir()
    assert f"recover it with: standbook recover {folder}" in err
    assert run(["recover", str(folder), "--no-analysis"]) == 10  # of the other nothing came
    assert len(pd.read_parquet(folder / "samples/cradle-a_fast.parquet")) > 1000


@pytest.mark.slow
def test_a_capture_that_dies_does_not_end_that_of_another_device(campaign):
    stand = campaign / "stand.toml"
    second = '\n[[device]]\nname = "cradle-b"\nclock_tolerance = "50 ppm"\n'
    stand.write_text(stand.read_text(encoding="utf-8") + second, encoding="utf-8")
    with (
        playing(RehearsalDevice(made_up_table(SECONDS))) as port,
        playing(RehearsalDevice(made_up_table(SECONDS, seed=2))) as other,
        recording(campaign, port, "--port", f"cradle-b={other}") as made,
    ):
        made.until_rows(200)
        os.kill(read_status(made.raw / "cradle-b_capture.json").pid, signal.SIGKILL)
        made.until_rows(made.rows() + 1000)
        assert made.process.poll() is None
        made.process.send_signal(signal.SIGINT)
        code, out, err = made.end()
    assert code == 10
    assert "cradle-b: capture ended unexpectedly by signal 9" in err
    assert "Sealed:" in out
    assert len(made.samples()) >= 1200
    check_run(made.folder)


def test_a_recording_stopped_before_one_byte_came_keeps_no_run(campaign, capsys):
    master, silent = pty.openpty()
    plan, port = campaign / "plans/WF-03.toml", os.ttyname(silent)
    assert run(["record", str(plan), "--postdiction", "--port", f"cradle-a={port}", "--for", "0"]) == 4
    for end in (master, silent):
        os.close(end)
    assert f"WF-03: not one byte came from {port}" in capsys.readouterr().err
    assert list((campaign / "runs").iterdir()) == []


def opens(process):
    """Return what a process has open, where the system tells."""
    with suppress(OSError):
        return {str(file.readlink()) for file in Path(f"/proc/{process.pid}/fd").iterdir()}
    return set()


@pytest.mark.slow
@pytest.mark.skipif(not sys.platform.startswith("linux"), reason="only Linux tells what a process has open")
def test_sigterm_ends_a_command_as_ctrl_c_does_and_leaves_nothing():
    master, silent = pty.openpty()
    name = os.ttyname(silent)
    process = standbook("ports", "--listen", name, "--seconds", "60", stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    with ended(process):
        until(lambda: name in opens(process), "the port to be opened")
        process.send_signal(signal.SIGTERM)
        _, err = process.communicate(timeout=PATIENCE)
    for end in (master, silent):
        os.close(end)
    assert (process.returncode, err.splitlines()[-1]) == (143, "standbook: stopped")
    assert "Traceback" not in err


@pytest.mark.slow
def test_nobody_reading_the_screen_does_not_end_the_recording(campaign):
    read, write = os.pipe()
    os.close(read)
    with (
        playing(RehearsalDevice(made_up_table(SECONDS))) as port,
        recording(campaign, port, "--for", "1", stdout=write) as made,
    ):
        os.close(write)
        code, _, err = made.end()
    assert code == 141  # 128 + SIGPIPE, after the work was done
    assert "Traceback" not in err
    assert len(made.samples()) > 400
    check_run(made.folder)


def test_lost_rows_end_in_exit_code_10(campaign, capsys):
    device = RehearsalDevice(made_up_table(2.0), faults=[DroppedBytes(at=0.7, count=30)])
    with playing(device) as port:
        arguments = ["record", campaign / "plans/WF-03.toml", "--postdiction", "--rehearsal", "--no-analysis", "--port"]
        assert run([str(a) for a in (*arguments, f"cradle-a={port}")]) == 10
    said = capsys.readouterr().out
    (folder,) = (campaign / "runs").iterdir()
    stream = json.loads((folder / "record.json").read_text(encoding="utf-8"))["devices"]["cradle-a"]["streams"]["fast"]
    assert 0 < stream["lost_rows"] < 100
    assert stream["rows"] + stream["lost_rows"] == 2000
    assert f"{stream['lost_rows']} lost in 1 gap" in said


def test_a_link_or_weighings_that_would_write_over_something_are_refused(campaign, capsys):
    plan, taken = campaign / "plans/WF-03.toml", campaign / "stand.toml"
    before = taken.read_bytes()
    for option in ("--link", "--weighings"):
        assert run(["rehearse", str(plan), option, str(taken)]) == 2
        assert f"{option} {taken}: exists already" in capsys.readouterr().err
        assert run(["rehearse", str(plan), option, str(campaign / "absent/it")]) == 2
        assert "there is no folder" in capsys.readouterr().err
    assert taken.read_bytes() == before
