"""A platinum resistance thermometer reads by the curve of its standard, and is as good as its class."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.platinum import HIGHEST_RATIO, LOWEST_RATIO, TOLERANCES, resistance_ratio, temperature
from standbook.daq.errors import ConfigError
from tests.campaign_fixture import TODAY, edit
from tests.thermometer_fixture import thermometer_campaign

# [IEC60751] as sensor makers print its table for 100 ohm: -200 to 400 degC seen; 850 degC seen as 390.481 in a
# program's limits.
TABLE = {
    -200.0: 18.52,
    -100.0: 60.26,
    -50.0: 80.31,
    0.0: 100.00,
    50.0: 119.40,
    100.0: 138.51,
    200.0: 175.86,
    400.0: 247.09,
    850.0: 390.48,
}


@pytest.mark.parametrize(("degrees", "ohm"), TABLE.items())
def test_the_curve_is_that_of_the_printed_table_in_both_directions(degrees, ohm):
    # The table is rounded to 0.01 ohm, which is 0.035 K at the slowest.
    assert 100.0 * resistance_ratio(np.array([degrees]))[0] == pytest.approx(ohm, abs=0.00501)
    assert temperature(np.array([ohm / 100.0]))[0] == pytest.approx(degrees, abs=0.02)


@given(st.lists(st.floats(-200.0, 850.0), min_size=1, max_size=50))
def test_a_temperature_comes_back_from_its_resistance(degrees):
    there = np.array(degrees)
    assert np.max(np.abs(temperature(resistance_ratio(there)) - there)) < 1e-9


@given(st.floats(-1e4, 1e4))
def test_beyond_the_range_the_curve_goes_on_rising_and_comes_back(degrees):
    pair = np.array([degrees, degrees + 1.0])
    ratios = resistance_ratio(pair)
    assert ratios[1] > ratios[0]
    assert temperature(ratios) == pytest.approx(pair, abs=1e-8)


def test_what_is_no_number_stays_none():
    assert np.isnan(temperature(np.array([math.nan]))[0])
    assert temperature(np.array([math.inf]))[0] == math.inf


@pytest.fixture
def plan(tmp_path):
    return thermometer_campaign(tmp_path)


def test_a_thermometer_is_calibrated_by_its_class_alone(plan):
    found = read_campaign(plan, today=TODAY).calibrations["TC-11"]
    assert found.reading(np.array([18.52, 100.0, 138.51])) == pytest.approx([-200.0, 0.0, 100.0], abs=0.02)
    assert found.signal(np.array([100.0])) == pytest.approx([138.51], abs=0.005)
    # +/-(0.30 + 0.005 |t|) as makers print it for class B, rectangular
    for degrees, half in ((0.0, 0.30), (-183.0, 1.215), (100.0, 0.80)):
        assert found.tolerance_u(degrees) == pytest.approx(half / math.sqrt(3.0))
    assert (found.slope_u(), found.zero_u()) == (0.0, 0.0)


@pytest.mark.parametrize(("name", "at_zero", "at_hundred"), [("AA", 0.1, 0.27), ("A", 0.15, 0.35), ("C", 0.6, 1.6)])
def test_every_class_has_its_half_width(name, at_zero, at_hundred):
    limits = TOLERANCES[name]
    assert (limits.at_zero, limits.at_zero + 100.0 * limits.share) == pytest.approx((at_zero, at_hundred))


CURVE = 'characteristic = { standard = "IEC 60751", nominal = "100 ohm", tolerance_class = "B" }'


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('"IEC 60751"', '"DIN 1"', "characteristic.standard: Input should be 'IEC 60751'"),
        ('class = "B"', 'class = "D"', "characteristic.tolerance_class: Input should be 'AA', 'A', 'B' or 'C'"),
        ('"100 ohm"', '"120 ohm"', 'no thermometer here has "120 ohm" at 0 degC; write "100 ohm" or "1000 ohm"'),
        ('"100 ohm"', '"1000 ohm"', "the stand has a thermometer of 100 ohm, but calibration TC-11_r01 is of 1000 ohm"),
        ("lowest = -196.0", "lowest = -200.0", "class B holds from -196 to 600 degC"),
        ('class = "B"', 'class = "A"', "class A holds from -100 to 450 degC"),
        ('"degC"', '"K"', 'takes signal_unit "ohm", gives reading_unit "degC"'),
        ('"ohm"', '"V"', 'takes signal_unit "ohm", gives reading_unit "degC"'),
        (CURVE, f"{CURVE}\ncoefficients = [0.0, 1.0]", "coefficients cannot stand beside a characteristic"),
        (CURVE, "", "at least two coefficients are needed, or a characteristic"),
    ],
)
def test_a_curve_that_does_not_fit_is_refused(plan, old, new, message):
    edit(plan.parent.parent / "calibrations" / "TC-11_r01.toml", old, new)
    with pytest.raises(ConfigError, match=message):
        read_campaign(plan, today=TODAY)


def test_a_stand_with_another_resistance_at_the_ice_point_is_refused(plan):
    edit(plan.parent.parent / "stand.toml", 'nominal = "100 ohm"', 'nominal = "10 ohm"')
    with pytest.raises(ConfigError, match=r'input\[10\].nominal: no thermometer here has "10 ohm" at 0 degC'):
        read_campaign(plan, today=TODAY)


@pytest.mark.parametrize("nominal", [100.0, 1000.0])
def test_a_resistance_beyond_the_standard_s_range_is_a_broken_wire(plan, nominal):
    if nominal == 1000.0:
        edit(plan.parent.parent / "stand.toml", 'nominal = "100 ohm"', 'nominal = "1000 ohm"')
        edit(plan.parent.parent / "stand.toml", "400.0 +/- 0.04 ohm", "4000.0 +/- 0.4 ohm")
        edit(plan.parent.parent / "calibrations" / "TC-11_r01.toml", '"100 ohm"', '"1000 ohm"')
    item = read_campaign(plan, today=TODAY).stand.input_tagged("TC-11")
    low, high = 0.1852 * nominal, 3.9048 * nominal  # as the table prints them
    signal = np.array([0.0, 0.99 * low, 1.01 * low, nominal, 0.99 * high, 1.01 * high])
    assert item.sensor_kind.broken(item, signal).tolist() == [True, True, False, False, False, True]
    assert pytest.approx((0.1852, 3.9048), abs=5.01e-5) == (LOWEST_RATIO, HIGHEST_RATIO)


def test_a_crew_s_own_polynomial_reads_a_thermometer_as_well(plan):
    calibration = plan.parent.parent / "calibrations" / "TC-11_r01.toml"
    edit(calibration, CURVE, "coefficients = [-245.9, 2.46]\ncovariance = [[0.01, 0.0], [0.0, 1e-6]]")
    edit(calibration, "lowest = -196.0", "lowest = -10.0")
    found = read_campaign(plan, today=TODAY).calibrations["TC-11"]
    assert found.reading(np.array([100.0])) == pytest.approx([0.1])
    assert found.tolerance_u(0.0) == 0.0
