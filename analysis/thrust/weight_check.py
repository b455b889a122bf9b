"""What the expelled propellant's weight says of a load cell: whether its zero moved as the stand file has it.

SI, forces positive along the direction of thrust.
"""

import math
from collections.abc import Mapping

from standbook.analysis.findings.thrust import (
    GAS_LEFT,
    ONE_ZERO,
    WEIGHT_FELT,
    WEIGHT_MISMATCH,
    WEIGHT_NOT_FELT,
    WEIGHT_SIGN,
    WEIGHT_UNIT,
)
from standbook.analysis.physics.impulse import integrate
from standbook.analysis.physics.load_cell import Unloaded
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import factor

AGREE = 3.0  # combined standard uncertainties; beyond this two routes to one number are said to disagree
UNEXPLAINED_SHARE = 0.5  # of the expelled weight: a zero that moves this far has felt it
CONFUSED_FORCES: Mapping[str, float] = {"N/lbf": factor("lbf", "force"), "N/kgf": factor("kgf", "force")}
RATIO_WITHIN = 0.05  # of the weight; pound and kilogram are a factor of two apart
GAS_TOLD = 0.02  # kg of gas that left, from which on it is told


def gas_findings(record: ThrustRecord, span: tuple[float, float]) -> list[Finding]:
    """Tell how much gas left behind the liquids, and what the impulse over ``span`` [s] gains or loses by it."""
    gas = record.gas_left
    if record.sign == 0 or gas.value < GAS_TOLD:
        return []
    weight = gas.value * record.weight_per_mass
    share = integrate(record.time, record.zero.share, interval=record.interval).between(*span)
    return [
        GAS_LEFT.at(record.cell.tag, mass=gas.value, mass_u=gas.u, weight=weight, impulse=record.sign * weight * share)
    ]


def weight_findings(
    tag: str,
    zero: Unloaded,
    *,
    sign: int,
    factor: float,
    weight: Measured | None,
    relative_gain_u: float,
    drift_u: float = 0.0,
) -> list[Finding]:
    """Compare how far the zero moved with what the expelled propellant weighs.

    Parameters
    ----------
    tag : str
        The cell.
    zero : Unloaded
        Before and after.
    sign : int
        From :func:`~standbook.analysis.physics.load_cell.weight_sign`.
    factor : float
        True force over cell force.
    weight : Measured or None
        Of the expelled propellant, weighed. [N]
    relative_gain_u : float
        Standard uncertainty of the cell's gain in place.
    drift_u : float
        What a zero usually moves by during a run, by the calibration, and what hoses that lost their pressure may have
        moved it by beyond their stated load. [N]
    """
    if zero.after is None:
        return [_one_zero(tag, sign)]
    if weight is None or weight.value <= 0.0:
        return []
    moved = factor * zero.step
    zeros = factor * math.hypot(zero.before.u, zero.after.u, drift_u)
    u = math.hypot(zeros, weight.u, relative_gain_u * weight.value)
    expelled = weight.value
    when = zero.after.window.start
    if sign == 0:
        felt = abs(moved) >= UNEXPLAINED_SHARE * expelled
        return [WEIGHT_FELT.at(tag, when, moved=moved, weight=expelled)] if felt else []
    if moved * sign < 0.0 and abs(moved) > UNEXPLAINED_SHARE * expelled:
        return [WEIGHT_SIGN.at(tag, when, moved=moved, weight=expelled)]
    confused = _confused_unit(moved * sign, weight.value, u) if moved * sign > 0.0 else None
    if confused is not None:
        name, ratio = confused
        return [WEIGHT_UNIT.at(tag, when, moved=moved, weight=expelled, times=expelled / moved, ratio=ratio, unit=name)]
    apart = abs(moved - sign * expelled)
    if abs(moved) < (1.0 - UNEXPLAINED_SHARE) * expelled and apart > AGREE * u:
        return [WEIGHT_NOT_FELT.at(tag, when, moved=moved, weight=expelled)]
    return (
        [WEIGHT_MISMATCH.at(tag, when, moved=moved, weight=expelled, apart=apart, apart_in_u=apart / u)]
        if apart > AGREE * u
        else []
    )


def _confused_unit(moved: float, weight: float, u: float) -> tuple[str, float] | None:
    """Name the unit of force that was taken for newtons where a zero moved by that much less than it should."""
    if abs(moved - weight) <= AGREE * u:
        return None
    for name, ratio in CONFUSED_FORCES.items():
        if abs(moved * ratio - weight) <= AGREE * u + RATIO_WITHIN * weight:
            return name, ratio
    return None


def _one_zero(tag: str, sign: int) -> Finding:
    weight = "the weight that left is taken from the masses and " if sign else ""
    return ONE_ZERO.at(tag, weight=weight)
