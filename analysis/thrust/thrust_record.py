"""One run's thrust: which samples, which zeros, the weight taken out, the window, and the impulse budget.

SI; times in seconds after T-0. Joins the run's notes (stand, plan, calibration) with the plain arithmetic of
``analysis.physics.load_cell`` and ``analysis.physics.impulse``.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.budget.alignment import misalignment
from standbook.analysis.budget.shared_masses import sum_of, weighed_alike
from standbook.analysis.channel_checks.channel_health import first_usable, saturated
from standbook.analysis.channel_checks.load_cell_samples import believed
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset, weighed_mass
from standbook.analysis.physics.impulse import IntegratedRecord, integrate, sample_interval
from standbook.analysis.physics.load_cell import (
    SHAPE_U,
    Unloaded,
    Zero,
    expelled_share,
    unloaded,
    weight_sign,
    zero_of,
)
from standbook.analysis.physics.performance import exit_force
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.thrust_crossings import running_mean
from standbook.analysis.signal.windows import MAD_TO_SIGMA, Window, quiet_window
from standbook.analysis.thrust.both_flow import ends_u, expelled_share_of
from standbook.analysis.thrust.chamber_pressure import CHOKED
from standbook.analysis.thrust.gas_aboard import gas_left_until
from standbook.analysis.thrust.tank_flows import TankFlow
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.stand import Stand
from standbook.daq.errors import DataError

NO_MODE = 0.02  # s, averaged over where no stand mode is known
SPAN_LEVEL = 0.25  # a blowdown falls to less than half of its first thrust before it ends
LOOK = 20.0  # s before and after the burn in which zeros are looked for
ZERO_LENGTHS = (2.0, 1.0, 0.5, 0.25)  # s, the longest that fits is taken
CLEAR_BEFORE, CLEAR_AFTER = 0.1, 1.0  # s between a zero and the burn; ringing must have died
AFTER_FLOW = 0.2  # s after a liquid's end, until its line has drained
MARGIN = 0.25  # s added after the last thrust
CUT_SHAPE_U = 0.03  # the same, where part of the burn is not in the record
BURNING, ROUNDS = 0.1, 3  # share of the greatest thrust; rounds until the share stands still
FLOW_SHAPE_U = 0.005  # as SHAPE_U, where both tanks' flows tell the share; simulated firings: 0.003
THRUST_SIGMA, THRUST_SHARE = 8.0, 0.01  # deviations, share of the calibrated range; hoses alone can push so
NO_RANGE = 1e8  # of a reading: an import without calibration states no range, and names a greater one
EPISODE = 5.0  # s at rest, after which a cell that is loaded again is loaded by something else
CHAMBER_LEADS, CHAMBER_LAGS = 1.0, 3.0  # s before and after the chamber burns in which thrust is looked for
UNSETTLED, UNSETTLED_SIGMA = 0.005, 6.0  # of the greatest thrust, standard uncertainties: change within a zero
UNWEIGHED_U = 0.05  # of the propellant mass, where only the plan tells how much left; judgement


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """Where thrust rises and falls through ``SPAN_LEVEL`` of its greatest mean, roughly. [s]."""

    start: float
    end: float
    reversed: bool  # it falls where it should rise
    up_at_first_sample: bool
    still_up_at_end: bool
    height: float  # greatest departure of the mean from rest [N]
    scatter: float  # of the mean at rest [N]
    others: tuple[tuple[float, float], ...] = ()  # when the cell was loaded besides [s]
    first: float = -math.inf  # between these nothing but this burn loaded the cell [s]
    last: float = math.inf


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class ThrustRecord:
    """Thrust and how it came about. Arrays over the samples that are numbers."""

    cell: Channel
    time: Array  # (N,) [s]
    signal: Array  # (N,) in the calibration's unit
    reading: Array  # (N,) of the cell [N]
    thrust: Array  # (N,) [N]
    clipped: NDArray[np.bool_]  # (N,)
    zero: Unloaded
    hose_pressure: Array  # (N,) mean tank pressure since the first zero [Pa]
    hose_pressure_after: float  # the same during the second zero [Pa]
    hose_pressure_before: float  # mean tank pressure above the air during the first zero [Pa]
    sign: int
    factor: float  # true force over the cell's, mean of the burn
    weight: Measured  # of the expelled propellant as far as known, on the true scale [N]
    weighed: bool
    weight_per_mass: float  # local gravity [N/kg]
    gas_left: Measured  # between the liquids' ends and the second zero [kg]
    interval: float  # [s]
    mode_period: float  # [s]
    shape_u: float  # of the weight impulse, relative
    late: bool  # recording began after T-0, or with thrust already up

    def record(self) -> IntegratedRecord:
        """Thrust as the integral sees it."""
        return integrate(self.time, self.thrust, interval=self.interval)

    @property
    def unsettled(self) -> float | None:
        """Change of the cell's reading within the second zero, hoses apart; ``None`` where it stands still. [N]."""
        if self.zero.after is None:
            return None
        window = self.zero.after.window
        inside = window.of(self.time)
        rest = (self.reading - self.zero.line_load)[inside]
        slope = float(np.polyfit(self.time[inside] - window.start, rest, 1)[0])
        length = window.end - window.start
        # A line through noise rises by sqrt(12) times what its mean is uncertain by.
        noise = math.sqrt(12.0) * self.zero.before.u
        least = max(UNSETTLED * float(np.max(self.thrust)), UNSETTLED_SIGMA * noise)
        return slope * length if abs(slope) * length > least else None

    def linear(self, values: Array, start: float, end: float) -> float:
        """Put another series through what the reading goes through: both zeros, the ramp, the integral."""
        before = _mean(self.time, values, self.zero.before.window)
        after = before if self.zero.after is None else _mean(self.time, values, self.zero.after.window)
        rest = values - before - (after - before) * self.zero.share
        return self.factor * integrate(self.time, rest, interval=self.interval).between(start, end)


def mode_period(stand: Stand) -> float:
    """Return the period of the stand's first mode, tanks full. [s]."""
    return 1.0 / stand.modes[0].value if stand.modes else NO_MODE


def rough_span(
    time: Array, reading: Array, period: float, *, t_zero_known: bool, burning: tuple[float, float] | None = None
) -> Span:
    """Find roughly where thrust is, from the untared reading.

    Parameters
    ----------
    time, reading : (N,) array
        [s], [N].
    period : float
        Of the stand's first mode. [s]
    t_zero_known : bool
        Times count from T-0.
    burning : tuple of float, optional
        From when to when the chamber burned; what loads the cell at another time is no thrust. [s]

    Raises
    ------
    DataError
        Fewer than eight samples.
    """
    if time.size < 8:
        raise DataError(f"{time.size} samples of thrust; nothing can be integrated")
    mean = running_mean(time, reading, max(period, NO_MODE))
    before = time < (0.0 if t_zero_known else time[0] + 0.25)
    base = float(np.median(mean[before])) if np.count_nonzero(before) >= 8 else float(np.median(mean[-8:]))
    late = t_zero_known and int(np.count_nonzero(before)) < 8
    away, top, up = _away(time, mean, base, t_zero_known=t_zero_known)
    if not t_zero_known and away[top] < 0.0 and int(up[-1]) + 1 == time.size:
        # It fell and stayed down: what was taken for rest was thrust.
        away, top, up = _away(time, mean, float(np.median(mean[-8:])), t_zero_known=False)
        late = True
    # A load before T-0 is no thrust either, but it must not be taken for the burn's beginning.
    whole = np.sign(away[top]) * (mean - base) >= SPAN_LEVEL * abs(away[top])
    pieces = _pieces(time, up)
    own = [piece for piece in pieces if burning is None or _meets(time, piece, burning)] or pieces
    if burning is None:
        own = own[:1] if t_zero_known else [max(own, key=lambda piece: float(np.sum(np.abs(away[piece]))))]
    first, last = int(own[0][0]), int(own[-1][-1])
    loaded = _pieces(time, np.flatnonzero(whole))
    others = [piece for piece in loaded if piece[-1] < first or piece[0] > last]
    rest = mean[before] if np.count_nonzero(before) >= 8 else mean[-8:]
    return Span(
        start=float(time[first]),
        end=float(time[last]),
        reversed=bool(away[top] < 0.0),
        up_at_first_sample=first == 0 or late,
        still_up_at_end=last + 1 == time.size,
        height=float(np.max(np.abs(away[first : last + 1]))),
        scatter=MAD_TO_SIGMA * float(np.median(np.abs(rest - np.median(rest)))),
        others=tuple((float(time[piece[0]]), float(time[piece[-1]])) for piece in others),
        first=max((_midway(time, piece[-1], first) for piece in others if piece[-1] < first), default=-math.inf),
        last=min((_midway(time, last, piece[0]) for piece in others if piece[0] > last), default=math.inf),
    )


def _pieces(time: Array, up: NDArray[np.int64]) -> list[NDArray[np.int64]]:
    """Part samples under load where the cell stood at rest for ``EPISODE`` seconds between them."""
    return [piece for piece in np.split(up, np.flatnonzero(np.diff(time[up]) > EPISODE) + 1) if piece.size]


def _meets(time: Array, piece: NDArray[np.int64], burning: tuple[float, float]) -> bool:
    return bool(time[piece[0]] <= burning[1] + CHAMBER_LAGS and time[piece[-1]] >= burning[0] - CHAMBER_LEADS)


def _midway(time: Array, one: int, other: int) -> float:
    return 0.5 * (float(time[one]) + float(time[other]))


def _away(time: Array, mean: Array, base: float, *, t_zero_known: bool) -> tuple[Array, int, NDArray[np.int64]]:
    """Return the departure from rest, where it is greatest, and where it is at ``SPAN_LEVEL`` of that."""
    away = np.where(time >= (-0.5 if t_zero_known else -math.inf), mean - base, 0.0)
    top = int(np.argmax(np.abs(away)))
    return away, top, np.flatnonzero(np.sign(away[top]) * away >= SPAN_LEVEL * abs(away[top]))


def is_thrust(span: Span, calibration: Calibration) -> bool:
    """Tell whether what a cell shows is more than its noise and than what its range was chosen for."""
    range_known = calibration.highest < NO_RANGE
    least = THRUST_SHARE * calibration.highest * calibration.scale if range_known else 0.0
    return span.height > max(THRUST_SIGMA * span.scatter, least)


def thrust_record(dataset: Dataset, cell: Channel, span: Span, flows: Mapping[str, TankFlow]) -> ThrustRecord:
    """Take zeros, hoses and leaving weight off a cell's reading.

    Raises
    ------
    DataError
        No quiet stretch before nor after the burn.
    """
    good = believed(cell) & (cell.time >= span.first) & (cell.time <= span.last)
    time, reading, signal = cell.time[good], cell.reading[good], cell.signal[good]
    stand, plan = dataset.stand, dataset.plan
    interaction = cell.calibration.stand_interaction
    sign = weight_sign(stand.nozzle, stand.tanks_on_cell)
    weight, weighed = expelled_weight(dataset, flows, ended=not span.still_up_at_end)
    start = min(0.0, span.start) if dataset.t_zero is not None else span.start - 0.5
    windows = _zero_windows(time, reading, start, span.end, emptied=_emptied(flows))
    hose, hose_before = _hose_pressure(dataset, time, windows, span)
    factors = _factors(cell, hose + hose_before)
    burning = (time >= span.start) & (time <= span.end)
    factor = float(np.mean(factors[burning])) if burning.any() else float(factors[0])
    expected = Measured(sign * weight.value / factor, abs(sign) * weight.u / factor, "N")
    hose_after = _mean(time, hose, windows[1]) if windows[1] else 0.0
    zeros = _zeros(cell.tag, [zero_of(time, reading, w) if w else None for w in windows], expected)
    share = expelled_share_of(time, flows)
    shape_u = _shape_u(span, flows, known=share is not None)
    if share is None:
        share = _share_without_flows(dataset, time, reading - zeros.before.value, zeros.rest, start, span)
    gas, per_kg = _gas_left(dataset, flows, zeros.after), sign * plan.site.gravity.value / factor
    zero = unloaded(
        before=zeros.before,
        after=zeros.after,
        share=share,
        line_load=interaction.line_load.value * hose,
        line_load_after=interaction.line_load.value * hose_after,
        expected_step=zeros.step,
        left_later=Measured(per_kg * gas.value, abs(per_kg) * gas.u, "N"),
    )
    late = span.up_at_first_sample or (dataset.t_zero is not None and float(time[0]) > 0.0)
    return ThrustRecord(
        cell=cell,
        time=time,
        signal=signal,
        reading=reading,
        thrust=factors * (reading - zero.reading),
        clipped=saturated(cell)[good],
        zero=zero,
        hose_pressure=hose,
        hose_pressure_after=hose_after,
        hose_pressure_before=hose_before,
        sign=sign,
        factor=factor,
        weight=weight,
        weighed=weighed,
        weight_per_mass=plan.site.gravity.value,
        gas_left=gas,
        interval=sample_interval(time),
        mode_period=mode_period(stand),
        shape_u=shape_u,
        late=late,
    )


def _factors(cell: Channel, lines: Array) -> Array:
    """Return true force over the cell's at gauge pressures of the lines (N,) [Pa]: of a pull, else as stated. (N,)."""
    if cell.pull is not None:
        return cell.pull.factor(lines)
    path = cell.calibration.stand_interaction
    return np.full(lines.shape, path.factor.value * (1.0 + misalignment(path, cell.hidden_by_angle).mean))


def _gas_left(dataset: Dataset, flows: Mapping[str, TankFlow], after: Zero | None) -> Measured:
    """Return the gas that left behind the liquids before the second zero, as far as it is known. [kg]."""
    if after is None:
        return Measured(0.0, 0.0, "kg")
    left = [
        gas_left_until(
            dataset.plan,
            flow.tank,
            flow.channel,
            (flow.opening.time, flow.end.time),
            flow.expelled.value if flow.expelled is not None else flow.planned_mass,
            after.window,
        )
        for flow in flows.values()
        if flow.complete
    ]
    known = [mass for mass in left if mass is not None]
    return Measured(sum(mass.value for mass in known), sum(mass.u for mass in known), "kg")


@dataclass(frozen=True, slots=True)
class _Zeros:
    """The zeros of one burn, and what the expelled weight should move between them. [N]."""

    before: Zero
    after: Zero | None
    step: Measured

    @property
    def rest(self) -> float:
        """What the reading moved by from the first zero to the last, as seen, else as expected. [N]."""
        return self.step.value if self.after is None else self.after.value - self.before.value


def _zeros(tag: str, seen: Sequence[Zero | None], expected: Measured) -> _Zeros:
    """Take both zeros, or the one that there is."""
    before, after = seen
    if before is not None:
        return _Zeros(before, after, expected)
    if after is None:
        raise DataError(
            f"{tag}: no quiet stretch before nor after the burn, so nothing says what the cell reads without "
            "thrust; record from well before T-0 until well after shutdown"
        )
    # Only the end is known: the first zero is the second less what the weight made of it.
    before = replace(after, value=after.value - expected.value, u=math.hypot(after.u, expected.u))
    return _Zeros(before, None, Measured(expected.value, 0.0, "N"))


def _shape_u(span: Span, flows: Mapping[str, TankFlow], *, known: bool) -> float:
    """Return how well it is known when the weight left, relative; ``known`` where both tanks' flows tell it."""
    if span.up_at_first_sample or span.still_up_at_end:
        return CUT_SHAPE_U
    return math.hypot(FLOW_SHAPE_U, ends_u(flows)) if known else SHAPE_U


def expelled_weight(dataset: Dataset, flows: Mapping[str, TankFlow], *, ended: bool) -> tuple[Measured, bool]:
    """Return the weight of what left during the record [N] and whether all of it was weighed.

    ``ended`` says that the record holds the end of the burn; else the scales speak of more than was recorded.
    """
    g = dataset.plan.site.gravity
    tanks = dataset.plan.tank
    weighed = {tank.name: weighed_mass(dataset, tank) for tank in tanks}
    masses = {name: mass for name, mass in weighed.items() if mass is not None}
    if ended and len(masses) == len(tanks):
        left = sum_of(weighed_alike(masses, dataset.scale_u).values())
        return Measured(left.value * g.value, math.hypot(left.u * g.value, left.value * g.u), "N"), True
    total = sum(tank.liquid_load.value - tank.unusable_residual.value for tank in tanks)
    if len(flows) == len(tanks) and not ended:
        total = sum(flow.planned_mass for flow in flows.values())
    return Measured(total * g.value, UNWEIGHED_U * total * g.value, "N"), False


def _emptied(flows: Mapping[str, TankFlow]) -> float:
    """Return when the last liquid had left; what still leaves moves a zero. [s]."""
    return max((flow.end.time + AFTER_FLOW for flow in flows.values()), default=-math.inf)


def _zero_windows(
    time: Array, reading: Array, start: float, end: float, *, emptied: float
) -> tuple[Window | None, Window | None]:
    """Find quiet stretches before and after the burn, the second one after the last liquid where it can be."""

    def look(low: float, high: float, *, latest: bool) -> Window | None:
        for length in ZERO_LENGTHS:
            found = quiet_window(
                time,
                reading,
                start=max(low, float(time[0])),
                end=min(high, float(time[-1])),
                length=length,
                latest=latest,
            )
            if found is not None:
                return found
        return None

    before = look(start - CLEAR_BEFORE - LOOK, start - CLEAR_BEFORE, latest=True)
    late = look(max(end, emptied) + CLEAR_AFTER, end + CLEAR_AFTER + LOOK, latest=False)
    return before, late or look(end + CLEAR_AFTER, end + CLEAR_AFTER + LOOK, latest=False)


def _hose_pressure(
    dataset: Dataset, time: Array, windows: tuple[Window | None, Window | None], span: Span
) -> tuple[Array, float]:
    """Return what hoses push with: the tanks' mean pressure less that of the first zero, and that above the air. [Pa].

    Zero where no tank's pressure is known.
    """
    pressures = []
    for tank in dataset.plan.tank:
        channel = first_usable(dataset.measuring(measurands.TANK_PRESSURE, tank.name), span.start, span.end)
        if channel is not None:
            pressures.append(np.interp(time, *channel.known()))
    if not pressures:
        return np.zeros(time.size), 0.0
    mean = np.mean(pressures, axis=0)
    reference = windows[0] or windows[1]
    first = _mean(time, mean, reference) if reference else float(mean[0])
    return np.asarray(mean - first), max(first - dataset.plan.site.ambient_pressure.value, 0.0)


def _share_without_flows(dataset: Dataset, time: Array, tared: Array, step: float, start: float, span: Span) -> Array:
    """Return the expelled share where a tank or the chamber is not known: by chamber pressure, else by thrust.

    Flow is in proportion to absolute chamber pressure, and so is thrust plus what ambient pressure takes from it;
    the weight still in that thrust is taken out by going round again.
    """
    ambient = dataset.plan.site.ambient_pressure
    end = span.end + 1.0
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), span.start, span.end)
    if chamber is not None:
        pressure = np.interp(time, *chamber.known())
        flow = np.where(pressure > CHOKED * ambient.value, pressure, 0.0)
        return expelled_share(time, flow, start=start, end=end)
    engine = dataset.plan.engine
    outside = exit_force(engine, Measured(ambient.value, ambient.u, "Pa")).value if engine else 0.0
    share = expelled_share(time, np.full(time.size, np.nan), start=start, end=span.end)
    for _ in range(ROUNDS):
        thrust = tared - step * share
        flow = np.where(thrust > BURNING * float(thrust.max()), thrust + outside, 0.0)
        share = expelled_share(time, flow, start=start, end=end)
    return share


def _mean(time: Array, values: Array, window: Window) -> float:
    return float(np.mean(values[window.of(time)]))
