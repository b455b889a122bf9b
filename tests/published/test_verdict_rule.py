"""The class verdict against scipy.stats, from the rule alone and at the end of a whole firing.

[JCGM106] (from memory): accept up to limit - z u, z the one-sided normal quantile; Student's t of [GUM] G.3 where u has
few degrees of freedom, table G.2 (from memory). Its printed factors and worked cases are in
``tests/analysis/physics/test_impulse_limits.py``.
"""

import dataclasses

import numpy as np
import pytest
from scipy import stats

from standbook.analysis.budget.terms import Term, impulse_result
from standbook.analysis.dataset.dataset import CheckWeight
from standbook.analysis.kinds.registry import analyse
from standbook.analysis.physics.impulse_limits import guard_factor, verdict
from standbook.analysis.results.quantities import Measured
from tests.published.fixed_share_firing import course, dataset_of, results_of

# [GUM] table G.2, fraction 95 %: degrees of freedom and t, from memory.
TABLE_G2 = [(1, 12.71), (2, 4.30), (3, 3.18), (4, 2.78), (5, 2.57), (6, 2.45), (7, 2.36), (8, 2.31), (10, 2.23)]
TABLE_G2 += [(15, 2.13), (20, 2.09)]
NORMAL_FROM_30 = pytest.mark.xfail(strict=True, reason="from 30 degrees of freedom on a budget says k = 2, not 2.04")


def distribution(dof):
    return stats.norm() if dof is None else stats.t(dof)


@pytest.mark.parametrize("seed", range(50))
def test_outcome_and_probability_are_those_of_scipy(seed):
    random = np.random.default_rng(seed)
    u, share = float(random.uniform(50.0, 900.0)), float(random.uniform(0.6, 0.999))
    dof = None if seed % 3 == 0 else float(random.uniform(2.0, 60.0))
    impulse, limit = 40_960.0 + float(random.normal(0.0, 2.0 * u)), 40_960.0
    known = distribution(dof)
    found = verdict(impulse, u, limit=limit, limit_name="rule", guard_share=share, dof=dof)
    within = float(known.cdf((limit - impulse) / u))
    assert guard_factor(share, dof) == pytest.approx(float(known.ppf(share)), rel=1e-9)
    assert found.probability_within == pytest.approx(within, abs=1e-9)
    expected = "within" if within >= share else "exceeds" if within <= 1.0 - share else "not shown"
    assert found.outcome == expected


@pytest.mark.parametrize(("dof", "t"), [*TABLE_G2, pytest.param(30, 2.04, marks=NORMAL_FROM_30)])
def test_coverage_factors_of_a_budget_are_those_of_the_table(dof, t):
    found = impulse_result(1e4, [Term("few readings", 7.0, dof)], lower_bound_only=False, unseen=0.0)
    assert found.coverage_factor == pytest.approx(t, abs=0.005 + 1e-9)  # printed digits
    assert found.coverage_factor == pytest.approx(float(stats.t(dof).ppf(0.975)), rel=1e-9)


def proven(dataset, peak):
    """Hang exact check weights before and after, of 0.3 of the greatest thrust: the cell's own bound counts then."""
    mass = 0.3 * peak / 9.80665
    weight = Measured(mass, 1e-4 * mass, "kg"), Measured(9.80665 * mass, 1e-4 * 9.80665 * mass, "N")
    hung = tuple(CheckWeight(when, *weight) for when in ("before", "after"))
    return dataclasses.replace(dataset, check_weights=hung, clock_checked=True)


@pytest.mark.slow
def test_a_firing_is_within_up_to_the_guard_and_not_a_millionth_beyond():
    peak = results_of("down").thrust.peak.value
    first = analyse(proven(dataset_of("down", course()), peak)).results
    assert first.firing.checks.gain_proven
    known = distribution(first.impulse.dof)
    edge = first.impulse.value + float(known.ppf(0.95)) * first.impulse.u
    assert not first.impulse.allowances
    assert first.verdicts["site"].upper_bound == pytest.approx(edge, rel=1e-9)
    outcomes = {}
    for limit in (edge + 0.1, edge - 0.1):
        judged = analyse(proven(dataset_of("down", course(), limit=limit), peak)).results.verdicts["site"]
        outcomes[limit > edge] = judged.outcome
        within = float(known.cdf((limit - first.impulse.value) / first.impulse.u))
        assert judged.probability_within == pytest.approx(within, abs=1e-6)
    assert outcomes == {True: "within", False: "not shown"}
