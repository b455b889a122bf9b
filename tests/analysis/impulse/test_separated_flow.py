"""A nozzle that does not flow full makes the value in vacuum an upper bound; one that does says nothing."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import instrument
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of


@pytest.fixture(scope="module")
def dataset(hf02_campaign, hf02_physics):
    return dataset_of(hf02_campaign, instrument(hf02_campaign, hf02_physics, Draw(1, Errors.none())))


def said_of(dataset, ratio):
    engine = dataset.plan.engine.model_copy(update={"expansion_ratio": parse_quantity(ratio, "number")})
    plan = dataset.plan.model_copy(update={"engine": engine})
    results = analyse_static_fire(dataclasses.replace(dataset, plan=plan)).results
    return results, [f for f in results.findings if f.code == "nozzle-not-full"]


@pytest.mark.slow
def test_the_nozzle_of_the_demonstration_flows_full(dataset):
    assert said_of(dataset, "3.4")[1] == []


@pytest.mark.slow
def test_a_nozzle_twice_as_wide_does_not_and_the_share_is_that_below_the_pressure_said(dataset):
    results, (said,) = said_of(dataset, "6.0")
    assert (said.severity, said.channel) == ("note", "PT-31")
    # gamma 1.2, exit 6 throats: M 2.92, 0.0254 of the chamber's pressure; worked by hand
    assert said.values["least_bar"] == pytest.approx(0.45 * 0.978 / 0.0254, rel=0.03)
    chamber, cell = dataset.channels["PT-31"], dataset.channels["LC-1"]
    begin, end = results.window.start, results.window.end
    rest = [float(np.mean(cell.reading[part])) for part in (cell.time < begin - 0.5, cell.time > end + 1.0)]
    thrust = cell.reading - np.interp(cell.time, [begin, end], rest)  # weight leaves at nearly one rate
    inside = (cell.time > begin) & (cell.time < end)
    low = np.interp(cell.time, *chamber.known()) < said.values["least_bar"] * 1e5
    by_hand = 100.0 * thrust[inside & low].sum() / thrust[inside].sum()
    assert said.values["share_percent"] == pytest.approx(by_hand, abs=1.0)
