"""A pressure that stands while liquid leaves its tank is none of it; one that falls, however noisy, is."""

import numpy as np
import pytest

from standbook.analysis.record_faults.late_falls import late_fall

TIME = np.arange(-3.0, 12.0, 2e-3)
START = 30e5  # Pa


def falling(noise=2e3):
    """A blowdown from zero to ten seconds."""
    volume = 1.0 + 0.1 * np.clip(TIME, 0.0, 10.0)
    return START * volume**-1.25 + noise * np.random.default_rng(3).standard_normal(TIME.size)


@pytest.mark.parametrize("noise", [10.0, 2e3, 2e5])
def test_a_blowdown_falls_from_the_first(noise):
    assert late_fall(TIME, falling(noise), since=0.1, until=9.9) is None


def cut_off(share):
    """Return a blowdown without what lies above a share of its start, with the noise of an amplifier."""
    return np.minimum(falling(), share * START) + 5e2 * np.random.default_rng(4).standard_normal(TIME.size)


def test_what_was_cut_off_stands_until_it_comes_below():
    below = float(TIME[np.flatnonzero(falling(0.0) < 0.85 * START)[0]])
    found = late_fall(TIME, cut_off(0.85), since=0.1, until=9.9)
    assert found.time == pytest.approx(below, abs=0.5)
    assert found.late == pytest.approx(found.time - 0.1)


def test_what_was_cut_off_for_less_than_the_first_part_falls_in_it():
    assert late_fall(TIME, cut_off(0.95), since=0.1, until=9.9) is None


def test_a_pressure_that_noise_hides_says_nothing():
    flat = START + 2e3 * np.random.default_rng(5).standard_normal(TIME.size)
    assert late_fall(TIME, flat, since=0.1, until=9.9) is None
    assert late_fall(TIME, falling(), since=0.1, until=0.6) is None
