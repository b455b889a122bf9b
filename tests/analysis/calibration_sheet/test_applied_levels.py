"""What stood on the sensor: columns of liquid and gas, testers in another gravity, gauge on an absolute sensor."""

import math

import numpy as np
import pytest
from scipy import constants

from standbook.analysis.calibration.applied_level import gravity_at
from standbook.analysis.calibration.readings_sheet import ReadingsSheet
from standbook.analysis.calibration_sheet.applied_levels import WATER, applied_levels
from standbook.daq.config.toml_document import parse_document
from standbook.daq.errors import ConfigError
from tests.readings_sheets import GAUGE, PLACE, pressure_sheet

AT_52 = gravity_at(math.radians(52.1), 40.0)


def applied(*changes):
    text = pressure_sheet()
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    return applied_levels(parse_document(text, ReadingsSheet, "sheet"), None, "sheet")


def test_water_above_the_gauge_takes_off_its_head():
    found = applied()
    assert found.unit == "bar(g)"
    head = WATER * AT_52 * 0.30 / 1e5
    assert found.value[5] == pytest.approx(60.0 - head, rel=1e-12)
    assert found.offset_u == pytest.approx(WATER * AT_52 * 0.01 / 1e5, rel=1e-3)  # 10 mm of it


def test_nitrogen_weighs_with_its_pressure():
    found = applied(('"water"', '"nitrogen"'))
    off = np.array([60.0, 0.0]) - found.value[[5, 0]]
    # ideal gas at 18.5 degC, 61.0 and 1.0 bar(a): about 1.1 mbar for 30 cm at 32 bar
    density = 61.01325e5 * 28.0134e-3 / (constants.R * 291.65)
    assert off[0] == pytest.approx(density * AT_52 * 0.30 / 1e5, rel=1e-6)
    assert off[0] / off[1] == pytest.approx(61.01325 / 1.01325, rel=1e-6)


def test_a_tester_pulls_by_local_gravity():
    tester = (
        'reference = { what = "dead-weight tester", serial = "T", certificate_u = "0.02 %", gravity = "9.80665 m/s2" }'
    )
    level = ("0.30 +/- 0.01 m", "0.00 +/- 0.01 m")
    found = applied((GAUGE, tester), level)
    assert found.value[5] == pytest.approx(60.0 * AT_52 / 9.80665, rel=1e-12)
    assert found.gain_u == pytest.approx(6e-5)
    # closed form: gravity at 52.1 degrees over the stated one is 1.00059
    assert found.words[0].endswith("not 9.80665: each level raised by 0.059 %, 60 became 60.035 bar")
    with pytest.raises(ConfigError, match=r"reference\.gravity and place\.latitude"):
        applied((GAUGE, tester), level, ('latitude = "52.1 deg", ', ""))


def test_a_gauge_on_an_absolute_sensor_needs_a_barometer():
    absolute = ('signal_unit = "V/V"', 'signal_unit = "V/V", reading_unit = "bar(a)"')
    with pytest.raises(ConfigError, match=r"place\.barometer: this key is missing"):
        applied(absolute)
    found = applied(absolute, ('height = "40 m"', 'height = "40 m", barometer = "97.8 +/- 0.15 kPa(a)"'))
    assert found.value[0] == pytest.approx(applied().value[0] + 0.978, rel=1e-9)
    assert found.offset_u == pytest.approx(math.hypot(1.5e-3, WATER * AT_52 * 0.01 / 1e5), rel=1e-3)


def test_a_difference_is_no_gauge_pressure():
    with pytest.raises(ConfigError, match="levels are of gauge pressure, the sensor reads difference"):
        applied(('signal_unit = "V/V"', 'signal_unit = "V/V", reading_unit = "bar(d)"'))


def test_a_sensor_of_forces_takes_no_pressures():
    with pytest.raises(ConfigError, match="give readings of pressure, but the sensor reads N"):
        applied(('signal_unit = "V/V"', 'signal_unit = "V/V", reading_unit = "N"'))


def test_readings_in_another_unit_than_the_levels():
    found = applied(('signal_unit = "V/V"', 'signal_unit = "V/V", reading_unit = "kPa(g)"'))
    assert found.value == pytest.approx(100.0 * applied().value, rel=1e-12)


def test_no_column_is_said_and_not_guessed():
    assert PLACE in pressure_sheet()
    found = applied((PLACE, ""))
    assert found.value[5] == 60.0
    assert "no column between reference and sensor was stated: none is corrected for" in found.words
