import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.errors import RecordError
from standbook.daq.host_clock import HostTime
from standbook.daq.run.marks import MARKS_FILE, MarkLog, read_marks


class HandClocks:
    """Clocks that go on by a second each time they are read."""

    def __init__(self):
        self.seconds = 0

    def now(self):
        self.seconds += 1
        return HostTime(self.seconds * 10**9, 10**18 + self.seconds * 10**9, 7 + self.seconds * 10**9)


def test_a_mark_is_in_the_file_with_the_three_clocks_when_drop_returns(tmp_path):
    log = MarkLog(tmp_path / MARKS_FILE, HandClocks())
    mark = log.drop("fuel tank pressurising", key="P")
    line = json.loads((tmp_path / MARKS_FILE).read_text())
    assert line == {
        "n": 1,
        "text": "fuel tank pressurising",
        "key": "P",
        "by": "screen",
        "monotonic_ns": 10**9,
        "boottime_ns": 7 + 10**9,
        "wall_ns": 10**18 + 10**9,
    }
    assert (mark.number, mark.monotonic_ns, mark.struck) == (1, 10**9, False)
    assert read_marks(tmp_path / MARKS_FILE) == (mark,)


def test_a_struck_mark_stays_in_the_file_and_is_marked_as_struck(tmp_path):
    path = tmp_path / MARKS_FILE
    log = MarkLog(path, HandClocks())
    log.drop("one")
    before = path.read_bytes()
    log.strike(1)
    log.strike(1)
    log.drop("two")
    assert path.read_bytes().startswith(before)
    assert [(m.number, m.text, m.struck) for m in read_marks(path)] == [(1, "one", True), (3, "two", False)]
    assert read_marks(path) == log.marks


def test_a_mark_that_is_not_there_cannot_be_struck_out(tmp_path):
    log = MarkLog(tmp_path / MARKS_FILE, HandClocks())
    with pytest.raises(RecordError, match="there is no mark 4"):
        log.strike(4)
    assert not (tmp_path / MARKS_FILE).exists()


@given(st.integers(min_value=1, max_value=200))
def test_whatever_a_crash_left_of_the_last_line_earlier_marks_and_the_next_are_read(tmp_path_factory, cut):
    path = tmp_path_factory.mktemp("run") / MARKS_FILE
    log = MarkLog(path, HandClocks())
    log.drop("ä first", key="P")
    whole = path.read_bytes()
    log.drop("second")
    second = path.read_bytes()[len(whole) :]
    path.write_bytes(whole + second[: min(cut, len(second) - 2)])
    again = MarkLog(path, HandClocks())
    assert [m.text for m in again.marks] == ["ä first"]
    again.drop("third")
    assert [(m.number, m.text) for m in read_marks(path)] == [(1, "ä first"), (2, "third")]


def test_no_file_means_no_marks_and_a_folder_that_is_gone_is_said(tmp_path):
    assert read_marks(tmp_path / MARKS_FILE) == ()
    with pytest.raises(RecordError, match="cannot write the mark"):
        MarkLog(tmp_path / "gone" / MARKS_FILE, HandClocks()).drop("x")


def test_lines_of_others_are_left_alone(tmp_path):
    path = tmp_path / MARKS_FILE
    path.write_text('[1, 2]\n"word"\n\n{"n": 1}\n')
    assert read_marks(path) == ()
    MarkLog(path, HandClocks()).drop("mine")
    assert path.read_text().startswith('[1, 2]\n"word"\n\n{"n": 1}\n')
    assert [m.text for m in read_marks(path)] == ["mine"]
