"""``standbook next-load``: a load with what binds it, from the sample's rehearsal; refusals say what is wrong."""

import json
import shutil

import pytest

from standbook.cli.main import run
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"
pytestmark = pytest.mark.slow


@pytest.fixture
def campaign(tmp_path):
    ignored = shutil.ignore_patterns("samples", "raw", "*.html")
    return shutil.copytree(SAMPLE, tmp_path / "teasel-2", ignore=ignored)


def asked(campaign, capsys, *options, code=0):
    capsys.readouterr()
    assert run(["next-load", str(campaign / "plans/HF-02.toml"), *options]) == code
    return capsys.readouterr()


def test_a_load_is_split_as_planned_and_its_bound_stays_inside(campaign, capsys):
    found = json.loads(asked(campaign, capsys, "--rehearsals", "--json").out)
    assert found["binds"] == "vacuum"
    assert max(found["bound [N*s]"].values()) <= found["limit [N*s]"]
    # 0.05 kg is 0.28 % of the load, and so at most 0.3 % of the impulse is left to the limit
    assert found["bound [N*s]"]["vacuum"] > 0.997 * found["limit [N*s]"]
    tanks = found["by_tank [kg]"]
    assert sum(tanks.values()) == pytest.approx(found["load [kg]"])
    assert tanks["oxidiser"] / tanks["fuel"] == pytest.approx(10.66 / 7.03)
    assert found["load [kg]"] / 0.05 == pytest.approx(round(found["load [kg]"] / 0.05))
    assert found["alone [kg]"] > found["load [kg]"] + 0.5
    assert found["degrees_of_freedom"] == 2.0


def test_rehearsals_are_no_firings_unless_asked_for_and_are_marked(campaign, capsys):
    assert "no firing of this configuration" in asked(campaign, capsys, code=7).err
    assert asked(campaign, capsys, "--rehearsals").out.startswith("REHEARSAL. ")


def test_another_throat_is_not_started_from(campaign, capsys):
    plan = campaign / "plans/HF-02.toml"
    plan.write_text(plan.read_text().replace('throat_diameter = "32.00', 'throat_diameter = "33.00'))
    (folder,) = (campaign / "runs").glob("*_HF-02_rehearsal")
    said = asked(campaign, capsys, "--from", str(folder), code=7).err
    assert "another configuration: throat diameter" in said


def test_a_run_that_is_none_is_refused(campaign, capsys):
    assert "run folder" in asked(campaign, capsys, "--from", str(campaign / "plans"), code=6).err
