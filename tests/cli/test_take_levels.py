"""``calibrate --port`` on a real pseudo-terminal: a person sets levels and presses one key each."""

import datetime as dt
import re
import tomllib
from contextlib import contextmanager

import numpy as np
import pytest

from standbook.cli.main import run
from standbook.daq.run.run_folder import open_run
from tests.bench_board import BenchBoard, take
from tests.cli.made_run import ended, small_campaign, standbook
from tests.cli.test_live_record import Person

SUPPLY = 26_667  # counts
LEVELS = (0, 15, 30, 45, 60)
WAYS = [(level, "up") for level in LEVELS] + [(level, "down") for level in LEVELS[-2::-1]]


def counts_at(bar):
    """Of PT-11: 0.1 to 0.9 of the supply over 60 bar."""
    return (0.1 + 0.8 * bar / 60.0) * SUPPLY


def all_counts(bar):
    return np.array([0.0, counts_at(bar), *[0.0] * 8, SUPPLY])


@pytest.fixture
def campaign(tmp_path):
    return small_campaign(tmp_path)


def sheet_in(campaign, *, rows=WAYS, day=None):
    """A sheet of one run of levels to be taken."""
    path = campaign / "readings" / f"PT-11_{day or dt.datetime.now().astimezone().date()}.toml"
    path.parent.mkdir()
    readings = ", ".join(f'["{bar} bar(g)", "{way}"]' for bar, way in rows)
    path.write_text(
        'tag = "PT-11"\nsensor = { serial = "PT-4411", state = "as found", signal_unit = "V/V" }\n'
        'reference = { what = "test gauge", serial = "G-17", class = "0.25 % of 60 bar(g)" }\n'
        f"[[run]]\nreadings = [{readings}]\n",
        encoding="utf-8",
    )
    return path


@contextmanager
def calibrating(sheet, port, person):
    ends = dict.fromkeys(("stdin", "stdout", "stderr"), person.slave)
    process = standbook("calibrate", sheet, "--rehearsal", "--port", f"cradle-a={port}", **ends, **person.foreground())
    with ended(process):
        yield process


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_levels_are_taken_by_keys_and_become_a_sheet_and_its_curve(campaign):
    sheet, person = sheet_in(campaign), Person()
    try:
        with BenchBoard().running() as bench, calibrating(sheet, bench.port, person) as process:
            for bar, way in WAYS:
                bench.counts = all_counts(bar)
                signal = counts_at(bar) / SUPPLY
                words = rf"run 1 {way} {bar} bar\(g\)"
                take(person, words, lambda: stands_at(person.read(), words, signal))  # noqa: B023
            assert process.wait() in (0, 10)
        said = person.read()
    finally:
        person.leave()
        person.join()
    assert "REHEARSAL: the levels are simulated; no r03 is written. It would be:" in said
    assert "straight line through 9 readings of 1 run" in said
    values = tomllib.loads(sheet.read_text(encoding="utf-8"))
    assert [row[:2] for row in values["run"][0]["readings"]] == [[f"{bar} bar(g)", way] for bar, way in WAYS]
    taken = open_run(campaign / "runs" / values["journal"])
    assert (taken.info.kind, len(taken.record.marks)) == ("bench", len(WAYS))
    assert not list((campaign / "calibrations").glob("PT-11_r03*"))


def stands_at(text, words, signal):
    """Whether the newest state that the screen shows of a level is that it stands where it should."""
    found = re.findall(rf"{words}: ([\d.]+) V/V, stands", text.rpartition("\n")[2] or text)
    return bool(found) and abs(float(found[-1]) - signal) < 1e-3


def test_a_new_sheet_plans_three_runs_over_the_range_of_the_last_revision(campaign, capsys):
    sheet = campaign / "readings" / f"PT-11_{dt.datetime.now().astimezone().date()}.toml"
    assert run(["calibrate", "--new", str(sheet)]) == 0
    assert "--port cradle-a=PATH" in capsys.readouterr().out
    values = tomllib.loads(sheet.read_text(encoding="utf-8"))
    assert [len(one["readings"]) for one in values["run"]] == [11, 11, 11]
    assert values["run"][0]["readings"][5] == ["60 bar(g)", "up"]
    assert values["sensor"] == {"serial": "PT-4411", "state": "as found", "signal_unit": "V/V"}
    assert run(["calibrate", "--new", str(sheet)]) == 3
    assert "exists already; nothing was written" in capsys.readouterr().err


@pytest.mark.parametrize(
    "options", [["--new", "--port", "cradle-a=x"], ["--new", "--revision", "r09"], ["--rehearsal"]]
)
def test_options_that_would_be_passed_over_are_refused(campaign, capsys, options):
    assert run(["calibrate", str(sheet_in(campaign)), *options]) == 2
    assert capsys.readouterr().err.startswith("standbook: --")


def test_levels_without_a_terminal_of_another_day_or_with_a_faulty_sheet_are_refused(campaign, capsys):
    sheet = sheet_in(campaign)
    assert run(["calibrate", str(sheet), "--port", "cradle-a=/dev/ttyUSB9"]) == 2
    assert "levels are taken by keys" in capsys.readouterr().err
    other = sheet.with_name("PT-11_2031-06-02.toml")
    sheet.rename(other)
    assert run(["calibrate", str(other), "--port", "cradle-a=/dev/ttyUSB9"]) == 3
    assert "levels are taken today" in capsys.readouterr().err
    other.write_text(other.read_text(encoding="utf-8").replace("G-17", ""), encoding="utf-8")
    other.rename(sheet)
    assert run(["calibrate", str(sheet), "--port", "cradle-a=/dev/ttyUSB9"]) == 3
    assert "reference.serial: nothing stands here; write it" in capsys.readouterr().err
    assert not (campaign / "runs").exists()


def test_a_sheet_whose_levels_are_still_to_be_taken_says_how(campaign, capsys):
    assert run(["calibrate", str(sheet_in(campaign))]) == 3
    assert "are taken with --port DEVICE=PATH" in capsys.readouterr().err


def test_a_new_sheet_that_the_disk_refuses_is_a_sentence(campaign, capsys, monkeypatch):
    def refused(*_args, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.mkdir", refused)
    assert run(["calibrate", "--new", str(campaign / "readings" / "PT-11_2031-06-02.toml")]) == 6
    assert "readings: cannot be made: disk full; free some space" in capsys.readouterr().err
