"""Each fault changes what its name says and nothing else."""

import dataclasses

import numpy as np
import pytest

from tests.worlds.cases import flow_case
from tests.worlds.faults import FLOW_FAULTS, RUN_AGAIN, at_rest, with_fault

RAW = tuple(fault for fault in FLOW_FAULTS if fault not in RUN_AGAIN)


@pytest.fixture(scope="module")
def healthy():
    return flow_case(4, stratum="closed")


@pytest.mark.parametrize("fault", RAW)
def test_every_fault_changes_record_or_notes_and_keeps_the_truth(healthy, fault):
    wrong = with_fault(healthy, fault, 1)
    assert wrong.fault == fault
    assert wrong.truth == healthy.truth
    same = wrong.stamps.size == healthy.stamps.size and np.array_equal(wrong.counts["PT-1"], healthy.counts["PT-1"])
    same = same and np.array_equal(wrong.stamps, healthy.stamps)
    assert not (same and wrong.notes == healthy.notes and wrong.channels == healthy.channels)


def test_a_step_moves_the_rest_of_the_record_by_its_share_of_the_start(healthy):
    moved = with_fault(healthy, "step +2 %", 1).counts["PT-1"] - healthy.counts["PT-1"]
    rest, zero = at_rest(healthy)
    assert moved[-1] == pytest.approx(0.02 * (rest - zero), abs=1.0)
    assert moved[0] == 0


def test_gaps_are_as_long_as_their_names(healthy):
    assert np.max(np.diff(with_fault(healthy, "gap 0.4 s", 1).stamps)) == pytest.approx(0.4, abs=0.01)
    across = with_fault(healthy, "gap across the end", 1)
    place = np.argmax(np.diff(across.stamps))
    assert across.stamps[place] < healthy.truth.ended < across.stamps[place + 1]


def test_a_clip_holds_the_record_below_its_level(healthy):
    rest, zero = at_rest(healthy)
    assert with_fault(healthy, "clip at 85 %", 1).counts["PT-1"].max() <= zero + 0.85 * (rest - zero) + 1.0


def test_a_reopened_valve_lets_a_second_flow_into_the_bucket(healthy):
    wrong = with_fault(healthy, "reopened", 1)
    assert wrong.truth.out > 1.005 * healthy.truth.out
    assert wrong.truth.ended == pytest.approx(healthy.truth.ended, abs=1e-9)
    assert wrong.notes.tank == healthy.notes.tank


def test_a_leak_lowers_the_pressure_at_the_end(healthy):
    wrong = with_fault(healthy, "ullage leak", 1)
    assert wrong.truth.chord > healthy.truth.chord + 0.02


def test_a_creeping_valve_takes_longer_for_the_same_liquid(healthy):
    wrong = with_fault(healthy, "valve creeps", 1)
    assert wrong.truth.ended > healthy.truth.ended
    assert wrong.truth.cda == healthy.truth.cda
    assert wrong.truth.out == pytest.approx(healthy.truth.out, rel=5e-3)


def test_a_slow_clock_shortens_every_time(healthy):
    assert np.ptp(with_fault(healthy, "clock 5 % slow", 1).stamps) == pytest.approx(0.95 * np.ptp(healthy.stamps))


def test_a_wrong_scale_moves_the_weighed_mass_alone(healthy):
    wrong = with_fault(healthy, "mass -5 %", 1)
    name = "caught" if healthy.notes.caught else "left"
    assert dataclasses.replace(wrong.notes, **{name: getattr(healthy.notes, name)}) == healthy.notes


def test_an_unknown_fault_is_refused_by_name(healthy):
    with pytest.raises(ValueError, match="wrong way up"):
        with_fault(healthy, "wrong way up", 1)
