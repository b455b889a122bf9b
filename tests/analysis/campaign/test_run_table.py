"""The table of runs: what each row says, and that one damaged run hides no other."""

import json
import shutil

import pytest

from standbook.analysis.campaign.run_table import campaign_runs, tank_names
from standbook.daq.errors import RecordError
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"


@pytest.fixture
def campaign(tmp_path):
    """The sample campaign's small files: a list of runs opens no samples."""
    for folder in (SAMPLE / "runs").glob("*_[HW]F-0?_rehearsal"):  # the firing and its flows
        shutil.copytree(
            folder, tmp_path / "runs" / folder.name, ignore=shutil.ignore_patterns("samples", "raw", "*.html")
        )
    return tmp_path


def saved(campaign, number):
    (path,) = (campaign / "runs").glob(f"*_{number}_rehearsal/analysis/rev-A/results.json")
    return json.loads(path.read_text(encoding="utf-8"))


def by_number(rows):
    return {row.number: row for row in rows}


def test_rows_say_what_the_newest_analysis_says(campaign):
    rows = campaign_runs(campaign)
    assert [row.number for row in rows] == ["WF-03", "WF-04", "HF-02"]  # in the order in which they were recorded
    firing, results = by_number(rows)["HF-02"], saved(campaign, "HF-02")
    assert firing.impulse.value == results["impulse"]["value"]
    assert firing.expanded == results["impulse"]["expanded"]
    assert firing.cstar.value == results["engine"]["cstar"]["value"]
    assert firing.verdict == "within"
    assert firing.cautions == sum(f["severity"] == "caution" for f in results["findings"])
    assert set(firing.cda) == {"oxidiser", "fuel"}
    flow = by_number(rows)["WF-03"]
    assert flow.impulse is None
    assert flow.verdict == ""
    assert set(flow.cda) == {"oxidiser"}
    assert flow.rehearsal
    assert not flow.is_test
    assert tank_names(rows) == ("oxidiser", "fuel")


def test_a_run_that_is_not_analysed_names_what_brings_it_further(campaign):
    (folder,) = (campaign / "runs").glob("*_HF-02_rehearsal")
    shutil.rmtree(folder / "analysis")
    row = by_number(campaign_runs(campaign))["HF-02"]
    assert row.state == "not analysed"
    assert row.next_command == f"standbook analyse runs/{folder.name}"
    (folder / "manifest.json").unlink()
    row = by_number(campaign_runs(campaign))["HF-02"]
    assert row.state == "not sealed"
    assert row.next_command == f"standbook recover runs/{folder.name}"


def test_a_damaged_run_is_a_row_with_its_reason_and_hides_no_other(campaign):
    (folder,) = (campaign / "runs").glob("*_WF-03_rehearsal")
    (folder / "plan.toml").write_text("[test", encoding="utf-8")
    (other,) = (campaign / "runs").glob("*_WF-04_rehearsal/analysis/rev-A")
    (other / "results.json").write_text("{}", encoding="utf-8")
    (campaign / "runs" / "2031-01-01_stray").mkdir()
    rows = {row.folder: row for row in campaign_runs(campaign)}
    assert rows[folder.name].state == "unreadable"
    assert "plan.toml" in rows[folder.name].why
    assert rows[other.parents[1].name].state == "unreadable"
    assert "changed" in rows[other.parents[1].name].why
    assert rows["2031-01-01_stray"].state == "unreadable"
    assert sum(row.state == "rev-A" for row in rows.values()) == 1


def test_two_runs_of_one_number_are_two_rows(campaign):
    (folder,) = (campaign / "runs").glob("*_WF-03_rehearsal")
    shutil.copytree(folder, folder.with_name("2031-06-02_WF-03"))
    dates = [row.date for row in campaign_runs(campaign) if row.number == "WF-03"]
    assert dates == [folder.name[:10], "2031-06-02"]


def test_a_folder_without_runs_is_refused(tmp_path):
    with pytest.raises(RecordError, match="no runs/ in it"):
        campaign_runs(tmp_path)
