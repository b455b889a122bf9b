"""Means of a tank's record: whole spans of it, whatever the samples' times are."""

import numpy as np
import pytest

from standbook.analysis.flow_ends.course import course_of, whole_means

EDGES = np.arange(0.0, 4.0, 0.02)


@pytest.mark.parametrize("rate", [333.0, 800.0, 1000.0])
def test_means_one_mains_period_long_hold_no_hum(rate):
    time = np.arange(-0.1, 4.2, 1.0 / rate)
    left = whole_means(time, np.sin(2.0 * np.pi * 50.0 * time + 0.7), EDGES)
    # straight lines between samples are a sine's chords, alike in every period but where an edge cuts one: 0.16 % at
    # 333 Hz, where six or seven whole samples would leave 8 %
    assert np.max(np.abs(left)) < 0.002


def test_a_lost_row_moves_no_mean_of_a_slope():
    time = np.delete(np.arange(-0.1, 4.2, 1e-3), [300, 817, 2000])
    assert whole_means(time, 3.0 - 0.7 * time, EDGES) == pytest.approx(3.0 - 0.7 * 0.5 * (EDGES[1:] + EDGES[:-1]))


def test_a_span_that_lost_most_of_its_rows_has_no_mean():
    time = np.arange(-0.1, 4.2, 1e-3)
    kept = (time < 1.003) | (time > 1.098)
    missing = ~np.isfinite(whole_means(time[kept], time[kept], EDGES))
    assert np.flatnonzero(missing).tolist() == [50, 51, 52, 53, 54]


def test_the_rounding_of_another_zero_of_the_clock_moves_no_window():
    time = np.arange(0.0, 10.0, 1.25e-3)
    pressure = 30e5 - 1e4 * time
    here, there = (course_of(time + at, pressure, pressure, opening=3.0 + at) for at in (0.0, 0.4))
    for mean in range(1, here.time.size, 7):
        assert here.place(float(time[0]) + 0.02 * mean + 0.01) == mean
        assert there.place(float(time[0]) + 0.4 + 0.02 * mean + 0.01) == mean
