"""The bound of a next run: exact factors by their definition, and the combination of prior and runs by hand."""

import itertools
import math

import pytest
from scipy.integrate import quad
from scipy.stats import chi, norm

from standbook.analysis.several_runs.next_run import prediction_factor, scatter_after, tolerance_factor
from standbook.daq.errors import DataError

PREDICTION = {2: 7.73, 3: 3.37, 4: 2.63, 5: 2.34}  # t(n - 1) sqrt(1 + 1/n), worked out from a table of t
# 95 % of all, 95 % sure, one-sided: the usual tables of normal tolerance factors (from memory).
TOLERANCE = {2: 26.260, 3: 7.656, 4: 5.144, 5: 4.203, 10: 2.911, 20: 2.396}


@pytest.mark.parametrize("runs", PREDICTION)
def test_the_factor_for_the_next_run(runs):
    factor = prediction_factor(runs)
    assert factor == pytest.approx(PREDICTION[runs], abs=0.005)
    # by its definition: the next run and the mean apart, over the sample's deviation
    spread = math.sqrt(1.0 + 1.0 / runs)
    assert _sure(runs, lambda s: norm.cdf(factor * s / spread)) == pytest.approx(0.95, abs=1e-6)


@pytest.mark.parametrize("runs", TOLERANCE)
def test_the_factor_for_most_runs_for_sure(runs):
    factor = tolerance_factor(runs)
    assert factor == pytest.approx(TOLERANCE[runs], abs=6e-4)
    quantile = norm.ppf(0.95)
    held = _sure(runs, lambda s: norm.cdf((factor * s - quantile) * math.sqrt(runs)))
    assert held == pytest.approx(0.95, abs=1e-6)


def _sure(runs, given):
    """Return a probability, over the sample's deviation in units of the true one."""
    freedom = runs - 1
    scale = 1.0 / math.sqrt(freedom)
    # the density over the deviation is a chi's; integrated in pieces, since a factor of 26 is steep near zero
    edges = (0.0, 0.01, 0.1, 0.5, 1.0, 2.0, 4.0, 8.0)
    return sum(
        quad(lambda s: given(s) * chi.pdf(s, freedom, scale=scale), a, b, epsabs=1e-10)[0]
        for a, b in itertools.pairwise(edges)
    )


def test_a_share_and_a_confidence_of_choice():
    # 43 runs, 90 % of them, 99 % sure: 1.87395 exactly, where a handbook's closed formula gives 1.8752
    assert tolerance_factor(43, share=0.90, confidence=0.99) == pytest.approx(1.87395, abs=1e-5)
    assert prediction_factor(4, level=0.975) == pytest.approx(3.182446 * math.sqrt(1.25), rel=1e-6)


def test_one_run_as_predicted_by_hand():
    # kappa 0.0625 + 1, nu 1 + 1, nu s^2 = 0.015^2; t(0.95; 2) = 2.919986
    found = scatter_after([1.0])
    assert (found.weight, found.dof, found.runs) == (1.0625, 2.0, 1)
    assert found.level == pytest.approx(1.0)
    assert found.scatter == pytest.approx(math.sqrt(0.000225 / 2.0))
    assert found.margin == pytest.approx(2.919986 * 0.0106066 * math.sqrt(1.0 + 1.0 / 1.0625), rel=1e-5)


def test_three_runs_by_hand():
    # mean 1.01, squares about it 0.0008; level (0.0625 + 3.03)/3.0625; 0.000225 + 0.0008 + 0.1875/3.0625 x 0.0001
    found = scatter_after([1.01, 0.99, 1.03])
    assert found.level == pytest.approx(1.0097959, abs=1e-7)
    assert found.dof == 4.0
    assert found.scatter == pytest.approx(math.sqrt(0.00103112245 / 4.0), rel=1e-7)


def test_a_bolder_prior_counts_as_more_runs():
    found = scatter_after([1.0], dof=3.0)
    # t(0.95; 4) = 2.131847
    assert found.margin == pytest.approx(2.131847 * math.sqrt(3 * 0.000225 / 4.0 * (1.0 + 1.0 / 1.0625)), rel=1e-6)
    assert found.margin < scatter_after([1.0]).margin


def test_a_level_beside_its_prediction_keeps_to_the_runs():
    near, far = scatter_after([1.06, 1.06]), scatter_after([1.06, 1.06], predicted=1.06)
    assert near.level == pytest.approx(1.06, abs=0.002)
    assert near.scatter > far.scatter  # the prior mean was 6 % off, one u of it


def test_what_is_planned_adds_in_square():
    found = scatter_after([1.0, 1.01])
    own = found.scatter * math.sqrt(1.0 + 1.0 / found.weight)
    assert found.margin_with(0.006, 0.008) == pytest.approx(found.margin / own * math.hypot(own, 0.01), rel=1e-9)
    assert found.margin_with() == pytest.approx(found.margin)


def test_no_run_bounds_nothing():
    with pytest.raises(DataError, match="no firing"):
        scatter_after([])
    with pytest.raises(DataError):
        scatter_after([1.0, math.nan])
    for factor in (prediction_factor, tolerance_factor):
        with pytest.raises(DataError, match="two at least"):
            factor(1)
