"""A sheet whose levels were taken from the board: filled in as it was typed, its signals read from the recording."""

import datetime as dt
import re
import tomllib

import pytest

from standbook.analysis.calibration_sheet.journal_levels import planned_levels, signals_filled_in, with_taken
from standbook.daq.bench.level_taking import Planned
from standbook.daq.bench.recorded_levels import recorded_levels
from standbook.daq.errors import ConfigError
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from tests.daq.bench.test_recorded_levels import ROWS_A_SECOND, STAIR, STEP, bench_run, mark, stair
from tests.recorded_run import WALL_NS, Player, fast_hello

SHEET = """\
tag = "PT-11"                      # a remark stays
sensor = { serial = "PT-4411" }
[[run]]
readings = [["0 bar(g)", "up"], ["16 bar(g)", "up"], ["32 bar(g)", "up"],
  ["16 bar(g)", "down"],           # this one too
  ["0 bar(g)", "down"]]
"""


def text_of(*rows):
    return 'tag = "PT-11"\n[[run]]\nreadings = [' + ", ".join(rows) + "]\n"


@pytest.fixture
def recorded(tmp_path):
    """The sheet's five levels as they were taken, the third not at what was planned."""
    run = bench_run(tmp_path)
    Player(run, fast_hello(tick_hz=1_000_000, interval=1_000_000 // ROWS_A_SECOND)).play(stair()).write()
    planned = planned_levels(tomllib.loads(SHEET), "sheet")
    for number, one in enumerate(planned, start=1):
        mark(run, number, number * STEP - 0.5, one.words("32.1" if number == 3 else one.value))
    seal(run)
    return run


def filled(recorded, text=SHEET):
    return with_taken(text, recorded.name, recorded_levels(open_run(recorded), "PT-11"))


def test_what_is_to_be_taken_is_read_from_a_sheet_of_two_texts_a_reading():
    found = planned_levels(tomllib.loads(SHEET), "sheet")
    assert len(found) == len(STAIR)
    assert found[3] == Planned(1, "16", "bar(g)", "down")


@pytest.mark.parametrize(
    "row", ['["12 bar(g)", "sideways"]', '["12", "up"]', '["x bar(g)", "up"]', '["12 bar(g)", "up", "09:15:02"]', "3"]
)
def test_a_reading_that_is_no_level_to_be_taken_is_refused_with_its_place(row):
    with pytest.raises(ConfigError, match="sheet: run 1, reading 2: a level to be taken is two texts"):
        planned_levels(tomllib.loads(text_of('["0 bar(g)", "up"]', row)), "sheet")


def test_a_sheet_without_readings_is_refused():
    with pytest.raises(ConfigError, match=r"has no \[\[run\]\] with readings"):
        planned_levels(tomllib.loads('tag = "PT-11"'), "sheet")


def test_levels_that_were_taken_stand_in_the_sheet_with_what_the_reference_showed_and_their_time(recorded):
    text = filled(recorded)
    values = tomllib.loads(text)
    assert values["journal"] == recorded.name
    assert "# a remark stays" in text
    assert "# this one too" in text
    at = dt.datetime.fromtimestamp(WALL_NS / 1e9 + 3 * STEP - 0.5).astimezone()
    assert values["run"][0]["readings"][2] == ["32.1 bar(g)", "up", f"{at:%H:%M:%S}"]


def test_the_signals_are_those_of_the_recording_to_the_digit(recorded):
    values = signals_filled_in(tomllib.loads(filled(recorded)), recorded.parent.parent, "sheet")
    taken = recorded_levels(open_run(recorded), "PT-11")
    rows = values["run"][0]["readings"]
    assert [float(row[3].split()[0]) for row in rows] == [level.level.mean for level in taken]
    assert {row[3].split()[-1] for row in rows} == {"V/V"}


def test_a_sheet_without_a_journal_stays_as_it_is(tmp_path):
    values = tomllib.loads(SHEET)
    assert signals_filled_in(values, tmp_path, "sheet") is values


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda text: text.replace('"16 bar(g)", "up"', '"17 bar(g)", "up"'), "reading 2: up 17 bar"),
        (lambda text: text.replace('"0 bar(g)", "down"', '"0 bar(g)", "up"'), "reading 5: up 0 bar"),
        (lambda text: re.sub(r'"up", "..:..:.."', '"up", "00:00:00"', text, count=1), "reading 1: up 0 bar"),
        (lambda text: re.sub(r'"up", "..:..:.."', '"up", "noon"', text, count=1), '"noon" is not a time'),
        (lambda text: text.replace('journal = "', 'journal = "../'), "is no folder in runs"),
    ],
)
def test_readings_that_are_not_the_levels_are_refused(recorded, change, said):
    values = tomllib.loads(change(filled(recorded)))
    with pytest.raises(ConfigError, match=said):
        signals_filled_in(values, recorded.parent.parent, "sheet")


def test_a_reading_with_a_signal_of_its_own_and_one_too_few_are_refused(recorded):
    text = filled(recorded)
    values = tomllib.loads(text)
    values["run"][0]["readings"][1].append("0.26 V/V")
    with pytest.raises(ConfigError, match="reading 2: with a journal a reading is three texts"):
        signals_filled_in(values, recorded.parent.parent, "sheet")
    values = tomllib.loads(text)
    values["run"][0]["readings"].pop()
    with pytest.raises(ConfigError, match="4 readings, but 5 levels were taken"):
        signals_filled_in(values, recorded.parent.parent, "sheet")
