"""Several load cells that share one thrust: their sum as one channel, and what each of them carried. SI.

The sum takes the first cell's tag. A cell that carries nothing, or pulls where the others push, shows no thrust of
its own: the sum is then no thrust, and the verdict is withheld.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import CELL_DEAD, CELL_REVERSED_IN_SUM, CELLS_SUMMED
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand_interaction import StandInteraction
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import Quantity

IN_SUM = "sum"
LOADED = 0.25  # of the greatest sum: from there on shares are read
DEAD = 0.1  # of an even share, below which a cell carries nothing
LEAST_SAMPLES = 8


def with_summed_cells(dataset: Dataset) -> Dataset:
    """Put the sum of all thrust cells that the stand marks so in the place of the first of them, and say so.

    A dataset of a stand that marks none is returned as it is.
    """
    marked = {item.tag for item in dataset.stand.input if item.share == IN_SUM}
    cells = [cell for cell in dataset.measuring(measurands.THRUST) if cell.tag in marked]
    if len(marked) < 2 or not cells:
        return dataset
    shares = carried(cells)
    first, others = cells[0], {cell.tag for cell in cells[1:]}
    channels = {tag: channel for tag, channel in dataset.channels.items() if tag not in others}
    kept = tuple(item for item in dataset.stand.input if item.tag not in others)
    stand = dataset.stand.model_copy(update={"input": kept})
    absent = sorted(marked - {cell.tag for cell in cells})
    return replace(
        dataset,
        stand=stand,
        channels={**channels, first.tag: summed_cell(cells, shares)},
        findings=(*dataset.findings, *_said(cells, shares, absent)),
    )


def carried(cells: Sequence[Channel]) -> Array:
    """Return the share of the sum's change under load that each cell carried. (C,) [-]."""
    parts = [_thrust(cell) - _rest(cell) for cell in cells]
    total = np.sum(parts, axis=0)
    loaded = np.isfinite(total) & (np.abs(total) >= LOADED * np.nanmax(np.abs(total), initial=0.0))
    if np.count_nonzero(loaded) < LEAST_SAMPLES:
        return np.full(len(cells), 1.0 / len(cells))
    means = np.array([float(np.mean(part[loaded])) for part in parts])
    return np.asarray(means / np.sum(means))


def _thrust(cell: Channel) -> Array:
    return cell.calibration.stand_interaction.factor.value * cell.reading


def _rest(cell: Channel) -> float:
    """Return what a cell reads before T-0, else at first. [N]."""
    reading = _thrust(cell)
    before = (cell.time < 0.0) & np.isfinite(reading)
    if np.count_nonzero(before) < LEAST_SAMPLES:
        before = np.isfinite(reading) & (np.cumsum(np.isfinite(reading)) <= LEAST_SAMPLES)
    return float(np.median(reading[before])) if before.any() else 0.0


def summed_cell(cells: Sequence[Channel], shares: Array) -> Channel:
    """Return the channel that is the sum of cells of one stream, each times its own factor.

    Notes
    -----
    Relative uncertainties count by the share that each cell carried, in squares; those of one reference standard move
    all cells that were calibrated with it together, and add. Source: [GUM] 5.2.2.
    """
    first = cells[0]
    reading = np.sum([_thrust(cell) for cell in cells], axis=0)
    supplies = {cell.supply for cell in cells}
    together = len(supplies) == 1
    moved = [share * cell.supply_u for cell, share in zip(cells, shares, strict=True)]
    return replace(
        first,
        calibration=_calibration(cells, shares),
        signal=reading,
        reading=reading,
        counts=np.sum([cell.counts for cell in cells], axis=0),
        clipped=np.any([cell.clipped for cell in cells], axis=0),
        open_wire=np.any([cell.open_wire for cell in cells], axis=0),
        hidden_by_angle=None,  # of each its own
        beyond=np.any([cell.uncalibrated for cell in cells], axis=0),
        supply=first.supply if together else "",
        supply_u=abs(float(np.sum(moved))) if together else math.hypot(*moved),
    )


def _calibration(cells: Sequence[Channel], shares: Array) -> Calibration:
    """Return a calibration from newtons to newtons with what all cells are uncertain by."""
    own = [cell.calibration for cell in cells]
    in_newtons = [c.stand_interaction.factor.value * c.scale for c in own]
    scatter = math.hypot(*(s * c.slope_scatter() for s, c in zip(shares, own, strict=True)))
    low = sum(k * c.lowest for k, c in zip(in_newtons, own, strict=True))
    high = sum(k * c.highest for k, c in zip(in_newtons, own, strict=True))
    loop = math.hypot(
        *(k * c.hysteresis_uncertainty.value * (c.highest - c.lowest) for k, c in zip(in_newtons, own, strict=True))
    )
    return own[0].model_copy(
        update={
            "reading_unit": "N",
            "pivot": 0.0,
            "coefficients": (0.0, 1.0),
            "covariance": ((0.0, 0.0), (0.0, scatter**2)),
            "characteristic": None,
            "points": (),
            "fit": None,
            "reference_u": None,
            "found": None,
            "lowest": low,
            "highest": high,
            "reference_uncertainty": _share(_of_standards(own, shares)),
            "zero_uncertainty": math.hypot(*(k * c.zero_uncertainty for k, c in zip(in_newtons, own, strict=True))),
            "hysteresis_uncertainty": _share(loop / (high - low)),
            "stand_interaction": _interaction(own, shares),
        }
    )


def _of_standards(own: Sequence[Calibration], shares: Array) -> float:
    """Return what the reference standards add, relative: alike where one standard served several cells."""
    by_standard: dict[str, float] = {}
    for number, (c, share) in enumerate(zip(own, shares, strict=True)):
        key = c.reference_standard or f"of cell {number}"
        by_standard[key] = by_standard.get(key, 0.0) + float(share) * c.reference_uncertainty.value
    return math.hypot(*by_standard.values())


def _interaction(own: Sequence[Calibration], shares: Array) -> StandInteraction:
    """Return the load path of the sum: factors are in the readings already, their uncertainty is not."""
    paths = [c.stand_interaction for c in own]
    factor_u = math.hypot(*(s * path.factor.relative_u for s, path in zip(shares, paths, strict=True)))
    load = sum(path.factor.value * path.line_load.value for path in paths)
    load_u = math.hypot(*(path.factor.value * path.line_load.u for path in paths))
    return paths[0].model_copy(
        update={
            "factor": Quantity(value=1.0, u=factor_u, dimension="number", reference=None, text=f"1 +/- {factor_u:.2g}"),
            "line_load": replace(paths[0].line_load, value=load, u=load_u),
            "pull": () if any(not path.pull for path in paths) else paths[0].pull,
        }
    )


def _share(value: float) -> Quantity:
    return Quantity(value=value, u=0.0, dimension="share", reference=None, text=f"{100.0 * value:.2g} %")


def _said(cells: Sequence[Channel], shares: Array, absent: Sequence[str]) -> list[Finding]:
    """Say what was summed, and which cell makes the sum no thrust."""
    tags = [cell.tag for cell in cells]
    percent = " and ".join(f"{100.0 * share:.0f} %" for share in shares)
    said = [CELLS_SUMMED.at(tags[0], cells=" and ".join(tags), percent=percent)]
    said += [CELL_DEAD.at(tag, share_percent=0.0) for tag in absent]
    for tag, share in zip(tags, shares, strict=True):
        if share < -DEAD / len(cells):
            said.append(CELL_REVERSED_IN_SUM.at(tag, share_percent=-100.0 * share))
        elif share < DEAD / len(cells):
            said.append(CELL_DEAD.at(tag, share_percent=100.0 * share))
    return said
