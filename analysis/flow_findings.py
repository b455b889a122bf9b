"""Sentences about a cold flow's course and amounts: value, limit, consequence, what to do.

SI, absolute pressures; times in seconds after T-0; sentences show bar, kg and seconds.
"""

import math
from collections.abc import Iterable

from analysis.dataset import Channel, Dataset
from analysis.flow_side import FlowSide
from analysis.results import Finding
from daq.plan import Tank

HOLD_FALLS, HOLD_RISES = 0.02, 0.01  # of the start pressure over the length of the flow; warm gas settles by less
CLOSES = 3.0  # combined standard uncertainties of two weighings of the same liquid


def course_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Hold the flow's course against the plan's: how it ended, and whether the tank held before."""
    return [*_end_findings(dataset, side), *_hold_findings(side)]


def amount_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    """Hold what was weighed against what was loaded."""
    tank, amount = side.tank, side.amount
    if amount is None:
        return [
            Finding(
                "not-weighed", "caution", tank.name, None,
                f"{tank.name}: no liquid was weighed, so neither CdA nor exponent is given: many pairs of the two draw "
                "the same pressure curve. Weigh what was caught, or drain and weigh what stayed aboard, write it with "
                "its uncertainty into a weighings file, add that to the run and analyse again.",
            )
        ]  # fmt: skip
    load = tank.liquid_load
    said: list[Finding] = []
    if amount.value > load.value + CLOSES * math.hypot(amount.u, load.u):
        said.append(
            Finding(
                "caught-more-than-loaded", "serious", tank.name, None,
                f"{tank.name}: {amount.value:.3f} kg left although only {load.value:.3f} kg were loaded: one of the "
                "two weighings is wrong, and CdA and exponent with it. Weigh bucket and load again.",
            )
        )  # fmt: skip
    weighing = dataset.weighings.get(tank.name)
    rest = weighing.residual if weighing is not None else None
    if weighing is not None and rest is not None and weighing.caught is not None:
        missing = load.value - weighing.caught.value - rest.value
        u = math.hypot(load.u, weighing.caught.u, rest.u)
        if abs(missing) > CLOSES * u:
            said.append(_missing(tank, missing, u, "caught and drained"))
    elif side.instants.ran_dry:
        missing = load.value - tank.unusable_residual.value - amount.value
        u = math.hypot(load.u, tank.unusable_residual.u, 0.1 * tank.unusable_residual.value, amount.u)
        if abs(missing) > CLOSES * u:
            said.append(_missing(tank, missing, u, "caught until run-out and planned to stay"))
    return said


def no_flow(tank: Tank, why: Iterable[tuple[Channel, str]]) -> list[Finding]:
    """Say why no pressure sensor shows a flow that could be analysed."""
    return [
        Finding(
            "no-flow-found", "serious", channel.tag, None,
            f"{channel.tag}: no flow of the {tank.name} tank can be taken from it: {reason}. CdA and exponent are not "
            "known from this sensor.",
        )
        for channel, reason in why
    ]  # fmt: skip


def _missing(tank: Tank, missing: float, u: float, what: str) -> Finding:
    word = "less" if missing > 0 else "more"
    return Finding(
        "mass-does-not-close", "caution", tank.name, None,
        f"{tank.name}: liquid {what} is {abs(missing):.3f} kg {word} than the load, {CLOSES * u:.3f} kg is explained "
        "by the scales: look for spilt or left liquid, or weigh again; CdA moves by the same share as the mass.",
    )  # fmt: skip


def _end_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    flow, tank, instants = dataset.plan.flow, side.tank, side.instants
    seconds = instants.end.time - instants.opening.time
    if instants.ran_dry and flow.end == "valve closed early":
        planned = f", planned were {flow.close_after.value:.1f} s" if flow.close_after is not None else ""
        return [
            Finding(
                "ran-dry", "caution", tank.name, instants.end.time,
                f"{tank.name}: the plan closes the valve early, but gas came through after {seconds:.1f} s of flow"
                f"{planned}: when the last liquid left is less sure than a closing, which widens the uncertainty of "
                "CdA. Close the valve earlier or load more, and look whether the load was short.",
            )
        ]  # fmt: skip
    if instants.ran_dry:
        return [
            Finding(
                "ran-to-run-out", "note", tank.name, instants.end.time,
                f"{tank.name}: as planned the flow ran until gas broke through, after {seconds:.1f} s: when the last "
                f"liquid left is known to {1e3 * instants.end.u:.0f} ms (standard uncertainty), which is in that of "
                "CdA; a valve closed earlier would give a surer CdA.",
            )
        ]  # fmt: skip
    if flow.end == "run-out":
        return [
            Finding(
                "closed-before-run-out", "note", tank.name, instants.end.time,
                f"{tank.name}: the plan runs the tank dry, but the valve closed after {seconds:.1f} s with liquid "
                "aboard; CdA gains by it, the time to run-out is not known.",
            )
        ]  # fmt: skip
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
            "pressure-not-held", "caution", side.channel.tag, static.window.start,
            f"{side.channel.tag}: at rest before the opening the pressure {way} by {abs(static.drift) / 1e5:.3f} "
            f"bar/s, over the length of the flow {100.0 * abs(share):.1f} % of it: {why}.",
        )
    ]  # fmt: skip
