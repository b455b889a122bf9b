"""``load`` on a real pseudo-terminal: a person takes the cell empty and filled."""

import re

import pytest

from standbook.cli.main import run
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.signal_conversion import counts_from_signal
from standbook.daq.errors import EXIT_FINDINGS, EXIT_USAGE, DataError
from standbook.daq.stand_sheets.load_file import newest_load
from tests.bench_board import BenchBoard, take
from tests.cli.made_run import ended, small_campaign, standbook, today
from tests.cli.test_live_record import Person


@pytest.fixture
def plan(tmp_path):
    return small_campaign(tmp_path) / "plans" / "HF-02.toml"


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_a_load_is_taken_by_keys_held_against_the_containers_and_computed_again(plan, capsys):
    campaign = read_campaign(plan, today=today())
    c = campaign.calibrations["LC-1"]
    item = campaign.stand.input_tagged("LC-1")
    presses = {"down": -1.0, "up": 1.0}[campaign.stand.nozzle]
    weight = 9.80665 * sum(tank.liquid_load.value for tank in campaign.plan.tank)
    person = Person()
    ends = dict.fromkeys(("stdin", "stdout", "stderr"), person.slave)
    try:
        with BenchBoard().running() as board:
            process = standbook("load", plan, "--rehearsal", "--port", f"cradle-a={board.port}", **ends,
                                **person.foreground())  # fmt: skip
            with ended(process):
                for name, force in (("empty", 0.0), ("filled", presses * weight)):
                    signal = float(c.signal(force / c.scale))
                    board.counts[0] = counts_from_signal(item, signal, item.stated_supply.value)
                    take(person, name, lambda: re.search(rf"{name}: LC-1 -?\d+ N, stands, press", person.read()[-120:]))  # noqa: B023
                person.press(b"n")
                assert process.wait() in (0, EXIT_FINDINGS), person.read()
        said = " ".join(person.read().split())
    finally:
        person.leave()
        person.join()
    assert "By the cell" in said
    found = newest_load(plan.parent.parent, "HF-02")
    assert (found.says, found.rehearsal) == ("agrees", True)
    journal = plan.parent.parent / "runs" / found.journal
    assert run(["load", str(plan), "--journal", str(journal)]) == 0
    assert f"{found.by_cell.value:.2f}" in capsys.readouterr().out


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_a_recording_without_a_step_is_kept_as_the_record_of_an_unloaded_cell(plan):
    person = Person()
    ends = dict.fromkeys(("stdin", "stdout", "stderr"), person.slave)
    try:
        with BenchBoard().running() as board:
            process = standbook("load", plan, "--rehearsal", "--port", f"cradle-a={board.port}", **ends,
                                **person.foreground())  # fmt: skip
            with ended(process):
                person.until(r"1/3 empty: LC-1 -?\d+ N")
                person.press(b"q")
                assert process.wait() == 0, person.read()
        said = "".join(person.read().split())
    finally:
        person.leave()
        person.join()
    (kept,) = (plan.parent.parent / "runs").iterdir()
    assert f"Nostepwastaken.Arecordoftheunloadedcellgoeswithafilling's:--night{kept}" in said


def test_a_stand_whose_tanks_stand_beside_the_cell_is_refused(plan, capsys):
    stand = plan.parent.parent / "stand.toml"
    stand.write_text(stand.read_text("utf-8").replace("tanks_on_cell = true", "tanks_on_cell = false"), "utf-8")
    assert run(["load", str(plan)]) == DataError.exit_code
    assert "only the containers tell it" in capsys.readouterr().err
    assert run(["load", str(plan), "--journal", "x", "--rehearsal"]) == EXIT_USAGE
