"""A level is taken where the signal stands, and refused with its reason where it does not."""

import re

import numpy as np
import pytest

from standbook.daq.bench.settled_level import level_before
from standbook.daq.errors import DataError

TIME = np.arange(0.0, 10.0, 0.01)


def noise(seed, size=TIME.size):
    return 1e-4 * np.random.default_rng(seed).standard_normal(size)


def test_a_signal_that_stands_is_its_mean():
    signal = 0.26 + noise(1)
    level = level_before(9.0, TIME, signal)
    inside = (TIME > 4.0) & (TIME <= 9.0)
    assert level.rows == np.count_nonzero(inside)
    assert level.mean == pytest.approx(np.mean(signal[inside]), rel=1e-12)
    assert level.scatter == pytest.approx(1e-4, rel=0.1)
    assert level.mean_u == pytest.approx(1e-4 / np.sqrt(500), rel=0.7)  # nine degrees of freedom
    assert level.unsettled(0.8) == ""


def test_no_more_than_chance_says_refuses_a_signal_that_stands():
    """Three standard uncertainties of a slope with eight degrees of freedom: 1.7 % two-sided, t tables."""
    refused = sum(bool(level_before(9.0, TIME, 0.26 + noise(seed)).unsettled(0.0)) for seed in range(1000))
    assert 5 <= refused <= 32  # binomial, five standard deviations


def test_a_signal_that_still_moves_is_refused_with_its_change():
    creeping = 0.26 + 0.001 * np.exp(-TIME / 5.0) + noise(2)
    level = level_before(9.0, TIME, creeping)
    assert re.fullmatch(r"falling 0\.000\d+ in 5 s", level.unsettled(0.8))
    assert re.fullmatch(r"rising \d+ bar in 5 s", level_before(9.0, TIME, -creeping).unsettled(
        0.8, told=lambda change: f"{1e6 * change:.0f} bar"))  # fmt: skip


def test_a_change_that_a_check_does_not_feel_is_none_and_a_larger_one_is():
    creeping = 0.26 + 2e-4 * TIME + noise(2)
    level = level_before(9.0, TIME, creeping)
    assert level.change == pytest.approx(1e-3, rel=0.1)
    assert level.unsettled(0.8)
    assert level.unsettled(0.8, unfelt=1.2e-3) == ""
    assert level.unsettled(0.8, unfelt=0.8e-3)


def test_a_change_that_no_calibration_would_notice_is_none():
    creeping = 0.26 + 1e-6 * TIME + 1e-8 * noise(3)
    level = level_before(9.0, TIME, creeping)
    assert level.change == pytest.approx(5e-6, rel=0.01)
    assert level.unsettled(0.8) == ""
    assert level.unsettled(0.0)


def test_too_few_rows_or_a_gap_make_no_level():
    with pytest.raises(DataError, match="only 5 rows in 5 s"):
        level_before(9.0, TIME[::100], TIME[::100])
    gone = (TIME < 6.0) | (TIME > 7.0)
    with pytest.raises(DataError, match=r"no rows for 1.0 s"):
        level_before(9.0, TIME[gone], 0.26 + noise(4)[gone])
    with pytest.raises(DataError, match=r"no rows for 2.0 s"):
        level_before(12.0, TIME, 0.26 + noise(5))
