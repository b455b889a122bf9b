"""Rows that a logger stamped unevenly: their own even lattice, and how many of them were lost."""

import numpy as np
import pytest

from standbook.daq.other_recorders.row_clock import fit_row_clock

RATE, ROWS = 500.0, 2000


def stamped(seed, *, scatter=0.0, keep=None, step=1e-6, rate=RATE, late=False):
    """Stamps of even rows in ticks of ``step`` seconds, and the place that each row truly had."""
    random = np.random.default_rng(seed)
    place = np.arange(ROWS) if keep is None else np.flatnonzero(keep(random))
    error = scatter * (np.exp(random.normal(0.0, 0.8, place.size)) if late else random.normal(0.0, 1.0, place.size))
    ticks = np.floor((place + error) / rate / step + 1e-9).astype(np.int64)
    return np.sort(ticks - ticks[0]), place - place[0]


def bursts(random):
    kept = np.ones(ROWS, np.bool_)
    for first in (400, 1300):
        kept[first : first + 20] = False
    return kept


def singles(random):
    kept = random.random(ROWS) > 0.01
    kept[[0, -1]] = True
    return kept


@pytest.mark.parametrize("scatter", [0.1, 0.2, 0.3])
@pytest.mark.parametrize("keep", [None, bursts])
def test_losses_are_counted_whatever_the_stamps_scatter(scatter, keep):
    for seed in range(4):
        stamps, place = stamped(seed, scatter=scatter, keep=keep)
        found = fit_row_clock(stamps, 1e6)
        assert found.tells
        assert found.lost.sum() == place[-1] + 1 - place.size
        assert found.interval == pytest.approx(2000.0, rel=1e-4)
        assert np.mean(np.abs(found.place - place) <= 1) > 0.99


def test_single_losses_are_found_within_a_few_rows_of_the_ends():
    right = 0
    for seed in range(6):
        stamps, place = stamped(seed, scatter=0.1, keep=singles)
        found = fit_row_clock(stamps, 1e6)
        assert abs(int(found.lost.sum()) - int(place[-1] + 1 - place.size)) <= 2  # beside an end nothing tells of one
        right += found.lost.sum() == place[-1] + 1 - place.size
    assert right >= 4


def test_whole_milliseconds_of_an_odd_rate_lose_nothing():
    """800 rows a second stamped in whole milliseconds: steps of one and two, and no row missing."""
    stamps, place = stamped(1, rate=800.0, step=1e-3)
    found = fit_row_clock(stamps, 1e3)
    assert found.tells
    assert np.array_equal(found.place, place)
    assert found.interval == pytest.approx(1.25, rel=1e-4)


def test_rows_lie_on_the_lattice_however_late_some_were_stamped():
    stamps, place = stamped(3, scatter=0.2)
    found = fit_row_clock(stamps, 1e6)
    away = found.time - 2000.0 * place
    assert np.std(away) < 0.02 * 2000.0
    assert np.std(stamps - 2000.0 * place) > 0.15 * 2000.0


def test_stamps_that_tell_no_lattice_are_left_as_they_are():
    random = np.random.default_rng(5)
    stamps = np.sort(np.rint(2000.0 * (np.arange(ROWS) + random.uniform(-1.5, 1.5, ROWS))).astype(np.int64))
    found = fit_row_clock(stamps - stamps[0], 1e6)
    assert found is None or not found.tells


@pytest.mark.parametrize("stamps", [np.arange(10), np.zeros(200, np.int64), 2000 * np.delete(np.arange(200), [70, 71])])
def test_few_rows_even_stamps_or_a_clock_that_stands_fit_nothing(stamps):
    assert fit_row_clock(stamps.astype(np.int64), 1e3) is None


def test_the_price_of_a_stamp_that_is_far_off_is_limited():
    stamps, _ = stamped(2, scatter=0.1)
    stamps[700] += 5 * 2000
    found = fit_row_clock(np.sort(stamps), 1e6)
    assert found.tells
    assert found.lost.sum() == 0


def test_two_rows_far_off_a_line_leave_no_empty_mean():
    with np.errstate(all="raise"):
        assert fit_row_clock(np.array([0, 1, 10**15, 10**15 + 1]), 1e6) is None
