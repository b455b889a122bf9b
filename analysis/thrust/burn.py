"""Start, end and level of the thrust of one firing, by named definitions.

SI; times in seconds after T-0. Total impulse uses the full window only; everything else here names what it means.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from standbook.analysis.physics.impulse import GAPS_BOUNDED
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import BudgetTerm, ThrustResult
from standbook.analysis.signal.thrust_crossings import comes_to_rest, full_window, running_mean, thrust_start_stop
from standbook.analysis.signal.valve_events import Event
from standbook.analysis.signal.windows import Window
from standbook.analysis.thrust.thrust_record import MARGIN, ThrustRecord
from standbook.daq.arrays import Array

PAD = 0.5  # s of zero put before or after a record that begins or ends under thrust, to find its other end
SETTLED_AFTER, LEVEL_OVER = 0.3, 0.2  # s after the 10 % start, and averaged over
MOST_DELAY = 1.0  # s from T-0 to thrust that valve and ignition may take
ENDING_BEFORE = 0.1  # s before the first run-out
SCALING = frozenset(
    {
        "alignment",
        "calibration scatter",
        "gain in place, at its floor",
        "reference standard",
        "sensor supply",
        "stand interaction",
    }
)
NOT_A_LEVEL = frozenset({"noise", "clock rate", "rows bridged", "window"})
TEN_PERCENT_U = 0.005  # s, standard, of the length between the 10 % instants beside noise; from simulated firings


@dataclass(frozen=True, slots=True, kw_only=True)
class Burn:
    """Where thrust is. A start or stop that is not in the record is ``None``."""

    start: Event | None  # 10 % of the greatest mean over one stand-mode period
    stop: Event | None
    window: Window  # all of the thrust
    thrust_begin: float  # begin and end of thrust, without the window's margin
    thrust_end: float

    def inner(self, first_out: float | None) -> tuple[float, float]:
        """Return the settled part: after the start transient, before the first run-out. [s]."""
        begin = self.start.time if self.start else self.window.start
        end = self.stop.time if self.stop else self.window.end
        if first_out is not None and begin + 1.0 < first_out < end:
            end = first_out
        return begin + SETTLED_AFTER, max(end - ENDING_BEFORE, begin + SETTLED_AFTER)

    @property
    def prediction_delay(self) -> float:
        """What to add to a prediction's times: it counts from full flow and knows no delay of valve and ignition."""
        return self.start.time if self.start is not None and 0.0 < self.start.time < MOST_DELAY else 0.0

    @property
    def span(self) -> tuple[float, float]:
        """Burn from start to stop, the window's ends where they are not known. [s]."""
        return (
            self.start.time if self.start else self.window.start,
            self.stop.time if self.stop else self.window.end,
        )


def burn_of(record: ThrustRecord, *, late: bool, cut_off: bool, t_zero_known: bool) -> Burn:
    """Find start, stop and full window.

    Parameters
    ----------
    record : ThrustRecord
        With the weight taken out.
    late, cut_off : bool
        The record begins, or ends, under thrust.
    t_zero_known : bool
        Times count from T-0; the window then begins there at the latest.

    Raises
    ------
    DataError
        There is no thrust.
    """
    cut_off = cut_off or not comes_to_rest(record.time, record.thrust, record.mode_period)
    time, thrust = _padded(record.time, record.thrust, record.interval, before=late, after=cut_off)
    start, stop = thrust_start_stop(time, thrust, record.mode_period)
    full = full_window(time, thrust, record.mode_period, margin=MARGIN)
    begin = min(full.start, 0.0) if t_zero_known else full.start
    first, last = float(record.time[0]), float(record.time[-1])
    return Burn(
        start=None if late or beside_gap(record, start) else start,
        stop=None if cut_off or beside_gap(record, stop) else stop,
        window=Window(max(begin, first), min(full.end, last)),
        thrust_begin=max(full.start + MARGIN, first),
        thrust_end=min(full.end - MARGIN, last),
    )


def beside_gap(record: ThrustRecord, event: Event, *, within: float = GAPS_BOUNDED) -> bool:
    """Tell whether so long a gap begins or ends beside an instant, ``within`` so many s, that it may lie in the gap."""
    lost = np.diff(record.time) > GAPS_BOUNDED
    reach = max(record.mode_period, within)
    near = (record.time[:-1] <= event.time + reach) & (record.time[1:] >= event.time - reach)
    return bool(np.any(lost & near))


def _padded(time: Array, thrust: Array, interval: float, *, before: bool, after: bool) -> tuple[Array, Array]:
    """Put zero before or after a record that begins or ends under thrust."""
    steps = interval * np.arange(1, max(2, round(PAD / interval)) + 1)
    zero = np.zeros(steps.size)
    if before:
        time, thrust = np.concatenate([time[0] - steps[::-1], time]), np.concatenate([zero, thrust])
    if after:
        time, thrust = np.concatenate([time, time[-1] + steps]), np.concatenate([thrust, zero])
    return time, thrust


def force_u(force: float, impulse: float, length: float, budget: Iterable[BudgetTerm]) -> float:
    """Return the standard uncertainty of one mean force from the budget of the impulse. [N].

    What scales every reading scales with the force; what shifts it is spread over the burn.
    """
    budget = tuple(budget)
    scale = math.sqrt(sum(t.u**2 for t in budget if t.source in SCALING)) / abs(impulse) if impulse else 0.0
    shift = math.sqrt(sum(t.u**2 for t in budget if t.source not in SCALING | NOT_A_LEVEL)) / length
    return math.hypot(scale * force, shift)


def thrust_result(
    record: ThrustRecord, burn: Burn, *, first_out: float | None, impulse: float, budget: Iterable[BudgetTerm]
) -> ThrustResult:
    """Return peak, mean and thrust at both ends. [N]."""
    budget = tuple(budget)
    begin, end = burn.span
    length = end - begin

    def level(force: float) -> Measured:
        return Measured(force, force_u(force, impulse, length, budget), "N")

    def over(low: float, high: float) -> Measured | None:
        inside = (record.time >= low) & (record.time <= high)
        return level(float(np.mean(record.thrust[inside]))) if np.count_nonzero(inside) >= 4 else None

    inside = (record.time >= begin) & (record.time <= end)
    mean = running_mean(record.time, record.thrust, record.mode_period)[inside]
    mean_force = record.record().between(begin, end) / length
    lasted = burn_time(burn)
    mean_u = math.hypot(level(mean_force).u, mean_force * lasted.u / length if lasted else 0.0)
    settled, ending = burn.inner(first_out)
    known = burn.start is not None and burn.stop is not None
    return ThrustResult(
        peak=level(float(mean.max())) if mean.size else None,
        mean=Measured(mean_force, mean_u, "N") if known else None,
        at_start=over(settled, settled + LEVEL_OVER) if burn.start else None,
        at_end=over(ending - LEVEL_OVER, ending) if burn.stop else None,
        definition=(
            f"peak: highest mean over one stand-mode period, {1e3 * record.mode_period:.1f} ms; mean: from the 10 % "
            f"start to the 10 % stop; at start: mean from {SETTLED_AFTER:g} to {SETTLED_AFTER + LEVEL_OVER:g} s after "
            f"the 10 % start; at end: mean of the {LEVEL_OVER:g} s that end {ENDING_BEFORE:g} s before the first "
            "run-out, or the 10 % stop where none is seen"
        ),
    )


def burn_time(burn: Burn) -> Measured | None:
    """Return the time from the 10 % start to the 10 % stop. [s]."""
    if burn.start is None or burn.stop is None:
        return None
    return Measured(burn.stop.time - burn.start.time, math.hypot(burn.start.u, burn.stop.u, TEN_PERCENT_U), "s")
