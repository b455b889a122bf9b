"""Spectral arithmetic against closed forms: known sines, white noise, folding, coherence of what is shared."""

import math

import numpy as np
import pytest
import scipy.signal
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.signal.spectra import (
    CHANCE,
    chance_coherence,
    coherence_at,
    envelope_of,
    fluctuations,
    folded,
    onset,
    part_length,
    peaks,
    smooth_share,
    spectrum,
    tracks,
    whole,
    worst_stretch,
)

RATE = 1000.0


def record(seconds=20.0, deviation=1.0, seed=1, rate=RATE):
    time = np.arange(round(seconds * rate)) / rate
    return time, deviation * np.random.default_rng(seed).standard_normal(time.size)


def test_a_sine_has_the_power_of_its_amplitude_and_white_noise_its_variance_over_half_the_rate():
    time, noise = record()
    found = spectrum(noise, RATE)
    # 39 averages: the mean over 480 bins scatters by 1 / sqrt(39 * 480 / 1.5) = 0.9 %; four of these
    assert np.mean(found.density[20:]) == pytest.approx(1.0 / (RATE / 2.0), rel=0.036)
    (line,) = peaks(spectrum(noise + 2.0 * np.sin(2 * np.pi * 83.0 * time), RATE))
    assert line.frequency == pytest.approx(83.0, abs=0.05)
    assert line.amplitude == pytest.approx(2.0, rel=0.02)


@pytest.mark.parametrize(("rate", "size"), [(1000.0, 5000), (333.0, 1999)])
def test_density_and_coherence_are_those_of_a_signal_library(rate, size):
    one, other = np.cumsum(np.random.default_rng(8).standard_normal((2, size)), axis=1)
    same = {"fs": rate, "window": "hann", "nperseg": int(rate), "noverlap": int(rate) // 2, "detrend": "linear"}
    found, (at, wanted) = spectrum(one, rate), scipy.signal.welch(one, **same)
    assert found.frequency == pytest.approx(at)
    assert found.density == pytest.approx(wanted, rel=1e-9)
    at, wanted = scipy.signal.coherence(one, other, **same)
    assert coherence_at(one, other, rate, float(at[7]))[0] == pytest.approx(float(wanted[7]), rel=1e-9)
    assert coherence_at(np.zeros(size), other, rate, 20.0)[0] == 0.0


def test_a_sine_between_two_bins_loses_neither_place_nor_amplitude():
    time, noise = record(deviation=0.1)
    (line,) = peaks(spectrum(noise + 2.0 * np.sin(2 * np.pi * 83.5 * time), RATE))
    assert line.frequency == pytest.approx(83.5, abs=0.05)
    # the Hann lobe is cut at two bins about the larger one: at most 0.6 % of the power lies outside
    assert line.amplitude == pytest.approx(2.0, rel=0.01)


def test_white_noise_shows_no_line():
    # 200 spectra at a chance of 1e-5 each
    assert CHANCE <= 1e-5
    shown = [peaks(spectrum(record(5.0, seed=seed)[1], RATE)) for seed in range(200)]
    assert sum(map(len, shown)) == 0


def test_a_strong_line_casts_no_others():
    time, noise = record(deviation=1e-3)
    assert len(peaks(spectrum(noise + 5.0 * np.sin(2 * np.pi * 60.3 * time), RATE))) == 1


def test_two_lines_are_two():
    time, noise = record()
    both = noise + np.sin(2 * np.pi * 60 * time) + 0.8 * np.sin(2 * np.pi * 67 * time)
    assert sorted(round(line.frequency) for line in peaks(spectrum(both, RATE))) == [60, 67]


def test_too_few_samples_are_refused():
    with pytest.raises(ValueError, match="15 samples"):
        spectrum(np.zeros(15), RATE)


def test_a_line_that_moves_and_one_that_comes_up_late_are_followed():
    time, noise = record()
    mode = 41.0 + 5.7 * time / 20.0
    moving = 2.0 * np.sin(2 * np.pi * np.cumsum(mode) / RATE)
    late = np.where(time > 14.0, np.exp((time - 20.0) / 1.5), 0.0) * 4.0 * np.sin(2 * np.pi * 83 * time)
    found = sorted(tracks(time, noise + moving + late, start=0.0, end=20.0, rate=RATE), key=lambda t: t.frequency[0])
    assert len(found) == 2
    first, second = found
    # each part averages over its own length, 5 s here: ends are pulled in by half a part
    assert first.frequency[0] == pytest.approx(41.0 + 5.7 * 2.5 / 20.0, abs=0.5)
    assert first.frequency[-1] == pytest.approx(46.7 - 5.7 * 2.5 / 20.0, abs=0.5)
    assert second.frequency == pytest.approx(83.0, abs=0.3)
    assert second.start >= 9.0
    assert second.amplitude[-1] > 3.0 * second.amplitude[0]


def test_a_part_with_a_lost_row_is_left_out_and_the_rest_serves():
    time, noise = record()
    value = noise + 2.0 * np.sin(2 * np.pi * 60 * time)
    keep = (time < 3.0) | (time > 3.2)
    (found,) = tracks(time[keep], value[keep], start=0.0, end=20.0, rate=RATE)
    assert found.start > 2.5
    assert whole(time[keep], value[keep], 2.0, 4.0, RATE) is None
    value[5000] = np.nan
    assert whole(time, value, 4.9, 5.1, RATE) is None
    assert whole(time, value, 5.1, 6.1, RATE).size == 1000


def test_a_burn_shorter_than_a_second_is_not_looked_into():
    time, noise = record(0.9)
    assert part_length(0.9) is None
    assert tracks(time, noise, start=0.0, end=0.9, rate=RATE) == ()


# mains, a chamber that oscillates, a stand's mode full and empty; 940 Hz is what a filter must keep out
@pytest.mark.parametrize(("true", "shown"), [(60.0, 20.0), (83.0, 3.0), (41.0, 39.0), (46.7, 33.3), (940.0, 20.0)])
def test_folding_at_eighty_samples_a_second(true, shown):
    assert folded(np.array([true]), 80.0)[0] == pytest.approx(shown)


@given(st.floats(0.1, 5000.0), st.floats(20.0, 2000.0))
def test_folded_samples_are_those_of_the_image(frequency, rate):
    image = float(folded(np.array([frequency]), rate)[0])
    assert 0.0 <= image <= rate / 2.0 * (1.0 + 1e-12)
    k = np.arange(16)
    true, seen = np.cos(2 * np.pi * frequency / rate * k), np.cos(2 * np.pi * image / rate * k)
    assert true == pytest.approx(seen, abs=1e-6)


@pytest.mark.slow
def test_shared_oscillation_is_coherent_and_separate_noise_is_not():
    time, one = record(6.0, seed=2)
    _, other = record(6.0, seed=3)
    swing = np.sin(2 * np.pi * 83 * time)
    value, needed = coherence_at(one + swing, other + 0.5 * np.roll(swing, 2), RATE, 83.0)
    assert value > 0.95 > needed
    apart = [coherence_at(record(6.0, seed=k)[1], record(6.0, seed=1000 + k)[1], RATE, 83.0) for k in range(400)]
    reached = np.mean([value > needed for value, needed in apart])
    # one in a hundred by chance; 400 tries scatter by 0.5 %, and the averages of overlapping segments are an estimate
    assert reached < 0.03


def test_chance_coherence_is_the_closed_form():
    assert chance_coherence(11.0) == pytest.approx(1.0 - 0.01**0.1)
    assert chance_coherence(1.0) == 1.0


def test_an_envelope_follows_a_line_and_its_onset_is_where_it_rose():
    time, noise = record(deviation=0.05)
    frequency = np.full(time.size, 83.0)
    swing = np.where(time > 14.0, 1.0, 0.0) * np.sin(2 * np.pi * 83 * time)
    at, amplitude = envelope_of(time, noise + swing + 100.0 - 2.0 * time, frequency, block=0.2)
    assert amplitude[at > 14.2] == pytest.approx(1.0, abs=0.03)
    assert np.max(amplitude[at < 13.9]) < 0.05
    assert onset(at, amplitude, 0.1) == pytest.approx(14.1, abs=0.2)


def test_a_steady_fall_is_no_fluctuation_and_smoothness_counts_blocks():
    time, _ = record(10.0)
    falling = 20e5 - 0.8e5 * time
    fluctuation, level = fluctuations(time, falling, 0.5)
    assert np.max(np.abs(fluctuation)) < 1e-3
    assert level == pytest.approx(falling)
    assert smooth_share(time, falling, limit=0.05, block=0.1, over=0.5) == 1.0
    swing = np.where((time > 6.0) & (time < 8.0), 0.08, 0.0) * np.sin(2 * np.pi * 83 * time)
    # two of ten seconds beyond 5 %, to a block at either end
    assert smooth_share(time, falling * (1 + swing), limit=0.05, block=0.1, over=0.5) == pytest.approx(0.8, abs=0.021)
    worst, at = worst_stretch(time, swing, 1.0)
    assert worst == pytest.approx(0.08 / math.sqrt(2.0), rel=1e-3)
    assert 6.4 < at < 7.6
