"""``standbook campaign``: the page is written beside the runs, and a run that cannot be read hides no other."""

import shutil

import pytest

from standbook.cli.main import run
from tests.campaign_fixture import edit
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


@pytest.fixture
def tested(campaign):
    """The firing of the sample as if it had been a test."""
    (folder,) = (campaign / "runs").glob("*_HF-02_rehearsal")
    edit(folder / "run.json", '"rehearsal": true', '"rehearsal": false')
    (sheet,) = (folder / "checks").iterdir()
    edit(sheet, "rehearsal = true", "rehearsal = false")
    return campaign


def test_what_the_stand_says_stands_below_what_the_tests_gave(tested, capsys):
    assert run(["campaign", str(tested)]) == 0
    said = capsys.readouterr().out
    assert "Zero, one value only and nothing to compare it with: LC-1 (r04), PT-11 (" in said
    page = (tested / "campaign.html").read_text(encoding="utf-8")
    assert "Throat diameter, one value only and nothing to compare it with: Teasel-2." in page
    assert "<svg" not in page  # one run draws no course
    assert "HF-02, the only static fire of hw1, so that no scatter is known: CdA oxidiser " in page
    assert run(["campaign", str(tested), "--redacted"]) == 0
    assert "Clock, one value only" in (tested / "campaign_redacted.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_of_two_runs_each_quantity_is_said_in_the_words_of_its_panel(tested, capsys):
    (first,) = (tested / "runs").glob("*_HF-02_rehearsal")
    shutil.copytree(first, first.with_name("2031-07-01_HF-03"))
    assert run(["campaign", str(tested)]) == 0
    said = capsys.readouterr().out
    (line,) = [line for line in said.splitlines() if line.strip().startswith("CdA fuel, static fire, hw1: 2 runs, ")]
    page = " ".join((tested / "campaign.html").read_text(encoding="utf-8").split())
    assert "CdA fuel, static fire, hw1, mm²" in page
    assert line.strip().partition("hw1: ")[2].partition(" (95 %)")[0] in page


def test_a_damaged_sheet_of_a_test_is_named_and_ends_with_ten(tested, capsys):
    (sheet,) = (tested / "runs").glob("*_HF-02_rehearsal/checks/*.toml")
    sheet.write_text("plan =", encoding="utf-8")
    assert run(["campaign", str(tested)]) == 10
    assert f"REVIEW: {sheet}: not valid TOML" in capsys.readouterr().out


def test_a_folder_without_runs_is_refused(tmp_path, capsys):
    assert run(["campaign", str(tmp_path)]) == 6
    assert "no runs/ in it" in capsys.readouterr().err
