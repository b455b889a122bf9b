"""One key a level: in their order, refused while the signal moves, struck out and taken again."""

import numpy as np
import pytest

from standbook.daq.bench.level_taking import LevelTaking, Planned
from standbook.daq.host_clock import HostTime
from standbook.daq.run.marks import MarkLog, read_marks
from tests.daq.bench.test_live_level import followed, play, stair
from tests.recorded_run import starter

LEVELS = [Planned(1, value, "bar(g)", way) for value, way in (("0", "up"), ("30", "up"), ("60", "up"), ("30", "down"))]


AT = 8_000_000_000  # ns, after the first level


class Clock:
    def now(self):
        return HostTime(1, 2, 3)


@pytest.fixture
def taking(tmp_path):
    live = followed(starter(tmp_path).folder)
    return LevelTaking(LEVELS, live, MarkLog(tmp_path / "marks.jsonl", Clock())), live, tmp_path / "marks.jsonl"


def test_levels_are_taken_in_their_order_and_refused_while_the_signal_moves(taking):
    steps, live, path = taking
    said = {}

    def look(second):
        if second in (8.0, 10.0, 16.0, 24.0, 32.0):
            steps.press(" ", round(second * 1e9))
            said[second] = steps.said

    play(live, stair(), look)
    assert said[8.0].startswith("taken: run 1 up 0 bar(g), signal 0.10")
    assert said[8.0].endswith(" V/V indicated")
    assert said[10.0].startswith("not taken: jumped by 0.1")
    assert [one.text for one in read_marks(path)] == [one.mark.text for one in steps.taken]
    assert [one.value for one in steps.taken] == ["0", "30", "60", "30"]
    assert steps.next is None
    steps.press(" ", AT)
    assert steps.said == "all levels are taken"


def test_what_the_reference_shows_is_typed_where_it_is_not_what_was_planned(taking):
    steps, live, _ = taking
    play(live, stair()[:800], lambda _: None)
    for key in "0.123":
        steps.press(key, AT)
    steps.press("\x7f", AT)
    steps.press("\r", AT)
    assert steps.taken[0].value == "0.12"
    assert steps.typed == ""
    assert steps.said.startswith("taken: run 1 up 0.12 bar(g)")


def test_a_level_is_struck_out_and_taken_again(taking):
    steps, live, path = taking
    play(live, stair()[:800], lambda _: None)
    steps.press(" ", AT)
    steps.press("\b", AT)
    assert steps.said == "struck out: run 1 up 0 bar(g)"
    assert steps.next == LEVELS[0]
    steps.press(" ", AT)
    assert [mark.struck for mark in read_marks(path)] == [True, False]
    steps.press("\b", AT)
    steps.press("\b", AT)
    assert steps.said == "nothing to strike out"


def test_a_pump_that_was_not_turned_gives_no_other_level(taking):
    steps, live, _ = taking
    play(live, stair()[:800], lambda _: None)
    steps.press(" ", AT)
    steps.press(" ", AT)
    assert steps.said == "not taken: the signal is still what it was at 0 bar(g)"
    assert (steps.place, steps.why_not(AT)) == ("2/4", "still at 0 bar(g)")
    for key in "0.0":
        steps.press(key, AT)
    steps.press(" ", AT)
    assert steps.said.startswith("taken: run 1 up 0.0 bar(g)")


def test_what_is_no_number_and_a_board_that_is_silent_take_nothing(taking):
    steps, live, path = taking
    steps.press(" ", AT)
    assert steps.said == "not taken: no rows yet"
    for key in "1.2.3":
        steps.press(key, AT)
    steps.press(" ", AT)
    assert steps.said == 'not taken: "1.2.3" is no number'
    assert np.size(read_marks(path)) == 0
    assert live.span == 0.0
