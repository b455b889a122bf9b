"""The study of calibrations made on drawn benches at a size for every day; the figures are those of its own run."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.stage import perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import world_of
from tests.drawn_benches import (
    BOW,
    CELL,
    CERTIFIED,
    RUN_SPAN,
    TANK,
    TANK_TWIN,
    bound,
    cell_levels,
    drawn,
    gauge_levels,
    hung,
    made,
    sheet_text,
)
from tests.rehearsed import dataset_of
from tests.studies.calibrated_stands import (
    NEEDED,
    PLACES,
    Found,
    Reference,
    bench,
    firing,
    later_readings,
    noted,
    reached,
    references,
    runs_share,
    stand_of,
    true_calibration,
    twins,
)
from tests.studies.impulse_coverage import campaign_for_study


@pytest.fixture(scope="module")
def campaign():
    return campaign_for_study()


@pytest.fixture(scope="module")
def physics(campaign):
    return perform(world_of(campaign.plan, campaign.stand, Draw(9000)), campaign.stand)


def rms(values):
    return float(np.sqrt(np.mean(np.square(values))))


def test_later_readings_are_off_about_as_much_as_a_calibration_claims():
    rows = [later_readings(references()["all on one scale"], np.random.default_rng(k)) for k in range(8)]
    assert [len(row) for row in rows] == [len(PLACES)] * 8
    # the places share one scale: eight pulls, whose rms scatters by a quarter
    assert 0.4 < rms([later.pull for row in rows for later in row]) < 1.8
    assert all(0.8 < later.over_bound < 1.4 for row in rows for later in row)


def test_a_gauge_that_claims_a_fifth_of_its_error_is_seen():
    claim = 'certificate_u = "0.024 %", certificate_level_u = "0.0084 bar(d)"'
    bold = dataclasses.replace(CERTIFIED, claim=claim)
    reference = Reference(TANK, lambda random: gauge_levels(bold, TANK.top, random), tared=False)
    assert rms([later.pull for k in range(6) for later in later_readings(reference, np.random.default_rng(k))]) > 1.8


@pytest.mark.slow
@pytest.mark.parametrize("name", ["gauge, certificate", "gauge, class, all by level", "weights stacked"])
def test_intervals_of_drawn_benches_hold_what_they_claim(name):
    for found in bench(name, 40):
        # forty pulls: coverage scatters by 3.4 %, sd by 11 %
        assert found.coverage >= 0.84, found.line()
        assert 0.65 < found.spread < 1.4, found.line()


def test_a_place_is_judged_by_interval_sd_and_bound():
    good = Found("x", 0.5, "both", True, 0.95, 1.0, 0.95, 1.0, 1.0, 1.0)
    assert (good.fails, "as wanted" in good.line()) == ([], True)
    for change, what in (
        ({"coverage": 0.9}, "intervals"),
        ({"coverage": 1.0}, "intervals"),
        ({"spread": 1.2}, "sd"),
        ({"spread": 0.8}, "sd"),
        ({"within_bound": 0.9}, "bound"),
    ):
        bad = dataclasses.replace(good, **change)
        assert bad.fails == [what]
        assert f"NOT {what}" in bad.line()
    above = dataclasses.replace(good, sd="above", coverage=1.0, spread=0.5)
    assert above.fails == []
    assert dataclasses.replace(above, spread=1.2).fails == ["sd"]


def test_three_runs_cannot_keep_u_near_a_bound_that_is_mostly_theirs():
    # two degrees of freedom are exponential: 1 - exp(-(1.69 - 0.4) / 0.6); by hand
    assert reached(0.6, 2) == pytest.approx(1.0 - np.exp(-1.29 / 0.6))
    assert reached(0.345, 2) == pytest.approx(0.95, abs=1e-3)
    assert reached(0.6, 5) < 0.95 < reached(0.6, 6)
    assert runs_share() == pytest.approx(0.52, abs=0.01)


def test_the_bound_of_a_reference_cell_is_its_gain_the_runs_and_what_is_left_of_the_scatter():
    levels = cell_levels(np.random.default_rng(1))
    gain = 0.002 * 5000.0
    run = RUN_SPAN * 5000.0 * np.sqrt(4.0 / 3.0)
    at_top = bound(CELL, levels, 1, 5000.0, tared=True)
    assert np.hypot(gain, run) < at_top < 1.01 * np.hypot(gain, run)


def test_twenty_kilograms_pull_what_the_document_of_masses_says():
    levels = hung(np.array([20.0]), np.zeros(1), np.zeros((1, 1)), 'class = "M1"', NoAnomaly())
    assert levels.true[1] == pytest.approx(196.0945, abs=1e-4)


class NoAnomaly:
    """A place where gravity is that of the formula."""

    @staticmethod
    def uniform(*_):
        return 0.0


def test_a_gauge_is_off_as_it_is_said_to_be():
    pressure = np.array([0.0, 9.0, 30.0, 60.0])
    off = np.array([CERTIFIED.curve(np.random.default_rng(k))(pressure) for k in range(600)])
    wanted = CERTIFIED.covariance(pressure)
    # variances of 600 draws scatter by 6 %
    assert np.cov(off.T) == pytest.approx(wanted, abs=0.25 * float(np.max(wanted)), rel=0.2)
    assert np.diag(np.cov(off.T)) == pytest.approx(np.diag(wanted), rel=0.2)


def test_the_stand_is_given_the_true_curve_of_the_bench(campaign):
    for nominal in (CELL, TANK):
        sensor = drawn(nominal, np.random.default_rng(3))
        reading = np.linspace(0.0, sensor.top, 9)
        true = true_calibration(sensor, campaign.calibrations[nominal.tag], np.random.default_rng(4))
        span = RUN_SPAN * np.random.default_rng(4).standard_normal()
        # the first term left out of the inverse series
        left = 5.0 * (4.0 * BOW) ** 3 * sensor.span
        assert true.signal(reading) == pytest.approx(sensor.signal(reading, span=span), rel=0.0, abs=left)


def test_twins_on_one_gauge_are_off_together_and_claim_no_average():
    true, claimed = twins(10, gauges=1)
    assert true > 0.85
    assert claimed > 0.95
    _, apart = twins(4, gauges=2)
    assert apart < 0.85


@pytest.mark.slow
def test_firings_on_calibrated_stands_are_in_error_about_as_much_as_they_claim(campaign, physics):
    rows = [firing(campaign, physics, k) for k in range(3)]
    pulls = [row.pulls["impulse"] for row in rows]
    assert 0.1 < rms(pulls) < 2.2  # three pulls
    assert all(0.003 < row.relative_u["impulse"] < 0.006 for row in rows)


@pytest.mark.slow
def test_a_twin_on_the_same_gauge_makes_no_flow_area_surer(campaign, physics):
    random = np.random.default_rng(8)
    true, known = stand_of(campaign, 1)
    off = CERTIFIED.curve(random)
    twin = drawn(TANK_TWIN, random)
    last = campaign.calibrations[twin.tag]
    levels = gauge_levels(CERTIFIED, twin.top, random, off=off)
    _, calibration = made(sheet_text(twin, levels, random), twin.tag, last)
    assert calibration.reference_serial == known.calibrations["PT-11"].reference_serial

    def analysed(tags):
        draw = Draw(7)
        calibrations = {**true.calibrations, twin.tag: true_calibration(twin, last, random)}
        rehearsal = instrument(dataclasses.replace(true, calibrations=calibrations), physics, draw, tags=tags)
        plan = noted(campaign.plan, physics.world, draw)
        crew = dataclasses.replace(known, calibrations={**known.calibrations, twin.tag: calibration})
        return analyse_static_fire(dataset_of(crew, rehearsal, plan=plan)).results.tanks["oxidiser"].cda

    alone, both = analysed(NEEDED), analysed(NEEDED | {twin.tag})
    assert both.u / both.value == pytest.approx(alone.u / alone.value, rel=0.05)
