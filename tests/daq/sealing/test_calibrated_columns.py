"""Readings beside counts, as coarse as their noise allows."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.sealing.calibrated_columns import coarsened


@given(st.floats(1e-9, 1e3), st.floats(-1e6, 1e6))
def test_coarsened_readings_are_within_a_128th_of_a_count(step, reading):
    got = coarsened(np.array([reading]), step)[0]
    assert abs(got - reading) <= step / 128


def test_readings_without_a_step_stay_as_they_are():
    reading = np.array([1.1, 2.2])
    assert coarsened(reading, 0.0) is reading
    assert coarsened(reading, float("nan")) is reading
