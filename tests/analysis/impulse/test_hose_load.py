"""What hoses of an unknown load leave open in an impulse, upstream and downstream of the valves."""

import pytest

from standbook.analysis.kinds.static_fire import analyse_static_fire
from tests.worlds.adapter import firing_dataset
from tests.worlds.firing_cases import firing_case


def term(impulse, source):
    return next(t.u for t in impulse.budget if t.source == source)


def test_lines_that_fill_at_the_opening_push_with_all_of_their_pressure(hf02_results):
    # 0.05 N/bar as typed, 31 bar(g) falling to about 15: 23 bar x 0.05 N/bar = 1.15 N over the 19.5 s of the burn
    assert term(hf02_results.impulse, "line load") == pytest.approx(1.15 * 19.5, rel=0.15)


@pytest.mark.slow
def test_a_stand_whose_hoses_pull_twice_as_hard_as_noted_stays_within_three_u():
    case = firing_case(30)
    pushed = case.setup.stand.line_load / case.notes.line_load.u
    assert abs(pushed) > 2.0  # else this record shows nothing
    found = analyse_static_fire(firing_dataset(case)).results.impulse
    assert abs(found.value - case.truth.impulse) < 3.0 * found.u
