"""Sentences about a cold flow's course and amounts: value, limit, consequence, what to do.

SI, absolute pressures; times in seconds after T-0; sentences show bar, kg and seconds.
"""

import math
from collections.abc import Iterable

from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.dataset import Channel, Dataset
from standbook.analysis.discharge.amounts import DISAGREE, Amount, Pair
from standbook.analysis.results.results import Finding
from standbook.daq.config.plan import Tank

HOLD_FALLS, HOLD_RISES = 0.02, 0.01  # of the start pressure over the length of the flow; warm gas settles by less
CLOSES = DISAGREE  # combined standard uncertainties of two amounts of the same liquid


def course_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Hold the flow's course against the plan's: how it ended, and whether the tank held before."""
    return [*_end_findings(dataset, side), *_hold_findings(side)]


def amount_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Say what the amounts of liquid are worth: none, more than was loaded, or two that contradict each other."""
    tank = side.tank
    if not side.amounts:
        return [
            Finding(
                "not-weighed",
                "caution",
                tank.name,
                None,
                f"{tank.name}: no exponent and no CdA without an amount of liquid, for many pairs of the two draw the "
                "same pressure curve: weigh what was caught or drain and weigh what stayed aboard, add that to the run "
                "as a weighings file and analyse again, or record a flow meter, a weighed tank or a venturi next time.",
            )
        ]
    said = _disagreements(side)
    amount, load = side.amount, tank.liquid_load
    if amount is not None and amount.value > load.value + CLOSES * math.hypot(amount.u, load.u):
        said.append(
            Finding(
                "caught-more-than-loaded",
                "serious",
                tank.name,
                None,
                f"{tank.name}: {amount.value:.3f} kg left although only {load.value:.3f} kg were loaded: one of the "
                "two is wrong, and CdA and exponent with it. Weigh bucket and load again.",
            )
        )
    if [a.name for a in side.amounts] == ["run-out"]:
        said.append(
            Finding(
                "amount-from-load",
                "caution",
                tank.name,
                None,
                f"{tank.name}: nothing was weighed or metered, so the liquid that left is the plan's load less what "
                f"cannot leave, {side.amounts[0].mass:.3f} kg: if the load was not weighed as the plan has it, CdA "
                "and exponent are off by as much; catch and weigh next time.",
            )
        )
    return said


def no_flow(tank: Tank, why: Iterable[tuple[Channel, str]]) -> list[Finding]:
    """Say why no pressure sensor shows a flow that could be analysed."""
    return [
        Finding(
            "no-flow-found",
            "serious",
            channel.tag,
            None,
            f"{channel.tag}: no flow of the {tank.name} tank can be taken from it: {reason}. CdA and exponent are not "
            "known from this sensor.",
        )
        for channel, reason in why
    ]


def no_sensor(tank: Tank) -> Finding:
    """Say that nothing can be taken from a record without the tank's pressure."""
    return Finding(
        "no-tank-pressure",
        "serious",
        tank.name,
        None,
        f"{tank.name}: no calibrated pressure channel of this tank was recorded, so neither CdA nor exponent is known: "
        "name its calibration in the plan, or give a later one with --calibration, and analyse again.",
    )


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
        Finding(
            "mass-does-not-close" if _weighed_only(amounts[p.first], amounts[p.second]) else "amounts-disagree",
            "caution" if held.left_out is not None else "serious",
            tank.name,
            None,
            f"{tank.name}: {_apart(side, p)}, {p.apart:.1f} standard uncertainties of the difference ({CLOSES:.0f} may "
            f"happen): {fate}. Look for spilt or left liquid, weigh again, check the calibration of meter and scale.",
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
    if instants.ran_dry and flow.end == "valve closed early":
        planned = f", planned were {flow.close_after.value:.1f} s" if flow.close_after is not None else ""
        return [
            Finding(
                "ran-dry",
                "caution",
                tank.name,
                instants.end.time,
                f"{tank.name}: the plan closes the valve early, but gas came through after {seconds:.1f} s of flow"
                f"{planned}: when the last liquid left is less sure than a closing, which widens the uncertainty of "
                "CdA. Close the valve earlier or load more, and look whether the load was short.",
            )
        ]
    if instants.ran_dry:
        return [
            Finding(
                "ran-to-run-out",
                "note",
                tank.name,
                instants.end.time,
                f"{tank.name}: as planned the flow ran until gas broke through, after {seconds:.1f} s: when the last "
                f"liquid left is known to {1e3 * instants.end.u:.0f} ms (standard uncertainty), which is in that of "
                "CdA; a valve closed earlier would give a surer CdA.",
            )
        ]
    if flow.end == "run-out":
        return [
            Finding(
                "closed-before-run-out",
                "note",
                tank.name,
                instants.end.time,
                f"{tank.name}: the plan runs the tank dry, but the valve closed after {seconds:.1f} s with liquid "
                "aboard; CdA gains by it, the time to run-out is not known.",
            )
        ]
    return []


def _hold_findings(side: FlowSide) -> list[Finding]:
    """Say where the pressure moved before the opening by more than warm gas settling would."""
    static = side.static
    if static is None:
        return []
    seconds = side.instants.end.time - side.instants.opening.time
    share = static.drift * seconds / static.value
    u = static.u / (static.window.end - static.window.start) * seconds / static.value
    if -HOLD_FALLS - 2.0 * u <= share <= HOLD_RISES + 2.0 * u:
        return []
    way = "fell" if share < 0.0 else "rose"
    why = (
        "gas still cooling or a leak, both of which raise the exponent: hold longer, look for the leak"
        if share < 0.0
        else "a supply leaking in, which lowers the exponent: shut and vent the supply line first"
    )
    return [
        Finding(
            "pressure-not-held",
            "caution",
            side.channel.tag,
            static.window.start,
            f"{side.channel.tag}: at rest before the opening the pressure {way} by {abs(static.drift) / 1e5:.3f} "
            f"bar/s, over the length of the flow {100.0 * abs(share):.1f} % of it: {why}.",
        )
    ]
