"""A resistance thermometer from its stand file through a rehearsal to degrees, in samples and in the analysis."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.instruments import true_value
from standbook.analysis.simulation.physics import Timeline
from standbook.analysis.simulation.stage import perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import world_of
from standbook.daq.config.campaign import read_campaign
from standbook.daq.sealing.calibrated_columns import Tagged, readings_of
from tests.campaign_fixture import TODAY
from tests.rehearsed import dataset_of
from tests.thermometer_fixture import FULL_COUNTS, thermometer_campaign

SHORT = Timeline(hold=3.0, after=3.0, vent_after=None, vented_before=0.5, pressurising=0.5)
ZERO_CELSIUS = 273.15
OHM_PER_COUNT = 400.0 / FULL_COUNTS
FLATTEST = 0.293  # ohm a kelvin, of 100 ohm at 850 degC


@pytest.fixture(scope="module")
def campaign(tmp_path_factory):
    return read_campaign(thermometer_campaign(tmp_path_factory.mktemp("thermometer")), today=TODAY)


@pytest.fixture(scope="module")
def physics(campaign):
    return perform(world_of(campaign.plan, campaign.stand, Draw(3, Errors.none())), campaign.stand, SHORT)


def played(campaign, physics, errors, seed=3):
    return instrument(campaign, physics, Draw(seed, errors), tags=frozenset({"TC-11"}))


def true_course(campaign, physics, rows):
    item = campaign.stand.input_tagged("TC-11")
    times = physics.time[0] + np.arange(rows) / 1000.0
    return np.interp(times, physics.time, true_value(physics, campaign.stand, campaign.calibrations, item))


def test_a_rehearsed_thermometer_reads_the_true_temperature_within_one_count(campaign, physics):
    rehearsal = played(campaign, physics, Errors.none())
    channel = dataset_of(campaign, rehearsal).channels["TC-11"]
    true = true_course(campaign, physics, channel.reading.size)
    assert true.min() < 100.0  # K: it meets cold oxygen
    assert np.max(np.abs(channel.reading - true)) < 0.51 * OHM_PER_COUNT / FLATTEST
    assert not channel.open_wire.any()
    assert not channel.clipped.any()


def test_a_drawn_thermometer_is_off_by_its_class_at_most_and_not_by_none(campaign, physics):
    tolerance = dataclasses.replace(Errors.none(), scatter=1.0)
    true = None
    off = []
    for seed in range(20):
        channel = dataset_of(campaign, played(campaign, physics, tolerance, seed)).channels["TC-11"]
        true = true_course(campaign, physics, channel.reading.size) if true is None else true
        share = (channel.reading - true) / (0.30 + 0.005 * np.abs(true - ZERO_CELSIUS))
        assert np.ptp(share) < 0.01  # one thermometer keeps to one place between the limits of its class
        off.append(float(np.mean(share)))
    assert max(np.abs(off)) <= 1.0
    # Even between -1 and 1: twenty all within 0.5 of the middle are one chance in a million.
    assert max(np.abs(off)) > 0.5
    assert min(off) < 0.0 < max(off)


def opened(stream):
    counts = dict(stream.counts)
    counts["TC-11"] = counts["TC-11"].copy()
    counts["TC-11"][100:110] = 0  # shorted
    counts["TC-11"][200:210] = round(0.98 * FULL_COUNTS)  # 392 ohm: no current through the thermometer
    return dataclasses.replace(stream, counts=counts)


def test_an_open_and_a_shorted_thermometer_read_nothing_in_the_analysis(campaign, physics):
    channel = dataset_of(campaign, played(campaign, physics, Errors.none()), alter=opened).channels["TC-11"]
    gone = [*range(100, 110), *range(200, 210)]
    assert np.flatnonzero(channel.open_wire).tolist() == gone
    assert np.flatnonzero(np.isnan(channel.reading)).tolist() == gone
    assert not channel.clipped.any()


def test_the_uncertainty_holds_class_and_reference_resistor(campaign, physics):
    channel = dataset_of(campaign, played(campaign, physics, Errors.none())).channels["TC-11"]
    ambient = campaign.plan.site.ambient_pressure
    # 1e-4 of 100 ohm at 0.39083 ohm a kelvin, beside the class's 0.30 K
    assert channel.reading_u(ZERO_CELSIUS, ambient) == pytest.approx(
        math.hypot(0.30 / 3**0.5, 0.01 / 0.39083), rel=1e-4
    )
    at_oxygen = channel.reading_u(ZERO_CELSIUS - 183.0, ambient)
    assert at_oxygen == pytest.approx(1.215 / 3**0.5, rel=1e-3)


def test_samples_hold_degrees(campaign):
    item, calibration = campaign.stand.input_tagged("TC-11"), campaign.calibrations["TC-11"]
    one = Tagged(0, 1.0, item, calibration)
    counts = np.rint(np.array([[60.26], [100.0], [138.51]]) / OHM_PER_COUNT).astype(np.int32)
    found = readings_of([one], counts, np.arange(3), {})["TC-11"]
    assert found == pytest.approx([-100.0, 0.0, 100.0], abs=0.02)  # the table is rounded to 0.01 ohm
