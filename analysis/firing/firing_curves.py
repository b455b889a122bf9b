"""Curves of one firing for figures: thinned, on time after T-0, each beside its prediction and its fit.

SI, absolute pressures. Nothing quoted in results comes from here.
"""

from collections.abc import Mapping

import numpy as np

from standbook.analysis.blowdown.record import averaged_flow
from standbook.analysis.blowdown.tank_curves import POINTS, measured_curve, tank_curves
from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.firing.discharge_record import flow_record
from standbook.analysis.firing.engine_performance import TankSide
from standbook.analysis.physics.performance import stiffness_curve
from standbook.analysis.results.curves import Curve, at_instant, envelope
from standbook.analysis.results.results import ImpulseResult
from standbook.analysis.signal.windows import block_average
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.tank_flows import first_run_out
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.config import measurands

LEAD, TAIL = 2.0, 3.0  # s drawn before T-0 and after the window
AFTER_T_ZERO = (-0.1, 0.7)  # s about T-0 that are drawn at full rate
ABOUT_START, ABOUT_STOP = (-0.4, 0.4), (-0.5, 0.5)  # s about the 10 % instants; the first where T-0 tells nothing


def firing_curves(
    dataset: Dataset,
    record: ThrustRecord,
    burn: Burn,
    sides: Mapping[str, TankSide],
    impulse: ImpulseResult | None,
) -> dict[str, Curve]:
    """Return every curve that the record can give."""
    low, high = min(0.0, burn.window.start) - LEAD, burn.window.end + TAIL
    curves = {
        measurands.THRUST: _measured(
            dataset=dataset,
            burn=burn,
            time=record.time,
            value=record.thrust,
            low=low,
            high=high,
            unit="N",
            name=measurands.THRUST,
        ),
        "load cell": _load_cell(record, low, high),
        "cumulative impulse": _cumulative(record, burn, impulse),
    }
    for side in sides.values():
        curves |= _tank(dataset, burn, side, low, high)
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), *burn.span)
    if chamber is not None:
        curves[measurands.CHAMBER_PRESSURE] = _measured(
            dataset=dataset,
            burn=burn,
            time=chamber.time,
            value=chamber.reading,
            low=low,
            high=high,
            unit="Pa",
            name=measurands.CHAMBER_PRESSURE,
        )
        stiffness = _stiffness(dataset, chamber, sides, burn)
        if stiffness is not None:
            curves["injector stiffness"] = stiffness
    return curves


def full_rate_curves(dataset: Dataset, record: ThrustRecord, burn: Burn) -> dict[str, Curve]:
    """Return every sample of thrust and chamber pressure about the start and the stop of the thrust.

    The thrust has its zeros and the weight taken out and is not averaged; the column bears the sensor's tag.
    """
    start, stop = burn.span
    begin, end = AFTER_T_ZERO
    if dataset.t_zero is None or not begin < start < end:
        begin, end = start + ABOUT_START[0], start + ABOUT_START[1]
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), *burn.span)
    series = [(measurands.THRUST, record.cell.tag, record.time, record.thrust, "N")]
    if chamber is not None:
        series.append((measurands.CHAMBER_PRESSURE, chamber.tag, chamber.time, chamber.reading, "Pa"))
    windows = {"start": (begin, end), "stop": (stop + ABOUT_STOP[0], stop + ABOUT_STOP[1])}
    return {
        at_instant(name, which): Curve(time[inside], {tag: value[inside]}, unit)
        for which, (low, high) in windows.items()
        for name, tag, time, value, unit in series
        if np.any(inside := (time >= low) & (time <= high) & np.isfinite(value))
    }


def _measured(
    dataset: Dataset, burn: Burn, time: Array, value: Array, low: float, high: float, unit: str, name: str
) -> Curve:
    return measured_curve(
        time, value, low, high, unit, prediction=dataset.prediction, name=name, delay=burn.prediction_delay
    )


def _load_cell(record: ThrustRecord, low: float, high: float) -> Curve:
    inside = (record.time >= low) & (record.time <= high)
    at, _, mean, _ = envelope(record.time[inside], (record.reading - record.zero.before.value)[inside], POINTS)
    weight = np.interp(at, record.time, record.zero.reading - record.zero.before.value)
    return Curve(at, {"mean": mean, "weight": np.asarray(weight)}, "N")


def _cumulative(record: ThrustRecord, burn: Burn, impulse: ImpulseResult | None) -> Curve:
    at = np.linspace(burn.window.start, burn.window.end, POINTS)
    seen = record.record()
    value = seen.until(at) - seen.until(burn.window.start)
    if impulse is None or not value[-1] > 0.0:
        return Curve(at, {"value": value}, "N*s")
    half = impulse.expanded * np.clip(value / value[-1], 0.0, None)
    unseen = impulse.unseen * np.clip(value / value[-1], 0.0, None)
    high = np.full(at.size, np.nan) if impulse.lower_bound_only else value + half + unseen
    return Curve(at, {"value": value, "low": value - half, "high": high}, "N*s")


def _tank(dataset: Dataset, burn: Burn, side: TankSide, low: float, high: float) -> dict[str, Curve]:
    flow = averaged_flow(flow_record(dataset, side.flow)[0]) if side.exponent is not None else None
    return tank_curves(
        side.flow.channel,
        side.flow.tank.name,
        low,
        high,
        prediction=dataset.prediction,
        delay=burn.prediction_delay,
        flow=flow,
        exponent=side.exponent,
    )


def _stiffness(dataset: Dataset, chamber: Channel, sides: Mapping[str, TankSide], burn: Burn) -> Curve | None:
    dry = first_run_out({name: side.flow for name, side in sides.items()})
    begin, end = burn.inner(dry)
    if end - begin < 1.0 or not sides:
        return None
    time, below = block_average(chamber.time, chamber.reading, start=begin, end=end)
    columns = {}
    for name, side in sides.items():
        source = first_usable(dataset.measuring(measurands.MANIFOLD_PRESSURE, name), begin, end) or side.flow.channel
        _, above = block_average(source.time, source.reading, start=begin, end=end)
        columns[name] = stiffness_curve(above, below)
    return Curve(time, columns, "1")
