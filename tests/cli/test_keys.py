"""Keys on a pseudo-terminal: read at once and unseen, the terminal set back on every way out; what they mean."""

import os
import pty
import sys
import termios
from contextlib import contextmanager
from pathlib import Path

import pytest

from standbook.cli.keys import Key, KeyMarks, reading_keys
from standbook.daq.config.plan import Mark
from standbook.daq.errors import RecordError
from standbook.daq.host_clock import HostClocks, HostTime
from standbook.daq.run.marks import read_marks
from tests.cli.made_run import until

pytestmark = pytest.mark.xdist_group("real_time")

PLAN_MARKS = (Mark(key="P", text="fuel tank pressurising"), Mark(key=" ", text="countdown hold"))


@pytest.fixture
def terminal(monkeypatch):
    """A terminal as standard input, as if this process were in its foreground."""
    master, slave = pty.openpty()
    with os.fdopen(slave, encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        monkeypatch.setattr(os, "tcgetpgrp", lambda _descriptor: os.getpgrp())
        yield master
    os.close(master)


def pressed(reader, count):
    keys = []
    until(lambda: keys.extend(reader.pressed()) or len(keys) >= count, f"{count} keys")
    return keys


def test_keys_come_one_by_one_with_their_instant_and_are_not_echoed(terminal):
    clocks = HostClocks()
    with reading_keys(clocks) as reader:
        begun = clocks.now().monotonic_ns
        os.write(terminal, b"p")
        (first,) = pressed(reader, 1)
        os.write(terminal, b" \x7f\x13q")  # ctrl-S is a key like another
        rest = pressed(reader, 4)
    assert (first.text, [key.text for key in rest]) == ("p", [" ", "\x7f", "\x13", "q"])
    assert begun <= first.when.monotonic_ns <= rest[0].when.monotonic_ns
    os.set_blocking(terminal, False)
    with pytest.raises(BlockingIOError):
        os.read(terminal, 1)


def test_an_arrow_is_no_key(terminal):
    with reading_keys() as reader:
        os.write(terminal, b"\x1b[A")
        os.write(terminal, b"\x1b[B")
        os.write(terminal, b"")
        until(lambda: termios.tcgetattr(sys.stdin.fileno()) and not _waiting(), "the arrows to be read")
        os.write(terminal, b"x")
        assert [key.text for key in pressed(reader, 1)] == ["x"]


def _waiting():
    import select

    return select.select([sys.stdin.fileno()], [], [], 0.0)[0]


@contextmanager
def failing():
    with pytest.raises(KeyboardInterrupt):
        yield


def test_the_terminal_is_set_back_whatever_happens(terminal):
    before = termios.tcgetattr(sys.stdin.fileno())
    with failing(), reading_keys() as reader:
        assert reader is not None
        raw = termios.tcgetattr(sys.stdin.fileno())
        assert raw[3] & (termios.ICANON | termios.ECHO) == 0
        assert raw[3] & termios.ISIG  # ctrl-C stays what it is
        raise KeyboardInterrupt
    assert termios.tcgetattr(sys.stdin.fileno()) == before


def test_a_terminal_that_goes_away_ends_the_keys_alone(terminal, monkeypatch):
    with reading_keys() as reader:
        os.dup2(os.open(os.devnull, os.O_RDONLY), sys.stdin.fileno())
        assert reader.pressed() == []


def test_no_terminal_gives_no_keys(monkeypatch):
    with Path(os.devnull).open(encoding="utf-8") as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        with reading_keys() as reader:
            assert reader is None


def test_a_process_in_the_background_leaves_the_terminal_alone(terminal, monkeypatch):
    monkeypatch.setattr(os, "tcgetpgrp", lambda _descriptor: os.getpgrp() + 1)
    before = termios.tcgetattr(sys.stdin.fileno())
    with reading_keys() as reader:
        assert reader is None
        assert termios.tcgetattr(sys.stdin.fileno()) == before


def key(text, at=5):
    return Key(text, HostTime(at, at, at))


def test_a_key_of_the_plan_drops_its_mark_at_the_instant_it_was_pressed(tmp_path):
    marks = KeyMarks(PLAN_MARKS[:1], tmp_path / "marks.jsonl", HostClocks())
    assert marks.press(key("p", 42))
    (mark,) = read_marks(tmp_path / "marks.jsonl")
    assert (mark.text, mark.key, mark.monotonic_ns) == ("fuel tank pressurising", "P", 42)


def test_space_drops_a_mark_without_a_name_and_backspace_strikes_the_last_that_stands(tmp_path):
    marks = KeyMarks(PLAN_MARKS[:1], tmp_path / "marks.jsonl", HostClocks())
    assert not marks.press(key("\x7f"))  # nothing to strike out
    for pressed_key in (" ", "P", "\x7f", "\b"):
        assert marks.press(key(pressed_key))
    found = read_marks(tmp_path / "marks.jsonl")
    assert [(mark.text, mark.struck) for mark in found] == [("", True), ("fuel tank pressurising", True)]
    assert len((tmp_path / "marks.jsonl").read_bytes().splitlines()) == 4  # all that was done stays


def test_a_key_that_is_held_down_is_no_flood_of_marks_and_strikes_not_all_of_them_out(tmp_path):
    marks = KeyMarks(PLAN_MARKS[:1], tmp_path / "marks.jsonl", HostClocks())
    for at in range(0, 3000, 400):  # [ms] pressed as fast as a person does
        assert marks.press(key(" ", at * 1_000_000))
    for at in [3500, *range(4000, 9000, 33)]:  # held: it repeats after half a second
        marks.press(key("\x7f", at * 1_000_000))
    assert [mark.struck for mark in marks.log.marks] == [False] * 6 + [True] * 2


def test_the_plan_wins_over_a_key_of_ours(tmp_path):
    marks = KeyMarks(PLAN_MARKS, tmp_path / "marks.jsonl", HostClocks())
    assert marks.press(key(" "))
    assert marks.log.marks[0].text == "countdown hold"


def test_any_other_key_means_nothing(tmp_path):
    marks = KeyMarks(PLAN_MARKS, tmp_path / "marks.jsonl", HostClocks())
    assert [marks.press(key(one)) for one in ("q", "\r", "é", "\x13")] == [False] * 4
    assert not (tmp_path / "marks.jsonl").exists()


def test_a_disk_that_refuses_a_mark_is_said(tmp_path):
    marks = KeyMarks(PLAN_MARKS, tmp_path / "absent" / "marks.jsonl", HostClocks())
    with pytest.raises(RecordError, match="cannot write the mark"):
        marks.press(key("p"))
