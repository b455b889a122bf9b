"""``standbook campaign``: the page is written beside the runs, and a run that cannot be read hides no other."""

import shutil

import pytest

from standbook.cli.main import run
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"


@pytest.fixture
def campaign(tmp_path):
    ignored = shutil.ignore_patterns("samples", "raw", "*.html")
    return shutil.copytree(SAMPLE, tmp_path / "teasel-2", ignore=ignored)


def test_a_campaign_of_rehearsals_pools_nothing(campaign, capsys):
    assert run(["campaign", str(campaign)]) == 0
    said = capsys.readouterr().out
    assert "0 runs of tests" in said
    page = (campaign / "campaign.html").read_text(encoding="utf-8")
    assert "No test was recorded yet" in page
    assert "<svg" not in page


def test_a_damaged_run_is_named_and_ends_with_ten(campaign, capsys):
    (folder,) = (campaign / "runs").glob("*_WF-03_rehearsal")
    (folder / "plan.toml").write_text("[test", encoding="utf-8")
    assert run(["campaign", str(campaign)]) == 10
    assert folder.name in (campaign / "campaign.html").read_text(encoding="utf-8")


def test_a_folder_without_runs_is_refused(tmp_path, capsys):
    assert run(["campaign", str(tmp_path)]) == 6
    assert "no runs/ in it" in capsys.readouterr().err
