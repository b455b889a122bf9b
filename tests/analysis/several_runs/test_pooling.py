"""Pooling several runs: published sets, closed forms, and what a common error must never do."""

import math

import numpy as np
import pytest
from scipy.stats import t as student

from standbook.analysis.several_runs.pooling import between_runs, pooled
from standbook.daq.errors import DataError

# Cadmium by vaporisation, an interlaboratory set of the metRology package's manual, which takes it from Paule & Mandel
# (1982); the results were worked out again.
CADMIUM = (27.044, 26.022, 26.340, 26.787, 26.796)
CADMIUM_U = tuple(math.sqrt(v) for v in (0.003, 0.076, 0.464, 0.003, 0.014))
# Trials of a vaccine, a set that most texts on meta-analysis work through (counts from memory; the heterogeneity that
# they print, 152.23, holds them): cases and others among treated, cases and others among controls.
TRIALS = np.array(
    [
        (4, 119, 11, 128),
        (6, 300, 29, 274),
        (3, 228, 11, 209),
        (62, 13536, 248, 12619),
        (33, 5036, 47, 5761),
        (180, 1361, 372, 1079),
        (8, 2537, 10, 619),
        (505, 87886, 499, 87892),
        (29, 7470, 45, 7232),
        (17, 1699, 65, 1600),
        (186, 50448, 141, 27197),
        (5, 2493, 3, 2338),
        (27, 16886, 29, 17825),
    ],
    float,
)


def test_a_published_set_of_five_laboratories():
    found = pooled(CADMIUM, CADMIUM_U)
    assert found.between**2 == pytest.approx(0.105219, abs=1e-6)
    assert found.value == pytest.approx(26.7121, abs=5e-5)
    assert found.u == pytest.approx(0.1711, abs=5e-5)


def test_a_published_set_of_two_laboratories():
    found = pooled((201.533, 216.55), (0.154 / math.sqrt(6.0), 0.25 / math.sqrt(2.0)))
    assert found.between**2 == pytest.approx(112.7375, abs=5e-5)
    assert found.value == pytest.approx(209.0406, abs=5e-5)
    assert found.u == pytest.approx(7.5085, abs=5e-5)


def test_thirteen_trials():
    cases, others, control_cases, control_others = TRIALS.T
    treated, controls = cases + others, control_cases + control_others
    ratio = np.log(cases / treated) - np.log(control_cases / controls)
    u = np.sqrt(1.0 / cases - 1.0 / treated + 1.0 / control_cases - 1.0 / controls)
    fixed = np.sum(ratio / u**2) / np.sum(u**-2.0)
    assert np.sum(((ratio - fixed) / u) ** 2) == pytest.approx(152.233, abs=5e-4)  # the counts are the printed ones
    found = pooled(ratio.tolist(), u.tolist())
    assert found.between**2 == pytest.approx(0.3181, abs=5e-5)
    assert found.value == pytest.approx(-0.7150, abs=5e-5)
    assert found.u == pytest.approx(0.1809, abs=5e-5)


def test_the_condition_that_defines_the_scatter_holds_at_what_was_found():
    scatter = between_runs(CADMIUM, CADMIUM_U)
    weights = 1.0 / (scatter**2 + np.square(CADMIUM_U))
    mean = np.sum(weights * CADMIUM) / np.sum(weights)
    assert np.sum(weights * (np.array(CADMIUM) - mean) ** 2) == pytest.approx(len(CADMIUM) - 1, rel=1e-6)


def test_two_equal_runs_in_closed_form():
    # q = d^2 / (2 (u^2 + tau^2)) = 1
    assert between_runs((10.0, 11.0), (0.3, 0.3)) == pytest.approx(math.sqrt(0.5 - 0.09), rel=1e-6)
    assert between_runs((10.0, 10.4), (0.3, 0.3)) == 0.0  # 0.08 < 0.09


def test_two_flows_bound_little_by_themselves():
    # 16.05 and 16.19 mm2, each to 0.35 %: 12.706 x 0.07 mm2
    found = pooled((16.05, 16.19), (0.0563, 0.0563))
    assert found.value == pytest.approx(16.12, abs=1e-9)
    assert found.half_width == pytest.approx(12.7062 * 0.07, rel=1e-4)


def test_runs_that_agree_better_than_they_may_narrow_nothing():
    found = pooled((5.0, 5.001, 4.999, 5.0), (0.1,) * 4)
    assert found.between == 0.0
    assert found.u_own == pytest.approx(0.05, rel=1e-9)  # the factor is held at one
    assert found.half_width == pytest.approx(student.ppf(0.975, 3) * 0.05, rel=1e-9)


@pytest.mark.parametrize("runs", [2, 4, 64])
def test_what_is_common_is_added_once_and_never_divided(runs):
    values = np.linspace(9.9, 10.1, runs).tolist()
    alone, beside = pooled(values, [0.1] * runs), pooled(values, [0.1] * runs, 0.5)
    assert beside.value == alone.value
    assert beside.between == alone.between
    assert beside.u == pytest.approx(math.hypot(alone.u, 0.5), rel=1e-12)
    assert beside.u > 0.5


def test_a_common_error_makes_no_interval_narrower():
    # by hand: the scatter's half-width by t(3), 1.96 of what is common, added in square
    alone, found = pooled((9.8, 10.0, 10.1, 10.3), (0.1,) * 4), pooled((9.8, 10.0, 10.1, 10.3), (0.1,) * 4, 0.2)
    assert found.dof == 3
    assert alone.half_width == pytest.approx(student.ppf(0.975, 3) * alone.u_own, rel=1e-9)
    assert found.half_width == pytest.approx(math.hypot(alone.half_width, 1.959964 * 0.2), rel=1e-6)
    # two flows of 16.05 and 16.19 mm2: 0.89 alone, and a common 0.08 must not bring them to 0.27
    assert pooled((16.05, 16.19), (0.07, 0.07), 0.08).half_width > pooled((16.05, 16.19), (0.07, 0.07)).half_width


def test_unit_and_order_are_of_no_account():
    one, again = pooled((3.0, 3.4, 3.1), (0.1, 0.2, 0.1), 0.1), pooled((3100, 3000, 3400), (100, 100, 200), 100)
    assert again.half_width == pytest.approx(1000.0 * one.half_width, rel=1e-6)
    assert again.value == pytest.approx(1000.0 * one.value, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "u"), [((1.0,), (1.0,)), ((1.0, 2.0), (1.0, 0.0)), ((1.0, math.nan), (1.0, 1.0)), ((1.0, 2.0), (1.0,))]
)
def test_what_cannot_be_pooled_is_refused(values, u):
    with pytest.raises(DataError, match="pooled"):
        pooled(values, u)
