"""What two sensors leave open of the drop between them, by hand: own parts apart, one gauge by its difference."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.dataset.channel import BAROMETER
from standbook.analysis.dataset.doubted_drop import ENOUGH, TAP, doubted_drop
from standbook.analysis.results.quantities import Measured
from standbook.daq.quantity import parse_quantity
from tests.analysis.dataset.test_supply import calibration, channel

AIR = parse_quantity("1.0 +/- 0.01 bar(a)", "pressure")
GAUGE_GAIN, COVARIANCE = 0.002, [[1e-4, 0.0], [0.0, 0.05625]]  # bar² of the zero; slope 75 bar per V/V: 0.316 %
SLOPE_U = 0.05625**0.5 / 75.0


def reading(tag, pressure, *, serial="G-17", rows=4000, supply_u=0.0):
    made = calibration(
        tag=tag, reference_serial=serial, reference_uncertainty=f"{100 * GAUGE_GAIN} %", covariance=COVARIANCE
    )
    bare = channel(tag, supply="5 V", supply_u=supply_u)
    return dataclasses.replace(
        bare,
        calibration=made,
        time=np.linspace(0.0, 4.0, rows),
        reading=np.full(rows, pressure),
        signal=np.full(rows, 0.1 + 0.8 * (pressure / 1e5 - 1.0) / 60.0),
    )


SAME = Measured(1.0, 0.0, "1")


def drop_of(above, below, factor=SAME):
    return doubted_drop(above, below, factor, above.reading - below.reading[0], AIR)


def test_one_gauge_moves_a_drop_by_its_share_of_the_drop_and_two_by_their_own():
    found = drop_of(reading("PT-1", 31e5), reading("PT-2", 16e5)).moved
    assert found["reference G-17"] == pytest.approx(GAUGE_GAIN * 15e5)
    assert found["PT-1 gain"] == pytest.approx(SLOPE_U * 30e5, rel=1e-6)
    assert found["PT-2 gain"] == pytest.approx(-SLOPE_U * 15e5, rel=1e-6)
    assert found["PT-1 zero"] == pytest.approx(0.01 * 1e5)
    assert found[BAROMETER] == pytest.approx(0.0, abs=1e-6)  # two gauge sensors
    apart = drop_of(reading("PT-1", 31e5), reading("PT-2", 16e5, serial="G-18")).moved
    assert apart["reference G-17"] == pytest.approx(GAUGE_GAIN * 30e5)
    assert apart["reference G-18"] == pytest.approx(-GAUGE_GAIN * 15e5)


def test_a_supply_of_both_and_a_tap_that_reads_low_count_with_their_sign():
    above, below = (reading(f"PT-{k}", pressure, supply_u=1e-3) for k, pressure in ((1, 31e5), (2, 16e5)))
    found = drop_of(above, below, Measured(1.02, 0.0102, "1")).moved
    # a signal 0.1 % higher, of 7.5 bar at no pressure besides: by hand, the lower one as its tap makes it
    assert found["5 V"] == pytest.approx(1e-3 * (37.5e5 - 1.02 * 22.5e5), rel=1e-6)
    assert found[TAP] == pytest.approx(-1.02 * 0.01 * 16e5)


def test_instants_are_no_more_than_needed_and_only_where_both_are_known():
    above = reading("PT-1", 31e5)
    above.reading[:10] = np.nan
    found = drop_of(above, reading("PT-2", 16e5))
    assert ENOUGH <= found.time.size <= 2 * ENOUGH
    assert np.isfinite(found.drive).all()
    assert all(np.isfinite(by).all() for by in found.moved.values())
