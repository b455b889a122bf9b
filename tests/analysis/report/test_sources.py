"""What the report reads besides results: the record at full rate, and the run of that kind before."""

import datetime as dt
import shutil
from types import SimpleNamespace

import pytest

from standbook.analysis.report.sources import earlier_run, full_rate_windows
from standbook.analysis.report.write import write_report
from standbook.analysis.results.saved_results import read_results
from standbook.daq.run.run_folder import open_run
from tests.repository import ROOT

NOW = dt.datetime(2031, 6, 15, 9, 30, tzinfo=dt.UTC)
SAMPLE = ROOT / "sample_runs/teasel-2/runs"


def of_the_sample(number):
    (folder,) = SAMPLE.glob(f"*_{number}_rehearsal")
    return folder


def opened(number):
    folder = of_the_sample(number)
    return open_run(folder), read_results(folder).results


@pytest.mark.slow
def test_start_and_stop_hold_every_sample_of_the_thrust():
    run, results = opened("HF-02")
    curves = full_rate_windows(run, results, {})
    assert list(curves) == [
        f"{what} at {which}" for which in ("start", "stop") for what in ("thrust", "chamber pressure")
    ]
    start, stop = curves["thrust at start"], curves["thrust at stop"]
    assert (start.time.size, stop.time.size) == (800, 1000)  # of a record of 1,000 rows a second
    assert start.time[0] == pytest.approx(-0.1, abs=0.0011)
    assert start.time[-1] == pytest.approx(0.7, abs=0.0011)
    crossing = next(event.time for event in results.events if event.name == "thrust stop")
    assert stop.time[0] == pytest.approx(crossing - 0.5, abs=0.0011)
    assert stop.time[-1] == pytest.approx(crossing + 0.5, abs=0.0011)
    assert list(start.columns) == ["LC-1"]
    assert list(curves["chamber pressure at stop"].columns) == ["PT-31"]


def test_a_run_without_an_impulse_has_no_window():
    assert full_rate_windows(None, SimpleNamespace(impulse=None), {}) == {}


def test_the_first_of_its_kind_has_no_earlier_run(tmp_path):
    run, _ = opened("HF-02")
    assert earlier_run(run) is None
    alone = tmp_path / "elsewhere"
    shutil.copytree(run.folder, alone)
    assert earlier_run(open_run(alone)) is None


@pytest.mark.slow
def test_a_flow_is_held_against_the_one_before_it_and_says_so(tmp_path):
    found = earlier_run(opened("WF-04")[0])
    assert found is not None
    assert found.name == of_the_sample("WF-03").name
    assert any("tank" in line for line in found.changes)
    shutil.copytree(SAMPLE, tmp_path / "runs")
    page = write_report(tmp_path / "runs" / of_the_sample("WF-04").name, now=NOW).read_text(encoding="utf-8")
    assert "Changes since the last run" in page
    assert f"This run less {found.name}" in page


@pytest.mark.slow
def test_a_run_that_cannot_be_read_is_passed_over(tmp_path):
    shutil.copytree(SAMPLE, tmp_path / "runs")
    name = of_the_sample("WF-03").name
    (tmp_path / "runs" / name / "plan.toml").write_text("what", encoding="utf-8")
    assert earlier_run(open_run(tmp_path / "runs" / of_the_sample("WF-04").name)) is None


@pytest.mark.slow
def test_the_nearest_run_that_can_be_compared_is_taken_and_of_the_others_only_who_they_are(tmp_path):
    flow, own = of_the_sample("WF-03"), of_the_sample("WF-04")
    small = shutil.ignore_patterns("samples", "raw", "*.html")
    shutil.copytree(own, tmp_path / "runs" / own.name)
    for day in ("2020-01-01", "2020-01-02", "2020-01-03", "2099-01-01"):
        shutil.copytree(flow, tmp_path / "runs" / f"{day}_{flow.name.partition('_')[2]}", ignore=small)
    far, near, nearest, later = sorted((tmp_path / "runs").glob("*_WF-03_*"))
    for damaged in (far, nearest):
        (damaged / "plan.toml").write_text("what", encoding="utf-8")
    found = earlier_run(open_run(tmp_path / "runs" / own.name))
    assert found is not None
    assert found.name == near.name
    assert later.name > own.name
