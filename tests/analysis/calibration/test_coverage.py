"""Three hundred drawn sheets: error over claimed uncertainty has spread 1, 95 % intervals hold 91 to 99 %."""

import numpy as np
import pytest

from standbook.analysis.calibration.level_fit import fit_levels, zeros_taken_off
from standbook.analysis.calibration.reading_u import Sources, reading_u
from standbook.analysis.calibration.reference_error import (
    class_covariances,
    coefficient_covariances,
    gain_covariance,
    level_covariance,
    stacked_covariance,
)
from standbook.analysis.calibration.sensor_terms import loop_width
from tests.analysis.calibration.sheet_fixture import Drawn, drawn_sheet, later_signal

SHEETS = 300
SHARES = (0.15, 0.25, 0.5, 0.75, 1.0)  # 0.15: 9 bar of 60, a water flow
GAIN, LEVEL = 1.2e-3, 7e-4


def error_of(random, covariance):
    """Give a draw of the reference's error at levels from a covariance over them."""

    def error(level):
        matrix = covariance(level)
        return random.multivariate_normal(np.zeros(level.size), matrix, method="svd")

    return error


def gauge(level):
    return gain_covariance(level, GAIN) + level_covariance(level, LEVEL, 1.0)


def weights(level):
    count = np.round(level * 5).astype(int).tolist()
    return stacked_covariance(count, np.full(5, 6e-4 * 0.2))


def one_scale(level):
    return gain_covariance(level, 6e-4)


def studied(covariance, seed, drawn=None):
    """Give error over u, and whether the interval holds it, of each sheet at each share. (300, 5) each."""
    random, drawn = np.random.default_rng(seed), drawn or Drawn()
    pulls, held = [], []
    for _ in range(SHEETS):
        levels, zeros = zeros_taken_off(drawn_sheet(random, drawn, error_of(random, covariance)))
        fit = fit_levels(levels, zeros=zeros)
        sources = Sources(
            reference=coefficient_covariances(fit.weight, (covariance(levels.reading),)),
            tared=True,
            loop=loop_width(levels, fit.residual),
        )
        zero = fit.value(np.array([fit.zero_signal]))[0]
        row = []
        for share in SHARES:
            signal = fit.zero_signal + later_signal(random, drawn, share)
            u = reading_u(fit, sources, share)
            row.append(((fit.value(np.array([signal]))[0] - zero - share), u.u, u.expanded))
        error, u, expanded = np.array(row).T
        pulls.append(error / u)
        held.append(np.abs(error) <= expanded)
    return np.array(pulls), np.array(held)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("covariance", "drawn"),
    [(gauge, Drawn()), (gauge, Drawn(bow=5e-4)), (weights, Drawn()), (one_scale, Drawn())],
    ids=["gauge", "gauge, bent sensor", "stacked weights", "one scale"],
)
def test_intervals_hold_what_they_claim(covariance, drawn):
    pulls, held = studied(covariance, 1, drawn)
    assert np.all((held.mean(axis=0) >= 0.91) & (held.mean(axis=0) <= 0.99)), held.mean(axis=0)
    assert np.all(np.abs(pulls.std(axis=0) - 1.0) <= 0.15), pulls.std(axis=0)


def test_where_the_split_of_a_class_is_not_known_the_larger_counts():
    random = np.random.default_rng(3)
    levels, _ = zeros_taken_off(drawn_sheet(random, Drawn(), lambda level: 0.0 * level))
    fit = fit_levels(levels)
    both = coefficient_covariances(fit.weight, class_covariances(levels.reading, 1.44e-3, 1.0))
    each = [reading_u(fit, Sources(reference=(one,), tared=False), 0.5).terms[0].u for one in both]
    whole = reading_u(fit, Sources(reference=both, tared=False), 0.5).terms[0]
    assert whole.source == "reference"
    assert whole.u == max(each)
    assert min(each) < 0.99 * max(each)
