"""A pull in the place of the calibration's load path: truth put into a simulated cell by hand, and found again."""

import dataclasses
import datetime as dt
import math
import tomllib

import numpy as np
import pytest

from standbook.analysis.dataset.pulled_path import with_pulls
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import instrument
from standbook.analysis.stand_sheets.pull_result import pull_of_sheet
from standbook.analysis.stand_sheets.pull_sheet import PullSheet
from standbook.daq.config import measurands
from standbook.daq.config.stand_interaction import StandInteraction
from tests.pull_sheets import FACTORS, LINE_LOAD, pull_sheet
from tests.rehearsed import dataset_of


@pytest.fixture(scope="module")
def dataset(hf02_campaign, hf02_physics):
    """A firing whose cell is linear and whose load path is none, so that one can be put in front of it."""
    found = dataset_of(hf02_campaign, instrument(hf02_campaign, hf02_physics, Draw(1, Errors.none())))
    cell = found.channels["LC-1"]
    bare = cell.calibration.model_copy(update={"stand_interaction": StandInteraction()})
    return dataclasses.replace(found, channels={**found.channels, "LC-1": dataclasses.replace(cell, calibration=bare)})


def pull_for(calibration, **options):
    c = calibration.coefficients
    sheet = PullSheet.model_validate(tomllib.loads(pull_sheet(per_newton=1.0 / c[1], **options)))
    return pull_of_sheet(sheet, dt.date(2031, 6, 12), calibration, written="readings/x.toml", name="x").file


def stiff_hoses(dataset):
    """The same firing, its cell beside hoses that stiffen and push: written out from the model, no code of ours."""
    cell = dataset.channels["LC-1"]
    tanks = [dataset.first(measurands.TANK_PRESSURE, tank.name) for tank in dataset.plan.tank]
    ambient = dataset.plan.site.ambient_pressure.value
    lines = np.mean([np.interp(cell.time, *tank.known()) for tank in tanks], axis=0) - ambient
    gain = 1 / FACTORS[0] + (1 / FACTORS[1] - 1 / FACTORS[0]) * lines / 31e5
    reading = gain * cell.reading + LINE_LOAD * lines / 1e5
    signal = cell.signal + (reading - cell.reading) / cell.calibration.scale / cell.calibration.coefficients[1]
    moved = dataclasses.replace(cell, reading=reading, signal=signal)
    return dataclasses.replace(dataset, channels={**dataset.channels, "LC-1": moved})


@pytest.mark.slow
def test_a_pull_takes_stiff_hoses_out_of_the_impulse_and_its_doubt_stands_in_one_term(dataset):
    true = analyse_static_fire(dataset).results.impulse.value
    seen = stiff_hoses(dataset)
    channels, said = with_pulls(seen.channels, {"LC-1": pull_for(seen.channels["LC-1"].calibration)})
    assert said == []
    found = analyse_static_fire(dataclasses.replace(seen, channels=channels)).results.impulse
    without = analyse_static_fire(seen).results.impulse
    assert found.value / true == pytest.approx(1.0, abs=5e-4)
    assert without.value / true < 0.992  # what the pull is for
    terms = {term.source: term.u for term in found.budget}
    # the reference's 0.2 % is in every factor: no repeat averages it
    assert terms["stand interaction"] / found.value == pytest.approx(0.002, rel=0.1)
    assert not {"line load", "alignment"} & set(terms)


def test_a_pull_without_pressure_is_used_and_says_what_it_leaves_open(dataset):
    cell = dataset.channels["LC-1"]
    channels, said = with_pulls(dataset.channels, {"LC-1": pull_for(cell.calibration, lines=(31.0,))})
    assert [finding.code for finding in said] == ["pull-without-stiffening"]
    limit = 0.006 / 31e5 * cell.calibration.stand_interaction.factor.value  # judged, per pascal of the gain
    u = channels["LC-1"].pull.of("stiffening")[1]
    assert u == pytest.approx(limit / FACTORS[1] / math.sqrt(3.0), rel=0.05)


@pytest.mark.parametrize("why", ["unit", "points"])
def test_a_pull_that_does_not_belong_to_the_record_is_left_out_and_said(dataset, why):
    pull = pull_for(dataset.channels["LC-1"].calibration)
    changed = {"signal_unit": "V/V"} if why == "unit" else {"points": tuple((5.0, *point[1:]) for point in pull.points)}
    channels, said = with_pulls(dataset.channels, {"LC-1": pull.model_copy(update=changed)})
    assert [finding.code for finding in said] == ["pull-not-applied"]
    assert channels["LC-1"].pull is None
