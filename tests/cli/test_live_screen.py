"""The live screen as text: everything is there at 80 x 24, alarms come first, and nothing withdrawn shows a number."""

import io
import re
import unicodedata
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from standbook.cli.big_figures import figure_rows
from standbook.cli.live_screen import BOLD, LOUD, screen_lines
from standbook.cli.live_words import AlarmBook, link_alarms, number_in, padded, seconds, whole_lines
from standbook.daq.capture.disk_space import DiskState
from standbook.daq.live.live_state import MarkState, Phase, Validity
from tests.cli.live_states import (
    BURN,
    DISAGREE,
    DISK,
    HEAD,
    IMPULSE,
    LC_1,
    LINK,
    MARK,
    NO_LIGHT,
    OTHERS,
    PT_11,
    PT_21,
    PT_31,
    SAFING,
    VESSELS,
    picture,
    withdrawn,
)

FIGURES = {  # three rows of half blocks a digit, read off the five rows of dots by hand
    "22.7": ("▀▀█ ▀▀█   ▀▀█", "█▀▀ █▀▀    ▄▀", "▀▀▀ ▀▀▀ ▀  ▀ "),
    "--": ("       ", "▀▀▀ ▀▀▀", "       "),
}


def text(shown, width=80, height=24, **more):
    return "\n".join(line.plain for line in screen_lines(shown, width, height, **more))


def styled(shown, **console):
    file = io.StringIO()
    printer = Console(file=file, force_terminal=True, width=80, legacy_windows=False, **console)
    for line in screen_lines(shown, 80, 24):
        printer.print(line)
    return file.getvalue()


def test_everything_that_a_crew_watches_stands_on_80_by_24():
    shown = text(picture())
    for part in (
        "HF-02 static fire",
        "REHEARSAL",
        "BURN 10.1 s",
        "T+10.2 s",
        "recording 83.4 s",
        "LC-1 thrust",
        "PT-11 oxidiser tank",
        "PT-21 fuel tank",
        "PT-31 chamber",
        "bar(g)   0.1 s old",
        "inside 1750 to 1930",
        "OUTSIDE 22.1-23.2",
        "PT-12 22.7 bar(g)",
        "TC-11 -182.9 degC",
        "VS-1 4.987 V",
        "oxidiser tank 22.7 bar(g); PT-11, PT-12 agree, 0.1 s old",
        "impulse 19,876 N*s of 40,960 N*s = 48.5 % (14 CFR 101.22 Class 2)",
        "indication only",
        "ARMED  no light: PT-31 below 5 bar(g)",
        "cradle-a recording  1,010 rows/s  lost 0  damaged 0  on disk 0.1 s ago",
        "disk 81.3 GB free, room for 90 h",
        "mark 1 T-61.2 s  fuel tank pressurising; PT-21 rose, PT-11 stayed",
        "A screen reading is never authority to approach.",
        "Ctrl-C",
        "P = fuel tank pressurising",
        "space = mark",
        "backspace = void",
    ):
        assert part in shown, part
    for rows in zip(*[figure_rows(value, 19) for value in ("1802", "22.7", "21.9", "16.4")], strict=True):
        assert "".join(row.ljust(20) for row in rows).rstrip() in shown


@pytest.mark.parametrize("value", FIGURES)
def test_figures_are_drawn_three_rows_high(value):
    assert figure_rows(value, 19) == FIGURES[value]


def test_figures_without_block_characters_are_five_rows_of_signs():
    assert figure_rows("7", 19, blocks=False) == ("###", "  #", "  #", " # ", " # ")
    assert not re.search("[█▀▄]", text(picture(), blocks=False))


def test_a_figure_that_does_not_fit_is_written_plainly():
    assert [row.strip() for row in figure_rows("-123456", 19)] == ["", "-123456", ""]


def test_the_screen_says_the_same_without_colour(monkeypatch):
    plain = re.sub(r"\x1b\[[0-9;]*m", "", styled(picture(SAFING, alarms=["NO LIGHT"]), color_system="truecolor"))
    bare = re.sub(r"\x1b\[[0-9;]*m", "", styled(picture(SAFING, alarms=["NO LIGHT"]), color_system=None))
    assert plain == bare
    codes = set(re.findall(r"\x1b\[([0-9;]*)m", styled(picture(alarms=["NO LIGHT"]), color_system="truecolor")))
    assert codes == {"0", "1", "1;7"}  # bold and reversed; nothing is dim, grey or coloured


@pytest.mark.parametrize("standing", [one for one in Validity if not one.is_shown])
@pytest.mark.parametrize("size", [(80, 24), (132, 50)])
def test_a_withdrawn_value_shows_its_reason_and_never_a_number(standing, size):
    one = replace(BURN, channels=(withdrawn(PT_31, standing),), vessels=(), impulse=None, redlines=(), marks=())
    lines = text(picture(one, links=()), *size).splitlines()
    assert standing.value.upper() in "\n".join(lines)
    tile = [line for line in lines[1:-3] if line.strip() and not line.startswith(("disk", "PT-31"))]
    assert [re.sub(r"bar\(g\) +0\.9 s old", "", line) for line in tile if re.search(r"\d", line)] == [""]
    drawn = [line.rstrip() for line in lines if set("█▀▄") & set(line)]
    assert drawn in ([row.rstrip()] for big in (False, True) for row in figure_rows("--", 79, large=big) if row.strip())


def test_a_value_that_is_held_although_withdrawn_is_still_not_shown():
    held = replace(PT_11, standing=Validity.NOT_RESPONDING, is_key=False)
    shown = text(picture(replace(BURN, channels=(LC_1, held), vessels=())))
    assert "PT-11 -- NOT RESPONDING" in shown
    assert "22.7" not in shown


def test_alarms_stand_on_top_of_everything_and_the_newest_is_never_hidden():
    shown = text(picture(alarms=["NO LIGHT: PT-31 below 5 bar(g)", "two", "three", "four", "five"])).splitlines()
    assert shown[1].rstrip() == "!! NO LIGHT: PT-31 below 5 bar(g)"
    assert shown[2].rstrip() == "!! two"
    assert shown[3].rstrip() == "!! (+2 more)  five"
    called_late = text(picture(alarms=["one", "two", "three", "four", "five"], newest="four")).splitlines()
    assert called_late[3].rstrip() == "!! (+2 more)  four"
    called_first = text(picture(alarms=["one", "two", "three", "four", "five"], newest="one")).splitlines()
    assert [line.rstrip() for line in called_first[1:4]] == ["!! one", "!! two", "!! (+2 more)  five"]
    for part in ("LC-1 thrust", "fuel tank 21.9 bar(g)", "impulse", "lost 0", "disk 81.3", "never authority", "Keys:"):
        assert part in "\n".join(shown)


def test_an_alarm_that_somebody_has_seen_stands_and_is_not_loud():
    shown = screen_lines(replace(picture(alarms=["one", "two"]), acknowledged=frozenset({"one"})), 80, 24)
    lines = {line.plain.rstrip(): line.style for line in shown}
    assert list(lines)[1:3] == ["!! two", "!! seen, still so: one"]
    assert (lines["!! two"], lines["!! seen, still so: one"]) == (LOUD, BOLD)


def test_what_is_cut_off_shows_that_it_is_and_what_was_left_out_is_said_whole():
    long = "cradle-a PORT LOST: nothing new comes. /dev/ttyACM0: the port was lost (hang-up); plug it in again"
    silent = tuple(withdrawn(channel, Validity.STALE) for channel in OTHERS)
    state = replace(BURN, channels=(LC_1, PT_11, PT_21, PT_31, *silent))
    lines = text(picture(state, links=(LINK,) * 4, alarms=[long, "two", "three"])).splitlines()
    first, rest = long.split(" (")
    assert [line.rstrip() for line in lines[1:3]] == [f"!! {first}", f"   ({rest}"]
    (channels,) = [line for line in lines if "PT-12" in line and "NO FRESH" in line]
    assert channels == "PT-12 -- NO FRESH DATA    PT-13 -- NO FRESH DATA  (+ 5 channels)"
    plain = screen_lines(picture(state, alarms=[long]), 80, 24, blocks=False)
    assert all(line.plain.isascii() for line in plain)


def test_in_safing_the_vessels_take_the_big_rows_and_disagreement_is_unknown():
    shown = text(picture(SAFING))
    lines = shown.splitlines()
    assert lines[1].split("  ")[0] == "oxidiser tank"
    assert "UNKNOWN" in lines[5]
    assert "PT-11, PT-12 DISAGREE" in lines[6]
    assert "oxidiser tank: unknown; PT-11 0.0 bar(g) and PT-12 9.4 bar(g) disagree. Do not" in shown
    assert "mechanical gauge" in shown
    assert lines[2].startswith(" " * 20)  # no figure is drawn for the unknown one


def test_a_vessel_whose_sensors_disagree_is_unknown_before_safing_too():
    shown = text(picture(replace(BURN, vessels=(DISAGREE, *VESSELS[1:]))))
    assert "oxidiser tank unknown; PT-11, PT-12 DISAGREE" in shown
    alone = replace(VESSELS[0], agree=None, value=None)
    assert "oxidiser tank unknown; PT-11, PT-12: fewer than two respond" in text(
        picture(replace(BURN, vessels=(alone,)))
    )


def test_redlines_show_the_first_one_out_and_stay():
    second = replace(NO_LIGHT, name="fuel low", call="FUEL LOW", tripped_at=2.5, order=2, text="PT-21 below 9 bar(g)")
    first = replace(NO_LIGHT, tripped_at=0.91, order=1)
    third = replace(NO_LIGHT, name="late", armed=False)
    lines = text(picture(replace(BURN, redlines=(second, third, first)))).splitlines()
    at = lines.index("FIRST OUT 1, latched, T+0.9 s  NO LIGHT: PT-31 below 5 bar(g)")
    assert lines[at + 1] == "THEN 2, latched, T+2.5 s  FUEL LOW: PT-21 below 9 bar(g)"
    assert lines[at + 2] == "not armed  late: PT-31 below 5 bar(g)"


def test_a_struck_out_mark_stays_and_says_so():
    shown = text(picture(replace(BURN, marks=(MARK, MarkState(number=2, text="", at=3.0, struck=True)))))
    assert "mark 2 T+3.0 s  (no name) (VOID)" in shown
    assert "mark 1 T-61.2 s  fuel tank pressurising" in shown


def test_where_forces_are_in_pounds_the_limit_stays_in_newtons_with_pounds_beside():
    shown = text(picture(replace(BURN, channels=(replace(LC_1, unit="lbf"), *BURN.channels[1:]))))
    assert "of 40,960 N*s (9,208 lbf*s) = 48.5 %" in shown  # 40,960 / 4.448 222 [SP811]
    assert "lbf*s" not in text(picture(BURN))


def test_an_impulse_that_is_not_known_is_no_number():
    unknown = replace(IMPULSE, value=None, sentence="unknown: LC-1 cannot be vouched for")
    shown = text(picture(replace(BURN, impulse=unknown)))
    assert "impulse -- of 40,960 N*s (14 CFR" in shown
    assert "unknown: LC-1" in shown


def test_a_screen_without_keys_names_none():
    shown = text(picture(head=replace(HEAD, takes_keys=False)))
    assert "Keys" not in shown
    assert "Ctrl-C = stop" in shown


def test_figures_are_as_large_as_there_is_room_for():
    alone = replace(BURN, channels=(PT_31,), vessels=(), redlines=(), marks=())
    assert figure_rows("16.4", 79, large=True)[1].rstrip() in text(picture(alone))
    assert figure_rows("16.4", 79)[1].rstrip() in text(picture(alone), height=13)


def test_a_key_of_the_plan_stands_in_place_of_ours():
    shown = text(picture(head=replace(HEAD, mark_keys=(("space", "hold"),))))
    assert "Keys: space = hold, backspace = void" in shown


def test_a_plan_without_minimum_data_shows_its_first_channels_big():
    shown = text(picture(replace(BURN, channels=tuple(replace(c, is_key=False) for c in BURN.channels))))
    assert "LC-1 thrust         PT-11 oxidiser tank PT-21 fuel tank     PT-31 chamber" in shown


def test_a_larger_terminal_has_larger_figures():
    shown = text(picture(), 160, 40)
    assert figure_rows("1802", 39, large=True)[0] in shown
    assert len(shown.splitlines()) == 40


@given(
    width=st.integers(20, 200),
    height=st.integers(5, 70),
    state=st.sampled_from([BURN, SAFING]),
    alarms=st.lists(st.text("abc ", min_size=1, max_size=120), max_size=6),
    links=st.integers(0, 4),
    blocks=st.booleans(),
)
def test_no_terminal_is_overfilled(width, height, state, alarms, links, blocks):
    lines = screen_lines(picture(state, links=(LINK,) * links, alarms=alarms), width, height, blocks=blocks)
    assert len(lines) <= height
    assert max(len(line.plain) for line in lines) <= width
    assert all("\n" not in line.plain for line in lines)


def test_the_word_is_never_used():
    for state in (BURN, SAFING):
        assert not re.search(r"\bsafe\b", text(picture(state)), re.IGNORECASE)


def test_a_lost_link_is_an_alarm_in_words_and_one_that_has_played_out_is_not():
    lost = replace(LINK, state="lost", message="the port is gone")
    assert link_alarms([lost], DISK, ()) == {"link cradle-a": "cradle-a PORT LOST: nothing new comes. the port is gone"}
    assert link_alarms([lost], DISK, ["cradle-a"]) == {}
    assert link_alarms([LINK], replace(DISK, warning="the disk is nearly full"), ()) == {
        "disk": "the disk is nearly full"
    }
    assert link_alarms([replace(LINK, message="another board")], DISK, ()) == {"link cradle-a": "another board"}


def test_alarms_keep_their_order_and_are_new_once():
    book = AlarmBook()
    assert book.take({"b": "second"}) == (("second",), ("second",), ())
    assert book.take({"a": "first"}, {"b": "second, worse"}) == (("second, worse", "first"), ("first",), ())
    assert book.take({"a": "first"}) == (("first",), (), ("second, worse",))


def test_what_happened_earlier_and_is_called_later_stands_before_and_is_the_newest():
    book = AlarmBook()
    assert book.newest == ""
    book.take(ordered={"frozen": "PT-11 at T+4.20 s"})
    alarms, new, _ = book.take({"disk": "full"}, ordered={"low": "LOW at T+4.08 s", "frozen": "PT-11 at T+4.20 s"})
    assert alarms == ("LOW at T+4.08 s", "full", "PT-11 at T+4.20 s")
    assert (set(new), book.newest) == ({"full", "LOW at T+4.08 s"}, "LOW at T+4.08 s")
    alarms, _, over = book.take(ordered={"frozen": "PT-11 at T+4.20 s"})
    assert (alarms, set(over), book.newest) == (
        ("PT-11 at T+4.20 s",),
        {"full", "LOW at T+4.08 s"},
        "PT-11 at T+4.20 s",
    )


@pytest.mark.parametrize(
    ("value", "unit", "written"),
    [
        (2.271e6, "bar(g)", "22.7"),
        (-1e3, "bar(g)", "0.0"),
        (-2e4, "bar(g)", "-0.2"),
        (1802.4, "N", "1802"),
        (-0.3, "N", "0"),
        (90.25, "degC", "-182.9"),
        (6.894757e6, "psi(a)", "1000"),
        (97_800.0, "kPa(a)", "97.8"),
        (4.9871, "V", "4.987"),
    ],
)
def test_numbers_are_written_in_the_unit_of_their_calibration(value, unit, written):
    assert number_in(value, unit) == written


@pytest.mark.parametrize(
    ("value", "written"), [(0.04, "0.0 s"), (99.94, "99.9 s"), (100.0, "1:40"), (3723.9, "1:02:03")]
)
def test_seconds_are_written_as_they_are_said(value, written):
    assert seconds(value) == written


def test_room_on_the_disk_is_said_in_hours_then_in_minutes_and_at_last_in_seconds():
    assert "disk 1.7 MB free, room for 4 s" in text(picture(disk=DiskState(1_700_000, 4.0)))
    assert "disk 999.0 MB free, room for 119 s" in text(picture(disk=DiskState(999_000_000, 119.0)))
    assert "room for 12 min" in text(picture(disk=DiskState(10**9, 720.0)))
    assert "free space not known" in text(picture(disk=DiskState(None, None)))


def test_phases_are_named():
    for phase in Phase:
        assert f" {phase.value.upper()} 10.1 s " in text(picture(replace(BURN, phase=phase)))


def test_a_link_of_which_much_is_to_be_told_is_told_whole():
    told = text(picture(links=(replace(LINK, restarts=1, clock_steps=2, rate_changes=1),)))
    words = " ".join(told.split())
    assert "lost 0 + ? in 1 restart clock steps 2 clock rate changes 1 on disk 0.1 s ago" in words


def test_rows_that_a_restart_hid_are_never_called_none():
    assert "lost 12 + ? in 2 restarts  " in text(picture(links=(replace(LINK, lost_rows=12, restarts=2),)))
    assert "lost 0  damaged 0" in text(picture())


def test_an_impulse_of_which_something_is_missing_is_at_least_in_the_line_of_the_number():
    least = replace(IMPULSE, at_least=True)
    shown = text(picture(replace(BURN, impulse=least)))
    assert "impulse at least 19,876 N*s of 40,960 N*s = 48.5 % (14 CFR 101.22 Class 2)" in shown


def test_what_leads_away_from_the_screen_and_the_caution_stay_whatever_else_is_wrong():
    silent = tuple(withdrawn(channel, Validity.DISAGREES) for channel in OTHERS)
    state = replace(SAFING, channels=(LC_1, PT_11, PT_21, PT_31, *silent), marks=(MARK,) * 4)
    lost = replace(LINK, state="lost", lost_rows=1234, damaged_frames=12, restarts=3, clock_steps=2)
    long = "cradle-b PORT LOST: nothing new comes. /dev/ttyACM0: the port was lost (hang-up); plug it in again"
    shown = text(picture(state, links=(lost,) * 4, alarms=[long, f"{long}.", f"{long}!"])).splitlines()
    caution = "A screen reading is never authority to approach.  Ctrl-C = stop"
    assert re.fullmatch(rf"{re.escape(caution)}  \(\+ [2-5]\d more\)", shown[-1])
    assert len(shown) == 24


def test_notes_and_marks_are_the_newest_three_and_the_others_are_counted():
    marks = tuple(replace(MARK, number=k, text=f"hold {k}", remark="") for k in range(1, 6))
    some = picture(replace(BURN, marks=marks, vessels=(), redlines=(), channels=(LC_1,)))
    notes = tuple(f"note {k}" for k in range(1, 6))
    words = " ".join(text(replace(some, notices=notes), height=40).split())
    assert "mark 5 T-61.2 s hold 5 mark 4 T-61.2 s hold 4 mark 3 T-61.2 s hold 3 (+ 2 earlier marks)" in words
    assert "Note: note 5 Note: note 4 Note: note 3 (+ 2 earlier notes)" in words
    words = " ".join(text(replace(some, notices=notes[-3:], earlier_notices=1_000), height=40).split())
    assert "Note: note 5 Note: note 4 Note: note 3 (+ 1,000 earlier notes)" in words


def test_a_single_sensor_is_named_as_what_it_is():
    alone = replace(VESSELS[0], sensors=("PT-11",), agree=None, value=None)
    chamber = replace(VESSELS[2], sensors=("PT-31",), agree=None)
    shown = text(picture(replace(BURN, vessels=(alone, chamber))))
    assert "oxidiser tank unknown; PT-11 is its only sensor\n" in shown
    assert "chamber 16.4 bar(g); by PT-31 alone, 0.1 s old" in shown


def test_words_are_broken_between_groups_first_and_tags_never():
    link = "cradle-a recording  1,010 rows/s  lost 0  clock steps 2"
    assert whole_lines(link, 50) == ["cradle-a recording  1,010 rows/s  lost 0", "  clock steps 2"]
    assert whole_lines("PT-11 and PT-12", 12) == ["PT-11 and", "  PT-12"]
    assert whole_lines("a path-of-many-words", 8) == ["a", "  path-o", "f-many-w", "ords"]
    assert whole_lines("one two", 6, first="* ", indent="  ") == ["* one", "  two"]


WIDE = "\u6db2\u4f53\u9178\u7d20"  # four letters of two columns each
NARROW = "e\u0301"  # a letter and its accent: one column


def columns(text):
    """Count columns as a terminal does, by the Unicode tables alone."""
    return sum(
        0 if unicodedata.combining(letter) else 2 if unicodedata.east_asian_width(letter) in "WF" else 1
        for letter in text
    )


def written_wide(letters):
    channels = tuple(replace(one, tag=letters + one.tag, tank=letters) for one in BURN.channels)
    state = replace(
        BURN,
        channels=channels,
        vessels=tuple(replace(one, name=letters, sensors=(letters, letters), sentence=letters * 9) for one in VESSELS),
        redlines=(replace(NO_LIGHT, name=letters, text=letters * 9),),
        marks=(replace(MARK, text=f"{letters} " * 9),),
        impulse=replace(IMPULSE, limit_name=letters * 9, sentence=letters * 9),
    )
    head = replace(HEAD, number=letters * 3, mark_keys=((letters, letters),))
    links = (replace(LINK, device=letters * 5),)
    return picture(state, links=links, alarms=[letters * 30, f"{letters} open"], head=head)


@pytest.mark.parametrize("letters", [WIDE, NARROW, WIDE + NARROW])
@pytest.mark.parametrize("width", [80, 79, 41, 20])
def test_letters_of_two_columns_are_counted_as_two(letters, width):
    for height in (24, 60):
        lines = screen_lines(written_wide(letters), width, height)
        assert max(columns(line.plain) for line in lines) <= width
        assert len(lines) <= height
    assert sum(letters in line.plain for line in lines) > 8 * (width == 80)


def test_a_line_is_broken_before_a_letter_that_would_stand_half_outside():
    assert whole_lines(WIDE, 5) == [WIDE[:2], WIDE[2:]]
    assert whole_lines(WIDE, 1) == list(WIDE)  # nothing is left out, however narrow
    assert whole_lines(f"ab {WIDE} cd", 11, indent="") == [f"ab {WIDE}", "cd"]
    assert padded(WIDE, 10) == f"{WIDE}  "
