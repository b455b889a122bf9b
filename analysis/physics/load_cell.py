"""From a load cell's reading to thrust: zero before and after, the weight that leaves, hoses that push.

SI, plain arrays, thrust positive along the direction of thrust. Before ignition a cell under a vertical stand reads
weight as well; thrust is what is left when the reading that the stand would give without thrust is taken off.
Nothing is filtered here, and a reading of the wrong sign stays of the wrong sign.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import Window, correlation_time
from standbook.daq.arrays import Array

NOTHING = Measured(0.0, 0.0, "N")
SHAPE_U = 0.01  # of the weight impulse: characteristic velocity is taken as constant while the mass leaves; judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Zero:
    """Mean of one quiet stretch. [N]."""

    value: float
    u: float  # standard uncertainty of the mean, correlation included
    deviation: float  # standard deviation of single samples
    correlation: float  # 1 + 2 sum rho, in samples
    window: Window


@dataclass(frozen=True, slots=True, kw_only=True)
class Unloaded:
    """What the cell would read without thrust, from before the run to after it.

    ``reading(t) = before + line_load(t) + step * share(t)``; the step is what moved between the two zeros.
    """

    before: Zero
    after: Zero | None
    share: Array  # (N,) of the expelled mass that has left, 0 to 1
    line_load: Array  # (N,) what hose pressure adds since the first zero [N]
    step: float  # [N]
    step_u: float  # of the step where it is computed from a mass or holds one, else 0: the zeros carry it [N]

    @property
    def reading(self) -> Array:
        """Cell reading without thrust. (N,) [N]."""
        return self.before.value + self.line_load + self.step * self.share


def weight_sign(nozzle: Literal["down", "up", "horizontal"], tanks_on_cell: bool) -> int:
    """Return how lost weight shows in a tared reading: +1 as more thrust, -1 as less, 0 not at all.

    With the nozzle down thrust lifts what weight presses down, so the reading grows as mass leaves.
    """
    if not tanks_on_cell or nozzle == "horizontal":
        return 0
    return 1 if nozzle == "down" else -1


def zero_of(time: Array, reading: Array, window: Window) -> Zero:
    """Average a quiet stretch; samples that are not numbers are left out."""
    part = reading[window.of(time)]
    part = part[np.isfinite(part)]
    deviation = float(np.std(part, ddof=1)) if part.size > 1 else math.inf
    correlation = correlation_time(part)
    return Zero(
        value=float(np.mean(part)),
        u=deviation * math.sqrt(correlation / part.size),
        deviation=deviation,
        correlation=correlation,
        window=window,
    )


def expelled_share(time: Array, flow: Array, *, start: float, end: float) -> Array:
    """Return the share of the expelled mass that has left at each instant.

    Parameters
    ----------
    time, flow : (N,) array
        Instants [s] and anything proportional to mass flow, such as absolute chamber pressure.
    start, end : float
        Mass leaves between these only. [s]

    Notes
    -----
    Where ``flow`` says nothing (not a number throughout, or never positive) the share grows in a straight line.
    """
    inside = (time >= start) & (time <= end)
    seen = inside & np.isfinite(flow)
    straight = np.clip((time - start) / (end - start), 0.0, 1.0)
    if np.count_nonzero(seen) < 2:
        return straight
    rate = np.where(inside, np.maximum(np.interp(time, time[seen], flow[seen]), 0.0), 0.0)
    total = np.concatenate(([0.0], np.cumsum(np.diff(time) * (rate[1:] + rate[:-1]) / 2.0)))
    return total / total[-1] if total[-1] > 0.0 else straight


def unloaded(
    *,
    before: Zero,
    after: Zero | None,
    share: Array,
    line_load: Array,
    line_load_after: float,
    expected_step: Measured,
    left_later: Measured = NOTHING,
) -> Unloaded:
    """Build the reading without thrust.

    Parameters
    ----------
    before, after : Zero
        The two zeros; without one after the run the step comes from ``expected_step``.
    share : (N,) array
        From :func:`expelled_share`.
    line_load : (N,) array
        Hose load since the first zero. [N]
    line_load_after : float
        The same during the second zero. [N]
    expected_step : Measured
        Sign times expelled weight, as the cell would feel it. [N]
    left_later : Measured, optional
        The same of what left after the burn and before the second zero, such as the gas behind the liquid. [N]
    """
    if after is None:
        return Unloaded(
            before=before,
            after=None,
            share=share,
            line_load=line_load,
            step=expected_step.value,
            step_u=expected_step.u,
        )
    return Unloaded(
        before=before,
        after=after,
        share=share,
        line_load=line_load,
        step=after.value - before.value - line_load_after - left_later.value,
        step_u=left_later.u,
    )


def drift_of(zero: Unloaded, expected_step: Measured | None) -> float | None:
    """Return what moved between the zeros beyond the weight that left; ``None`` where that is not known. [N]."""
    if zero.after is None or expected_step is None:
        return None
    return zero.step - expected_step.value
