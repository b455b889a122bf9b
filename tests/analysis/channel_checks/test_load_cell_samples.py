"""Frozen stretches and drop-outs of a load cell: marked where noise should move it, not at a coarse one's rest."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.channel_checks.load_cell_samples import believed, cell_findings, dropped_out, frozen
from standbook.analysis.dataset.channel import Channel
from standbook.daq.config.campaign import read_campaign
from tests.campaign_fixture import TODAY
from tests.campaign_fixture import campaign as write

TIME = np.arange(-2.0, 12.0, 1e-3)
BURN = np.interp(TIME, [-2.0, 0.2, 0.25, 9.0, 9.1, 12.0], [0.0, 0.0, 2500.0, 1300.0, 0.0, 0.0])


@pytest.fixture(scope="module")
def calibration(tmp_path_factory):
    folder = write(tmp_path_factory.mktemp("campaign"))
    return read_campaign(folder / "plans" / "HF-02.toml", today=TODAY).calibrations["LC-1"]


@pytest.fixture
def cell(calibration):
    return cell_of(calibration, BURN + np.random.default_rng(3).normal(0.0, 3.0, TIME.size))


def cell_of(calibration, reading):
    no = np.zeros(TIME.size, dtype=np.bool_)
    counts = np.rint(reading).astype(np.int64)
    return Channel(
        tag="LC-1",
        measures="thrust",
        tank=None,
        calibration=calibration,
        time=TIME,
        signal=reading,
        reading=counts.astype(float),
        counts=counts,
        clipped=no,
        open_wire=no,
        stream="a/fast",
    )


def between(start, end):
    return (start <= TIME) & (end > TIME)


def held(cell, start, end):
    counts = cell.counts.copy()
    inside = between(start, end)
    counts[inside] = counts[inside][0]
    return dataclasses.replace(cell, counts=counts, reading=counts.astype(float))


def test_a_live_cell_is_believed_throughout(cell):
    assert believed(cell).all()
    assert cell_findings(cell, 0.0, 9.2) == []


@pytest.mark.parametrize(("start", "end"), [(5.0, 5.3), (-1.0, 0.4), (6.0, 12.0), (-2.0, 0.4)])
def test_a_stretch_without_a_change_is_frozen(cell, start, end):
    marks = frozen(held(cell, start, end))
    inside = between(start, end)
    assert marks[inside].all()
    assert not marks[~inside].any()


def test_a_coarse_converter_at_rest_is_not_frozen(calibration):
    # Steps of 40 N hide the noise at rest; under thrust the fall and roughness move it.
    rough = np.random.default_rng(5).normal(0.0, 60.0, TIME.size) * (BURN > 100.0)
    coarse = cell_of(calibration, np.rint((BURN + rough) / 40.0))
    assert np.ptp(coarse.counts[TIME < 0.0]) == 0
    assert not frozen(coarse).any()


def test_samples_that_jump_for_an_instant_are_drop_outs_and_a_steep_start_is_none(cell):
    reading = cell.reading.copy()
    places = np.searchsorted(TIME, [1.0, 3.0, 3.001, 8.0])
    reading[places] = [0.0, 0.0, 0.0, 5000.0]
    assert np.flatnonzero(dropped_out(dataclasses.replace(cell, reading=reading))).tolist() == places.tolist()


def test_a_slow_logger_claims_no_drop_out(cell):
    slow = {name: getattr(cell, name)[::20] for name in ("time", "signal", "reading", "counts", "clipped", "open_wire")}
    slow["reading"] = slow["reading"].copy()
    slow["reading"][200] = 0.0
    assert not dropped_out(dataclasses.replace(cell, **slow)).any()


def test_findings_name_how_long_and_since_when(cell):
    text = cell_findings(held(cell, 5.0, 5.3), 0.0, 9.2)[0].text
    assert "for 0.30 s from T+5.00 s" in text


@pytest.mark.parametrize("rate", [250.0, 300.0, 500.0])
def test_a_stand_that_rings_is_no_drop_out_however_few_samples_a_period(calibration, rate):
    time = np.arange(-1.0, 6.0, 1.0 / rate)
    ring = np.where(time > 0.3, np.exp(-5.0 * (time - 0.3)) * np.cos(2.0 * np.pi * 41.0 * (time - 0.3)), 0.0)
    reading = np.where(time > 0.3, 2300.0, 0.0) - 2300.0 * ring + np.random.default_rng(1).normal(0.0, 4.0, time.size)
    no = np.zeros(time.size, dtype=np.bool_)
    counts = np.rint(reading).astype(np.int64)
    ringing = Channel(
        tag="LC-1",
        measures="thrust",
        tank=None,
        calibration=calibration,
        time=time,
        signal=reading,
        reading=reading,
        counts=counts,
        clipped=no,
        open_wire=no,
        stream="a/fast",
    )
    assert not dropped_out(ringing).any()
    reading = reading.copy()
    reading[np.searchsorted(time, 4.0)] = 0.0
    assert np.count_nonzero(dropped_out(dataclasses.replace(ringing, reading=reading))) == 1
