"""A cold flow that contradicts its plan or itself so that no single fault of vessel or gas explains it.

SI, absolute pressures; times in seconds after T-0. A wrong unit is named by its ratio, as long as the plan's own value
is not off as much; a second opening by the pressure, which stood, fell and stood again. What follows from such a flow
is refused, not printed beside the warning.
"""

import math
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.cold_flow import (
    AMOUNT_IMPLAUSIBLE,
    AMOUNT_NOT_USABLE,
    FLOW_AREA_CREEPS,
    LET_OFF_IN_STEPS,
    METER_NOT_AT_ZERO,
    OPENED_TWICE,
    PRESSURE_UNIT,
    WEIGHED_TANK_FEELS_JET,
)
from standbook.analysis.signal.windows import block_average
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import absolute

NEAR = 0.12  # relative, of a known ratio: a start pressure or a CdA is planned no better
PRESSURE_RATIOS = {
    14.504: "values in psi taken for bar, or of a sensor in the wrong range",
    1.0 / 14.504: "values in bar taken for psi",
    10.0: "a decimal place, or the wrong range of a sensor",
    0.1: "values in MPa taken for bar, a decimal place, or the wrong range of a sensor",
    100.0: "values in kPa taken for bar",
    0.01: "values in bar taken for kPa",
}
AMOUNT_RATIOS = {
    2.2046: "pounds taken for kilograms",
    1.0 / 2.2046: "kilograms taken for pounds",
    1000.0: "grams taken for kilograms",
    0.001: "kilograms taken for grams, or tonnes for kilograms",
}
OF_AMOUNTS = (WEIGHED_TANK_FEELS_JET, FLOW_AREA_CREEPS, METER_NOT_AT_ZERO, AMOUNT_NOT_USABLE)
"""Findings of a flow that stand without its CdA."""
CHORDS = (1.0, 2.0)  # of any gas over water; outside them an amount that is off by much cannot be the valve's doing
LITTLE = 0.1  # of what the plan's CdA would have let out: less is not this tank's flow
LEAST = 1e-6  # kg: what a pressure that did not fall says has left
STILL, BLOCK = 0.6, 0.1  # s of a pressure that stands; s of a mean
STANDS = 0.005  # relative, by which it may move then
LEAST_FALL, STEEPER = 0.012, 4.0  # of the drive within STILL; times what it falls by where it stands
FELL, VENTED = 0.97, 0.3  # of the drive at the end of the flow: between them it fell and stood again


def contradictions(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Name a wrong unit, an amount that is no flow of this tank, a second fall; empty for a flow that fits."""
    unit = _unit(dataset, side)
    # Where the pressure is itself in doubt, it says nothing of the amount.
    return [*unit, *([] if unit else _amount(side)), *_opened_again(dataset, side)]


def without_numbers(side: FlowSide) -> FlowSide:
    """Return a contradicted flow without CdA, exponent, and what was said of them."""
    result = replace(
        side.result, cda=None, cda_joint=None, cda_budget=(), exponent=None, correlation={}, residual_rms=None, facts={}
    )
    said = tuple(finding for finding in side.findings if finding.of(*OF_AMOUNTS))
    return replace(side, exponent=None, result=result, findings=said)


def _named(ratio: float, known: dict[float, str]) -> str | None:
    near = [(abs(math.log(ratio / value)), words) for value, words in known.items() if ratio > 0.0]
    distance, words = min(near, default=(math.inf, ""))
    return words if distance < NEAR else None


def _unit(dataset: Dataset, side: FlowSide) -> list[Finding]:
    ambient = dataset.plan.site.ambient_pressure
    planned = absolute(side.tank.start_pressure, ambient).value - ambient.value
    if side.static is None or planned <= 0.0:
        return []
    seen = side.static.value - ambient.value
    words = _named(seen / planned, PRESSURE_RATIOS)
    if words is None:
        return []
    decide = "read a mechanical gauge beside it, then correct calibration or mapping"
    return [
        PRESSURE_UNIT.at(
            side.channel.tag,
            decided_by=decide,
            seen_bar=seen / 1e5,
            seen=seen / planned,
            planned_bar=planned / 1e5,
            words=words,
            decide=decide,
        )
    ]


def _amount(side: FlowSide) -> list[Finding]:
    """Hold the amount against what the plan's CdA would have let out."""
    if side.amount is None or side.result.cda is None:
        return []
    if side.exponent is not None and CHORDS[0] <= side.exponent.chord.value <= CHORDS[1]:
        return []
    ratio = side.result.cda.value / side.tank.feed_cda.value
    words = _named(ratio, AMOUNT_RATIOS)
    if words is None and ratio >= LITTLE:
        return []
    decide = "look at the note and the scale, and whether liquid left the tank at all"
    meant = words or "hardly any liquid left: an empty tank, a valve that passed gas, or a bucket not under the outlet"
    return [
        AMOUNT_IMPLAUSIBLE.at(
            side.tank.name,
            decided_by=decide,
            amount=side.amount.value,
            ratio=ratio,
            feed_cda_mm2=1e6 * side.tank.feed_cda.value,
            meant=meant,
            decide=decide,
        )
    ]


class _Fall(NamedTuple):
    """A fall of the pressure between two stands after the flow. [s], [Pa]."""

    time: float  # of its steepest
    before: float
    after: float


def _opened_again(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Say where the pressure stood after the flow, fell, and stood again well above the back pressure."""
    fall = _second_fall(side, dataset.plan.back_pressure().value)
    if fall is None:
        return []
    name, amount = side.tank.name, side.amount
    seen = (
        f"{name}: after the flow that ended at T{side.instants.end.time:+.1f} s the pressure stood, fell from "
        f"{fall.before / 1e5:.2f} to {fall.after / 1e5:.2f} bar(a) about T{fall.time:+.1f} s and stood again"
    )
    one, both = _by_pressure(side, fall.before), _by_pressure(side, fall.after)
    if amount is None or amount.value <= math.sqrt(one * both):
        fits = "" if amount is None else ", and what was weighed fits the first fall alone: gas was let off"
        return [LET_OFF_IN_STEPS.at(name, fall.time, seen=seen, fits=fits)]
    decide = "look at the valve's command, and repeat with one opening or weigh after each"
    return [
        OPENED_TWICE.at(
            name,
            fall.time,
            decided_by=decide,
            seen=seen,
            first_fall=one,
            both=both,
            amount=amount.value,
            decide=decide,
        )
    ]


def _second_fall(side: FlowSide, back: float) -> _Fall | None:
    """Find a fall that begins and ends after the flow; a leak falls all the time, and so while it "stands"."""
    end, width = side.instants.end.time, round(STILL / BLOCK)
    count = int((float(side.channel.time[-1]) - end - STILL) / BLOCK)
    if count < 3 * width:
        return None
    at, mean = block_average(*side.channel.known(), start=end + STILL, end=end + STILL + count * BLOCK, block=BLOCK)
    if not np.isfinite(mean).all():
        return None
    level = float(np.median(mean[:3])) - back
    windows = np.lib.stride_tricks.sliding_window_view(mean, width)
    drive = windows.mean(axis=1) - back
    stands = np.ptp(windows, axis=1) < STANDS * level
    again = np.flatnonzero(stands & (drive < FELL * level) & (drive > VENTED * level))
    if level <= 0.0 or not again.size or not stands[: again[0]].any():
        return None
    k, first = int(again[0]), int(np.argmax(stands))
    falls = windows[:, 0] - windows[:, -1]
    if falls[first : k + 1].max() < max(LEAST_FALL * level, STEEPER * abs(falls[first]), STEEPER * abs(falls[k])):
        return None
    steepest = int(np.argmin(np.diff(mean[: k + width])))
    return _Fall(float(at[steepest]), level + back, float(drive[k]) + back)


def _by_pressure(side: FlowSide, pressure: float) -> float:
    """Return the liquid that had left at a pressure, by the plan's exponent. [kg]."""
    start = side.static.value if side.static is not None else float(np.max(side.record.pressure))
    grown = (start / pressure) ** (1.0 / side.tank.ullage_exponent.value) - 1.0
    return max(float(side.tank.liquid_density.value * side.tank.ullage_volume * grown), LEAST)
