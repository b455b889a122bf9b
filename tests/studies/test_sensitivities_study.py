"""The table of sensitivities: what it says of one row, and rows of a firing that a budget could get wrong."""

import math

import numpy as np
import pytest

from tests.studies.sensitivities import HELD_WIDER, WIDER, Sensitivity, held_of, table


def test_what_u_holds_of_a_claim_follows_from_two_sizes_of_it():
    rest, own = 0.7, 0.3
    wide, wider = (math.hypot(rest, times * own) for times in WIDER)
    assert held_of(wide, wider, -2.0) == pytest.approx(own / 2.0)
    assert held_of(rest, rest, 1.0) == 0.0


@pytest.mark.parametrize(
    ("moves", "held", "agrees"),
    [(0.004, 0.00405, True), (-0.004, 0.00395, True), (0.004, 0.003, False), (-0.002, 0.004, False), (0.0, 0.0, True)],
)
def test_a_row_agrees_where_u_holds_what_the_input_does_whatever_its_sign(moves, held, agrees):
    one = Sensitivity("throat", "c*", moves, held, 0.006)
    assert one.agrees == agrees
    assert ("APART" in one.line()) != agrees
    assert f"moves {100 * moves:+8.4f} %" in one.line()


def test_a_term_that_is_wider_on_purpose_may_hold_more_and_never_less():
    (claim,) = HELD_WIDER
    assert Sensitivity(claim, "impulse", 0.0001, 0.006, 0.005).agrees
    assert not Sensitivity(claim, "impulse", 0.006, 0.0001, 0.005).agrees


@pytest.mark.slow
def test_throat_load_and_gain_do_to_a_firing_what_its_budget_holds_of_them(hf02_campaign, hf02_physics):
    only = ("throat", "oxidiser load", "LC-1 gain")
    rows = {(one.claim, one.result): one for one in table(hf02_campaign, hf02_physics, only)}
    assert [key for key, one in rows.items() if not one.agrees] == []
    throat = 2.0 * 0.05 / 32.0  # of the area, by the plan's diameter
    assert rows["throat", "c*"].moves == pytest.approx(throat, rel=0.01)
    assert rows["throat", "CF"].moves == pytest.approx(-throat, rel=0.01)
    assert rows["throat", "impulse"].moves == pytest.approx(0.0, abs=1e-6)
    assert rows["LC-1 gain", "impulse"].moves == pytest.approx(0.004, rel=0.01)
    more = 0.10 / float(np.ptp(hf02_physics.liquid_mass["oxidiser"]))  # kg of what left
    assert rows["oxidiser load", "O/F"].moves == pytest.approx(more, rel=0.02)
    assert rows["oxidiser load", "c*"].moves < -0.4 * more
    assert rows["oxidiser load", "Isp"].moves == pytest.approx(rows["oxidiser load", "c*"].moves, rel=0.1)
