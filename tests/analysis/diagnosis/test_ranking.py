"""Ranking causes: closed forms of the likelihood, what must not matter, what must not be explained away."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.diagnosis.ranking import Signature, diagnose

ONE = np.ones(1)


def single(name, effect, health=(0.0, 0.0), **more):
    """A cause of one size in one state of health."""
    base = np.array([health])
    return Signature(
        name=name,
        sizes=np.array([1.0]),
        predicted=base[np.newaxis] + np.array(effect),
        healthy=base,
        state_weight=ONE,
        doubt=0.0,
        **more,
    )


def ranked(observed, causes, covariance=None, health=(0.0, 0.0)):
    cov = np.eye(2) if covariance is None else covariance
    return diagnose(np.array(observed), cov, np.array([health]), ONE, causes)


def test_the_gain_of_one_cause_is_the_ratio_of_two_normal_densities():
    """ln N(3; 3, 1) - ln N(3; 0, 1) = 4.5."""
    told = ranked((3.0, 0.0), [single("a", (3.0, 0.0))])
    assert told.causes[0].gain == pytest.approx(4.5)
    assert told.gain == pytest.approx(4.5)
    assert told.alarm
    assert told.misfit == pytest.approx(9.0)
    assert told.causes[0].misfit == pytest.approx(0.0)


def test_shares_add_up_and_follow_the_densities():
    told = ranked((2.0, 0.0), [single("a", (2.0, 0.0)), single("b", (0.0, 2.0)), single("c", (2.0, 0.0))])
    share = {cause.name: cause.share for cause in told.causes}
    assert sum(share.values()) == pytest.approx(1.0)
    assert share["a"] == pytest.approx(share["c"])
    # distances² from b: 4 + 4 against none
    assert share["b"] / share["a"] == pytest.approx(math.exp(-4.0))


def test_health_is_not_called_ill():
    told = ranked((0.3, -0.5), [single("a", (3.0, 0.0)), single("b", (0.0, 3.0))])
    assert not told.alarm
    assert not told.unexplained


def test_what_no_cause_explains_is_said():
    told = ranked((10.0, -10.0), [single("a", (10.0, 10.0)), single("b", (10.0, 0.0))])
    assert told.alarm
    assert told.unexplained


def test_a_cause_that_frees_its_own_part_of_the_covariance_competes_with_the_prior():
    """Prior 1 in the first direction: health has variance 2; the cause has one size and variance 1."""
    term = np.diag([1.0, 0.0])
    told = ranked((2.0, 0.0), [single("a", (2.0, 0.0), covariance=np.eye(2))], np.eye(2) + term)
    assert told.causes[0].gain == pytest.approx(1.0 + 0.5 * math.log(2.0))


def test_a_cause_of_many_sizes_pays_for_those_not_seen_and_finds_its_size():
    sizes = np.linspace(1.0, 9.0, 9)
    base = np.zeros((1, 2))
    wide = Signature(
        name="wide",
        sizes=sizes,
        predicted=np.stack([sizes, 0.0 * sizes], axis=1)[:, np.newaxis],
        healthy=base,
        state_weight=ONE,
        doubt=0.0,
    )
    told = ranked((5.0, 0.0), [wide, single("a", (5.0, 0.0))])
    share = {cause.name: cause for cause in told.causes}
    assert share["wide"].size == pytest.approx(5.0, abs=0.01)
    assert share["wide"].size_u == pytest.approx(1.0, rel=0.05)
    # a normal density of sd 1 averaged over sizes 8 wide, against its peak
    assert share["wide"].share / share["a"].share == pytest.approx(math.sqrt(2.0 * math.pi) / 8.0, rel=0.05)


@given(st.floats(1e-6, 1e6), st.floats(1e-6, 1e6))
def test_units_of_the_observables_do_not_matter(first, second):
    scale = np.array([first, second])
    cov = np.array([[1.0, 0.3], [0.3, 2.0]])

    def told(by):
        causes = [single("a", np.array([3.0, 1.0]) * by), single("b", np.array([0.0, 2.0]) * by)]
        return ranked(np.array([2.5, 1.2]) * by, causes, cov * np.outer(by, by))

    plain, scaled = told(np.ones(2)), told(scale)
    assert scaled.gain == pytest.approx(plain.gain, rel=1e-6)
    assert [c.name for c in scaled.causes] == [c.name for c in plain.causes]
    assert [c.share for c in scaled.causes] == pytest.approx([c.share for c in plain.causes], rel=1e-6)
