import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.config.printed_counts import calibration_of_counts, counted, input_of_counts, printed
from tests.recorded_run import starter


@given(st.lists(st.decimals(-(10**6), 10**6, places=4), min_size=1, max_size=30))
def test_printed_decimals_come_back_to_the_last_bit(texts):
    values = np.array([float(text) for text in texts])
    column = counted(values)
    assert np.array_equal(printed(column.counts, column.resolution), values)
    assert column.resolution >= 1e-4


@given(st.lists(st.floats(-1e30, 1e30, allow_subnormal=False).filter(lambda x: x == 0 or abs(x) > 1e-30), min_size=1))
def test_any_numbers_keep_twelve_digits_of_the_greatest(values):
    values = np.array(values)
    column = counted(values)
    greatest = np.abs(values).max()
    assert np.abs(printed(column.counts, column.resolution) - values).max() <= 1.001e-12 * greatest


def test_whole_numbers_are_counts_of_one():
    column = counted(np.array([3.0, -7.0, 0.0]))
    assert (column.counts.tolist(), column.resolution) == ([3, -7, 0], 1.0)
    assert counted(np.zeros(3)).resolution == 1.0


@pytest.mark.parametrize("resolution", [1.0, 0.01, 0.001])
def test_a_calibration_of_counts_reads_what_the_printed_numbers_read(tmp_path, resolution):
    campaign = starter(tmp_path)
    covariance = tuple(tuple(0.1 * (i + j) for j in range(3)) for i in range(3))
    curve = {"coefficients": (1.0, 2.0, 0.3), "covariance": covariance}
    base = campaign.calibrations["PT-11"].model_copy(update=curve)
    item = campaign.stand.input_tagged("PT-11").model_copy(update={"kind": "counts"})
    scaled = calibration_of_counts(base, item, resolution)
    signal = np.linspace(-3, 5, 9)
    assert scaled.reading(signal / resolution) == pytest.approx(base.reading(signal), rel=1e-12)
    gradient = lambda c, s: np.vander([s - c.pivot], 3, increasing=True)[0]  # noqa: E731
    u = [gradient(c, s) @ np.array(c.covariance) @ gradient(c, s) for c, s in ((base, 2.0), (scaled, 2.0 / resolution))]
    assert u[0] == pytest.approx(u[1], rel=1e-12)


def test_an_input_in_volts_takes_the_resolution_and_its_calibration_stays(tmp_path):
    campaign = starter(tmp_path)
    item, base = campaign.stand.input_tagged("PT-12"), campaign.calibrations["PT-12"]
    assert input_of_counts(item, 0.1).volt_per_count.value == pytest.approx(1.25e-5)  # 0.125 mV in the stand file
    assert calibration_of_counts(base, item, 0.1) is base
    assert input_of_counts(item, 1.0) is item
