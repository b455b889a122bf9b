"""A stand with two thrust cells: none is left out of the impulse without a word."""

import dataclasses

import pytest

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.daq.config.campaign import read_campaign
from standbook.daq.errors import ConfigError
from tests.campaign_fixture import TODAY, campaign, edit
from tests.rehearsed import dataset_of


def with_second_cell(dataset, share):
    """The same firing read by a cell more."""
    cell = dataset.stand.input_tagged("LC-1")
    second = cell.model_copy(update={"tag": "LC-9", "wire": "adc99", "share": share})
    stand = dataset.stand.model_copy(update={"input": (*dataset.stand.input, second)})
    channel = dataclasses.replace(dataset.channels["LC-1"], tag="LC-9")
    return dataclasses.replace(dataset, stand=stand, channels={**dataset.channels, "LC-9": channel})


@pytest.mark.slow
@pytest.mark.parametrize(("share", "outcome"), [(None, "not shown"), ("spare", "within")])
def test_a_second_cell_that_nobody_called_spare_keeps_the_verdict_back(hf02_campaign, hf02_rehearsal, share, outcome):
    dataset = with_second_cell(dataset_of(hf02_campaign, hf02_rehearsal), share)
    results = analyse_static_fire(dataset).results
    assert ("second-cell-not-used" in {finding.code for finding in results.findings}) is (share is None)
    assert results.verdicts["site"].outcome == outcome
    assert results.impulse.value == pytest.approx(hf02_rehearsal.truth.impulse_site, rel=0.02)


def test_only_a_thrust_cell_is_spare(tmp_path):
    folder = campaign(tmp_path)
    edit(folder / "stand.toml", 'tag = "PT-11"', 'tag = "PT-11"\nshare = "spare"')
    with pytest.raises(ConfigError, match="is for thrust cells, not for tank pressure"):
        read_campaign(folder / "plans/HF-02.toml", today=TODAY)
