"""Checks in place: three outcomes each, limits where they are said to be, and what a sheet of good channels says."""

import math

import numpy as np
import pytest

from standbook.analysis.stand_checks.ambient import absolute_or_gauge, sealed_gauge
from standbook.analysis.stand_checks.charts import charted, limits
from standbook.analysis.stand_checks.check import ON_A_SHEET, judged, surely_seen
from standbook.analysis.stand_checks.comparisons import (
    alignment,
    sag_as_seen,
    shunt_signal,
    shunt_step,
    supply_sag,
    two_pressures,
)
from standbook.analysis.stand_checks.responses import sign, swap
from standbook.analysis.stand_checks.unit_ratio import names_near, unit_ratio
from tests.studies import stand_checks as study

BAR = 1e5


def check(found, **more):
    return judged("zero", expected=0.0, found=found, u=10.0, unit="N", **more)


def test_three_outcomes_lie_on_their_sides_of_three_and_a_half_u():
    assert check(34.9).outcome == "agrees"
    assert check(-35.1).outcome == "differs"
    assert check(0.0, matters=51.0).outcome == "cannot tell"
    assert check(0.0, matters=52.0).outcome == "agrees"
    assert check(math.nan).outcome == "cannot tell"
    assert "u 9.91 N would decide" in check(0.0, matters=51.0).sentence


def test_what_is_surely_seen_is_seen_nineteen_times_in_twenty():
    # closed form: 5.1 u on a sheet, 4.6 u alone
    assert surely_seen(1.0) == pytest.approx(5.14, abs=0.01)
    assert surely_seen(1.0, 3.0) == pytest.approx(4.64, abs=0.01)
    shifted = surely_seen(10.0) + 10.0 * np.random.default_rng(1).normal(size=4000)
    seen = np.mean([check(float(one)).outcome == "differs" for one in shifted])
    assert seen == pytest.approx(0.95, abs=0.012)  # 4,000 draws scatter by 0.0035


@pytest.mark.parametrize(
    ("reading", "u", "declared", "outcome"),
    [
        (0.02 * BAR, 0.06 * BAR, "gauge", "agrees"),
        (0.95 * BAR, 0.06 * BAR, "gauge", "differs"),
        (0.95 * BAR, 0.06 * BAR, "absolute", "agrees"),
        (0.02 * BAR, 0.60 * BAR, "gauge", "cannot tell"),
        (0.49 * BAR, 0.15 * BAR, "gauge", "cannot tell"),
        (3.0 * BAR, 0.06 * BAR, "gauge", "differs"),
    ],
)
def test_a_vented_reading_tells_absolute_from_gauge_where_its_zero_is_known(reading, u, declared, outcome):
    said = absolute_or_gauge(reading, 0.978 * BAR, zero_u=u, barometer_u=150.0, declared=declared)
    assert said.outcome == outcome
    assert (said.outcome == "cannot tell") == ("would decide" in said.sentence)


def test_the_ratio_of_likelihoods_at_the_edge_is_ten_thousand():
    p, u = 0.978 * BAR, 0.10 * BAR
    edge = p / 2.0 - u**2 / p * math.log(1e4)
    for x, outcome in ((edge - 1.0, "agrees"), (edge + 1.0, "cannot tell")):
        said = absolute_or_gauge(x, p, zero_u=u, barometer_u=0.0, declared="gauge")
        assert said.outcome == outcome
    # by the two normal densities themselves
    assert math.exp(((edge - p) ** 2 - edge**2) / (2.0 * u**2)) == pytest.approx(1e4, rel=1e-9)


def test_a_sealed_gauge_is_told_only_by_a_zero_known_to_millibars():
    assert sealed_gauge(-35e2, 978e2, zero_u=5e2, barometer_u=1.5e2).outcome == "differs"
    assert sealed_gauge(0.0, 978e2, zero_u=5e2, barometer_u=1.5e2).outcome == "agrees"
    coarse = sealed_gauge(-35e2, 978e2, zero_u=60e2, barometer_u=1.5e2)
    assert coarse.outcome == "cannot tell"
    assert "label" in coarse.sentence


@pytest.mark.parametrize(
    ("ratio", "u", "says"),
    [
        (1.003, 0.002, "unit agrees"),
        (4.46, 0.005, "near the N/lbf ratio"),
        (0.2251, 0.005, "near one over the N/lbf ratio"),
        (1.55, 0.02, "5 V for 3.3 V ratio or the 250 for 150 ohm ratio"),
        (3.0, 0.01, "cause unknown"),
    ],
)
def test_a_ratio_is_named_as_near_never_as_being(ratio, u, says):
    said = unit_ratio(1000.0 * ratio, 1000.0, u=u, span=2000.0, dimension="force")
    assert says in said.sentence
    assert " is " not in said.sentence


def test_atmospheres_of_both_kinds_are_one_name():
    assert names_near(1.0133, 0.002, "pressure") == ("the atm or at ratio",)
    assert names_near(1 / 1.0197, 0.002, "pressure") == ("one over the atm or at ratio",)


def test_a_small_reference_or_a_coarse_one_cannot_tell_a_unit():
    small = unit_ratio(100.0, 100.0, u=0.005, span=2000.0, dimension="force")
    coarse = unit_ratio(1000.0, 1000.0, u=0.2, span=2000.0, dimension="force")
    assert small.outcome == coarse.outcome == "cannot tell"
    assert "would decide" in small.sentence
    assert "would decide" in coarse.sentence


def test_a_push_has_a_sign_from_five_u_on():
    assert sign(51.0, u=10.0).outcome == "agrees"
    assert sign(-51.0, u=10.0).outcome == "differs"
    assert sign(49.0, u=10.0).outcome == sign(-49.0, u=10.0).outcome == "cannot tell"
    assert sign(5.0, u=0.0).outcome == "cannot tell"


@pytest.mark.parametrize(
    ("own", "other", "step", "outcome", "words"),
    [
        (0.98, 0.01, 1.0, "agrees", "of its own"),
        (0.02, 1.01, 1.0, "differs", "swapped"),
        (0.98, 0.97, 1.0, "differs", "connected"),
        (0.01, 0.02, 1.0, "differs", "not responding"),
        (0.40, 0.02, 1.0, "cannot tell", "would decide"),
        (0.10, 0.01, 0.1, "cannot tell", "too small"),
    ],
)
def test_one_tank_pressurised_moves_its_own_channel(own, other, step, outcome, words):
    said = swap(own * BAR, other * BAR, step=step * BAR, u=0.03 * BAR)
    assert said.outcome == outcome
    assert words in said.sentence


def test_two_pressures_see_what_a_class_0_25_gauge_allows():
    # derived: 0.087 bar at 10 and 50 bar make 0.31 % of span; surely seen from 1.6 % on a sheet
    gauge, u = np.array([10.0, 50.0]) * BAR, np.full(2, 0.25e-2 * 60 * BAR / math.sqrt(3.0))
    span, zero = two_pressures(gauge * 1.004 + 0.1 * BAR, gauge, u=u)
    assert span.u == pytest.approx(0.0031, abs=5e-5)
    assert span.surely_seen == pytest.approx(0.016, abs=3e-4)
    assert span.found == pytest.approx(0.004, rel=1e-9)
    assert zero.found == pytest.approx(0.1 * BAR, rel=1e-9)
    drawn = gauge + u * np.random.default_rng(3).normal(size=(4000, 2))
    zeros = [two_pressures(one, gauge, u=u)[1] for one in drawn]
    assert np.std([one.found for one in zeros]) == pytest.approx(zeros[0].u, rel=0.05)
    assert two_pressures(gauge * 1.02, gauge, u=u)[0].outcome == "differs"


def test_a_shunt_across_a_bridge_arm():
    # derived: 350 ohm, 60.0 kohm; from the two dividers of a bridge: 1.454092 mV/V
    arm = 350.0 * 60e3 / (350.0 + 60e3)
    assert shunt_signal(350.0, 60e3) == pytest.approx(0.5 - arm / (arm + 350.0), rel=1e-9)
    assert 1e3 * shunt_signal(350.0, 60e3) == pytest.approx(1.454092, abs=5e-7)
    assert shunt_step(1.0009, 1.0).outcome == "agrees"
    assert shunt_step(1.0011, 1.0).outcome == "differs"
    assert shunt_step(1.0, 0.0).outcome == "cannot tell"


def test_a_lowered_supply_moves_no_ratiometric_reading():
    before = np.array([2.0, 3.0, 4.0, 5.0])
    assert supply_sag(before, before * 1.0005, u=0.001, sag=0.04).outcome == "agrees"
    assert supply_sag(before, before * 0.995, u=0.001, sag=0.04).outcome == "differs"
    assert supply_sag(before[:1], before[:1], u=0.02, sag=0.04).outcome == "cannot tell"
    one = before * np.array([1.0, 1.0, 1.006, 1.0])
    assert "place 3" in supply_sag(before, one, u=0.0025 / 2, sag=0.04).sentence


@pytest.mark.parametrize(
    ("seen", "outcome", "words"),
    [
        ([0.02], "agrees", "supply sag agrees"),
        ([0.02, 0.021], "agrees", "supply sag agrees"),
        ([0.0002], "cannot tell", "the supply did not move"),
        ([0.02, 0.0], "cannot tell", "the supply did not move"),
        ([0.03], "cannot tell", "2 % was typed, the supply itself fell by 3 %"),
        ([-0.02], "cannot tell", "the supply itself fell by -2 %"),
        ([], "cannot tell", "no channel measures the supply"),
    ],
)
def test_readings_that_stay_say_something_only_where_the_supply_moved_as_typed(seen, outcome, words):
    before = np.array([2.0, 3.0])
    stayed = supply_sag(before, before, u=1e-4, sag=0.02)
    said = sag_as_seen(stayed, typed=0.02, seen=np.array(seen), u=1e-4)
    assert (said.outcome, words in said.sentence) == (outcome, True)
    moved = supply_sag(before, before * 0.98, u=1e-4, sag=0.02)
    assert sag_as_seen(moved, typed=0.02, seen=np.array(seen), u=1e-4).outcome == "differs"


@pytest.mark.parametrize(("degrees", "share"), [(1.0, 0.015), (2.0, 0.061), (3.0, 0.137), (5.0, 0.381)])
def test_an_angle_hides_one_less_its_cosine(degrees, share):
    said = alignment(math.radians(degrees), u=math.radians(0.1), allowed=0.002)
    assert 100 * said.found == pytest.approx(share, abs=5e-4)
    assert said.outcome == ("differs" if degrees > 4.0 else "agrees")
    assert alignment(math.radians(degrees), u=math.radians(4.0), allowed=0.002).outcome == "cannot tell"


@pytest.mark.slow
def test_a_chart_prints_how_often_chance_leaves_it():
    for number, by_chance in ((8, 0.026), (12, 0.015), (20, 0.009)):
        alarms, printed, _ = study.charts(1200, number)
        assert printed == pytest.approx(by_chance, abs=6e-4)
        assert alarms < 1.5 * printed + 3.0 * math.sqrt(printed / 1200)
    alarms, printed, _ = study.charts(1200, 4)
    assert printed == pytest.approx(0.0027, abs=1e-4)
    assert alarms <= 0.005 + 0.003


def test_below_eight_values_the_calibration_makes_the_limits():
    few, many = np.array([0.0, 0.1, 0.2]), np.linspace(-1.0, 1.0, 9)
    assert not limits(few, 2.0).own
    assert limits(few, 2.0).high == pytest.approx(0.1 + 6.0 * math.sqrt(4.0 / 3.0))
    assert limits(many, 2.0).own
    assert limits(many, 2.0).low == pytest.approx(-3.0 * np.std(many, ddof=1))
    said = charted("zero of LC-1", 9.0, many, known_u=2.0, unit="N")
    assert said.outcome == "differs"
    assert "by chance" in said.sentence
    on_sheet = charted("zero of LC-1", 7.0, many, known_u=2.0, unit="N", on_a_sheet=True)
    assert on_sheet.outcome == "agrees"
    assert on_sheet.surely_seen == pytest.approx((ON_A_SHEET + 1.644854) * 2.0 * math.sqrt(10.0 / 9.0), rel=1e-6)
    assert charted("zero of LC-1", 9.0, many[:0], known_u=2.0, unit="N").outcome == "cannot tell"


def test_faults_are_named_and_no_refusal_leaves_it_open():
    for kind, values in ((study.ambient, (0.15e5,)), (study.pushed, (8.0,)), (study.swapped, (0.5,))):
        said, silent = study.counted(kind, 600, *values)
        assert silent == 0
        assert said["wrong"] == said["swapped called right"] == 0
        assert said["right"] > 500
    said, silent = study.counted(study.unit, 600, 0.01, "pressure")
    assert silent == 0
    assert said["wrong"] <= 3
    assert said["named"] + said["right"] >= 0.985 * 600


def test_sheets_of_good_channels_hardly_ever_differ():
    false, number = study.sheets(60)
    assert number > 35
    assert false <= 5  # 1.6 % each; six of sixty would come in one of a thousand tries
