"""The range of a sensor goes with it into an import in another unit."""

import datetime as dt

import pytest

from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.csv_mapping import ANY_RANGE, CsvMapping, imported_calibrations
from standbook.daq.quantity import factor
from tests.campaign_fixture import TODAY
from tests.campaign_fixture import campaign as write
from tests.thermometer_fixture import thermometer_campaign


@pytest.fixture(scope="module")
def calibrations(tmp_path_factory):
    return read_campaign(write(tmp_path_factory.mktemp("campaign")) / "plans" / "HF-02.toml", today=TODAY).calibrations


def imported(calibrations, use):
    mapping = CsvMapping(
        start=dt.datetime(2031, 6, 14, tzinfo=dt.UTC), clock="t", clock_unit="s", columns={"column": use}
    )
    return next(iter(imported_calibrations(calibrations, mapping).values()))


@pytest.mark.parametrize("unit", ["lbf", "kgf", "kN"])
def test_a_range_in_another_unit_of_force_is_the_same_force(calibrations, unit):
    found, base = imported(calibrations, f"LC-1 {unit}"), calibrations["LC-1"]
    assert found.highest * factor(unit, "force") == pytest.approx(base.highest, rel=1e-12)
    assert found.lowest * factor(unit, "force") == pytest.approx(base.lowest, rel=1e-12)


def test_a_gauge_range_in_an_absolute_unit_begins_at_the_atmosphere(calibrations):
    found, base = imported(calibrations, "PT-11 kPa(a)"), calibrations["PT-11"]
    assert found.lowest == pytest.approx(101.325)  # [AMS55]: standard atmosphere
    assert found.highest - found.lowest == pytest.approx(100.0 * (base.highest - base.lowest))


def test_without_a_calibration_no_range_is_claimed():
    found = imported({}, "LC-1 N +/- 0.5 %")
    assert (found.lowest, found.highest) == (-ANY_RANGE, ANY_RANGE)


def test_an_imported_thermometer_keeps_the_tolerance_of_its_class_as_its_zero(tmp_path):
    found = read_campaign(thermometer_campaign(tmp_path), today=TODAY).calibrations
    # class B at -196 degC, its worst: 0.30 + 0.005 * 196 = 1.28 K, rectangular
    assert imported(found, "TC-11 degC").zero_uncertainty == pytest.approx(1.28 / 3**0.5)
