"""Masses of one scale: its part adds whole in a sum and drops out of a ratio; what is each mass's own does as ever."""

import dataclasses
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.budget.shared_masses import SharedMass, ratio_of, sum_of, weighed_alike
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.both_flow import BothFlow, shared_scale_u
from standbook.analysis.thrust.tank_flows import TankFlow

OXIDISER, FUEL = Measured(9.7, 0.01, "kg"), Measured(6.5, 0.01, "kg")


def alike(first, second, scale_u):
    return weighed_alike({"oxidiser": first, "fuel": second}, scale_u).values()


U = 5e-4  # 4.85 g and 3.25 g of each 10 g


def test_the_scale_s_part_adds_whole_in_a_sum():
    # by hand: own parts 8.745 and 9.457 g, common 8.1 g
    found = sum_of(alike(OXIDISER, FUEL, U))
    own = [math.sqrt(1e-4 - part**2) for part in (4.85e-3, 3.25e-3)]
    assert own == pytest.approx([8.745e-3, 9.457e-3], abs=1e-6)
    assert found == Measured(pytest.approx(16.2), pytest.approx(math.hypot(*own, 8.1e-3), rel=1e-9), "kg")


def test_the_scale_s_part_drops_out_of_a_ratio():
    found = ratio_of(*alike(OXIDISER, FUEL, U))
    own = math.hypot(8.745e-3 / 9.7, 9.457e-3 / 6.5)
    assert found.value == pytest.approx(9.7 / 6.5)
    assert found.u / found.value == pytest.approx(own, rel=1e-4)
    nothing_else = ratio_of(*alike(Measured(9.7, 9.7 * U, "kg"), Measured(6.5, 6.5 * U, "kg"), U))
    assert nothing_else.u == pytest.approx(0.0, abs=1e-12)


def test_of_scales_that_share_nothing_both_are_as_in_any_quotient_and_sum():
    assert sum_of(alike(OXIDISER, FUEL, 0.0)).u == pytest.approx(math.hypot(0.01, 0.01))
    apart = ratio_of(*alike(OXIDISER, FUEL, 0.0))
    assert apart.u / apart.value == pytest.approx(math.hypot(0.01 / 9.7, 0.01 / 6.5))


@given(st.floats(0.1, 50.0), st.floats(0.1, 50.0), st.floats(1e-3, 0.02), st.floats(0.0, 0.02))
def test_a_ratio_is_never_less_certain_and_a_sum_never_more_for_one_scale(first, second, u, scale):
    one, other = Measured(first, u * first, "kg"), Measured(second, u * second, "kg")
    together, apart = (ratio_of(*alike(one, other, part)).u for part in (min(scale, u), 0.0))
    assert together <= apart * (1.0 + 1e-9)
    assert sum_of(alike(one, other, min(scale, u))).u >= sum_of(alike(one, other, 0.0)).u * (1.0 - 1e-9)


def flow(scale_u):
    """A side of a firing of which only its scale matters here."""
    values = dict.fromkeys((field.name for field in dataclasses.fields(TankFlow)), None)
    return TankFlow(**{**values, "scale_u": scale_u})


def test_the_masses_of_both_flows_share_what_both_were_weighed_with():
    assert shared_scale_u({"oxidiser": flow(U), "fuel": flow(U)}) == U
    assert shared_scale_u({"oxidiser": flow(U), "fuel": flow(0.0)}) == 0.0  # that one came from the cell
    moved = {"oxidiser": {"scale": U}, "fuel": {"scale": U}}
    both = BothFlow(start=0.0, end=1.0, masses={"oxidiser": OXIDISER, "fuel": FUEL}, moved=moved)
    assert both.total == sum_of(alike(OXIDISER, FUEL, U))
    assert ratio_of(*both.shared.values()) == ratio_of(*alike(OXIDISER, FUEL, U))


def test_what_moves_two_masses_against_each_other_counts_whole_in_their_ratio_and_apart_in_their_sum():
    up = SharedMass(Measured(3.0, 0.03, "kg"), {"gauge": 0.01})
    down = SharedMass(Measured(2.0, 0.02, "kg"), {"gauge": -0.01})
    # by hand: 1 % + 1 % of 1.5; 30 g less 20 g
    assert ratio_of(up, down) == Measured(1.5, pytest.approx(0.03), "1")
    assert sum_of([up, down]) == Measured(5.0, pytest.approx(0.01), "kg")
