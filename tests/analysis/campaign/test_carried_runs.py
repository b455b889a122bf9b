"""The demo's campaign: its water flows carried to its firing, and its plan held against the runs that it names."""

import datetime as dt
import math
import re
import shutil
from dataclasses import replace

import pytest

from standbook.analysis.campaign import carried_runs
from standbook.analysis.campaign.carried_runs import (
    Analysed,
    basis_findings,
    carry,
    check_exponents,
    named_run,
    other_flows,
    predict_in_campaign,
    read_analysed,
)
from standbook.analysis.prediction.cavitation import OtherFlow
from standbook.cli.main import run as command
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import read_plan
from standbook.daq.errors import ConfigError, DataError, RecordError
from standbook.daq.run.run_folder import read_run_files
from tests.campaign_fixture import edit
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"
WATER_N = 'exponent_basis = "assumed"             #', 'exponent_basis = "water flow"             #'


def sample_run(number):
    (folder,) = (SAMPLE / "runs").glob(f"*_{number}_rehearsal")
    return folder


DAY = dt.date.fromisoformat(sample_run("HF-02").name.partition("_")[0])  # its calibrations are valid then


@pytest.fixture
def campaign(tmp_path, monkeypatch):
    """The sample's campaign with its runs; only the typed files may be changed."""
    for name in ("plans", "calibrations"):
        shutil.copytree(SAMPLE / name, tmp_path / name)
    shutil.copyfile(SAMPLE / "stand.toml", tmp_path / "stand.toml")
    (tmp_path / "runs").symlink_to(SAMPLE / "runs", target_is_directory=True)
    for name in ("predict", "lock", "carry"):
        monkeypatch.setattr(f"standbook.cli.{name}.today", lambda: DAY)
    return tmp_path


def firing_of(campaign):
    return campaign / "plans" / "HF-02.toml"


def findings(campaign):
    plan = read_plan(firing_of(campaign))
    return {(f.code, f.channel): f for f in basis_findings(plan, campaign)}


def carried(number, campaign, **options):
    to = read_campaign(firing_of(campaign), today=DAY)
    (tank,) = carry(read_analysed(sample_run(number)), to, **options)
    return tank


def test_a_run_is_carried_with_the_mass_that_its_scale_reading_stood_for():
    folder = sample_run("WF-03")
    typed, taken = read_run_files(folder).plan.tank[0], read_analysed(folder).plan.tank[0]
    # by hand: air of 978 mbar and 18 degC, 1.170 kg/m3, bears 998.6 and steel of 8000 kg/m3 unlike
    assert taken.liquid_load.value == pytest.approx(
        typed.liquid_load.value * (1.0 + 1.170 / 998.6 - 1.170 / 8000), 1e-5
    )


@pytest.mark.slow
def test_the_oxidiser_side_s_cda_carries_and_its_exponent_does_not(campaign):
    tank = carried("WF-03", campaign)
    # the simulated stand's CdA is the 16.2 mm2 of job and plan
    assert abs(tank.cda.carried.value - 16.2e-6) < 2.0 * tank.cda.carried.u
    assert tank.cda.carried.u > tank.cda.measured.u
    assert tank.exponent.carried is None
    assert [line.split(" = ")[0] for line in tank.lines] == ["feed_cda", "cda_basis"]
    assert any("does not carry over to liquid oxygen" in said for said in tank.remarks)
    assert any("rehearsal" in said for said in tank.remarks)


@pytest.mark.slow
def test_the_fuel_side_s_exponent_carries_to_what_the_firing_then_showed(campaign):
    tank = carried("WF-04", campaign)
    seen = read_analysed(sample_run("HF-02")).results.tanks["fuel"].exponent.chord
    n = tank.exponent.carried
    assert abs(n.value - seen.value) < 2.0 * (n.u**2 + seen.u**2) ** 0.5
    assert n.u > read_analysed(sample_run("WF-04")).results.tanks["fuel"].exponent.chord.u


@pytest.mark.slow
def test_a_given_viscosity_narrows_what_is_allowed_for(campaign):
    assert (
        carried("WF-04", campaign, viscosities={"fuel": 2.9e-3}).cda.carried.u
        < carried("WF-04", campaign).cda.carried.u
    )
    with pytest.raises(DataError, match="viscosity is given for oxidiser"):
        carried("WF-04", campaign, viscosities={"oxidiser": 2.9e-3})


@pytest.mark.slow
def test_a_reason_carries_the_exponent_and_the_plan_then_needs_it(campaign):
    tank = carried("WF-03", campaign, reason="a test of the crew")
    assert 'exponent_override = "a test of the crew"' in tank.lines


@pytest.mark.slow
def test_the_lines_that_are_printed_make_a_plan_that_agrees(campaign):
    plan = firing_of(campaign)
    for number, old, tank in (
        ("WF-03", ('feed_cda = "16.2 +/- 0.4 mm2"', 'cda_basis = "water flow WF-03"'), "oxidiser"),
        ("WF-04", ('feed_cda = "13.0 +/- 0.3 mm2"', 'cda_basis = "water flow WF-04"'), "fuel"),
    ):
        for before, after in zip(old, carried(number, campaign).lines, strict=False):
            edit(plan, before, after)
        assert ("cda-as-run", tank) in findings(campaign)


@pytest.mark.slow
def test_a_firing_s_both_tanks_carry_to_the_next(campaign):
    to = read_campaign(firing_of(campaign), today=DAY)
    found = carry(read_analysed(sample_run("HF-02")), to)
    assert [tank.tank for tank in found] == ["oxidiser", "fuel"]
    assert all('exponent_basis = "static fire"' in tank.lines for tank in found)
    for cda in (tank.cda for tank in found):  # the same liquid at the same pressure: next to nothing is added
        assert cda.carried.u**2 - cda.measured.u**2 < (0.005 * cda.measured.value) ** 2


def test_tanks_of_other_names_have_nothing_to_carry(campaign):
    run = read_analysed(sample_run("WF-03"))
    other = Analysed(run.folder, run.plan, replace(run.results, tanks={"third": run.results.tanks["oxidiser"]}))
    with pytest.raises(DataError, match="results for third"):
        carry(other, read_campaign(firing_of(campaign), today=DAY))


def test_the_demo_s_plan_agrees_with_its_flows_and_says_both_numbers(campaign):
    found = findings(campaign)
    assert set(found) == {("cda-as-run", "oxidiser"), ("cda-as-run", "fuel")}
    text = found["cda-as-run", "oxidiser"].text
    assert "16.20 mm2 (u = 0.40)" in text
    cda = read_analysed(sample_run("WF-03")).results.tanks["oxidiser"].cda
    assert f"WF-03 gave {1e6 * cda.value:.2f} mm2 (u = {1e6 * cda.u:.2f})" in text
    assert "simulated" in text


def test_a_plan_that_is_far_from_its_run_is_told_so(campaign):
    edit(firing_of(campaign), "16.2 +/- 0.4 mm2", "17.5 +/- 0.4 mm2")
    found = findings(campaign)["cda-not-as-run", "oxidiser"]
    assert found.severity == "caution"
    assert "17.50 mm2 (u = 0.40)" in found.text
    cda = read_analysed(sample_run("WF-03")).results.tanks["oxidiser"].cda
    apart = (17.5e-6 - cda.value) / math.hypot(0.4e-6, cda.u)
    assert f"{apart:.1f} combined standard uncertainties apart" in found.text


def test_a_plan_that_is_surer_than_its_run_is_told_so(campaign):
    edit(firing_of(campaign), "16.2 +/- 0.4 mm2", "16.2 +/- 0.05 mm2")
    assert findings(campaign)["cda-surer-than-run", "oxidiser"].severity == "note"


def test_a_basis_that_names_the_other_side_s_run_is_told_so(campaign):
    edit(firing_of(campaign), "water flow WF-03", "water flow WF-04.")
    assert "WF-04 flowed the fuel tank" in findings(campaign)["cda-basis-other-tank", "oxidiser"].text


def test_a_basis_without_a_run_in_the_campaign_is_left_alone(campaign):
    edit(firing_of(campaign), "water flow WF-03", "water flow WF-0")
    assert {tank for _, tank in findings(campaign)} == {"fuel"}
    assert named_run("water flow WF-03", campaign / "plans") is None


def test_a_basis_whose_run_gave_no_cda_is_told_so(campaign, monkeypatch):
    read = carried_runs.read_analysed

    def without_cda(folder):
        run = read(folder)
        tanks = {name: replace(tank, cda=None) for name, tank in run.results.tanks.items()}
        return replace(run, results=replace(run.results, tanks=tanks))

    monkeypatch.setattr(carried_runs, "read_analysed", without_cda)
    found = findings(campaign)["cda-basis-without-number", "oxidiser"]
    assert found.severity == "caution"
    assert "the analysis of WF-03 could give no CdA" in found.text


def with_inlet(run, inlet):
    """Return a run whose plan states another edge of the injector's holes."""
    tanks = tuple(tank.model_copy(update={"injector_inlet": inlet}) for tank in run.plan.tank)
    return replace(run, plan=run.plan.model_copy(update={"tank": tanks}))


@pytest.mark.parametrize("inlet", ["sharp", "unknown"])
def test_a_basis_whose_injector_may_have_run_on_vapour_is_told_so(campaign, monkeypatch, inlet):
    read = carried_runs.read_analysed
    monkeypatch.setattr(carried_runs, "read_analysed", lambda folder: with_inlet(read(folder), inlet))
    found = findings(campaign)["cda-basis-cavitated", "oxidiser"]
    assert found.severity == "caution"
    assert "cavitation number fell to 1.1" in found.text


@pytest.mark.slow
def test_a_sharp_inlet_is_refused_and_a_flow_against_pressure_earns_it(campaign, monkeypatch):
    run = with_inlet(read_analysed(sample_run("WF-03")), "sharp")
    to = read_campaign(firing_of(campaign), today=DAY)
    (tank,) = carry(run, to)
    assert tank.cda.carried is None
    assert not any(line.startswith("feed_cda") for line in tank.lines)
    agreeing = OtherFlow(number="WF-05", cavitation=2.1, cda=run.results.tanks["oxidiser"].cda)
    monkeypatch.setattr(carried_runs, "other_flows", lambda run, tank: (agreeing,))
    (tank,) = carry(run, to)
    assert tank.cda.carried is not None
    assert any("WF-05 at 2.10" in said for said in tank.remarks)


def test_other_flows_are_those_of_the_same_kind_and_tank():
    run = read_analysed(sample_run("WF-03"))
    assert other_flows(run, "oxidiser") == ()  # the firing flowed it too, and is no water flow
    (seen,) = other_flows(replace(run, folder=sample_run("HF-02")), "fuel")
    assert seen.number == "WF-04"
    assert 1.0 < seen.cavitation < 1.3


def test_a_run_that_is_not_analysed_is_a_note(campaign):
    (campaign / "runs").unlink()
    copy = campaign / "runs" / sample_run("WF-03").name
    shutil.copytree(sample_run("WF-03"), copy)
    shutil.rmtree(copy / "analysis")
    found = findings(campaign)["cda-basis-unread", "oxidiser"]
    assert found.severity == "note"
    assert "not analysed yet" in found.text
    with pytest.raises(RecordError, match="not analysed"):
        read_analysed(copy)


@pytest.mark.slow
def test_a_water_flow_s_exponent_for_oxygen_is_refused_until_the_plan_says_why(campaign, capsys):
    plan = edit(firing_of(campaign), *WATER_N)
    with pytest.raises(ConfigError, match="does not carry over to liquid oxygen") as caught:
        check_exponents(read_plan(plan))
    assert len(caught.value.problems) == 1
    for name in ("predict", "lock"):
        assert command([name, str(plan)]) == ConfigError.exit_code
        assert capsys.readouterr().err.count("does not carry over to liquid oxygen") == 1
    assert not (campaign / "locked").exists()

    edit(plan, WATER_N[1], 'exponent_override = "note 12"\n' + WATER_N[1])
    found = {f.code: f for f in predict_in_campaign(read_campaign(plan, today=DAY)).findings}
    assert "for this reason: note 12" in found["exponent-overridden"].text


def test_an_empty_reason_is_none(campaign):
    plan = edit(firing_of(campaign), WATER_N[0], 'exponent_override = " "\n' + WATER_N[1])
    with pytest.raises(ConfigError, match="exponent_override is empty"):
        read_plan(plan)


@pytest.mark.slow
def test_the_command_prints_lines_and_writes_no_file(campaign, capsys):
    plan = firing_of(campaign)
    before = plan.read_bytes()
    code = command(["carry", str(sample_run("WF-03")), "--to", str(plan)])
    said = capsys.readouterr().out
    assert code == 0, said
    assert re.search(r'^  feed_cda = "16\.\d\d \+/- 0\.\d\d mm2"$', said, re.MULTILINE)
    assert "does not carry over" in said
    assert plan.read_bytes() == before
    assert command(["carry", str(sample_run("WF-04")), "--to", str(plan), "--viscosity", "fuel=thick"]) == 2
    assert command(["carry", str(sample_run("WF-04")), "--to", str(plan), "--exponent-reason", " "]) == 2
