"""Terms of a sensor on curves whose terms are known in closed form."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.analysis.calibration.level_fit import Levels, fit_levels
from standbook.analysis.calibration.sensor_terms import best_line_departure, loop_width, sensor_terms


def sheet(reading, signal, up, run=None):
    return Levels(
        signal=np.asarray(signal, dtype=float),
        reading=np.asarray(reading, dtype=float),
        run=np.zeros(len(reading)) if run is None else np.asarray(run, dtype=float),
        up=np.asarray(up, dtype=bool),
        zero=np.asarray(reading) == 0.0,
    )


def bowed(c, number=81):
    """A bow of c x (1 - x) in the reading, up only."""
    x = np.linspace(0.0, 1.0, number)
    return sheet(x + c * x * (1.0 - x), x, np.ones(number))


# Closed forms: c/4 from the line through the ends, c/8 from the best line, c/6 from least squares.
def test_a_bow_has_three_non_linearities():
    c = 0.004
    levels = bowed(c)
    terms = sensor_terms(levels, fit_levels(levels))
    assert terms.non_linearity_terminal == pytest.approx(c / 4.0, rel=1e-3)
    assert terms.non_linearity_best == pytest.approx(c / 8.0, rel=1e-3)
    assert terms.non_linearity == pytest.approx(c / 6.0, rel=0.03)  # of 81 points, not of a continuum


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=9))
def test_no_line_departs_less_than_the_best_one(values):
    x = np.arange(len(values), dtype=float)
    y = np.array(values)
    best = best_line_departure(x, y)
    least = np.polynomial.polynomial.Polynomial.fit(x, y, 1)
    assert best <= float(np.max(np.abs(y - least(x)))) + 1e-12


def test_a_loop_is_found_by_its_shape():
    x = np.concatenate([np.linspace(0.0, 1.0, 6), np.linspace(0.8, 0.0, 5)])
    up = np.arange(11) < 6
    width = 0.002
    levels = sheet(x, x + np.where(up, -0.5, 0.5) * width * 4.0 * x * (1.0 - x), up)
    fit = fit_levels(levels)
    assert loop_width(levels, fit.residual) == pytest.approx(width, rel=0.01)
    terms = sensor_terms(levels, fit)
    assert terms.hysteresis == pytest.approx(width * 4.0 * 0.4 * 0.6, rel=0.01)
    assert terms.repeatability is None
    assert terms.zero_return == pytest.approx(0.0, abs=1e-12)


def test_repeatability_is_the_greatest_difference_of_one_level_and_way():
    x = np.concatenate([np.linspace(0.0, 1.0, 6), np.linspace(0.8, 0.0, 5)])
    up = np.arange(11) < 6
    second = x.copy()
    second[2] += 0.003
    levels = sheet(np.tile(x, 2), np.concatenate([x, second]), np.tile(up, 2), run=np.repeat([0, 1], 11))
    terms = sensor_terms(levels, fit_levels(levels))
    assert terms.repeatability == pytest.approx(0.003, rel=0.01)


def test_zero_return_is_the_greatest_of_all_runs_with_its_sign():
    x = np.concatenate([np.linspace(0.0, 1.0, 6), np.linspace(0.8, 0.0, 5)])
    signal = np.tile(x, 2)
    signal[-1] -= 0.001
    levels = sheet(np.tile(x, 2), signal, np.tile(np.arange(11) < 6, 2), run=np.repeat([0, 1], 11))
    assert sensor_terms(levels, fit_levels(levels)).zero_return == pytest.approx(-0.001, rel=0.01)
