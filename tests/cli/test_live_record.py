"""`record` on a real pseudo-terminal with its keys, without one, and watched from a second terminal."""

import fcntl
import os
import pty
import re
import signal
import struct
import subprocess
import termios
import threading
from contextlib import contextmanager, suppress

import pytest

from standbook.cli.main import run
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.run.marks import read_marks
from standbook.daq.run.run_folder import check_run
from tests.cli.made_run import PATIENCE, ended, small_campaign, standbook, until
from tests.playing import playing
from tests.studies.real_time_loss import made_up_table

pytestmark = pytest.mark.xdist_group("real_time")

SECONDS = 120.0  # longer than any test takes
FINE = (0, 10)  # on a busy computer the device, which never waits, may lose rows
MARK = '\n[[mark]]\nkey = "P"\ntext = "tank pressurising"\n'


@pytest.fixture
def campaign(tmp_path):
    folder = small_campaign(tmp_path)
    plan = folder / "plans/WF-03.toml"
    plan.write_text(plan.read_text(encoding="utf-8") + MARK, encoding="utf-8")
    return folder


class Person:
    """Sits at a terminal of 80 x 24."""

    def __init__(self):
        self.master, self.slave = pty.openpty()
        fcntl.ioctl(self.slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        self._read = bytearray()
        self._thread = threading.Thread(target=self._watch)
        self._thread.start()

    def _watch(self):
        with suppress(OSError):  # Linux: the other end is closed
            while data := os.read(self.master, 4096):
                self._read += data

    def press(self, keys):
        os.write(self.master, keys)

    def read(self):
        """All that was ever written, positions and styles taken out."""
        return re.sub(r"\x1b\[[0-9;]*[A-Za-z]", "\n", self._read.decode(errors="replace"))

    def until(self, pattern):
        until(lambda: re.search(pattern, self.read()), pattern)

    def foreground(self):
        """How a process is started in the foreground of this terminal."""
        return {"start_new_session": True, "preexec_fn": lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0)}

    def leave(self):
        for end in (self.slave, self.master):
            with suppress(OSError):
                os.close(end)

    def join(self):
        self._thread.join()


@contextmanager
def recording(campaign, port, *more, person=None):
    """A recorder whose terminal is that of the person, as in its foreground."""
    ends = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    if person is not None:
        ends = dict.fromkeys(("stdin", "stdout", "stderr"), person.slave)
        ends |= person.foreground()
    process = standbook(
        "record",
        campaign / "plans/WF-03.toml",
        "--postdiction",
        "--rehearsal",
        "--no-analysis",
        "--port",
        f"cradle-a={port}",
        *more,
        **ends,
    )
    with ended(process):
        yield process


def folder_of(campaign):
    return until(lambda: [f for f in (campaign / "runs").glob("*") if not f.name.startswith(".")], "the run")[0]


@pytest.mark.slow
def test_keys_drop_marks_on_the_live_screen_and_ctrl_c_stops(campaign):
    person = Person()
    before = termios.tcgetattr(person.slave)
    with playing(RehearsalDevice(made_up_table(SECONDS))) as port, recording(campaign, port, person=person) as process:
        person.until(r"cradle-a recording +[1-9][\d,]* rows/s")
        person.until("Keys: space = mark, P = tank pressurising, backspace = void")
        person.press(b"p")
        person.until(r"mark 1 [\d.]+ s  tank pressurising")
        person.press(b" ")
        person.until(r"mark 2 [\d.]+ s  \(no name\)")
        person.press(b"\x7f")
        person.until(r"mark 2 [\d.]+ s  \(no name\) \(VOID\)")
        person.press(b"\x03")
        assert process.wait(PATIENCE) in FINE
        person.until("Next: standbook analyse")
        assert termios.tcgetattr(person.slave) == before
    person.leave()
    person.join()
    said = person.read()
    assert "WF-03 water flow" in said
    assert "REHEARSAL" in said
    assert "never authority to approach" in said
    assert "Sealed:" in said.partition("Keys:")[2]
    folder = folder_of(campaign)
    marks = read_marks(folder / "marks.jsonl")
    assert [(mark.text, mark.key, mark.struck) for mark in marks] == [("tank pressurising", "P", False), ("", "", True)]
    assert "marks.jsonl" in check_run(folder).files


@pytest.mark.slow
def test_a_terminal_that_is_closed_does_not_end_the_recording(campaign):
    person = Person()
    with playing(RehearsalDevice(made_up_table(SECONDS))) as port, recording(campaign, port, person=person) as process:
        person.until(r"cradle-a recording +[1-9][\d,]* rows/s")
        folder = folder_of(campaign)
        journal = folder / "raw/cradle-a_001.arrows"
        person.leave()
        person.join()
        size = journal.stat().st_size
        until(lambda: journal.stat().st_size > size + 100_000, "rows after the terminal was closed")
        assert process.poll() is None
        process.send_signal(signal.SIGTERM)
        assert process.wait(PATIENCE) in FINE
    check_run(folder)


@pytest.mark.slow
@pytest.mark.parametrize("plain", [["--plain"], []])
def test_lines_are_printed_where_there_is_no_terminal_or_where_asked_for(campaign, plain):
    person = Person() if plain else None
    with (
        playing(RehearsalDevice(made_up_table(SECONDS))) as port,
        recording(campaign, port, "--for", "1", *plain, person=person) as process,
    ):
        said = process.communicate(timeout=PATIENCE)[0] if person is None else None
        assert process.wait(PATIENCE) in FINE
        if person is not None:
            person.until("Next: standbook analyse")
            said = person.read()
    if person is not None:
        person.leave()
        person.join()
    assert "phase STANDBY" in said
    assert re.search(r"\d s  cradle-a recording  [\d,]+ rows/s  lost 0  damaged 0", said)
    assert "A screen reading is never authority to approach." in said
    assert "Keys:" not in said


@pytest.mark.slow
def test_a_second_screen_only_watches_and_ends_with_the_recording(campaign, capsys):
    with (
        playing(RehearsalDevice(made_up_table(SECONDS))) as port,
        recording(campaign, port) as recorder,
    ):
        folder = folder_of(campaign)
        until(lambda: (folder / "raw/cradle-a_001.arrows").exists(), "the journal")
        watcher = standbook("watch", folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        leaver = standbook("watch", folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        with ended(watcher, leaver):
            seen = leaver.stdout.readline()
            assert "phase STANDBY" in seen
            leaver.send_signal(signal.SIGINT)
            said, err = leaver.communicate(timeout=PATIENCE)
            assert (leaver.returncode, err) == (0, "")
            assert "the recording goes on" in said
            until(lambda: "recording" in watcher.stdout.readline(), "the watcher's link line")
            assert recorder.poll() is None
            recorder.send_signal(signal.SIGINT)
            said, err = watcher.communicate(timeout=PATIENCE)
            assert (watcher.returncode, err) == (0, "")
        assert f"The recording has ended. Its recorder seals {folder} now." in said
        recorder.communicate(timeout=PATIENCE)
        assert recorder.returncode in FINE
    assert run(["watch", str(folder)]) == 6
    assert "it is sealed" in capsys.readouterr().err
    (folder / "manifest.json").unlink()
    assert run(["watch", str(folder)]) == 6
    assert "nobody records into it at this moment" in capsys.readouterr().err
