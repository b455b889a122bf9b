"""A recording of taps: blows are found, each is fitted, and truth written out by hand comes back."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.stand_sheets.tap_record import blows, state_of, tap_test, taps_in
from standbook.daq.errors import DataError

RATE, EVERY = 250.0, 4.0  # rows a second; s between blows
ZETA = 0.02


def tapped(frequency, *, taps=5, amplitude=100.0, noise=1.0, seed=1, zeta=ZETA):
    """Blows of different strength on a cell that drifts a little."""
    random = np.random.default_rng(seed)
    time = np.arange(round((taps + 1) * EVERY * RATE)) / RATE
    value = 0.2 * time + noise * random.standard_normal(time.size)
    for number in range(taps):
        t = time - (number + 0.5) * EVERY
        omega = 2.0 * math.pi * frequency
        ring = np.exp(-zeta * omega * t) * np.cos(omega * math.sqrt(1.0 - zeta**2) * t + 0.3)
        value += np.where(t >= 0.0, amplitude * (0.5 + random.random()) * ring, 0.0)
    return time, value


def test_every_blow_is_found_once():
    time, value = tapped(41.0)
    found = time[list(blows(time, value))]
    assert found == pytest.approx([(k + 0.5) * EVERY for k in range(5)], abs=0.05)


def test_a_still_record_has_no_blows():
    noise = np.random.default_rng(2).standard_normal(5000)
    assert blows(np.arange(5000) / RATE, noise) == ()


@pytest.fixture(scope="module")
def bare():
    return state_of(*tapped(41.0), (0.0, 0.0))


def test_a_state_gives_frequency_and_damping_within_their_uncertainty(bare):
    (mode,) = bare.modes
    assert bare.used == 5
    assert mode.frequency == pytest.approx(41.0, abs=3.0 * mode.frequency_u)
    assert mode.zeta == pytest.approx(ZETA, abs=3.0 * mode.zeta_u)
    assert mode.frequency_u < 1e-3 * 41.0


@pytest.fixture(scope="module")
def loaded():
    # closed form: f1 = f0 sqrt(m / (m + dm)); 75 kg, 10 kg, 41 Hz
    return state_of(*tapped(41.0 * math.sqrt(75.0 / 85.0), seed=3), (10.0, 0.01))


def test_a_mass_bolted_on_gives_the_moving_mass(bare, loaded):
    test = tap_test([bare, loaded])
    assert test.moving_mass is not None
    mass, u = test.moving_mass
    assert mass == pytest.approx(75.0, abs=max(3.0 * u, 0.1))
    assert any("Moving mass: 7" in sentence for sentence in test.sentences)


def test_states_in_the_wrong_order_give_no_moving_mass_and_say_so(bare, loaded):
    swapped = dataclasses.replace(loaded, added=(0.0, 0.0)), dataclasses.replace(bare, added=(10.0, 0.01))
    test = tap_test(swapped)
    assert test.moving_mass is None
    assert test.sentences[-1].startswith("REVIEW: no moving mass")


def test_too_few_taps_are_refused_with_what_is_needed():
    with pytest.raises(DataError, match=r"taps with 10 kg: 2 taps can be used; 3 are needed"):
        state_of(*tapped(41.0, taps=2), (10.0, 0.0))


def test_a_tap_with_missing_rows_is_left_out_and_said():
    time, value = tapped(41.0)
    kept = np.abs(time - 10.5) > 0.05  # within the third
    taps, notes = taps_in(time[kept], value[kept])
    assert len(taps) == 4
    assert notes == ("tap 3: not used: rows are missing in it",)
