"""The sheets that the demo's campaign comes with: each from a recording of its own, and the truth within its u."""

import pytest

from standbook.analysis.simulation.story import draw_for
from standbook.analysis.simulation.world import world_of
from standbook.cli.practise import practise_check, practise_load, write_pull
from standbook.daq.config.campaign import read_campaign
from standbook.daq.run.run_folder import open_run
from standbook.daq.stand_sheets.check_file import all_checks
from standbook.daq.stand_sheets.load_file import newest_load
from standbook.daq.stand_sheets.pull_file import newest_pulls
from tests.cli.made_run import small_campaign, today

FORCE = 2000.0  # N


@pytest.fixture
def campaign(tmp_path):
    return read_campaign(small_campaign(tmp_path) / "plans" / "HF-02.toml", today=today())


def test_a_pull_finds_what_stands_between_the_engine_and_the_cell_of_that_day(campaign, capsys):
    write_pull(campaign)
    assert "true force over cell force is" in capsys.readouterr().out
    pull = newest_pulls(campaign.folder, until=today())["LC-1"]
    c, draw = campaign.calibrations["LC-1"], draw_for("HF-02")
    # what a force makes this cell read, written out by hand: load path, angle, the cell's own gain
    factor = c.stand_interaction.factor.value + c.stand_interaction.factor.u * draw.normal("interaction", "LC-1")
    reads = 1.0 / factor * (1.0 + c.reference_uncertainty.value * draw.normal("reference", "LC-1"))
    gain, _, u = pull.terms["gain"].partition(" +/- ")
    assert float(gain) == pytest.approx(reads, abs=2.0 * float(u.split()[0]) + 2e-4)  # the angle, the curve's scatter
    assert pull.date < today()
    assert (campaign.folder / pull.sheet).exists()


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_a_practised_check_agrees_and_its_recording_stands_behind_it(campaign, capsys):
    practise_check(campaign, 20.0)
    (sheet,) = all_checks(campaign.folder)
    assert sheet.rehearsal
    assert {one.outcome.says for one in sheet.check} == {"agrees"}, capsys.readouterr().out
    assert sheet.left_out == ()
    assert len(open_run(campaign.folder / "runs" / sheet.journal).record.marks) == 11


@pytest.mark.slow
@pytest.mark.xdist_group("real_time")
def test_a_practised_load_is_the_mass_that_was_poured(campaign, capsys):
    practise_load(campaign, 20.0)
    said = capsys.readouterr().out.partition("By the cell")[2].partition("Load: ")[0]  # a path is as long as it is
    assert max(len(line) for line in said.splitlines()) <= 80
    load = newest_load(campaign.folder, "HF-02")
    assert (load.says, load.rehearsal) == ("agrees", True)
    true = sum(tank.load for tank in world_of(campaign.plan, campaign.stand, draw_for("HF-02")).tanks)
    assert load.by_cell.value == pytest.approx(true, abs=load.by_cell.u)
