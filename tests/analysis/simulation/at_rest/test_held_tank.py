"""A simulated hold: gas is kept but for the leak, cools to its wall; the rate found is the truth within u."""

from types import SimpleNamespace

import numpy as np
import pytest

from standbook.analysis.kinds.pressure_hold import analyse_pressure_hold
from standbook.analysis.simulation.at_rest.held_tank import LEAKS, LEAST_HELD, held_course, rehearse_hold, with_leak
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.world import world_of
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import UsageError
from standbook.daq.rehearsal.played_levels import played_board
from tests.campaign_fixture import TODAY, campaign
from tests.pressure_hold import plan_in
from tests.rehearsed import dataset_of

GRAM_A_MINUTE = 1e-3 / 60.0


@pytest.fixture(scope="module")
def noted(tmp_path_factory):
    place = plan_in(campaign(tmp_path_factory.mktemp("hold")))
    place.write_text(place.read_text("utf-8").replace('"7 min"', '"35 min"').replace('"1 min"', '"10 min"'), "utf-8")
    return read_campaign(place, today=TODAY)


@pytest.fixture(scope="module")
def tank(noted):
    return world_of(noted.plan, noted.stand, Draw(2)).tanks[0]


def test_a_tight_tank_keeps_its_gas_while_it_cools_and_its_pressure_falls(tank):
    course = held_course(tank, 900.0, 97_800.0, 288.15)
    assert course.gas_mass == pytest.approx(course.gas_mass[0], rel=1e-9)
    assert 0.5e5 < course.pressure[0] - course.pressure[-1] < 1.2e5  # 6 K of 288 K and 32 bar
    assert course.rate(60.0, 900.0) == pytest.approx(0.0, abs=1e-12)


def test_a_leak_and_a_bottle_that_passes_move_the_gas_at_the_rate_that_was_asked_for(tank):
    for rate in (0.6 * GRAM_A_MINUTE, -0.6 * GRAM_A_MINUTE):
        course = held_course(with_leak(tank, rate, 97_800.0, 288.15), 600.0, 97_800.0, 288.15)
        assert course.rate(0.0, 600.0) == pytest.approx(rate, rel=0.03)  # the pressure falls by 2 %


@pytest.mark.slow
@pytest.mark.parametrize(
    ("wrong", "says"), [("", "tight"), ("leaks", "leaks, more"), ("supply-passes", "supply leaks in")]
)
def test_the_rate_that_is_found_is_the_truth_s_within_its_u(noted, wrong, says):
    made = rehearse_hold(noted, Draw(2), rate=100, wrong=wrong)
    table = played_board(noted.stand, "cradle-a", noted.calibrations, made.readings, np.random.default_rng(1))
    tags = {"cradle-a/fast": tuple(item.tag for item in noted.stand.input)}
    dataset = dataset_of(noted, SimpleNamespace(tables={"cradle-a": table}, tags=tags, weighings={}))
    (hold,) = analyse_pressure_hold(dataset).results.holds.values()
    course = made.courses["oxidiser"]
    settled, end = noted.plan.hold.settle.value, made.seconds
    true = course.rate(settled, end)
    assert hold.says == says, (hold.sentence, hold.budget)
    assert hold.rate.value == pytest.approx(true, abs=hold.rate.u)
    assert abs(true - LEAKS[wrong] * GRAM_A_MINUTE) < 0.05 * GRAM_A_MINUTE


def test_a_hold_lasts_as_planned_and_long_enough(noted):
    made = rehearse_hold(noted, Draw(2), rate=10)
    assert made.seconds == 35 * 60.0 - 60.0
    assert made.seconds > noted.plan.hold.settle.value + LEAST_HELD
    assert {reading.size for reading in made.readings.values()} == {35 * 600}


def test_a_fault_that_no_hold_has_is_refused(noted):
    with pytest.raises(UsageError, match="known are leaks, supply-passes"):
        rehearse_hold(noted, Draw(2), rate=100, wrong="swapped")


def test_thermometer_and_transducers_of_the_tank_are_read(noted):
    made = rehearse_hold(noted, Draw(2), rate=10)
    assert set(made.readings) == {"PT-11", "PT-12", "TC-11"}
    held = made.readings["PT-11"][100 * 10 : 200 * 10].mean()
    assert held == pytest.approx(31.0, abs=1.0)
    assert made.readings["PT-11"][:90].mean() == pytest.approx(0.0, abs=0.3)
    assert made.readings["TC-11"].mean() == pytest.approx(15.0, abs=3.0)
