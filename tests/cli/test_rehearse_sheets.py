"""What a rehearsal of a sheet, a pull or a check plays, without a port."""

import numpy as np
import pytest

from standbook.cli.main import run
from standbook.cli.rehearse_check import check_tables
from standbook.cli.rehearse_levels import levels_table
from standbook.cli.rehearse_work import hold_work, load_work, night_work, tap_work
from standbook.daq.errors import EXIT_USAGE, ConfigError, UsageError
from standbook.daq.rehearsal.played_levels import HOLD, ROWS_A_SECOND
from tests.cli.made_run import small_campaign, today


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return small_campaign(tmp_path_factory.mktemp("sheets"))


def new_sheet(campaign, command, name):
    place = campaign / "readings" / f"{name}_{today()}.toml"
    assert run([command, "--new", str(place)]) == 0
    return place


def held(table, wire):
    """Mean counts over the last second of every level."""
    (stream,) = table.streams
    column = stream.counts[:, [channel.name for channel in stream.channels].index(wire)]
    return column.reshape(-1, round(HOLD * ROWS_A_SECOND))[:, -ROWS_A_SECOND:].mean(axis=1)


def test_the_levels_of_a_sheet_are_played_one_after_the_other(campaign):
    levels = held(levels_table(new_sheet(campaign, "calibrate", "PT-11"), 1), "adc1")
    # ratiometric, 0.1 to 0.9 of the supply: six levels up and five down, three times
    assert levels.size == 33
    assert np.all(np.diff(levels[:6]) > 0.0)
    assert levels[0] / levels[5] == pytest.approx(0.1 / 0.9, rel=2e-3)


def test_the_forces_of_a_pull_are_played_on_its_cell(campaign):
    forces = held(levels_table(new_sheet(campaign, "pull", "LC-1_pull"), 1), "adc0")
    assert forces.size == 22
    assert forces[5] / forces[1] == pytest.approx(5.0, rel=5e-3)


def test_a_sheet_of_another_unit_or_of_no_input_is_refused(campaign):
    sheet = new_sheet(campaign, "calibrate", "PT-12")
    sheet.write_text(sheet.read_text("utf-8").replace("bar(g)", "kPa(g)"), encoding="utf-8")
    with pytest.raises(ConfigError, match="plays levels in bar"):
        levels_table(sheet, 1)
    other = sheet.with_name(f"PT-99_{today()}.toml")
    other.write_text(sheet.read_text("utf-8"), encoding="utf-8")
    with pytest.raises(ConfigError, match="has no PT-99"):
        levels_table(other, 1)


def test_a_check_is_played_with_the_line_that_is_t_zero_and_a_fault_that_nobody_knows_is_refused(campaign):
    plan = campaign / "plans" / "HF-02.toml"
    (table,), steps = check_tables(plan, 1, "")
    assert [edge.level for edge in table.edges] == [1, 0]
    words = [words for _, words in steps]
    assert words[0] == "vented: space"
    assert {"tank oxidiser: type 30, then space", "alignment: type 0.5/0.2, then space"} < set(words)
    assert "weight: space; 20 kg as the stand states it" in words
    (longer,), later = check_tables(plan, 1, "", first=60.0)
    assert [at for at, _ in later] == [0.0, *(at + 48.0 for at, _ in steps[1:])]  # the first step lasted 12 s
    assert longer.seconds == table.seconds + 48.0
    assert longer.edges[0].ticks == table.edges[0].ticks + 48_000_000
    assert check_tables(plan, 1, "no-edge")[0][0].edges == ()
    with pytest.raises(UsageError, match="known are swapped"):
        check_tables(plan, 1, "none")


@pytest.mark.parametrize(
    "options",
    [
        ["--check", "--weighings", "w"],
        ["--check", "--fault", "a", "--fault", "b"],
        ["--check", "--tap"],
        ["--load", "--night"],
    ],
)
def test_what_a_rehearsed_check_would_pass_over_is_refused(campaign, capsys, options):
    assert run(["rehearse", str(campaign / "plans" / "HF-02.toml"), *options]) == EXIT_USAGE
    assert "with one --fault of its own at most" in capsys.readouterr().err


def test_taps_a_filling_and_a_night_are_played_on_the_cell_alone(campaign):
    plan = campaign / "plans" / "HF-02.toml"
    for work, rows, seconds in ((tap_work(plan, 1), 400, 114.0), (load_work(plan, 1), 20, 855.0)):
        (table,) = work.tables
        (stream,) = table.streams
        assert stream.interval_ticks * rows == table.tick_hz
        assert table.seconds == pytest.approx(seconds)
        moving = np.ptp(stream.counts, axis=0)
        assert moving[0] > 100 * np.max(moving[1:])  # the cell is the first wire
        assert f"{plan} " in work.command
        assert [at for at, _ in work.steps] == sorted(at for at, _ in work.steps)
    (table,) = night_work(plan, 1).tables
    assert table.seconds > 4.0 * 720.0  # of the wait beside a filling


def test_the_plan_of_a_hold_is_played_as_a_hold_with_a_leak_when_asked_for(campaign):
    plan = campaign / "plans" / "PH-01.toml"
    tight, leaking = (hold_work(plan, 1, fault).tables[0].streams[0].counts for fault in ("", "leaks"))
    assert tight.shape == leaking.shape
    rows = slice(-25 * 10, -22 * 10)  # the end of the hold, before it is vented
    assert leaking[rows, 1].mean() < tight[rows, 1].mean()
    with pytest.raises(UsageError, match="no fault of a hold is called so"):
        hold_work(plan, 1, "swapped")


def test_what_plays_no_fault_says_so(campaign, capsys):
    assert run(["rehearse", str(campaign / "plans" / "HF-02.toml"), "--tap", "--fault", "swapped"]) == EXIT_USAGE
    assert "--tap plays no fault" in capsys.readouterr().err
