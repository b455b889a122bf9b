"""Start, shutdown and burn times of one firing, and its injector stiffness along the burn.

SI, absolute pressures; times in seconds after T-0. Burn time has no universal definition, so each is named and given.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.channel import Channel, pair_u
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.performance import least_stiffness
from standbook.analysis.results.firing_results import BurnByDefinition, Shutdown, StartTransient, Stiffness
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import BudgetTerm
from standbook.analysis.signal.thrust_crossings import aft_tangent_bisector, thrust_start_stop
from standbook.analysis.signal.transients import FALLEN, rise_of, shutdown_begin
from standbook.analysis.signal.windows import block_average
from standbook.analysis.thrust.burn import TEN_PERCENT_U, Burn, force_u
from standbook.analysis.thrust.tank_flows import TankFlow
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.config import measurands
from standbook.daq.errors import DataError

CHAMBER_MEAN = 0.005  # s; roughness of single samples is no overshoot
LEVEL_OVER, LEVEL_BEFORE = 0.3, 0.1  # s, of the level before shutdown and how long before the inner burn ends
STIFFNESS_OVER, STIFFNESS_BLOCK = 0.2, 0.02  # s
# What each definition moved by in simulated firings whose end was known, beside noise and smear. [s]
DEFINITION_U: Mapping[str, float] = {
    "10 % to 10 %": TEN_PERCENT_U,
    "5 % to 5 %": 0.04,
    "10 % to aft-tangent bisector": 0.004,
}


@dataclass(frozen=True, slots=True)
class Scale:
    """What a mean force of this firing is uncertain by. See :func:`analysis.thrust.burn.force_u`."""

    impulse: float  # [N*s]
    length: float  # [s]
    budget: tuple[BudgetTerm, ...]

    def u(self, force: float) -> float:
        """Return the standard uncertainty of one mean force. [N]."""
        return force_u(force, self.impulse, self.length, self.budget)


def start_transient(dataset: Dataset, record: ThrustRecord, burn: Burn) -> StartTransient | None:
    """Return delay, rise and overshoot; ``None`` where the start is not in the record.

    Rise and overshoot come from the chamber where a sensor of it can be believed: thrust rings with the stand.
    """
    if burn.start is None:
        return None
    delay = None
    if dataset.t_zero is not None:
        delay = Measured(burn.start.time, math.hypot(burn.start.u, dataset.t_zero.u), "s")
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), *burn.span)
    if chamber is None:
        tag, time, value, span = record.cell.tag, record.time, record.thrust, record.mode_period
        what = "thrust, mean over one stand-mode period"
    else:
        tag, span, (time, reading) = chamber.tag, CHAMBER_MEAN, chamber.known()
        value = reading - dataset.plan.site.ambient_pressure.value
        what = f"chamber pressure above ambient, mean over {1e3 * CHAMBER_MEAN:g} ms"
    try:
        rise = rise_of(time, value, start=burn.start.time, span=span)
    except DataError:
        rise = None
    return StartTransient(
        delay=delay,
        rise=rise.rise if rise else None,
        overshoot=rise.overshoot if rise else None,
        channel=tag,
        definition=f"delay: T-0 to 10 % of the greatest mean thrust; rise: 10 to 90 % of the settled course of "
        f"{what}, the straight line through 0.3 to 1.0 s extended back to the start; overshoot: the greatest above it",
    )


def shutdown(record: ThrustRecord, burn: Burn, scale: Scale, *, first_out: float | None) -> Shutdown | None:
    """Return when shutdown began, how long thrust tailed off, its impulse; ``None`` where it is not in the record."""
    if burn.stop is None:
        return None
    ending = burn.inner(first_out)[1]
    inside = (record.time >= ending - LEVEL_OVER) & (record.time <= ending)
    if np.count_nonzero(inside) < 4:
        return None
    level = float(np.mean(record.thrust[inside]))
    try:
        begin = shutdown_begin(record.time, record.thrust, after=ending, level=level, span=record.mode_period)
    except DataError:
        return None
    end = burn.window.end
    value = record.record().between(begin.value, end)
    length = max(end - begin.value, 1e-9)
    u = math.hypot(scale.u(value / length) * length, FALLEN * level * begin.u)
    return Shutdown(
        begin.value,
        Measured(burn.stop.time - begin.value, math.hypot(begin.u, burn.stop.u), "s"),
        Measured(value, u, "N*s"),
    )


def burns(record: ThrustRecord, burn: Burn, scale: Scale) -> tuple[BurnByDefinition, ...]:
    """Return burn time and mean thrust by each definition that the record can serve."""
    if burn.start is None or burn.stop is None:
        return ()
    found = []
    instants = {"10 % to 10 %": (burn.start, burn.stop)}
    try:
        instants["5 % to 5 %"] = thrust_start_stop(record.time, record.thrust, record.mode_period, fraction=0.05)
        bisector = aft_tangent_bisector(record.time, record.thrust, record.mode_period)
        instants["10 % to aft-tangent bisector"] = (burn.start, bisector)
    except DataError:
        pass  # a record that cannot serve a definition has no number by it
    seen = record.record()
    for name, (start, stop) in instants.items():
        length = stop.time - start.time
        if length <= 0.0:
            continue
        time_u = math.hypot(start.u, stop.u, DEFINITION_U[name])
        mean = seen.between(start.time, stop.time) / length
        u = math.hypot(scale.u(mean), mean * time_u / length)
        found.append(
            BurnByDefinition(
                definition=name,
                start=start.time,
                end=stop.time,
                burn_time=Measured(length, time_u, "s"),
                mean_thrust=Measured(mean, u, "N"),
            )
        )
    return tuple(found)


def stiffness_of(
    dataset: Dataset, burn: Burn, flows: Mapping[str, TankFlow], *, first_out: float | None
) -> dict[str, Stiffness]:
    """Return each side's injector stiffness at start and end of the settled burn, and its least with the instant."""
    begin, end = burn.inner(first_out)
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), begin, end)
    if chamber is None or end - begin < 2.0 * STIFFNESS_OVER:
        return {}
    found = {}
    for name, flow in flows.items():
        manifold = first_usable(dataset.measuring(measurands.MANIFOLD_PRESSURE, name), begin, end)
        source = manifold or flow.channel
        one = _stiffness(dataset, source, chamber, (begin, end))
        if one is not None:
            least, at, at_start, at_end = one
            found[name] = Stiffness(least=least, at=at, at_start=at_start, at_end=at_end, of_feed=manifold is None)
    return found


def _stiffness(
    dataset: Dataset, source: Channel, chamber: Channel, span: tuple[float, float]
) -> tuple[Measured, float, Measured, Measured] | None:
    begin, end = span
    ambient = dataset.plan.site.ambient_pressure
    time, above = block_average(source.time, source.reading, start=begin, end=end, block=STIFFNESS_BLOCK)
    _, below = block_average(chamber.time, chamber.reading, start=begin, end=end, block=STIFFNESS_BLOCK)

    def u_at(upstream: float, downstream: float) -> float:
        pair = pair_u(source, upstream, chamber, downstream, ambient)
        return pair.of(1.0 / downstream, -upstream / downstream**2)

    def mean_over(low: float, high: float) -> Measured | None:
        inside = (time >= low) & (time <= high) & np.isfinite(above) & np.isfinite(below)
        if not inside.any():
            return None
        upper, lower = float(np.mean(above[inside])), float(np.mean(below[inside]))
        return Measured((upper - lower) / lower, u_at(upper, lower), "1")

    middle = float(np.nanmean(below)) if np.isfinite(below).any() else ambient.value
    least = least_stiffness(
        time,
        above,
        below,
        start=begin,
        end=end,
        span=STIFFNESS_OVER,
        u_of=pair_u(source, middle, chamber, middle, ambient).of,
    )
    first, last = mean_over(begin, begin + STIFFNESS_OVER), mean_over(end - STIFFNESS_OVER, end)
    if least is None or first is None or last is None:
        return None
    return (*least, first, last)


def scale_of(burn: Burn, impulse: float, budget: Iterable[BudgetTerm]) -> Scale:
    """Return what forces of this firing are uncertain by."""
    begin, end = burn.span
    return Scale(impulse, end - begin, tuple(budget))
