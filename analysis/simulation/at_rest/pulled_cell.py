"""Simulate a pull in place: what the cell of a firing says of known forces, through the same hoses and flexures. SI."""

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np

from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.instruments import sample
from standbook.analysis.simulation.world import world_of
from standbook.daq.arrays import Array
from standbook.daq.config.campaign import Campaign
from standbook.daq.config.signal_conversion import signal_from_counts

HELD, RATE = 10.0, 100  # s of each force, rows a second


def pulled_signals(campaign: Campaign, draw: Draw, tag: str, points: Sequence[tuple[float, float]]) -> Array:
    """Return the cell's mean signal at each point of a pull.

    Parameters
    ----------
    campaign : Campaign
        Plan of the firing, its stand and calibrations.
    draw : Draw
        Of the firing: the cell's errors and its load path are those of that day.
    tag : str
        Of the cell, on a stated supply.
    points : sequence of (float, float)
        True force in the line of thrust [N], pressure of the lines, gauge [Pa].

    Returns
    -------
    (N,) array
        In the cell's signal unit.
    """
    world = world_of(campaign.plan, campaign.stand, draw)
    rows = round(HELD * RATE)
    time = np.arange(rows * len(points)) / RATE
    force = np.repeat([force for force, _ in points], rows)
    line = np.repeat([pressure for _, pressure in points], rows) + world.ambient_pressure
    # what the cell's part of the simulated instruments looks at, and nothing else
    seen: Any = SimpleNamespace(
        world=world, time=time, cell_force=force, tank_pressure={tank.name: line for tank in world.tanks}
    )
    item = campaign.stand.input_tagged(tag)
    read = sample(seen, campaign.stand, campaign.calibrations, draw, [item], time, mains=None)
    volts = item.stated_supply.value if item.stated_supply is not None else 1.0
    signal = signal_from_counts(item, read.counts[:, 0].astype(np.int64), volts)
    settled = signal.reshape(len(points), rows)[:, rows // 2 :]  # the cell lags a little
    return np.asarray(settled.mean(axis=1))
