"""Plain lines: the facts of the screen every five seconds, and what is new at once."""

from dataclasses import replace

from standbook.cli.plain_lines import EVERY, PlainLines, status_lines
from standbook.daq.live.live_state import Phase, Validity
from tests.cli.live_states import (
    BURN,
    DISAGREE,
    LC_1,
    LINK,
    MARK,
    NO_LIGHT,
    PT_11,
    SAFING,
    VESSELS,
    picture,
    withdrawn,
)

QUIET = replace(BURN, marks=())


def shown(*steps):
    """Lines of a run of pictures; a step is a picture, or one with new and over alarms."""
    said = []
    lines = PlainLines(said.append)
    for step in steps:
        one, new, over = step if isinstance(step, tuple) else (step, (), ())
        lines.show(one, new, over)
    return said


def later(state, by):
    return replace(state, elapsed=state.elapsed + by, since_t_zero=state.since_t_zero + by)


def test_a_status_says_all_that_the_screen_shows():
    said = "\n".join(status_lines(picture(alarms=["NO LIGHT: PT-31 below 5 bar(g)"])))
    for part in (
        "REHEARSAL HF-02 static fire, BURN 10.1 s, T+10.2 s",
        "LC-1 1802 N, 0.1 s old, inside 1750 to 1930",
        "PT-21 21.9 bar(g), 0.1 s old, OUTSIDE 22.1 to 23.2",
        "PT-12 22.7 bar(g); PT-13 20.1 bar(g)",
        "oxidiser tank 22.7 bar(g); PT-11, PT-12 agree, 0.1 s old",
        "impulse 19,876 N*s of 40,960 N*s = 48.5 % (14 CFR 101.22 Class 2); indication only",
        "redline ARMED  no light: PT-31 below 5 bar(g)",
        "cradle-a recording  1,010 rows/s  lost 0  damaged 0  on disk 0.1 s ago",
        "disk 81.3 GB free, room for 90 h",
        "active alarm NO LIGHT: PT-31 below 5 bar(g)",
    ):
        assert part in said, part


def test_withdrawn_values_have_a_reason_and_no_number():
    gone = withdrawn(PT_11, Validity.NOT_RESPONDING)
    said = status_lines(picture(replace(BURN, channels=(gone, replace(gone, is_key=False)), vessels=(DISAGREE,))))
    assert "PT-11 -- bar(g) NOT RESPONDING, 0.9 s old" in said
    assert "PT-11 -- bar(g) NOT RESPONDING" in said
    assert "oxidiser tank unknown; PT-11, PT-12 DISAGREE, 0.1 s old" in said


def test_in_safing_the_whole_sentence_of_each_vessel_is_said():
    assert {DISAGREE.sentence, VESSELS[1].sentence} <= set(status_lines(picture(SAFING)))


def test_a_status_comes_every_five_seconds_and_not_between():
    said = shown(*(picture(later(QUIET, 0.1 * k)) for k in range(round(2 * EVERY / 0.1))))
    assert sum("HF-02 static fire, BURN" in line for line in said) == 2
    assert said[0] == "    83.4 s  T+10.2 s  phase BURN 10.1 s"


def test_alarms_are_said_at_once_and_when_they_are_over():
    begun = shown(picture(QUIET))
    said = shown(
        picture(QUIET), (picture(later(QUIET, 0.1)), ["NO LIGHT"], []), (picture(later(QUIET, 0.2)), [], ["NO LIGHT"])
    )
    assert said[len(begun) :] == [
        "    83.5 s  T+10.3 s  ALARM NO LIGHT",
        "    83.6 s  T+10.4 s  alarm cleared: NO LIGHT",
    ]


def test_phases_links_and_marks_are_said_when_they_change():
    begun = shown(picture(QUIET))
    lost = replace(LINK, state="lost")
    marked = replace(later(QUIET, 0.3), marks=(MARK,))
    struck = replace(later(QUIET, 0.4), marks=(replace(MARK, struck=True),))
    steps = [
        picture(later(QUIET, 0.1), links=[lost]),
        picture(later(QUIET, 0.2)),
        picture(marked),
        picture(marked),
        picture(struck),
    ]
    said = [line.partition("  T+")[2].partition("  ")[2] for line in shown(picture(QUIET), *steps)[len(begun) :]]
    assert [line.partition("  ")[0] for line in said] == [
        "cradle-a PORT LOST",
        "cradle-a recording",
        "mark 1 T-61.2 s",
        "mark 1 T-61.2 s",
    ]
    assert "(VOID)" in said[-1]
    after = shown(picture(QUIET), picture(replace(later(QUIET, 0.1), phase=Phase.SAFING, phase_seconds=0.0)))
    assert "phase SAFING 0.0 s" in after[len(begun)]
    assert len(after) > len(begun) + 5  # and the whole of it


def test_a_redline_that_tripped_is_said_with_its_place():
    said = status_lines(picture(replace(BURN, redlines=(replace(NO_LIGHT, tripped_at=0.9, order=1),))))
    assert "redline FIRST OUT 1, latched, T+0.9 s  NO LIGHT: PT-31 below 5 bar(g)" in said


def test_before_t_zero_lines_have_the_time_of_the_recording_alone():
    begun = replace(QUIET, since_t_zero=None, phase=Phase.STANDBY)
    assert shown(picture(begun))[0] == "    83.4 s  phase STANDBY 10.1 s"


def test_nobody_reading_ends_the_lines():
    def say(_text):
        raise BrokenPipeError

    lines = PlainLines(say)
    lines.show(picture(), (), ())
    assert lines.is_gone
    lines.show(picture(), ("alarm",), ())


def test_a_channel_without_data_says_so_once():
    silent = withdrawn(LC_1, Validity.NO_DATA, age=None)
    lines = status_lines(picture(replace(BURN, channels=(silent,))))
    assert "LC-1 -- N NO DATA YET" in lines
