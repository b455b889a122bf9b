"""A firing beside its prediction: each quantity over the settled burn, held against its 95 % band.

SI, absolute pressures; times in seconds after T-0.
"""

import numpy as np

from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.results.results import Comparison
from standbook.analysis.signal.band_comparison import compare
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.config import measurands

SUM_FROM = 0.25  # of the settled burn


def comparisons(
    dataset: Dataset, record: ThrustRecord, burn: Burn, first_out: float | None, *, hidden: bool
) -> dict[str, Comparison]:
    """Hold thrust, chamber, tanks and cumulative impulse against their bands over the settled burn.

    Clipped thrust is left out; a sum that misses thrust (``hidden``) is not compared.
    """
    prediction = dataset.prediction
    if prediction is None:
        return {}
    begin, end = burn.inner(first_out)
    measured = _measured(dataset, record, burn, begin, end, hidden=hidden)
    found = {}
    for name, (time, value) in measured.items():
        band = prediction.quantities.get(name)
        if band is None:
            continue
        # The band of a running sum is no wider than the start transient at first.
        first = begin + SUM_FROM * (end - begin) if name == "cumulative impulse" else begin
        result = compare(
            time,
            value,
            predicted_time=prediction.time + burn.prediction_delay,
            nominal=band.nominal,
            low=band.low,
            high=band.high,
            start=first,
            end=end,
        )
        if result is not None:
            found[name] = result
    return found


def _measured(
    dataset: Dataset, record: ThrustRecord, burn: Burn, begin: float, end: float, *, hidden: bool
) -> dict[str, tuple[Array, Array]]:
    """Return time and value of every quantity that a prediction may have a band of."""
    running = record.record()
    measured = {measurands.THRUST: (record.time, np.where(record.clipped, np.nan, record.thrust))}
    if not hidden:
        total = running.until(record.time) - running.until(burn.window.start)
        measured["cumulative impulse"] = (record.time, total)
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), begin, end)
    if chamber is not None:
        measured[measurands.CHAMBER_PRESSURE] = (chamber.time, chamber.reading)
    for tank in dataset.plan.tank:
        channel = first_usable(dataset.measuring(measurands.TANK_PRESSURE, tank.name), begin, end)
        if channel is not None:
            measured[measurands.of_tank(measurands.TANK_PRESSURE, tank.name)] = (channel.time, channel.reading)
    return measured
