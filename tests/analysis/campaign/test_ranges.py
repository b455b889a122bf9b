"""Ranges of sensors against what a plan predicts."""

import dataclasses

import pytest

from standbook.analysis.campaign.ranges import range_findings


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
