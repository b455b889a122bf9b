"""Tell whether the holes of an injector ran partly on vapour, so that the CdA of a flow is not that of a firing.

SI, absolute pressures. Pure. Holes stand for the injector; line and valve before them do not cavitate.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from standbook.analysis.results.quantities import Measured

SHARP_CONTRACTION = 0.62  # of the jet in a short hole with a sharp edge [Nurick1976]
ROUNDING = 11.4  # how fast 1/C_c^2 falls with inlet radius over diameter [Nurick1976]
CAVITATES = 1.8  # cavitation number below which a sharp-edged hole may run partly on vapour
FULL = 2.0  # above it none does, whatever its edge
FLASHES = 1.0  # below it the vapour pressure is above the pressure behind: no inlet keeps vapour out
APART_ENOUGH = 0.5  # of two flows' cavitation numbers: a hole on vapour would have moved by a sixth and more
AGREE = 3.0  # combined standard uncertainties of two CdA
BAR = 1e5  # Pa


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherFlow:
    """Another flow of the same side, to hold against one that may have cavitated."""

    number: str
    cavitation: float  # least cavitation number
    cda: Measured  # [m2]


def cavitation_number(inlet: float, outlet: float, vapour_pressure: float) -> float:
    """Compute (P1 - Pv) / (P1 - P2) of absolute pressures. Source: [Nurick1976]."""
    return (inlet - vapour_pressure) / (inlet - outlet)


def contraction(rounding: float) -> float:
    """Compute the contraction coefficient of a short hole from its inlet radius over diameter, at most 1.

    Notes
    -----
    1/C_c^2 = 1/0.62^2 - 11.4 r/d. Source: [Nurick1976].
    """
    inverse = SHARP_CONTRACTION**-2 - ROUNDING * rounding
    return 1.0 if inverse <= 1.0 else 1.0 / math.sqrt(inverse)


def critical_number(rounding: float | None) -> float:
    """Compute the cavitation number below which a hole may run partly on vapour; ``None``: inlet not known, as sharp.

    Notes
    -----
    K_c = (C_d / C_c)^2 with the discharge coefficient of a full hole, so that it scales with 1/C_c^2. Derived from
    [Nurick1976].
    """
    return CAVITATES * (SHARP_CONTRACTION / contraction(rounding or 0.0)) ** 2


def least_full(rounding: float | None) -> float:
    """Return the cavitation number down to which a hole runs full: its critical one, but flashing fills none."""
    return max(critical_number(rounding), FLASHES)


def inlet_words(rounding: float | None) -> str:
    """Say of holes what a plan states of their inlet."""
    if rounding is None:
        return "with an inlet that the plan does not state"
    return "with a sharp inlet" if rounding == 0.0 else f"with an inlet rounded {rounding:g} d"


def back_pressure_needed(inlet: float, vapour_pressure: float) -> float:
    """Compute the pressure behind the injector that keeps any hole full. Absolute [Pa]."""
    return inlet - (inlet - vapour_pressure) / FULL


def refusal(
    least: float, *, rounding: float | None, cda: Measured, others: Sequence[OtherFlow], needed: float
) -> str | None:
    """Explain why the CdA of a flow is not carried; ``None`` where it may be.

    Parameters
    ----------
    least : float
        Cavitation number of the flow, the least of it.
    rounding : float or None
        Inlet radius over diameter of the holes, ``None`` where the plan does not say.
    cda : Measured
        Of the flow [m2].
    others : sequence of OtherFlow
        Other flows of the same side.
    needed : float
        Pressure behind the injector that would have kept it full, absolute [Pa].
    """
    limit = least_full(rounding)
    if least >= limit or witness(least, cda, others) is not None:
        return None
    return (
        f"The CdA is not carried: the cavitation number fell to {least:.2f}, and below {limit:.2g} holes "
        f"{inlet_words(rounding)} may run partly on vapour and pass less than in a firing. Hold at least "
        f"{needed / BAR:.1f} bar(a) behind the injector, flow with it off to get the line alone, or flow again at a "
        f"cavitation number that differs by {APART_ENOUGH:g}: where both give one CdA, it is carried."
    )


def witness(least: float, cda: Measured, others: Sequence[OtherFlow]) -> OtherFlow | None:
    """Return another flow that shows the CdA not to change with the cavitation number, if there is one."""
    for other in others:
        apart = abs(other.cda.value - cda.value)
        if abs(other.cavitation - least) >= APART_ENOUGH and apart < AGREE * math.hypot(other.cda.u, cda.u):
            return other
    return None


def remark(least: float, *, rounding: float | None, cda: Measured, others: Sequence[OtherFlow]) -> str | None:
    """Say what is near the limit of a flow whose CdA is carried, or why it is carried below the limit."""
    if least >= FULL:
        return None
    if least < least_full(rounding):
        other = witness(least, cda, others)
        if other is None:
            return None
        return (
            f"Cavitation number {least:.2f}; {other.number} at {other.cavitation:.2f} gave "
            f"{1e6 * other.cda.value:.2f} mm2 (u = {1e6 * other.cda.u:.2f}), which agrees: no hole ran on vapour."
        )
    if rounding:
        return (
            f"Cavitation number {least:.2f}: holes with an inlet rounded {rounding:g} d, as the plan says, run full "
            f"down to {least_full(rounding):.2f}."
        )
    return f"Cavitation number {least:.2f}, near the {CAVITATES:g} below which sharp-edged holes may run on vapour."
