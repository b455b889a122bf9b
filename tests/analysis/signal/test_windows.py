import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.signal.windows import (
    Window,
    block_means,
    correlation_time,
    effective_sample_size,
    lone_spikes,
    quiet_window,
    spikes,
)
from standbook.daq.errors import DataError


def autoregressive(rng, size, rho):
    """Unit-variance AR(1); its correlation time is (1 + rho) / (1 - rho), closed form."""
    from scipy.signal import lfilter

    drive = rng.standard_normal(size) * np.sqrt(1 - rho**2)
    drive[0] /= np.sqrt(1 - rho**2)
    return lfilter([1.0], [1.0, -rho], drive)


@given(size=st.integers(1, 400), blocks=st.integers(1, 60))
def test_blocks_of_a_straight_line_lie_on_the_line(size, blocks):
    time = np.arange(size) * 0.01 + 7.0
    got = block_means(time, 3.0 - 2.0 * time, blocks)
    assert got.count.sum() + got.removed == size
    assert got.removed == 0
    np.testing.assert_allclose(got.value, 3.0 - 2.0 * got.time, atol=1e-11)


@given(blocks=st.integers(1, 50))
def test_weighted_block_means_keep_the_mean_of_the_record(blocks):
    value = np.random.default_rng(1).standard_normal(1003)
    got = block_means(np.arange(1003.0), value, blocks)
    assert np.average(got.value, weights=got.count) == pytest.approx(np.mean(value), abs=1e-13)


def test_spikes_are_left_out_of_block_means_and_counted():
    rng = np.random.default_rng(2)
    time = np.arange(10_000) / 1000.0
    clean = 35e5 * np.exp(-time / 20.0) + 5e3 * rng.standard_normal(time.size)
    spoilt = clean.copy()
    where = rng.choice(time.size, 100, replace=False)
    spoilt[where] += rng.choice([-1, 1], 100) * 5e5
    got = block_means(time, spoilt, 200)
    assert got.removed == 100
    # 5 kPa noise over 49 or so samples: a lost sample moves its mean by at most a noise sample / 49
    np.testing.assert_allclose(got.value, block_means(time, clean, 200).value, atol=5e3)


def test_a_clean_record_loses_nothing_to_despiking():
    value = np.random.default_rng(3).standard_normal(100_000)
    assert spikes(value, 200).sum() <= 10  # blocks of 500: expected 0.1 by the normal law, a few by small-block MAD


def test_quantised_quiet_samples_are_not_spikes():
    rng = np.random.default_rng(4)
    value = np.round(0.2 * rng.standard_normal(5000))  # nearly all zeros: the MAD of a block is nil
    assert not spikes(value, 50).any()
    value[2500] = 40.0
    assert list(np.flatnonzero(spikes(value, 50))) == [2500]


def test_a_short_record_has_no_spikes():
    assert not spikes(np.array([0.0, 0.0, 99.0]), 5).any()


@pytest.mark.parametrize("value", [np.array([]), np.array([1.0, np.nan])])
def test_block_means_refuse_what_they_cannot_average(value):
    with pytest.raises(DataError, match="samples are finite"):
        block_means(np.arange(value.size, dtype=float), value, 5)


@pytest.mark.parametrize("rho", [0.0, 0.5, 0.9, 0.98])
def test_correlation_time_of_an_autoregressive_record_is_its_closed_form(rho):
    rng = np.random.default_rng(5)
    expected = (1 + rho) / (1 - rho)
    got = [correlation_time(autoregressive(rng, 40_000, rho)) for _ in range(8)]
    # the estimator's own scatter is about sqrt(2 (2M+1)/N) with M near 3 tau: 12 % at rho = 0.98, /sqrt(8)
    assert np.mean(got) == pytest.approx(expected, rel=0.15)


def test_correlation_time_of_a_very_long_record_is_the_same_number():
    value = autoregressive(np.random.default_rng(6), 1_000_000, 0.98)
    assert correlation_time(value) == pytest.approx(99.0, rel=0.12)


def test_a_constant_record_has_the_correlation_time_of_white_noise():
    assert correlation_time(np.full(100, 2.0)) == 1.0
    assert correlation_time(np.arange(3.0)) == 1.0
    assert effective_sample_size(np.full(100, 2.0)) == 100.0


def test_alternating_samples_are_not_worth_more_than_their_count():
    assert correlation_time(np.tile([0.1, -0.1], 500)) == 1.0
    assert correlation_time(np.tile([1.0, -1.0], 200_000)) == 1.0


def test_quiet_windows_keep_away_from_the_event_and_from_unrest():
    rng = np.random.default_rng(8)
    time = np.arange(20_000) / 1000.0
    value = rng.standard_normal(time.size)
    value[(time > 3.0) & (time < 4.0)] += 300.0 * np.sin(20.0 * time[(time > 3.0) & (time < 4.0)])  # venting
    value[(time > 8.0) & (time < 12.0)] += 2000.0
    before = quiet_window(time, value, start=0.0, end=7.8, length=2.0, latest=True)
    after = quiet_window(time, value, start=12.2, end=float(time[-1]), length=2.0, latest=False)
    assert before is not None
    assert after is not None
    assert before.start > 5.0
    assert before.end <= 7.8
    assert after.start == pytest.approx(12.2)
    assert before.of(time).sum() in (2000, 2001)


def test_the_latest_window_yields_to_a_quieter_earlier_one():
    rng = np.random.default_rng(9)
    time = np.arange(10_000) / 1000.0
    value = rng.standard_normal(time.size) * np.where(time > 6.0, 30.0, 1.0)
    got = quiet_window(time, value, start=0.0, end=10.0, length=2.0, latest=True)
    assert got is not None
    assert got.end <= 6.0


def test_there_is_no_quiet_window_where_none_fits():
    time = np.arange(1000) / 1000.0
    assert quiet_window(time, np.zeros(1000), start=0.5, end=0.9, length=0.5, latest=False) is None
    assert quiet_window(time, np.full(1000, np.nan), start=0.0, end=1.0, length=0.5, latest=False) is None


def test_a_window_includes_both_ends():
    assert list(Window(1.0, 2.0).of(np.array([0.9, 1.0, 2.0, 2.1]))) == [False, True, True, False]


def test_a_steep_fall_at_a_low_rate_is_no_row_of_spikes():
    # 100 samples a second, 0.012 bar a sample, noise of 0.004 bar: most samples are the median of their seven
    noise = 400.0 * np.random.default_rng(3).standard_normal(1200)
    fall = np.interp(np.arange(1200.0), [300.0, 1000.0], [11e5, 2.6e5])
    assert not lone_spikes(fall + noise).any()
    for at in (100, 650, 1100):
        bent = fall + noise
        bent[at] += 40.0 * 400.0
        assert np.flatnonzero(lone_spikes(bent)).tolist() == [at]
