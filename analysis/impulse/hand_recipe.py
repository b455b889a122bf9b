"""Compute total impulse by the few steps that the report prints for a spreadsheet. SI; times in seconds after T-0.

Every row of the cell is taken as it stands, and how much weight has left follows the running sum of one chamber
sensor instead of both tanks' flows. What comes out is printed with the steps, so that whoever follows them knows
which number to expect.
"""

import numpy as np

from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import CELLS_SUMMED
from standbook.analysis.results.firing_results import HandRecipe
from standbook.analysis.signal.windows import Window
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.config import measurands

LEAST_LATER = 0.05  # N; what left after the burn moves the second zero by less: not worth a step


def hand_recipe(dataset: Dataset, record: ThrustRecord, burn: Burn) -> HandRecipe | None:
    """Follow the printed steps, and return their numbers and what they come to.

    Several cells that share one thrust are not recomputed by hand, nor is a record without a zero before it: ``None``.
    """
    window, before = _printed(burn.window), _printed(record.zero.before.window)
    if before.start > window.start or any(finding.of(CELLS_SUMMED) for finding in dataset.findings):
        return None
    after = _printed(record.zero.after.window) if record.zero.after is not None else None
    lines = _line_channels(dataset, burn)
    time, reading = dataset.channels[record.cell.tag].known()
    pressure = _line_pressure(dataset, lines, time)
    gain, stiffening = _gain_and_stiffening(record)
    load = record.cell.calibration.stand_interaction.line_load.value
    tared = reading - _mean(time, reading, before) - load * (pressure - _mean(time, pressure, before))
    later = 0.0
    if after is not None:
        seen = _mean(time, tared, after)
        later = seen - record.zero.step
        later = later if abs(later) >= LEAST_LATER and record.gas_left.value else 0.0
        step = seen - later
    else:
        step = record.zero.step
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), window.start, window.end)
    flow = tared if chamber is None else _beside(chamber, time) - dataset.plan.site.ambient_pressure.value
    thrust = (tared - step * _running_share(time, flow, window)) / (gain + stiffening * pressure)
    inside = window.of(time)
    return HandRecipe(
        cell=record.cell.tag,
        window=(window.start, window.end),
        zero_before=(before.start, before.end),
        zero_after=(after.start, after.end) if after is not None else None,
        step=None if after is not None else step,
        left_later=later,
        share_by=record.cell.tag if chamber is None else chamber.tag,
        lines=tuple(channel.tag for channel in lines) if load or stiffening else (),
        line_load=load,
        gain=gain,
        stiffening=stiffening,
        impulse=float(np.trapezoid(thrust[inside], time[inside])),
    )


def _printed(window: Window) -> Window:
    """Round a window to the millisecond that the steps print."""
    return Window(round(window.start, 3), round(window.end, 3))


def _gain_and_stiffening(record: ThrustRecord) -> tuple[float, float]:
    """Return what a reading is divided by: at no pressure in the lines [-], and how that grows with it [1/Pa]."""
    pull = record.cell.pull
    return (1.0 / record.factor, 0.0) if pull is None else (pull.of("gain")[0], pull.of("stiffening")[0])


def _line_channels(dataset: Dataset, burn: Burn) -> list[Channel]:
    """Return one sensor of each tank: what pressurises the lines."""
    found = [
        first_usable(dataset.measuring(measurands.TANK_PRESSURE, tank.name), *burn.span) for tank in dataset.plan.tank
    ]
    return [channel for channel in found if channel is not None]


def _line_pressure(dataset: Dataset, channels: list[Channel], time: Array) -> Array:
    """Return the mean gauge pressure of the tanks at each row of the cell. (N,) [Pa]."""
    if not channels:
        return np.zeros(time.size)
    ambient = dataset.plan.site.ambient_pressure.value
    return np.asarray(np.mean([_beside(channel, time) for channel in channels], axis=0) - ambient)


def _beside(channel: Channel, time: Array) -> Array:
    """Return another channel's readings at rows of the cell. (N,) [SI]."""
    return np.asarray(np.interp(time, *channel.known()))


def _running_share(time: Array, flow: Array, window: Window) -> Array:
    """Return the running sum of ``flow`` over a window as a share of its total: 0 before, 1 after. (N,)."""
    inside = (time >= window.start) & (time <= window.end)
    pairs = np.diff(time) * (flow[1:] + flow[:-1]) / 2.0 * (inside[1:] & inside[:-1])
    total = np.concatenate(([0.0], np.cumsum(pairs)))
    return np.asarray(total / total[-1])


def _mean(time: Array, values: Array, window: Window) -> float:
    return float(np.mean(values[window.of(time)]))
