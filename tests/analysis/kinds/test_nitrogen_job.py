"""The whole job of a nitrogen flow by the commands: predict, lock, record, analyse, report, carry."""

import json

import pytest

from standbook.analysis.campaign.carried_runs import other_flows, read_analysed
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.story import rehearse
from standbook.cli.main import run as command
from standbook.daq.config.campaign import read_campaign
from tests.analysis.nitrogen_fixture import nitrogen_campaign
from tests.campaign_fixture import TODAY, edit
from tests.rehearsed_run import recorded


@pytest.mark.slow
def test_a_nitrogen_flow_goes_through_the_whole_job(tmp_path, capsys, monkeypatch):
    for name in ("predict", "lock", "carry"):
        monkeypatch.setattr(f"standbook.cli.{name}.today", lambda: TODAY)
    as_water = nitrogen_campaign(tmp_path)
    played = rehearse(as_water, Draw(2))
    plan = edit(as_water.plan_path, 'kind = "water flow"', 'kind = "nitrogen flow"')
    assert command(["predict", str(plan)]) == 0
    assert command(["lock", str(plan)]) == 0
    left = played.truth.residual_mass["oxidiser"]
    caught = {"oxidiser": {"residual": f"{left:.3f} +/- 0.020 kg", "caught": "1.0 +/- 0.1 kg"}}
    folder = recorded(read_campaign(plan, today=TODAY), played, weighings=caught)
    capsys.readouterr()

    assert command(["analyse", str(folder)]) == 10  # what was caught is a caution
    said = capsys.readouterr().out
    assert "the mass caught" in said
    results = json.loads((folder / "analysis/rev-A/results.json").read_text(encoding="utf-8"))
    cda = results["tanks"]["oxidiser"]["cda"]
    assert abs(cda["value"] - played.truth.cda["oxidiser"]) < 2.0 * cda["u"]
    cautions = {f["code"] for f in results["findings"] if f["severity"] != "note"}
    assert cautions == {"cannot-be-caught"}

    assert command(["report", str(folder)]) == 0
    (page,) = folder.glob("analysis/report_*.html")
    text = page.read_text(encoding="utf-8")
    assert "One nitrogen flow, one tank" in text
    assert "by TC-11 the liquid nitrogen flowed at" in text

    capsys.readouterr()
    assert command(["carry", str(folder), "--to", str(plan.parent / "HF-02.toml")]) == 0
    said = capsys.readouterr().out
    assert 'cda_basis = "nitrogen flow WF-03"' in said
    assert "ullage_exponent" not in said  # the firing's plan states no wall
    assert "not both plans state wall_material" in said
    assert other_flows(read_analysed(folder), "oxidiser") == ()
