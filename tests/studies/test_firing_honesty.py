"""The honesty study of firings at a size for every day; the figures that count come from the script's own run."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.stage import perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import world_of
from tests.rehearsed import dataset_of
from tests.studies.firing_honesty import (
    NEEDED,
    Row,
    campaign_of,
    draw_spec,
    found_numbers,
    honesty,
    noted,
    rows_of,
    true_numbers,
)
from tests.studies.impulse_coverage import campaign_for_study


@pytest.fixture(scope="module")
def campaign():
    return campaign_for_study()


@pytest.mark.slow
def test_drawn_firings_are_in_error_about_as_much_as_they_claim(campaign):
    rows = [row for seed in (1, 7, 9) for row in rows_of(seed, campaign, runs=4)]
    assert {row.spec.correlated > 0.0 for row in rows} == {True, False}
    for name in ("impulse", "c*", "Isp", "CF", "O/F"):
        pulls = np.array([row.pulls[name] for row in rows])
        # twelve pulls of three engines: their rms scatters by a fifth, more where an engine's error is shared
        assert 0.3 < np.sqrt(np.mean(pulls**2)) < 1.9, name
        assert np.max(np.abs(pulls)) < 4.0, name


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 6])
def test_without_errors_the_numbers_are_the_true_ones(campaign, seed):
    other = campaign_of(draw_spec(seed), campaign)
    silent = Draw(seed, Errors.none())
    physics = perform(world_of(other.plan, other.stand, silent), other.stand)
    rehearsal = instrument(other, physics, silent, tags=NEEDED)
    results = analyse_static_fire(dataset_of(other, rehearsal, plan=noted(other.plan, physics.world, silent))).results
    true, found = true_numbers(rehearsal.truth, results), found_numbers(results)
    for name, within in {
        "impulse": 5e-4,
        "impulse in vacuum": 5e-4,
        "CF": 1e-3,
        "delivered Isp": 1e-3,
        "overall O/F": 1e-3,
        # the share of a side's mass that left in the interval follows its ends, told by the record to half of their u
        "Isp": 0.006,
        "O/F": 0.013,
        "c*": 0.006,
        "CdA oxidiser": 0.013,
        "CdA fuel": 0.013,
        "n oxidiser": 0.005,
        "n fuel": 0.012,
    }.items():
        assert found[name].value == pytest.approx(true[name], rel=within), name


def test_honesty_judges_coverage_and_spread():
    spec = draw_spec(3)
    random = np.random.default_rng(5).standard_normal(400)

    def pooled(scale):
        rows = [Row(spec, {"impulse": scale * z}, {"impulse": 0.01}, ()) for z in random]
        return honesty(rows, "impulse")

    assert pooled(1.0).honest
    assert "honest yes" in pooled(1.0).line()
    assert not pooled(1.4).honest
    assert not pooled(0.6).honest
    assert honesty([Row(spec, {}, {}, ())], "impulse") is None


def test_a_drawn_engine_is_another_one(campaign):
    specs = [draw_spec(seed) for seed in range(40)]
    assert all(0.25 < spec.thrust < 1.6 for spec in specs)
    assert {spec.nozzle for spec in specs} == {"down", "up", "horizontal"}
    spec = dataclasses.replace(specs[0], doubt=2.0, size=2.0, slower=1.0)
    other = campaign_of(spec, campaign)
    assert other.plan.tank[0].internal_volume.value == pytest.approx(2.0 * campaign.plan.tank[0].internal_volume.value)
    doubled = other.calibrations["LC-1"].reference_uncertainty.value
    assert doubled == pytest.approx(2.0 * campaign.calibrations["LC-1"].reference_uncertainty.value)
