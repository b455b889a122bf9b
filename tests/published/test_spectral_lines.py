"""Spectra and lines against scipy.signal and closed forms: A^2 / 2, Parseval, what overlapping segments are worth.

A sine of amplitude A has the power A^2 / 2; boxcar or Hann, the sum of density times resolution says so (closed form).
[Welch1967] (from memory) weighs overlapping segments by their windows' correlation: 1/36 at half overlap of Hann,
computed here from the window itself, and held to the scatter of ``scipy.signal.welch`` over drawn noise.
"""

import dataclasses
import math

import numpy as np
import pytest
from scipy import signal

from standbook.analysis.kinds.registry import analyse
from standbook.analysis.signal.spectra import spectrum
from tests.published.fixed_share_firing import course, dataset_of

RATE = 1000.0
MAINS_FREE = 83.0  # no harmonic of the mains, no mode of the stand [Hz]
SWING = 0.02  # of chamber pressure


def by_scipy(value, segment):
    return signal.welch(value, RATE, window="hann", nperseg=segment, noverlap=segment // 2, detrend="linear")


@pytest.mark.parametrize("count", [1000, 4321, 20_000])
def test_the_density_is_that_of_scipy(count):
    value = np.random.default_rng(count).standard_normal(count) + np.linspace(0.0, 30.0, count)
    frequency, density = by_scipy(value, 1000)
    found = spectrum(value, RATE)
    assert found.frequency == pytest.approx(frequency, abs=1e-9)
    np.testing.assert_allclose(found.density[1:-1], density[1:-1], rtol=1e-9)


def test_a_sine_of_amplitude_three_has_a_power_of_four_and_a_half():
    time = np.arange(20_000) / RATE
    found = spectrum(3.0 * np.sin(2.0 * np.pi * 50.0 * time), RATE)
    # a straight line taken out of whole cycles costs 3 (2 / (pi 50))^2 of the power, at most
    assert float(np.sum(found.density)) * found.resolution == pytest.approx(4.5, rel=1e-3)


def test_one_segment_keeps_the_power_of_its_samples():
    """Parseval: what the window leaves, over what it would leave of one."""
    value = np.random.default_rng(5).standard_normal(1000)
    window = signal.get_window("hann", 1000)
    left = signal.detrend(value) * window
    found = spectrum(value, RATE)
    assert float(np.sum(found.density)) * found.resolution == pytest.approx(
        float(left @ left / (window @ window)), rel=1e-9
    )


@pytest.mark.slow
@pytest.mark.parametrize("seconds", [1.5, 3.0, 10.0])
def test_averages_are_what_scipy_s_densities_scatter_by(seconds):
    random, count = np.random.default_rng(7), round(seconds * RATE)
    drawn = np.array([by_scipy(random.standard_normal(count), 1000)[1][20:-20] for _ in range(400)])
    scatter = float(np.mean(np.var(drawn, axis=0, ddof=1) / np.mean(drawn, axis=0) ** 2))
    found = spectrum(np.zeros(count) + random.standard_normal(count), RATE)
    # 400 draws of some 300 independent bins: a percent
    assert 1.0 / scatter == pytest.approx(found.averages, rel=0.02)


def test_segments_that_overlap_by_half_share_one_part_in_thirty_six():
    window = signal.get_window("hann", 1000)
    shared = float((window[500:] @ window[:500] / (window @ window)) ** 2)
    assert shared == pytest.approx(1.0 / 36.0, rel=1e-9)
    segments = 39
    worth = segments / (1.0 + 2.0 * (segments - 1.0) / segments * shared)
    assert spectrum(np.random.default_rng(1).standard_normal(20_000), RATE).averages == pytest.approx(worth, rel=1e-9)


@pytest.mark.slow
def test_a_swing_of_the_chamber_is_reported_with_its_frequency_and_amplitude():
    true = course()
    noise = 1.0 + 1e-4 * np.random.default_rng(3).standard_normal(true.time.size)
    swinging = true.chamber * noise * (1.0 + SWING * true.open_share * np.sin(2.0 * np.pi * MAINS_FREE * true.time))
    steady = analyse(dataset_of("horizontal", dataclasses.replace(true, chamber=swinging))).results.firing.stability
    (line,) = steady.lines
    inside = (true.time > 1.0) & (true.time < 8.0)
    frequency, power = signal.periodogram(signal.detrend(swinging[inside]), RATE, window="hann")
    seen = float(frequency[np.argmax(power)])
    assert seen == pytest.approx(MAINS_FREE, abs=0.1)
    assert (line.frequency_at_start, line.frequency_at_end) == pytest.approx((seen, seen), abs=0.1)
    assert (line.amplitude_at_start, line.amplitude_at_end) == pytest.approx((SWING, SWING), rel=0.02)
    assert steady.rms_share == pytest.approx(SWING / math.sqrt(2.0), rel=0.02)
