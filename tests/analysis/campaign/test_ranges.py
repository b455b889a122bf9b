"""Ranges of sensors against what a plan predicts."""

import dataclasses

import pytest

from standbook.analysis.campaign.ranges import greatest_expected, range_findings
from standbook.daq.config import measurands


def with_range(campaign, tag, **changes):
    c = campaign.calibrations[tag].model_copy(update=changes)
    return dataclasses.replace(campaign, calibrations={**campaign.calibrations, tag: c})


def test_the_firing_s_sensors_are_well_placed(hf02_campaign, hf02_prediction):
    assert range_findings(hf02_campaign, hf02_prediction) == ()


def test_nine_bar_on_a_sensor_of_sixty_costs_its_zero(wf03_campaign, wf03_prediction):
    # closed form: 9 of 60 bar is 15 %; a zero of 0.06 bar is 0.67 % of 9 bar
    said = {finding.channel: finding for finding in range_findings(wf03_campaign, wf03_prediction)}
    assert said.keys() == {"PT-11", "PT-12"}
    assert said["PT-11"].code == "little-of-range"
    assert said["PT-11"].values["share_percent"] == pytest.approx(15.0, abs=0.5)
    assert said["PT-11"].values["zero_percent"] == pytest.approx(0.67, abs=0.02)


@pytest.mark.parametrize(
    ("changes", "codes"),
    [
        ({"highest": 10.0}, ["nearly-all-of-range"]),
        ({"highest": 16.0}, []),
        ({"highest": 60.0, "zero_uncertainty": 0.01}, []),
    ],
)
def test_a_sensor_that_uses_nearly_all_of_its_range_is_named(wf03_campaign, wf03_prediction, changes, codes):
    said = range_findings(with_range(wf03_campaign, "PT-11", **changes), wf03_prediction)
    assert [finding.code for finding in said if finding.channel == "PT-11"] == codes


def test_a_plan_says_what_it_expects_of_a_sensor(hf02_campaign, hf02_prediction, wf03_campaign):
    stand = hf02_campaign.stand
    for tag in ("LC-1", "PT-31", "PT-11"):
        item = stand.input_tagged(tag)
        band = hf02_prediction.quantities[measurands.of_tank(item.measures, item.tank)]
        assert greatest_expected(hf02_campaign.plan, stand, item) == pytest.approx(max(band.nominal), rel=1e-4)
    assert greatest_expected(wf03_campaign.plan, stand, stand.input_tagged("LC-1")) is None
    assert greatest_expected(wf03_campaign.plan, stand, stand.input_tagged("PT-21")) is None


def test_summed_cells_share_what_is_expected(hf02_campaign):
    stand = hf02_campaign.stand
    cell = stand.input_tagged("LC-1")
    whole = greatest_expected(hf02_campaign.plan, stand, cell)
    halves = [cell.model_copy(update={"tag": tag, "share": "sum"}) for tag in ("LC-1", "LC-2")]
    both = stand.model_copy(update={"input": (*halves, *(i for i in stand.input if i.tag != "LC-1"))})
    assert greatest_expected(hf02_campaign.plan, both, halves[0]) == pytest.approx(0.5 * whole)
