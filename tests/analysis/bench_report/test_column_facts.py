"""What one column's rows show: closed forms, simulated noise of known size, and what is stuck, held or at a rail."""

import math

import numpy as np
import pytest

from standbook.analysis.bench_report.column_facts import (
    LEAST_ROWS,
    WHITE_SECOND,
    ColumnRows,
    column_facts,
    deviation_of,
    second_difference_deviation,
)
from standbook.analysis.bench_report.figures import amplitudes
from tests.repository import ROOT

RATE = 100.0
TRIALS = 300


def rows(value, *, rails=None, resolution=1.0, follows=None, rate=RATE):
    value = np.asarray(value, np.float64)
    return ColumnRows(
        tag="a0",
        unit="counts",
        time=np.arange(value.size) / rate,
        value=value,
        follows=np.ones(value.size - 1, np.bool_) if follows is None else follows,
        rate=rate,
        rails=rails,
        resolution=resolution,
    )


def whole(size):
    return np.ones(size - 1, np.bool_)


def test_second_differences_of_a_zigzag_are_known_in_closed_form():
    value = np.where(np.arange(200) % 2, 1.0, -1.0)  # every second difference is 4 or -4
    deviation, _ = second_difference_deviation(value, whole(200))
    assert deviation == pytest.approx(4.0 / math.sqrt(6.0), rel=1e-12)


def test_level_and_straight_drift_are_no_noise():
    deviation, _ = second_difference_deviation(7.0 + 0.25 * np.arange(500), whole(500))
    assert deviation == 0.0


def test_the_noise_of_white_rows_is_right_and_its_uncertainty_has_spread_one():
    random = np.random.default_rng(1)
    found = [
        second_difference_deviation(random.normal(0.0, 3.0, 400) + 0.02 * np.arange(400), whole(400))
        for _ in range(TRIALS)
    ]
    pulls = np.array([(deviation - 3.0) / u for deviation, u in found])
    # The mean of 300 pulls scatters by 0.06, their spread by 0.04: four of each, and the root's own bias of s.
    assert abs(np.mean(pulls)) < 0.3
    assert abs(np.std(pulls) - 1.0) < 0.17


def test_a_difference_across_a_gap_is_left_out():
    value = np.concatenate((np.zeros(100), np.full(100, 1e6)))
    follows = whole(200)
    follows[99] = False
    assert second_difference_deviation(value, follows) == (0.0, 0.0)
    assert second_difference_deviation(value, whole(200))[0] > 1e4


def test_the_slope_of_a_line_is_exact_and_its_uncertainty_has_spread_one():
    exact = column_facts(rows(5.0 + np.arange(200) / RATE * 3.0))
    assert exact.drift.value == pytest.approx(3.0, rel=1e-9)
    random, pulls = np.random.default_rng(2), []
    for _ in range(TRIALS):
        found = column_facts(rows(random.normal(0.0, 2.0, 300)))
        pulls.append(found.drift.value / found.drift.u)
    # u allows for rows that are alike and never takes them for less than themselves, so the spread may be a little less
    assert 0.75 < np.std(pulls) < 1.15


def coloured(random, size, likeness):
    """Noise of deviation one whose neighbours are alike."""
    fresh = random.normal(0.0, math.sqrt(1.0 - likeness**2), size)
    found = np.empty(size)
    level = random.normal()
    for k in range(size):
        level = likeness * level + fresh[k]
        found[k] = level
    return found


@pytest.mark.parametrize("likeness", [0.0, 0.8])
def test_uncertainties_of_mean_and_deviation_allow_for_rows_that_are_alike(likeness):
    random, pulls = np.random.default_rng(11), []
    for _ in range(TRIALS // 2):
        found = column_facts(rows(coloured(random, 600, likeness)))
        pulls.append((found.mean.value / found.mean.u, (found.deviation.value - 1.0) / found.deviation.u))
    spread = np.std(pulls, axis=0)
    # As for the slope; where 9 rows are worth one, the 65 that are left know their own likeness to a fifth or so.
    assert np.all((spread > 0.75) & (spread < 1.3)), spread


def test_steps_of_rows_that_are_late_each_by_itself_scatter_less_freely_and_u_says_so():
    random, pulls = np.random.default_rng(12), []
    for _ in range(TRIALS):
        steps = np.diff(random.normal(0.0, 1.0, 400))  # a late row makes one step long and the next one short
        found = deviation_of(steps - np.mean(steps), free=1)
        pulls.append((found.value - math.sqrt(2.0)) / found.u)
    assert 0.85 < np.std(pulls) < 1.15


def test_deviation_about_the_line_counts_what_noise_from_row_to_row_does_not():
    time = np.arange(3000) / RATE
    slow = 50.0 * np.sin(2.0 * np.pi * 0.5 * time) + np.random.default_rng(3).normal(0.0, 1.0, 3000)
    found = column_facts(rows(slow))
    assert found.deviation.value == pytest.approx(50.0 / math.sqrt(2.0), rel=0.05)  # of a sine
    assert found.noise.value == pytest.approx(1.0, rel=0.1)


def test_rounding_that_hides_the_noise_leaves_it_indicated():
    coarse = np.rint(np.random.default_rng(4).normal(0.45, 0.15, 2000))
    found = column_facts(rows(coarse))
    assert found.distinct <= 3
    assert found.least_step == 1.0
    assert found.noise.u is None


def test_steps_and_ends_are_counted():
    value = np.tile([0.0, 2.0, 5.0, 11.0], 50)
    found = column_facts(rows(value))
    assert (found.distinct, found.least_step, found.minimum, found.maximum) == (4, 2.0, 0.0, 11.0)


def test_a_column_that_never_moves_is_stuck_and_has_neither_noise_nor_spectrum():
    found = column_facts(rows(np.full(500, 77.0)))
    assert found.is_stuck
    assert (found.noise, found.drift, found.held, found.spectrum, found.peaks) == (None, None, None, None, ())


def test_a_stretch_that_stands_still_in_a_moving_record_is_named():
    value = np.rint(np.random.default_rng(5).normal(600.0, 5.0, 1000))
    value[300:500] = 612.0
    held = column_facts(rows(value)).held
    assert held.value == 612.0
    assert held.start == pytest.approx(3.0, abs=0.05)  # a neighbour may happen to have the same value
    assert held.length == pytest.approx(2.0, abs=0.05)


@pytest.mark.parametrize(
    "value",
    [
        np.rint(np.arange(3000) / 250.0),  # a slow rise in steps of its converter
        np.repeat(np.random.default_rng(6).normal(0.0, 5.0, 100), 10),  # a sensor that is read every tenth row
        np.rint(np.random.default_rng(7).normal(100.0, 0.3, 3000)),  # less noise than a step
    ],
)
def test_steps_of_a_converter_and_a_slow_sensor_are_no_stuck_stretch(value):
    assert column_facts(rows(value)).held is None


def test_rows_at_a_stated_rail_are_counted_and_a_usual_one_is_only_perhaps_a_rail():
    value = np.random.default_rng(8).integers(100, 900, 1000).astype(float)
    value[10:30] = 1023.0
    (told,) = column_facts(rows(value, rails=(0.0, 1023.0))).ends
    assert (told.value, told.rows, told.is_known) == (1023.0, 20, True)
    (perhaps,) = column_facts(rows(value)).ends
    assert (perhaps.rows, perhaps.is_known) == (20, False)
    assert column_facts(rows(value, resolution=0.1)).ends == ()  # a printed decimal is no converter's code
    value[value == 1023.0] = 1022.0
    assert column_facts(rows(value)).ends == ()


def test_a_sine_has_its_amplitude_in_the_spectrum_and_is_the_strongest_line():
    time = np.arange(4000) / RATE
    value = 3.0 * np.sin(2.0 * np.pi * 12.5 * time) + np.random.default_rng(9).normal(0.0, 0.5, 4000)
    found = column_facts(rows(value))
    assert found.peaks[0].frequency == pytest.approx(12.5, abs=found.spectrum.resolution / 2.0)
    assert found.peaks[0].amplitude == pytest.approx(3.0, rel=0.05)  # the noise adds a few per cent at most
    assert np.max(amplitudes(found.spectrum)) == pytest.approx(3.0, rel=0.05)


def test_the_spectrum_is_of_the_longest_unbroken_stretch():
    value = np.random.default_rng(10).normal(0.0, 1.0, 1000)
    follows = whole(1000)
    follows[::20] = False  # no stretch of thirty rows is left
    assert column_facts(rows(value, follows=follows)).spectrum is None
    assert column_facts(rows(value)).spectrum is not None


def test_too_few_rows_say_nothing_of_scatter():
    found = column_facts(rows(np.arange(LEAST_ROWS - 1.0)))
    assert (found.noise, found.deviation, found.drift, found.spectrum) == (None, None, None, None)
    assert found.mean.u is None
    single = column_facts(rows([4.0]))
    assert (single.rows, single.is_stuck, single.mean.value) == (1, True, 4.0)


def test_the_guide_s_worked_number_is_this_formula():
    page = (ROOT / "cli/guide/bench.md").read_text(encoding="utf-8")
    rows_told, u_told = 6000, 2.0 * WHITE_SECOND / math.sqrt(6000)
    assert f"s = 2.0 counts of {rows_told:,} rows have u = {u_told:.2g} counts" in " ".join(page.split())
