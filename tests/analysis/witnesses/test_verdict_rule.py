"""The rule of a verdict as a table: the cell's own bounds, what another route adds to them, what keeps them back."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.physics.impulse_limits import RaisedBound, verdict

LIMIT = 1000.0
Z = 1.6448536269514722  # one-sided 95 % of the normal distribution, from tables
CHAMBER = "the chamber pressure"


def judge(impulse, u, *, raised=None, **changes):
    bound = None if raised is None else RaisedBound(raised, CHAMBER)
    return verdict(impulse, u, limit=LIMIT, limit_name="test", raised=bound, **changes)


# impulse, u, another route's value: outcome, upper bound. U_c = I + z u.
TABLE = [
    (900.0, 10.0, None, "within", 900.0 + 10.0 * Z),
    (900.0, 10.0, 880.0, "within", 900.0 + 10.0 * Z),  # a lower route takes nothing off the cell's bound
    (900.0, 10.0, 910.0, "within", 900.0 + 10.0 * Z),  # nor does one below that bound
    (900.0, 10.0, 990.0, "within", 990.0),
    (900.0, 10.0, 1000.0, "within", 1000.0),  # a limit that is met belongs to the class
    (900.0, 10.0, np.nextafter(1000.0, math.inf), "not shown", 1000.0),
    (900.0, 10.0, 1100.0, "not shown", 1100.0),  # another route alone never says "exceeds"
    (900.0, 10.0, 5000.0, "not shown", 5000.0),
    (990.0, 10.0, 900.0, "not shown", 990.0 + 10.0 * Z),
    (1010.0, 10.0, 900.0, "not shown", 1010.0 + 10.0 * Z),
    (1020.0, 10.0, None, "exceeds", 1020.0 + 10.0 * Z),
    (1020.0, 10.0, 900.0, "exceeds", 1020.0 + 10.0 * Z),  # a route below the limit does not excuse the cell
    (1020.0, 10.0, 1100.0, "exceeds", 1100.0),
]


@pytest.mark.parametrize(("impulse", "u", "raised", "outcome", "upper"), TABLE)
def test_the_upper_bound_is_the_cells_own_or_another_routes_value_where_that_is_more(
    impulse, u, raised, outcome, upper
):
    found = judge(impulse, u, raised=raised)
    assert found.outcome == outcome
    assert found.upper_bound == pytest.approx(upper, rel=1e-9)
    assert found.lower_bound == pytest.approx(impulse - u * Z, rel=1e-9)


@pytest.mark.parametrize(("impulse", "u", "raised", "outcome", "upper"), TABLE)
def test_the_route_is_named_where_its_value_is_the_bound_and_nowhere_else(impulse, u, raised, outcome, upper):
    found = judge(impulse, u, raised=raised)
    assert found.raised_by == (CHAMBER if raised is not None and raised > impulse + u * Z else "")


def test_a_sentence_held_by_another_route_names_the_route_and_its_value():
    said = judge(900.0, 10.0, raised=1100.0).reason
    assert CHAMBER in said
    assert "1,100" in said


@pytest.mark.parametrize(("impulse", "u", "raised", "outcome", "upper"), TABLE)
def test_what_is_withheld_is_neither_within_nor_exceeds_and_the_number_stands(impulse, u, raised, outcome, upper):
    found = judge(impulse, u, raised=raised, withheld="two routes disagree")
    assert found.outcome == "not shown"
    assert found.withheld == "two routes disagree"
    assert "two routes disagree" in found.reason
    assert found.upper_bound == pytest.approx(upper, rel=1e-9)
    assert found.lower_bound == pytest.approx(impulse - u * Z, rel=1e-9)


@pytest.mark.parametrize("raised", [None, 900.0, 1100.0])
def test_a_lower_bound_alone_may_still_exceed_and_is_never_within(raised):
    assert judge(1020.0, 10.0, raised=raised, lower_bound_only=True).outcome == "exceeds"
    assert judge(500.0, 10.0, raised=raised, lower_bound_only=True).outcome == "not shown"


def test_a_lower_bound_alone_exceeds_at_the_limit_exactly_and_not_a_hair_below():
    at = LIMIT + 10.0 * Z
    assert judge(at + 1e-9, 10.0, lower_bound_only=True).outcome == "exceeds"
    assert judge(at - 1e-6, 10.0, lower_bound_only=True).outcome == "not shown"


def test_a_lower_bound_alone_that_is_withheld_does_not_exceed():
    assert judge(1500.0, 10.0, lower_bound_only=True, withheld="two routes disagree").outcome == "not shown"


def test_what_short_gaps_hid_counts_in_the_cells_own_bound_before_routes_are_held_against_it():
    assert judge(900.0, 10.0, unseen=60.0).upper_bound == pytest.approx(960.0 + 10.0 * Z)
    found = judge(900.0, 10.0, unseen=60.0, raised=970.0)
    assert found.upper_bound == pytest.approx(960.0 + 10.0 * Z)
    assert found.raised_by == ""


def test_only_within_says_what_it_rests_on():
    assert judge(900.0, 10.0, earned="check weights").rests_on == "check weights"
    assert "check weights" in judge(900.0, 10.0, earned="check weights").reason
    for impulse, changes in ((1000.0, {}), (1100.0, {}), (900.0, {"withheld": "two routes disagree"})):
        assert judge(impulse, 10.0, earned="check weights", **changes).rests_on == ""


impulses = st.floats(500.0, 1500.0)
doubts = st.floats(0.1, 60.0)
routes = st.floats(300.0, 2000.0)
hidden = st.floats(0.0, 100.0)


@given(impulses, doubts, routes, hidden)
def test_another_route_never_lowers_the_upper_bound_and_never_moves_the_lower(impulse, u, raised, unseen):
    alone, held = judge(impulse, u, unseen=unseen), judge(impulse, u, unseen=unseen, raised=raised)
    assert held.upper_bound >= alone.upper_bound
    assert held.upper_bound == pytest.approx(max(alone.upper_bound, raised), rel=1e-12)
    assert held.lower_bound == alone.lower_bound


@given(impulses, doubts, routes, hidden)
def test_another_route_can_take_within_away_and_do_nothing_else(impulse, u, raised, unseen):
    alone, held = judge(impulse, u, unseen=unseen), judge(impulse, u, unseen=unseen, raised=raised)
    assert held.outcome == alone.outcome or (alone.outcome, held.outcome) == ("within", "not shown")
    assert (held.outcome == "exceeds") == (alone.outcome == "exceeds")


@given(impulses, doubts, routes, st.floats(0.0, 500.0))
def test_a_route_that_says_more_never_makes_the_verdict_kinder(impulse, u, raised, more):
    kindness = ("exceeds", "not shown", "within")
    one, other = judge(impulse, u, raised=raised), judge(impulse, u, raised=raised + more)
    assert kindness.index(other.outcome) <= kindness.index(one.outcome)
    assert other.upper_bound >= one.upper_bound


@given(impulses, doubts, st.none() | routes, hidden, st.booleans())
def test_whatever_is_withheld_is_not_shown(impulse, u, raised, unseen, lower_bound_only):
    found = judge(
        impulse, u, raised=raised, unseen=unseen, lower_bound_only=lower_bound_only, withheld="a check weight is apart"
    )
    assert found.outcome == "not shown"


@given(impulses, doubts, st.none() | routes, hidden)
def test_within_means_that_neither_bound_passes_the_limit(impulse, u, raised, unseen):
    found = judge(impulse, u, raised=raised, unseen=unseen)
    assert (found.outcome == "within") == (found.upper_bound <= LIMIT)
    assert (found.outcome == "exceeds") == (found.lower_bound >= LIMIT)
