"""Levels that somebody took on the bench are read again from the sealed run, to the same digits."""

import json

import numpy as np
import pytest

from standbook.daq.bench.recorded_levels import LEVEL_KEY, recorded_levels
from standbook.daq.bench.unplanned_run import create_bench_run
from standbook.daq.errors import ConfigError, DataError, RecordError
from standbook.daq.run.marks import MARKS_FILE
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from standbook.daq.sealing.verify import verify_run
from tests.recorded_run import MONOTONIC_NS, NOW, WALL_NS, Player, fast_hello, plausible_counts, plenty, starter

VOLT_PER_COUNT, SUPPLY_COUNTS, PT_11 = 0.0001875, 26_667, 1  # of the starter's stand: adc1 is PT-11
STAIR = (2_700, 7_000, 11_000, 7_000, 2_700)  # counts
STEP, ROWS_A_SECOND = 8.0, 100  # s on each


def bench_run(folder, name="PT-11_levels", devices=("cradle-a",), free=plenty):
    campaign = starter(folder).folder
    return create_bench_run(campaign, name, devices, rehearsal=False, now=NOW, software="standbook test", free=free)


def mark(run, number, seconds, text, *, strikes=None):
    monotonic = MONOTONIC_NS + round(seconds * 1e9)
    wall = monotonic + WALL_NS - MONOTONIC_NS
    times = {"monotonic_ns": monotonic, "boottime_ns": monotonic, "wall_ns": wall}
    words = {"text": text, "key": LEVEL_KEY, "by": "test"} if strikes is None else {"strikes": strikes, "by": "test"}
    with (run / MARKS_FILE).open("a", encoding="utf-8") as file:
        file.write(json.dumps({"n": number, **words, **times}) + "\n")


def stair():
    rows = round(len(STAIR) * STEP * ROWS_A_SECOND)
    counts = plausible_counts(rows)
    counts[:, 10] = SUPPLY_COUNTS
    noise = np.random.default_rng(5).normal(0.0, 3.0, rows)
    counts[:, PT_11] = np.repeat(STAIR, round(STEP * ROWS_A_SECOND)) + noise
    return counts


@pytest.fixture
def recorded(tmp_path):
    """A stair of five levels, each taken half a second before it ends, one of them voided and taken again."""
    run = bench_run(tmp_path)
    counts = stair()
    hello = fast_hello(tick_hz=1_000_000, interval=1_000_000 // ROWS_A_SECOND)
    Player(run, hello).play(counts).write()
    for number, _ in enumerate(STAIR, start=1):
        mark(run, number, number * STEP - 0.5, f"level {number}")
    mark(run, 6, 2 * STEP - 1.0, "level 2 too early")
    mark(run, 7, 2 * STEP, "", strikes=6)
    return run, counts


def test_every_level_is_the_mean_of_the_rows_before_its_mark(recorded):
    run, counts = recorded
    seal(run)
    found = recorded_levels(open_run(run), "PT-11")
    assert [level.name for level in found] == [f"level {number}" for number in range(1, 6)]
    ratio = counts[:, PT_11] / counts[:, 10]
    for number, taken in enumerate(found, start=1):
        end = round((number * STEP - 0.5) * ROWS_A_SECOND)
        # the supply's calibration is 2.3e-5 off its nominal, and a row or two may be in or out
        assert taken.level.mean == pytest.approx(np.mean(ratio[end - 500 : end]), rel=4e-5)
        assert taken.level.rows == pytest.approx(500, abs=2)
        assert taken.level.unsettled(0.3) == ""


def test_they_are_the_same_to_the_digit_when_read_again(recorded, tmp_path):
    run, _ = recorded
    seal(run)
    assert recorded_levels(open_run(run), "PT-11") == recorded_levels(open_run(run), "PT-11")
    assert verify_run(run).exit_code == 0


def test_a_level_without_rows_or_an_input_without_a_supply_is_refused_by_name(recorded):
    run, _ = recorded
    mark(run, 8, 100.0, "level 6")
    seal(run)
    opened = open_run(run)
    with pytest.raises(DataError, match="PT-11: level 6: only 0 rows in 5 s"):
        recorded_levels(opened, "PT-11")
    with pytest.raises(DataError, match="no input PT-99 was recorded"):
        recorded_levels(opened, "PT-99")


def test_a_bench_run_says_what_it_is(tmp_path):
    run = bench_run(tmp_path)
    told = json.loads((run / "run.json").read_text(encoding="utf-8"))
    assert (told["kind"], told["prediction"], told["devices"]) == ("bench", "postdiction", ["cradle-a"])
    assert [path.name for path in (run / "calibrations").iterdir()] == ["VS-1_r01.toml"]
    assert bench_run(tmp_path).name == f"{run.name}_2"


def test_an_unknown_board_a_wrong_name_and_a_full_disk_are_refused(tmp_path):
    with pytest.raises(ConfigError, match="has no device cradle-z; it has cradle-a"):
        bench_run(tmp_path, devices=("cradle-z",))
    with pytest.raises(ConfigError, match='"a/b" must be letters'):
        bench_run(tmp_path, name="a/b")
    with pytest.raises(RecordError, match="three hours of all ports"):
        bench_run(tmp_path, free=lambda _: 10**6)
