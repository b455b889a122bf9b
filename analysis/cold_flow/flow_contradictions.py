"""A cold flow that contradicts its plan or itself so that no single fault of vessel or gas explains it.

SI, absolute pressures; times in seconds after T-0. A wrong unit is named by its ratio, as long as the plan's own value
is not off as much; a second opening by the pressure, which stood, fell and stood again. What follows from such a flow
is refused, not printed beside the warning.
"""

import math
from dataclasses import replace

import numpy as np

from standbook.analysis.channel_checks.channel_health import usable
from standbook.analysis.cold_flow.seen_flow import trace_of
from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.cold_flow import (
    AMOUNT_IMPLAUSIBLE,
    AMOUNT_NOT_USABLE,
    FLOW_AREA_CREEPS,
    LET_OFF_IN_STEPS,
    METER_NOT_AT_ZERO,
    OPENED_AGAIN,
    OPENED_TWICE,
    PRESSURE_UNIT,
    WEIGHED_TANK_FEELS_JET,
)
from standbook.analysis.findings.record_faults import START_PRESSURE_NOT_AS_PLANNED
from standbook.analysis.record_faults.second_falls import second_fall
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import between, block_average
from standbook.daq.config import measurands
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
START_OFF, SURE = 0.04, 3.0  # of the start pressure, and uncertainties beyond: crews come nearer; judgement
STOOD = 0.5  # s of a mean
REST = (1.1, 0.1)  # s before the opening, between which another sensor is read
TOLD_APART = 1.25  # of the amounts by pressure after one fall and after both, from which a weighing tells them apart
STEEPER = 1.6  # of the flow's own fall: what falls faster is gas; judgement


def contradictions(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Name a wrong unit, an amount that is no flow of this tank, a second fall; empty for a flow that fits."""
    unit = _unit(dataset, side)
    # Where the pressure is itself in doubt, it says nothing of the amount.
    return [*unit, *([] if unit else [*_start_pressure(dataset, side), *_amount(side)]), *_opened_again(dataset, side)]


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


def _start_pressure(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Hold the pressure before the opening against the plan's, or what was read then, unless another sensor agrees."""
    seen, ambient, tag = side.result.start_pressure, dataset.plan.site.ambient_pressure, side.channel.tag
    weighing = dataset.weighings.get(side.tank.name)
    read = weighing.start_pressure if weighing is not None else None
    planned = absolute(side.tank.start_pressure, ambient)
    stated = read or Measured(planned.value, planned.u, "Pa")
    if seen is None or not stated.value > 0.0:
        return []
    allowed = START_OFF * stated.value + SURE * math.hypot(seen.u, stated.u)
    off = seen.value - stated.value
    if abs(off) <= allowed or _confirmed(dataset, side, seen) or (off < 0.0 and _sank(side, stated.value - allowed)):
        return []
    decide = (
        "a mechanical gauge or a second sensor would decide; what was read at the opening can be added to the run as "
        "start_pressure of the tank in a weighings file"
    )
    return [
        START_PRESSURE_NOT_AS_PLANNED.at(
            tag,
            side.instants.opening.time,
            decided_by=decide,
            seen_bar=seen.value / 1e5,
            apart_percent=100.0 * (seen.value / stated.value - 1.0),
            stated_bar=stated.value / 1e5,
            stated="of the plan" if read is None else "that were read then",
            allowed_percent=100.0 * allowed / stated.value,
            decide=decide,
        )
    ]


def _sank(side: FlowSide, least: float) -> bool:
    """Tell whether the tank stood higher before, as it would not by a signal that is cut off: it leaked or cooled."""
    begin, opening = float(side.channel.time[0]), side.instants.opening.time
    if opening - begin < REST[0]:
        return False
    _, mean = block_average(side.channel.time, side.channel.reading, start=begin, end=opening, block=STOOD)
    return bool(np.nanmax(mean, initial=0.0) >= least)


def _confirmed(dataset: Dataset, side: FlowSide, seen: Measured) -> bool:
    """Tell whether another sensor of the tank reads the same before the opening."""
    ambient, opening = dataset.plan.site.ambient_pressure, side.instants.opening.time
    for other in dataset.measuring(measurands.TANK_PRESSURE, side.tank.name):
        if other.tag == side.channel.tag or not usable(other, opening - REST[0], opening - REST[1]):
            continue
        known = other.reading[between(other.time, opening - REST[0], opening - REST[1])]
        level = float(np.nanmean(known))
        if abs(level - seen.value) <= SURE * math.hypot(seen.u, other.reading_u(level, ambient)):
            return True
    return False


def _opened_again(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Say where the pressure stood after the flow, fell, and stood again well above the back pressure."""
    trace = trace_of(dataset, side.tank, side.channel, side.instants)
    fall = second_fall(trace, dataset.plan.back_pressure().value, closed=not side.instants.ran_dry)
    if fall is None:
        return []
    name, amount = side.tank.name, side.amount
    seen = (
        f"{name}: after the flow that ended at T{side.instants.end.time:+.1f} s the pressure stood, fell from "
        f"{fall.before / 1e5:.2f} to {fall.after / 1e5:.2f} bar(a) about T{fall.time:+.1f} s and stood again"
    )
    one, both = _by_pressure(side, fall.before), _by_pressure(side, fall.after)
    tells = both > TOLD_APART * one
    let_off = fall.share > STEEPER and not (tells and amount is not None and amount.value > math.sqrt(one * both))
    if amount is None or let_off:
        fits = (
            "" if amount is None or not tells else ", and what was weighed fits the first fall alone: gas was let off"
        )
        return [LET_OFF_IN_STEPS.at(name, fall.time, seen=seen, fits=fits)]
    decide = "look at the valve's command, and repeat with one opening or weigh after each"
    if fall.share <= STEEPER:
        return [
            OPENED_AGAIN.at(
                name, fall.time, decided_by=decide, seen=seen, share=fall.share, amount=amount.value, decide=decide
            )
        ]
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


def _by_pressure(side: FlowSide, pressure: float) -> float:
    """Return the liquid that had left at a pressure, by the plan's exponent. [kg]."""
    start = side.static.value if side.static is not None else float(np.max(side.record.pressure))
    grown = (start / pressure) ** (1.0 / side.tank.ullage_exponent.value) - 1.0
    return max(float(side.tank.liquid_density.value * side.tank.ullage_volume * grown), LEAST)
