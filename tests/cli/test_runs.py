"""``standbook runs``: the table fits its terminal, CSV and JSON hold every number in full, exit codes say what is."""

import csv
import io
import json
import shutil

import pytest

from standbook.analysis.results.quantities import Measured
from standbook.cli import runs as command
from standbook.cli.main import run
from standbook.cli.text_table import Column, fitted, table_lines
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"


@pytest.fixture
def campaign(tmp_path):
    for folder in (SAMPLE / "runs").glob("*_[HW]F-0?_rehearsal"):  # the firing and its flows
        shutil.copytree(
            folder, tmp_path / "runs" / folder.name, ignore=shutil.ignore_patterns("samples", "raw", "*.html")
        )
    return tmp_path


def told(capsys, *arguments, code=0):
    capsys.readouterr()
    assert run([str(argument) for argument in arguments]) == code
    return capsys.readouterr().out


def results_of(campaign, number):
    (path,) = (campaign / "runs").glob(f"*_{number}_rehearsal/analysis/rev-A/results.json")
    return json.loads(path.read_text(encoding="utf-8"))


def test_rehearsals_are_counted_and_shown_on_demand(campaign, capsys):
    text = told(capsys, "runs", campaign)
    assert "0 runs, 0 hardware configurations; 3 rehearsals or recordings without a plan not shown" in text
    text = told(capsys, "runs", campaign, "--rehearsals")
    (line,) = [line for line in text.splitlines() if "HF-02" in line]
    assert "REHEARSAL" in line
    assert "within" in line
    assert f"{results_of(campaign, 'HF-02')['impulse']['value'] / 1000:.1f}"[:2] in line


def test_a_csv_comes_back_to_the_last_digit(campaign, capsys):
    rows = list(csv.DictReader(io.StringIO(told(capsys, "runs", campaign, "--rehearsals", "--csv"))))
    firing = next(row for row in rows if row["run"] == "HF-02")
    results = results_of(campaign, "HF-02")
    assert float(firing["impulse [N*s]"]) == results["impulse"]["value"]
    assert float(firing["u(impulse) [N*s]"]) == results["impulse"]["u"]
    assert float(firing["CdA fuel [m2]"]) == results["tanks"]["fuel"]["cda"]["value"]
    flow = next(row for row in rows if row["run"] == "WF-03")
    assert flow["impulse [N*s]"] == flow["verdict"] == ""


def test_json_says_null_where_nothing_is_known(campaign, capsys):
    answer = json.loads(told(capsys, "runs", campaign, "--rehearsals", "--json"))
    flow = next(row for row in answer["runs"] if row["run"] == "WF-03")
    assert flow["impulse [N*s]"] is None
    assert flow["CdA oxidiser [m2]"] == results_of(campaign, "WF-03")["tanks"]["oxidiser"]["cda"]["value"]


@pytest.mark.parametrize(
    ("option", "value", "numbers"),
    [
        ("--kind", "static fire", {"HF-02"}),
        ("--tank", "fuel", {"WF-04", "HF-02"}),
        ("--verdict", "within", {"HF-02"}),
        ("--until", "2001-01-01", set()),
        ("--since", "2001-01-01", {"WF-03", "WF-04", "HF-02"}),
        ("--configuration", "in1", {"WF-03", "WF-04", "HF-02"}),
        ("--article", "no such", set()),
    ],
)
def test_options_choose_rows(campaign, capsys, option, value, numbers):
    answer = json.loads(told(capsys, "runs", campaign, "--rehearsals", "--json", option, value))
    assert {row["run"] for row in answer["runs"]} == numbers


def test_rows_are_sorted_by_impulse_or_number(campaign, capsys):
    def order(by):
        answer = json.loads(told(capsys, "runs", campaign, "--rehearsals", "--json", "--sort", by))
        return [row["run"] for row in answer["runs"]]

    assert order("impulse")[0] == "HF-02"
    assert order("number") == ["HF-02", "WF-03", "WF-04"]


def test_a_run_that_cannot_be_read_ends_the_list_with_ten(campaign, capsys):
    (plan,) = (campaign / "runs").glob("*_WF-03_rehearsal/plan.toml")
    plan.write_text("[test", encoding="utf-8")
    text = told(capsys, "runs", campaign, code=10)
    assert "unreadable" in text
    assert "REVIEW" in text
    assert "plan.toml" in text


def test_what_comes_next_is_named(campaign, capsys):
    (folder,) = (campaign / "runs").glob("*_HF-02_rehearsal")
    shutil.rmtree(folder / "analysis")
    assert f"Next: standbook analyse runs/{folder.name}" in told(capsys, "runs", campaign, "--rehearsals")


@pytest.mark.parametrize("arguments", [("--since", "yesterday"), ("--csv", "--json")])
def test_what_cannot_be_asked_is_refused(campaign, capsys, arguments):
    told(capsys, "runs", campaign, *arguments, code=2)


def test_a_folder_without_runs_is_refused(tmp_path, capsys):
    assert run(["runs", str(tmp_path)]) == 6
    assert "no runs/ in it" in capsys.readouterr().err


def test_columns_give_way_in_their_order_and_what_cannot_never_does():
    columns = (
        Column(head="date", cells=("2031-06-14",), gives_way=2),
        Column(head="run", cells=("HF-02",)),
        Column(head="article", cells=("Teasel-2",), gives_way=1),
        Column(head="verdict", cells=("not shown",)),
        Column(head="empty", cells=("",), gives_way=3),
    )
    heads = [[column.head for column in fitted(columns, width)] for width in (100, 30, 20, 3)]
    least = ["run", "verdict"]
    assert heads == [["date", "run", "article", "verdict"], ["date", "run", "verdict"], least, least]
    assert table_lines(fitted(columns, 20)) == ("run    verdict", "HF-02  not shown")


def test_a_lower_bound_is_marked_and_a_formula_is_text(campaign):
    from dataclasses import replace

    from standbook.analysis.campaign.run_table import campaign_runs

    row = campaign_runs(campaign)[-1]
    part = replace(row, impulse=Measured(29_512.0, 200.0, "N*s"), expanded=400.0, lower_bound=True)
    assert command._impulse(part) == ">=29,510"
    assert command._cell("=1+1") == "'=1+1"
    assert command._cell(0.1 + 0.2) == "0.30000000000000004"
