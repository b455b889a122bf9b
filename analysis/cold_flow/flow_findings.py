"""Sentences about a cold flow's course and amounts: value, limit, consequence, what to do.

SI, absolute pressures; times in seconds after T-0; sentences show bar, kg and seconds.
"""

import math

import numpy as np

from standbook.analysis.blowdown.amounts import Amount
from standbook.analysis.blowdown.weighed_amounts import DISAGREE, Pair
from standbook.analysis.cold_flow.seen_flow import trace_of
from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.cold_flow import (
    AMOUNT_FROM_LOAD,
    AMOUNTS_DISAGREE,
    CAUGHT_MORE_THAN_LOADED,
    CLOSED_BEFORE_RUN_OUT,
    MASS_DOES_NOT_CLOSE,
    NO_TANK_PRESSURE,
    NOT_WEIGHED,
    PRESSURE_NOT_HELD,
    RAN_DRY,
    RAN_TO_RUN_OUT,
    TANK_NOT_WEIGHED,
)
from standbook.analysis.record_faults.flow_trace import FlowTrace
from standbook.daq.config.plan import Tank
from standbook.daq.findings.finding import Finding

HOLD_FALLS, HOLD_RISES = 0.02, 0.01  # of the start pressure over the length of the flow; warm gas settles by less
SURE = 3.0  # standard uncertainties of that
LONGEST, CLEAR, LEAST_MEANS = 8.0, 0.1, 12  # s of hold that tell whether it slows; s left out; means in half of it
CLOSES = DISAGREE  # combined standard uncertainties of two amounts of the same liquid


def course_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Hold the flow's course against the plan's: how it ended, and whether the tank held before."""
    return [*_end_findings(dataset, side), *_hold_findings(dataset, side)]


def amount_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Say what the amounts of liquid are worth: none, more than was loaded, or two that contradict each other."""
    tank = side.tank
    if not side.amounts:
        boils = dataset.plan.kind.boiling_liquid
        return [(TANK_NOT_WEIGHED if boils else NOT_WEIGHED).at(tank.name)]
    said = _disagreements(side)
    amount, load = side.amount, tank.liquid_load
    if amount is not None and amount.value > load.value + CLOSES * math.hypot(amount.u, load.u):
        said.append(CAUGHT_MORE_THAN_LOADED.at(tank.name, amount=amount.value, load=load.value))
    if [a.name for a in side.amounts] == ["run-out"]:
        said.append(AMOUNT_FROM_LOAD.at(tank.name, mass=side.amounts[0].mass))
    return said


def no_sensor(tank: Tank) -> Finding:
    """Say that nothing can be taken from a record without the tank's pressure."""
    return NO_TANK_PRESSURE.at(tank.name)


def _disagreements(side: FlowSide) -> list[Finding]:
    """Name each pair of amounts that contradict each other, and what was done about it."""
    if side.balance is None or side.balance.agree:
        return []
    tank, amounts, held = side.tank, side.amounts, side.balance
    if held.left_out is not None:
        fate = f"{amounts[held.left_out].words} contradicts all others and is left out"
    else:
        fate = (
            f"CdA rests on {amounts[0].words} alone, and half of the largest difference is in its uncertainty, since "
            "nothing here tells which is right"
        )
    return [
        (MASS_DOES_NOT_CLOSE if _weighed_only(amounts[p.first], amounts[p.second]) else AMOUNTS_DISAGREE).at(
            tank.name,
            severity="caution" if held.left_out is not None else "serious",
            apart=_apart(side, p),
            apart_in_u=p.apart,
            expected=CLOSES,
            fate=fate,
        )
        for p in held.pairs
    ]


def _weighed_only(first: Amount, second: Amount) -> bool:
    """Tell whether both are masses of all that left, so that their difference is a mass."""
    return first.span is None and second.span is None


def _apart(side: FlowSide, pair: Pair) -> str:
    first, second = side.amounts[pair.first], side.amounts[pair.second]
    if _weighed_only(first, second):
        return (
            f"{first.words} is {first.mass:.3f} kg, {second.words} {second.mass:.3f} kg, "
            f"{abs(first.mass - second.mass):.3f} kg {'less' if first.mass < second.mass else 'more'}"
        )
    one, other = (1e6 * side.cda_by[amount.name].value for amount in (first, second))
    return (
        f"by {first.words} CdA is {one:.3f} mm2, by {second.words} {other:.3f} mm2, "
        f"{100.0 * abs(one / other - 1.0):.1f} % {'less' if one < other else 'more'}"
    )


def _end_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    flow, tank, instants = dataset.plan.flow, side.tank, side.instants
    seconds = instants.end.time - instants.opening.time
    if instants.ran_dry and dataset.plan.kind.boiling_liquid:
        return []  # `boiling_findings` says what it is
    if instants.ran_dry and flow.end == "valve closed early":
        planned = f", planned were {flow.close_after.value:.1f} s" if flow.close_after is not None else ""
        return [RAN_DRY.at(tank.name, instants.end.time, seconds=seconds, planned=planned)]
    if instants.ran_dry:
        return [RAN_TO_RUN_OUT.at(tank.name, instants.end.time, seconds=seconds, end_u_ms=1000.0 * instants.end.u)]
    if flow.end == "run-out":
        return [CLOSED_BEFORE_RUN_OUT.at(tank.name, instants.end.time, seconds=seconds)]
    return []


def _hold_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Say where the pressure moved before the opening by more than warm gas settling would."""
    static = side.static
    if static is None:
        return []
    trace = trace_of(dataset, side.tank, side.channel, side.instants)
    seconds = _seconds_of_drift(trace, static.drift)
    share = static.drift * seconds / static.value
    # Slow noise drifts by itself: lines as long as this one tell by how much.
    u = max(static.u, trace.noise.slope_u(static.window.end - static.window.start))
    u *= seconds / static.value
    if -HOLD_FALLS - SURE * u <= share <= HOLD_RISES + SURE * u:
        return []
    way = "fell" if share < 0.0 else "rose"
    why = (
        "gas still cooling or a leak, both of which raise the exponent: hold longer, look for the leak"
        if share < 0.0
        else "a supply leaking in, which lowers the exponent: shut and vent the supply line first"
    )
    return [
        PRESSURE_NOT_HELD.at(
            side.channel.tag,
            static.window.start,
            # Over a boiling liquid the gas cools for minutes.
            severity="note" if share < 0.0 and dataset.plan.kind.boiling_liquid else None,
            way=way,
            drift_bar=abs(static.drift) / 1e5,
            share_percent=100.0 * abs(share),
            why=why,
        )
    ]


def _seconds_of_drift(trace: FlowTrace, drift: float) -> float:
    """Return for how long a drift goes on: through the flow, or until gas that settles ever more slowly has. [s]."""
    course, length = trace.course, trace.end - trace.opening
    part = slice(course.place(max(trace.rest_from, trace.opening - LONGEST)), course.place(trace.opening - CLEAR))
    time, pressure = course.time[part], course.pressure[part]
    half = time.size // 2
    if half < LEAST_MEANS:
        return length
    early, late = (float(np.polyfit(time[k], pressure[k], 1)[0]) for k in (slice(half), slice(half, None)))
    spacing = float(np.mean(time[half:]) - np.mean(time[:half]))
    unsure = SURE * math.sqrt(2.0) * trace.noise.slope_u(spacing)
    if early * late <= 0.0 or drift * late <= 0.0 or abs(early) - abs(late) < unsure:
        return length
    return min(length, spacing / math.log(early / late))
