"""A kind of test that only this file knows goes through the whole job without an edit elsewhere."""

import ast
import dataclasses
import json

import pytest

from standbook.analysis.dataset.empty_results import empty_results
from standbook.analysis.kinds.kind import AnalysedKind
from standbook.analysis.kinds.registry import analysed_kind, forget, register
from standbook.analysis.prediction.predict_cold_flow import predict_flow
from standbook.analysis.report.content.blocks import Section, Text
from standbook.analysis.report.sections.flow_page import FLOW_PAGE
from standbook.analysis.report.sections.page_parts import BigNumber
from standbook.analysis.results.results import Analysis
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.story import rehearse
from standbook.cli.main import run
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import ConfigError
from standbook.daq.findings.finding import FindingKind
from standbook.daq.kinds.kind import Kind
from standbook.daq.kinds.registry import known_kinds
from tests.campaign_fixture import TODAY, campaign, edit
from tests.rehearsed_run import recorded

DRAINED = FindingKind(code="drained", severity="caution", text="{channel}: drained by {fall_bar:.2f} bar.")


def analyse_drain(dataset, *, revision, software):
    (tank,) = dataset.plan.tank
    pressure = dataset.measuring("tank pressure", tank.name)[0]
    fall = (pressure.reading[0] - pressure.reading[-1]) / 1e5
    results = empty_results(dataset, revision, software)
    return Analysis(dataclasses.replace(results, findings=(DRAINED.at(tank.name, fall_bar=fall),)), {})


def predict_drain(plan, _stand, *, samples, seed):
    return predict_flow(plan, samples=samples, seed=seed)


DRAIN_PAGE = dataclasses.replace(
    FLOW_PAGE,
    big=lambda results, _, __: (BigNumber("Drained by", f"{results.findings[0].values['fall_bar']:.2f} bar", ""),),
    headline=lambda _: "The tank was drained.",
    sections=lambda *_: (
        Section(anchor="drain", title="The drain", lead="How the tank was drained.", blocks=(Text("Slowly."),)),
    ),
)
DRAIN = AnalysedKind(
    kind=Kind(
        name="tank drain", title="One {name}, under its own title", part="drain", duration="drain time", tank_count=1
    ),
    analyse=analyse_drain,
    predict=predict_drain,
    page_parts=lambda: DRAIN_PAGE,
)


@pytest.fixture
def known():
    register(DRAIN)
    yield
    forget(DRAIN)


@pytest.fixture
def plan(tmp_path, monkeypatch):
    for command in ("predict", "lock"):
        monkeypatch.setattr(f"standbook.cli.{command}.today", lambda: TODAY)
    return edit(campaign(tmp_path) / "plans" / "WF-03.toml", 'kind = "water flow"', 'kind = "tank drain"')


def test_a_kind_that_nobody_registered_is_refused_with_the_list(plan, capsys):
    assert run(["predict", str(plan)]) == 3
    told = capsys.readouterr().err
    assert '"tank drain" is none of "water flow", "nitrogen flow", "static fire", "pressure hold", "bench"' in told


@pytest.mark.slow
@pytest.mark.usefixtures("known")
def test_it_goes_through_the_whole_job(plan, capsys):
    assert run(["predict", str(plan)]) == 0
    assert run(["lock", str(plan)]) == 0
    noted = read_campaign(plan, today=TODAY)
    folder = recorded(noted, rehearse(noted, Draw(3)), weighings={})
    capsys.readouterr()
    assert run(["analyse", str(folder)]) == 10
    assert "CAUTION: oxidiser: drained by" in capsys.readouterr().out
    results = json.loads((folder / "analysis/rev-A/results.json").read_text(encoding="utf-8"))
    assert results["kind"] == "tank drain"
    assert results["findings"][0]["values"].keys() == {"fall_bar"}
    assert run(["report", str(folder)]) == 0
    (page,) = folder.glob("analysis/report_*.html")
    text = page.read_text(encoding="utf-8")
    assert "One tank drain, under its own title" in text
    assert "The tank was drained." in text
    assert "How the tank was drained." in text


@pytest.mark.usefixtures("known")
def test_a_plan_of_it_is_held_to_what_the_kind_has(plan, capsys):
    redline = '[[redline]]\nname = "x"\ncall = "ABORT"\ntag = "PT-11"\nabove = "60 bar(g)"\nphase = "burn"\n\n[flow]'
    edit(plan, "[flow]", redline)
    assert run(["predict", str(plan)]) == 3
    assert 'a tank drain has no phase "burn"; write standby, flow, safing' in capsys.readouterr().err


def test_two_kinds_cannot_share_a_name():
    other = dataclasses.replace(DRAIN, kind=dataclasses.replace(DRAIN.kind, name="water flow"))
    with pytest.raises(ValueError, match="two kinds of test"):
        register(other)
    assert analysed_kind("water flow").kind.title == "One {name}, one tank"


def test_a_kind_is_asked_for_by_a_name_that_is_known():
    with pytest.raises(ConfigError, match="is no kind of test; known are"):
        analysed_kind("tank drain")


CALLED_AS_A_KIND = {"cli/commands.py", "cli/bench.py"}  # the command, whose help may load no list of kinds


def test_the_names_of_kinds_stand_in_the_lists_of_kinds_alone(source_nodes):
    names = {kind.name for kind in known_kinds()}
    wrong = [
        (name, node.lineno, node.value)
        for name, nodes in source_nodes.items()
        if "/kinds/" not in name and name not in CALLED_AS_A_KIND
        for node in nodes
        if isinstance(node, ast.Constant) and node.value in names
    ]
    assert wrong == []
