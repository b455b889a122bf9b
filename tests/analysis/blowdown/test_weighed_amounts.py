"""Several amounts of one flow: weights of least variance, shared errors, pairs that contradict each other."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.blowdown.amounts import Amount
from standbook.analysis.blowdown.weighed_amounts import DISAGREE, balance

AREA = 1.3e-5  # m²


def apart(*relative, u=0.003, shared=0.0):
    """Weigh areas that differ by these shares, each with its own u and one error that all share."""
    values = AREA * (1.0 + np.array(relative))
    own = {f"own {k}": u * AREA * (np.arange(values.size) == k) for k in range(values.size)}
    return balance(values, {**own, "shared": np.full(values.size, shared * AREA)})


def test_one_amount_stands_alone():
    found = apart(0.0)
    assert (found.weights, found.birge_ratio, found.agree) == ((1.0,), None, True)


def test_weights_go_as_the_inverse_squares_of_what_is_not_shared():
    """u of 0.2 % and 0.4 %: 4 to 1, whatever both share."""
    values = np.array([AREA, AREA])
    for shared in (0.0, 0.02):
        changes = {
            "a": np.array([0.002, 0.0]) * AREA,
            "b": np.array([0.0, 0.004]) * AREA,
            "s": np.full(2, shared * AREA),
        }
        assert balance(values, changes).weights == pytest.approx((0.8, 0.2), rel=1e-4)


def test_birge_ratio_of_two_is_their_difference_over_its_uncertainty():
    """Two values d apart, each with u: chi-square is d² / 2u²."""
    found = apart(0.0, 0.006, u=0.003, shared=0.05)
    assert found.birge_ratio == pytest.approx(0.006 / (0.003 * math.sqrt(2.0)), rel=1e-3)


def test_a_shared_error_hides_no_contradiction():
    assert apart(0.0, 0.02, u=0.003, shared=0.05).pairs[0].apart == pytest.approx(0.02 / (0.003 * 2**0.5), rel=1e-3)


def test_two_that_contradict_each_other_are_not_averaged():
    found = apart(0.0, 0.03)
    assert found.weights == (1.0, 0.0)
    assert found.disagreement == pytest.approx(0.015 * AREA)
    assert found.left_out is None


def test_the_one_that_all_others_contradict_is_left_out():
    found = apart(0.001, 0.04, -0.001)
    assert found.left_out == 1
    assert found.weights == pytest.approx((0.5, 0.0, 0.5))
    assert {(p.first, p.second) for p in found.pairs} == {(0, 1), (1, 2)}
    assert found.disagreement == 0.0


def test_one_between_two_that_contradict_each_other_decides_nothing():
    found = apart(-0.008, 0.0, 0.008)
    assert [(p.first, p.second) for p in found.pairs] == [(0, 2)]
    assert found.left_out is None
    assert found.weights == (1.0, 0.0, 0.0)


@given(st.lists(st.floats(-0.004, 0.004), min_size=2, max_size=5), st.floats(0.0, 0.05))
def test_amounts_that_agree_are_weighed_to_one_and_no_weight_is_negative(relative, shared):
    found = apart(*relative, shared=shared)
    assert found.agree  # 0.8 % apart at most, 3 u of a difference are 1.27 %
    assert sum(found.weights) == pytest.approx(1.0)
    assert min(found.weights) >= 0.0


@given(st.lists(st.floats(-0.1, 0.1), min_size=2, max_size=5), st.floats(0.01, 100.0))
def test_weights_do_not_depend_on_the_unit(relative, factor):
    values = np.array(relative) * AREA + AREA
    changes = {f"{k}": 0.003 * AREA * (np.arange(values.size) == k) for k in range(values.size)}
    one = balance(values, changes)
    other = balance(factor * values, {name: factor * change for name, change in changes.items()})
    assert one.weights == pytest.approx(other.weights, abs=1e-9)
    assert one.left_out == other.left_out


@pytest.mark.slow
def test_of_pairs_that_agree_few_are_called_contradictions():
    """Normal errors: 0.27 % of differences lie beyond 3 u; of 4,000 that is 11 give or take 3.3."""
    random = np.random.default_rng(5)
    called = sum(not apart(*(0.003 * random.standard_normal(2))).agree for _ in range(4000))
    assert 0 < called < 11 + 4 * 3.3
    assert DISAGREE == 3.0


def test_u_of_an_amount_adds_its_sources_in_square():
    assert Amount(name="FM-1", words="the meter", mass=8.0, terms={"gain": 0.03, "zero": -0.04}).u == pytest.approx(
        0.05
    )
