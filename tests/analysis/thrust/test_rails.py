"""A cell at its converter's end: thrust only where the reading ran into it and out of it."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.channel_checks.load_cell_samples import jumped_to_rail
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.daq.config.signal_conversion import Rails
from tests.rehearsed import dataset_of, with_clip

TOP = 2**23 - 1


@pytest.fixture(scope="module")
def cell(hf02_campaign, hf02_rehearsal):
    return dataset_of(hf02_campaign, hf02_rehearsal).channels["LC-1"]


def at_the_rail(first, last):
    """A wire that breaks: the converter's top from one sample to the next."""

    def alter(played):
        inside = (played.time >= first) & (played.time < last)
        counts = {**played.counts, "LC-1": np.where(inside, TOP, played.counts["LC-1"])}
        return dataclasses.replace(played, counts=counts, rails={**played.rails, "LC-1": Rails(-TOP - 1, TOP)})

    return alter


def test_a_jump_to_the_rail_is_no_thrust(cell):
    inside = (cell.time >= 5.0) & (cell.time < 5.3)
    broken = dataclasses.replace(cell, counts=np.where(inside, TOP, cell.counts), clipped=inside)
    assert np.array_equal(jumped_to_rail(broken), inside)


def test_a_load_that_leaves_the_range_and_comes_back_is_thrust(cell):
    top = int(0.8 * cell.counts.max())
    clipped = dataclasses.replace(cell, counts=np.minimum(cell.counts, top), clipped=cell.counts >= top)
    assert clipped.clipped.any()
    assert not jumped_to_rail(clipped).any()


def test_a_cell_that_never_reached_its_rail_is_left_alone(cell):
    assert not jumped_to_rail(cell).any()


@pytest.mark.slow
@pytest.mark.parametrize(("first", "last"), [(6.0, 6.3), (9.0, 11.0)])
def test_a_lower_bound_stays_below_the_truth_with_a_broken_wire(hf02_campaign, hf02_rehearsal, first, last):
    dataset = dataset_of(hf02_campaign, hf02_rehearsal, alter=at_the_rail(first, last))
    results = analyse_static_fire(dataset).results
    assert results.impulse.lower_bound_only
    assert results.impulse.value < hf02_rehearsal.truth.impulse_site
    assert "cell-at-rail" in {finding.code for finding in results.findings}
    assert {verdict.outcome for verdict in results.verdicts.values()} == {"not shown"}


@pytest.mark.slow
def test_a_clip_still_counts_what_it_surely_was(hf02_campaign, hf02_rehearsal):
    whole = analyse_static_fire(dataset_of(hf02_campaign, hf02_rehearsal)).results
    results = analyse_static_fire(dataset_of(hf02_campaign, hf02_rehearsal, alter=with_clip("LC-1", 0.85))).results
    assert results.impulse.lower_bound_only
    assert 0.9 * whole.impulse.value < results.impulse.value < whole.impulse.value
    assert "cell-at-rail" not in {finding.code for finding in results.findings}
