"""A sensor that was not in date on the day of the run is a caution, and a rehearsal's sensors are of no day."""

import datetime as dt
from dataclasses import replace

import pytest

from standbook.analysis.dataset.load_run import load_dataset
from standbook.daq.run.run_folder import open_run
from tests.repository import ROOT

CODE = "calibrations-not-in-date"


@pytest.fixture(scope="module")
def flow():
    run = open_run(next((ROOT / "sample_runs/teasel-2/runs").glob("*_WF-03_rehearsal")), verify=False)
    return replace(run, info=run.info.model_copy(update={"rehearsal": False}))


def day_of(run):
    return dt.datetime.fromtimestamp(run.record.t_zero.host_ns * 1e-9, dt.UTC).date()


def said(run, tag, **dates):
    ruled = {**run.calibrations, tag: run.calibrations[tag].model_copy(update=dates)}
    return [f for f in load_dataset(replace(run, calibrations=ruled)).findings if f.code == CODE]


@pytest.mark.slow
def test_a_sensor_is_in_date_from_its_first_to_its_last_day(flow):
    day, week = day_of(flow), dt.timedelta(days=7)
    assert said(flow, "PT-11", date=day - week, valid_until=day) == []
    assert said(flow, "PT-11", date=day, valid_until=day + week) == []
    (late,) = said(flow, "PT-11", date=day - 2 * week, valid_until=day - dt.timedelta(days=1))
    assert late.severity == "caution"
    assert f"Not in date on {day}: PT-11_" in late.text
    (early,) = said(flow, "PT-11", date=day + week, valid_until=day + 2 * week)
    assert str(day + week) in early.text


@pytest.mark.slow
def test_a_rehearsal_is_of_no_day(flow):
    rehearsal = replace(flow, info=flow.info.model_copy(update={"rehearsal": True}))
    assert said(rehearsal, "PT-11", date=dt.date(2001, 1, 1), valid_until=dt.date(2001, 12, 31)) == []
