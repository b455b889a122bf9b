"""``recover`` and ``verify`` as commands: what they say, their JSON and their exit codes."""

import json

import pytest

from standbook.cli.main import run as command
from standbook.daq.run.run_folder import check_run
from standbook.daq.storage.folder_lock import hold_folder_lock
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts


@pytest.fixture
def run(tmp_path):
    folder = new_run(tmp_path)
    Player(folder, fast_hello()).play(plausible_counts(500), edges=[(100_000, 1)]).write()
    return folder


def told(capsys, *arguments, code=0):
    capsys.readouterr()
    assert command([str(argument) for argument in arguments]) == code
    return capsys.readouterr()


def test_an_unsealed_run_is_recovered_in_place_and_verified(run, capsys):
    said = told(capsys, "verify", run, code=10).out
    assert "not sealed yet, so only the journals were checked; seal it with: standbook recover" in said
    said = told(capsys, "recover", run, "--no-analysis").out
    assert said.startswith(f"Recovered {run}, sealed:\n")
    assert said.endswith("  whole\n")
    check_run(run)
    assert "  cradle-a/fast: whole: 500 rows, sequence 0 to 499, 1 board start\n" in told(capsys, "verify", run).out


@pytest.mark.slow
def test_a_recovered_run_is_looked_at_as_a_recorded_one_is(run, capsys):
    said = told(capsys, "recover", run).out
    assert "QUICK LOOK 2031-06-14_HF-02, " in said
    assert "Analysed into rev-A, before weighing." in said


def test_a_killed_recording_ends_in_10_and_says_what_is_not_proven(tmp_path, capsys):
    folder = new_run(tmp_path)
    Player(folder, fast_hello()).play(plausible_counts(500)).write(close=False)
    said = told(capsys, "recover", folder, "--no-analysis", code=10).out
    assert "cradle-a_001.arrows: not closed; recording ended abruptly" in said
    assert "not whole" in said
    assert any(
        "not closed" in text for text in json.loads(told(capsys, "verify", folder, "--json", code=10).out)["findings"]
    )


def test_a_run_that_is_still_recorded_is_not_recovered(run, capsys):
    with hold_folder_lock(run / "raw"):
        assert "still being recorded" in told(capsys, "recover", run, code=6).err
        assert "still being recorded" in told(capsys, "verify", run, code=10).out
    assert not (run / "manifest.json").exists()


def test_a_sealed_run_is_rebuilt_only_into_a_new_folder(run, capsys):
    told(capsys, "recover", run, "--no-analysis")
    err = told(capsys, "recover", run, code=6).err
    assert "sealed already; what is sealed is never touched again" in err
    assert f"standbook recover {run} --into NEW_FOLDER" in err
    again = run.with_name("again")
    record = json.loads(told(capsys, "recover", run, "--into", again, "--json").out)
    assert record["remarks"][0]["text"].startswith(f"rebuilt from {run.name}, sealed as ")
    assert "exists already" in told(capsys, "recover", run, "--into", again, code=6).err
    told(capsys, "verify", again)


def test_a_changed_file_ends_verify_in_6_with_its_name(run, capsys):
    told(capsys, "recover", run, "--no-analysis")
    plan = run / "plan.toml"
    plan.write_text(plan.read_text() + "\n")
    said = told(capsys, "verify", run, code=6).out
    assert "CHANGED: " in said
    assert "plan.toml has changed" in said
    assert json.loads(told(capsys, "verify", run, "--json", code=6).out)["exit_code"] == 6


def test_gaps_end_both_in_10(tmp_path, capsys):
    folder = new_run(tmp_path)
    Player(folder, fast_hello()).play(plausible_counts(500), drop={7}).write()
    told(capsys, "recover", folder, "--no-analysis", code=10)
    assert "; 10 rows missing in 1 gap, " in told(capsys, "verify", folder, code=10).out
