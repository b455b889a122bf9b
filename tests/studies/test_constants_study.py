"""The study of constants: it finds them, changes them wherever they are known, puts them back, and tells what moved."""

import pytest

from standbook.analysis.cold_flow import flow_instants
from standbook.analysis.flow_ends import bends, course, departures, shut_gas
from standbook.analysis.record_faults import fast_rises, held_values, steps_at_ends
from tests.studies.constants import (
    PARTS,
    Constant,
    Outcome,
    Record,
    changed,
    constants_of,
    held,
    look,
    modules_of,
    moved,
    scaled,
    studied,
)


def named(module, name):
    (found,) = [constant for constant in constants_of(module) if constant.name == name]
    return found


def test_numbers_are_scaled_through_and_through_and_whole_ones_stay_whole():
    assert scaled((0.5, (2, 3.0)), 2.0) == (1.0, (4, 6.0))
    assert scaled({"late": 0.4}, 0.5) == {"late": 0.2}
    assert (scaled(5, 0.5), scaled(1, 0.5)) == (2, 1)


def test_constants_of_a_module_are_its_own_numbers_and_the_fields_of_its_limits():
    names = {constant.name for constant in constants_of(steps_at_ends)}
    assert {"REACH", "AFTER", "GAIN", "WIDTHS"} <= names
    assert not {"EVEN", "EARLY", "SMALL"} & names
    assert named(departures, "steeper").owner is departures.Detection
    assert {constant.owner for constant in constants_of(departures)} == {departures.Detection}


@pytest.mark.parametrize("part", PARTS)
def test_every_part_has_constants_of_each_of_its_modules_once(part):
    titles = [constant.title for module in modules_of(part) for constant in constants_of(module)]
    assert len(set(titles)) == len(titles) > 3


def test_a_constant_is_changed_wherever_its_name_was_imported_to_and_put_back():
    before = bends.MIXED
    with changed(named(bends, "MIXED"), 2.0):
        assert bends.MIXED == shut_gas.MIXED == tuple(2.0 * share for share in before)
    assert bends.MIXED is before
    assert shut_gas.MIXED is before


def test_another_constant_of_the_same_name_and_value_stays():
    assert fast_rises.LEAST_IN_BLOCK == course.LEAST_IN_BLOCK
    with changed(named(fast_rises, "LEAST_IN_BLOCK"), 2.0):
        assert (fast_rises.LEAST_IN_BLOCK, course.LEAST_IN_BLOCK) == (4, 2)


def test_a_field_is_changed_for_new_limits_and_for_those_that_exist():
    with changed(named(flow_instants, "coarse"), 0.5):
        assert (flow_instants.Detection().coarse, flow_instants.DETECTION.coarse) == (0.05, 0.05)
    assert (flow_instants.Detection().coarse, flow_instants.DETECTION.coarse) == (0.1, 0.1)


def test_what_fails_with_a_constant_changed_puts_it_back():
    with pytest.raises(RuntimeError, match="no look"), changed(named(held_values, "CHANCE"), 2.0):
        raise RuntimeError("no look")
    assert held_values.CHANCE == 1000.0


@pytest.mark.parametrize(
    ("now", "how"),
    [
        (Outcome({"end": (2.02, 0.1)}, ("closed",)), ""),
        (Outcome({"end": (2.03, 0.1)}, ("closed",)), "end"),
        (Outcome({"end": (2.0, 0.13)}, ("closed",)), "u of end"),
        (Outcome({}, ("closed",)), "given"),
        (Outcome({"end": (2.0, 0.1)}, ("dry",)), "said"),
    ],
)
def test_an_outcome_moves_by_numbers_by_their_u_and_by_words(now, how):
    assert moved(Outcome({"end": (2.0, 0.1)}, ("closed",)), now) == how


def test_a_look_that_fails_is_an_outcome():
    def fails():
        raise ValueError("nothing")

    assert look(fails) == Outcome({}, ("fails: ValueError",))


def by_chance():
    """A look that one constant holds from above and another not at all."""
    return Outcome({}, ("held",) if held_values.LEAST_HELD < 0.1 else ())


def test_a_constant_holds_where_half_or_double_moves_something():
    records = [Record("one", by_chance)]
    before = [by_chance()]
    found = held(named(held_values, "LEAST_HELD"), records, before)
    assert (found.by, found.holds) == (("", "one (said)"), True)
    assert "holds" in found.line()
    other = held(Constant(held_values, "LEAST_RUN", held_values.LEAST_RUN), records, before)
    assert (other.by, other.holds) == (("", ""), False)
    assert other.line().startswith("NOTHING")
    assert {one.constant.name for one in studied([held_values], records) if one.holds} == {"LEAST_HELD"}
