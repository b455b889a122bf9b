"""Terms combined: published budgets, and what moves together."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.budget.terms import (
    Term,
    combined,
    effective_dof,
    impulse_result,
    judged_dof,
    of_ratio,
    one_sided,
    settled,
)


def result(*terms):
    return impulse_result(1000.0, terms, lower_bound_only=False, unseen=0.0)


def test_budget_combines_in_square_and_drops_zeros():
    found = result(Term("a", 3.0), Term("b", 0.0), Term("c", -4.0))
    assert (found.u, found.expanded) == (5.0, 10.0)
    assert [t.source for t in found.budget] == ["c", "a"]


# [GUM] G.4.1 and H.1, inputs and printed results from memory, recomputed; the third from a package's manual page, whose
# sensitivities 1, 2, 3 and 0.5 are multiplied in.
@pytest.mark.parametrize(
    ("terms", "u", "dof"),
    [
        (((0.25, 9), (0.57, 4), (0.82, 14)), 1.0295, 19.0),
        (((25.0, 18), (9.7, 25.6), (2.9, 50), (16.6, 2)), 31.671, 16.8),
        (((0.1, None), (0.6, 6), (0.6, 8), (0.55, 3)), 1.016120, 15.60796),
    ],
)
def test_effective_degrees_of_freedom_are_those_of_the_worked_examples(terms, u, dof):
    found = result(*(Term(f"term {k}", value, known) for k, (value, known) in enumerate(terms)))
    assert found.u == pytest.approx(u, rel=5e-5)
    assert found.dof == pytest.approx(dof, rel=3e-3)


def test_the_package_s_example_comes_out_to_every_printed_digit():
    found = settled([Term("a", 0.1), Term("b", 2 * 0.3, 6), Term("c", 3 * 0.2, 8), Term("d", 0.5 * 1.1, 3)])
    assert combined(found) == pytest.approx(1.016120, abs=5e-7)
    assert effective_dof(found) == pytest.approx(15.60796, abs=5e-6)


@pytest.mark.parametrize(("doubt", "dof"), [(0.25, 8.0), (0.5, 2.0)])
def test_a_judged_uncertainty_has_few_degrees_of_freedom(doubt, dof):
    # [GUM] G.3, from memory, recomputed.
    assert judged_dof(doubt) == dof


def test_a_standard_deviation_of_thirty_readings_is_known_to_13_percent():
    # The annex's table prints 13 % for 30 readings: 29 degrees of freedom, seen in print.
    assert math.isclose(judged_dof(1.0 / math.sqrt(58.0)), 29.0)


def test_terms_that_are_known_well_leave_the_normal_distribution():
    found = result(Term("a", 3.0), Term("b", 4.0))
    assert (found.u, found.dof, found.coverage_factor) == (5.0, None, 2.0)


def test_a_coverage_factor_of_four_degrees_of_freedom_is_student_s():
    found = result(Term("runs", 4.0, 4.0))
    assert found.coverage_factor == pytest.approx(2.776, abs=5e-4)  # t(0.975), printed digits
    assert found.expanded == pytest.approx(4.0 * found.coverage_factor)


def test_what_moves_together_adds_with_its_sign():
    (term,) = settled([Term("supply", 3.0, 8, "5 V"), Term("supply", 4.0, 8, "5 V")])
    assert (term.u, term.dof, term.shared) == (7.0, 8, "5 V")
    assert settled([Term("supply", 3.0, shared="5 V"), Term("supply", -3.0, shared="5 V")]) == ()


def test_a_quotient_keeps_the_difference_of_what_moves_both():
    # Thrust moves by the supply's own share, a chamber sensor of 60 bar at 16 bar by 1.47 times that: derived.
    above, below = [Term("supply", 1.0, shared="5 V")], [Term("supply", 1.47, shared="5 V")]
    assert combined(settled(of_ratio(above, below))) == pytest.approx(0.47)
    apart = of_ratio(above, [Term("supply", 1.47, shared="another")])
    assert combined(settled(apart)) == pytest.approx(math.hypot(1.0, 1.47))


def test_what_was_never_measured_stands_on_one_side_and_not_in_u():
    found = result(Term("scatter", 3.0), Term("hoses", most=20.0, removed_by="pull the stand"))
    assert (found.u, found.allowance, len(found.budget)) == (3.0, 20.0, 1)
    assert one_sided([Term("hoses", most=20.0, removed_by="pull the stand")]) == found.allowances


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), st.sampled_from([None, "a", "b"])), max_size=8))
def test_scaling_every_effect_scales_the_whole(terms):
    plain = [Term(str(k), effect, 5.0, shared) for k, (effect, shared) in enumerate(terms)]
    scaled = [term.over(0.5) for term in plain]
    assert combined(settled(scaled)) == pytest.approx(2.0 * combined(settled(plain)), abs=1e-9)
