"""Several cells under one thrust: their sum is the thrust, u is by shares, a dead or reversed cell is named."""

import dataclasses

import numpy as np
import pytest

from standbook.analysis.dataset.summed_cells import carried, summed_cell, with_summed_cells
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.daq.config.stand import Stand
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of

THIRDS, UNEVEN = (1 / 3, 1 / 3, 1 / 3), (0.6, 0.3, 0.1)


def split(dataset, shares, *, lost=0.0):
    """Part the stand's one cell into several; ``lost`` is cut off the last one's reading, as a share of it."""
    cell = dataset.first("thrust")
    tags = [f"LC-{number + 1}" for number in range(len(shares))]
    (item,) = (item for item in dataset.stand.input if item.tag == cell.tag)
    inputs = tuple(
        item.model_copy(update={"tag": tag, "wire": f"cell{tag}", "share": "sum", "device": item.device})
        for tag in tags
    )
    others = tuple(other for other in dataset.stand.input if other.tag != cell.tag)
    kept = [share * (1.0 - lost * (tag == tags[-1])) for tag, share in zip(tags, shares, strict=True)]
    parts = {
        tag: dataclasses.replace(cell, tag=tag, reading=share * cell.reading, signal=share * cell.signal)
        for tag, share in zip(tags, kept, strict=True)
    }
    rest = {tag: channel for tag, channel in dataset.channels.items() if tag != cell.tag}
    stand = dataset.stand.model_copy(update={"input": inputs + others})
    return dataclasses.replace(dataset, stand=stand, channels={**parts, **rest})


@pytest.fixture(scope="module")
def fired(hf02_campaign, hf02_rehearsal):
    return dataset_of(hf02_campaign, hf02_rehearsal)


def parts_of(dataset):
    return [dataset.channels[tag] for tag in ("LC-1", "LC-2", "LC-3")]


@pytest.mark.parametrize("shares", [THIRDS, UNEVEN])
def test_the_sum_is_the_thrust_and_shares_are_found(fired, shares):
    summed = with_summed_cells(split(fired, shares))
    one, whole = fired.first("thrust"), summed.first("thrust")
    factor = one.calibration.stand_interaction.factor.value
    assert np.allclose(whole.reading, factor * one.reading, equal_nan=True)
    assert carried(parts_of(split(fired, shares))) == pytest.approx(shares, abs=1e-9)
    assert [f.code for f in summed.findings if f.code.startswith("cell")] == ["cells-summed"]
    assert len(summed.measuring("thrust")) == 1


def known_to(cell, factor_u, reference_u, standard):
    """Return a cell whose load path and reference standard alone are uncertain."""
    path = cell.calibration.stand_interaction.model_copy(
        update={"factor": parse_quantity(f"1 +/- {factor_u}", "number"), "pull": ()}
    )
    calibration = cell.calibration.model_copy(
        update={
            "stand_interaction": path,
            "reference_uncertainty": parse_quantity(f"{100 * reference_u} %", "share"),
            "reference_standard": standard,
        }
    )
    return dataclasses.replace(cell, calibration=calibration)


@pytest.mark.parametrize(
    ("shares", "own", "common", "wanted"),
    # equal thirds of 0.3 % each: 0.17 %, with 0.2 % of one standard 0.27 %; 0.6, 0.3, 0.1 of 0.3 %: 0.20 %. By hand.
    [(THIRDS, 0.003, 0.0, 0.00173), (THIRDS, 0.003, 0.002, 0.00265), (UNEVEN, 0.003, 0.0, 0.00203)],
)
def test_own_errors_count_in_squares_by_share_and_one_standard_whole(fired, shares, own, common, wanted):
    cells = [known_to(cell, own, common, "reference cell 4711") for cell in parts_of(split(fired, shares))]
    calibration = summed_cell(cells, np.array(shares)).calibration
    path, standard = calibration.stand_interaction.factor.u, calibration.reference_uncertainty.value
    assert (path**2 + standard**2) ** 0.5 == pytest.approx(wanted, rel=0.01)
    apart = [known_to(cell, 0.0, 0.002, f"reference cell {k}") for k, cell in enumerate(cells)]
    assert summed_cell(apart, np.array(shares)).calibration.reference_uncertainty.value < 0.002


@pytest.mark.slow
def test_three_cells_have_the_impulse_of_the_one_that_they_stand_for(fired, hf02_results):
    found = analyse_static_fire(split(fired, UNEVEN)).results
    assert found.impulse.value == pytest.approx(hf02_results.impulse.value, rel=1e-3)
    assert found.verdicts["site"].outcome == "within"
    assert "second-cell-not-used" not in {f.code for f in found.findings}


@pytest.mark.slow
@pytest.mark.parametrize(("lost", "code"), [(1.0, "cell-dead-in-sum"), (2.0, "cell-reversed-in-sum")])
def test_a_dead_or_reversed_cell_is_named_and_the_class_not_shown(fired, lost, code):
    found = analyse_static_fire(split(fired, UNEVEN, lost=lost)).results
    (finding,) = [f for f in found.findings if f.code == code]
    assert (finding.channel, finding.severity) == ("LC-3", "serious")
    assert found.verdicts["site"].outcome != "within"


def test_a_stand_whose_cells_are_summed_says_so_of_each(hf02_campaign):
    stand = hf02_campaign.stand
    (item,) = (item for item in stand.input if item.measures == "thrust")
    other = item.model_copy(update={"tag": "LC-9", "wire": "adc30"})

    def checked(*cells):
        rest = tuple(i for i in stand.input if i.measures != "thrust")
        return Stand.model_validate({**dict(stand), "input": (*cells, *rest)})

    one, two = (cell.model_copy(update={"share": "sum"}) for cell in (item, other))
    assert checked(one, two).input[0].share == "sum"
    for cells, said in (
        ((one,), "needs another cell"),
        ((one, two.model_copy(update={"stream": "slow"})), "must stand in one stream"),
        ((one, two, other.model_copy(update={"tag": "LC-8", "wire": "adc31"})), "beside it too"),
    ):
        with pytest.raises(ValueError, match=said):
            checked(*cells)
