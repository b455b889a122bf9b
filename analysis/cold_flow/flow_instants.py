"""When a cold flow began and how it ended, from the tank pressure alone: valve closed, or gas came through.

SI; times in seconds, pressures absolute. A vent falls faster than any flow, a hold is flatter: so each slope is
held against the one the liquid would still give. Events are refined by `analysis.signal.valve_events`.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.signal.piecewise_fit import CLEAR, FINE, breakpoint_time, intersection_time, straightened
from standbook.analysis.signal.valve_events import SLOPE_SPANS, Event, opening_time, slope_scatter, slopes_beside
from standbook.analysis.signal.windows import block_average, correlation_time
from standbook.daq.arrays import Array, Mask
from standbook.daq.errors import DataError

COARSE = 0.1  # s, means for levels
NEAR_TOP = 0.97  # of the greatest drive: from here on the tank stands pressurised
FALLS = (0.90, 0.75, 0.50)  # of it: after this the opening lies behind; the later ones for a tank that cools long
RISING, RISES = 1.0, 0.01  # s before an opening; share of the drive by which a tank at rest does not rise then
COOLS, COOLING = 0.2, 0.3  # share of the drive by which fresh gas may cool; s after its summit until it only falls
BEFORE_T_ZERO = 3.0  # s that a valve may open before its command edge, should that be the wrong edge
SETTLED = 0.3  # s from mid-stroke until the slope is that of the open valve
STOPPED, GAS = 0.35, 1.35  # times the slope of flowing liquid: below it stopped, above it gas comes through
SIGNIFICANT = 6.0  # standard deviations of a slope that a departure must have too
USUAL_EXPONENT = 1.3  # only to follow the ullage volume, whose slope halves or so over a flow
VENTED = 0.01  # of the first slope: what the law gives where a tank is all but vented
QUARTER_SIGMA = 0.31863936396437514  # sqrt(2) erfinv(1/4): a quarter of a normal sample lies nearer
HINGE = 0.38  # of a line's length; with its bend there it has the STOPPED share of the slope before
LEAD = 2.0  # s of line that tells the slope just before
LONG_LEADS, STOOD = (2.0, 4.0, 8.0), 8.0  # s of line that tell a stand, each where it would be so many deviations off
ROUGH_SHARE = 0.4  # of its line: how well a line alone tells where the flow stopped
UNSURE = 0.1  # of the flow's length: an end known no better leaves nothing worth a number
KNEE_SEEN, KNEE_PLANNED = 6.0, 3.0  # standard deviations of a knee: unawaited, and where the plan runs the tank dry
KNEE_PIECE, KNEE_TAIL = 4.0, 0.3  # s before the departure and after its line, in which a knee is refined
KNEE_SPAN, KNEE_BACK = 0.16, 0.6  # s: line that finds the steepest fall; how long before it the bend may lie
LOST = 0.1  # s; u of a closing that is looked for once more
FADING = 1.0 / 6.0  # of the time from first gas to the steepest fall, either way
VENT_BEGUN, VENT_SEEN = 0.5, 0.85  # s before it shows that the tank is vented; share of the pressure that shows it
LONG_SHARE, LONG_STILL = 0.6, 8.0  # of the flow; s
STILL_PIECE, OPEN_PIECE = 3.0, 3.0  # s before and after the opening; the curve bends most at first
FLOW_PIECE, HOLD_PIECE = 5.0, 4.0  # s before and after the closing
STILL_BEFORE = 1.0  # s before the opening in which a sensor must not clip, else what opened is only its range
MOST_GAP, AFTER_END = 1.2, 3.0  # s; with one of 2 s simulated flows ended there, up to 1 s did no harm
FLOW_SHARE = 0.6  # of the flow at most for either, or one cubic does not follow it


@dataclass(frozen=True, slots=True)
class FlowInstants:
    """Both ends of one flow."""

    opening: Event
    end: Event
    ran_dry: bool  # gas came through before the valve closed
    first_gas: float | None = None  # when it began to, if it did [s]

    def why_unsure(self) -> str | None:
        """Say why the two ends are too unsure for any number, ``None`` where they are not."""
        length, u = self.end.time - self.opening.time, math.hypot(self.opening.u, self.end.u)
        if u <= UNSURE * length:
            return None
        return (
            f"when the flow of {length:.1f} s began and ended is known to {u:.2f} s (standard uncertainty) only, "
            f"beyond {UNSURE:.0%} of it: sample faster, quieten the sensor or let it flow for longer"
        )


def flow_instants(
    time: Array,
    pressure: Array,
    *,
    back_pressure: float,
    t_zero_known: bool,
    name: str = "valve",
    run_out_planned: bool = False,
) -> FlowInstants:
    """Find both ends of a flow.

    Parameters
    ----------
    time, pressure : (N,) array
        Instants [s] and tank pressure, absolute, without samples that are not a number. [Pa]
    back_pressure : float
        What the liquid flows against, absolute. [Pa]
    t_zero_known : bool
        Times count from the valve's command; it opened no more than ``BEFORE_T_ZERO`` s before.
    name : str
        Begins the events' names.
    run_out_planned : bool
        The plan runs the tank dry, so gas before the closing needs less proof.

    Raises
    ------
    DataError
        The pressure never goes from still to falling, or nothing ends the fall.
    """
    opening = _opening(time, pressure, back_pressure, t_zero_known, f"{name} open")
    left = _departure(time, pressure, back_pressure, opening.time)
    length = left.time - opening.time
    long_piece = LONG_SHARE * length
    open_piece, flow_piece = (min(piece, FLOW_SHARE * length) for piece in (OPEN_PIECE, FLOW_PIECE))
    # Wide pieces: a sensor's own slow noise moves the bend of short ones by tenths of a second.
    opening = intersection_time(
        time,
        pressure,
        opening,
        ((STILL_PIECE, open_piece), (LONG_STILL, long_piece)),
        (1, 3),
        first=at_rest_since(time, pressure, opening.time),
        last=left.time - CLEAR,
    )
    falling = _Falling(
        time=time, pressure=pressure, opening=opening, name=name, proof=KNEE_PLANNED if run_out_planned else KNEE_SEEN
    )
    if left.ran_dry:
        knee, gas, _ = _knee(falling, left.time, left.time + left.span + KNEE_TAIL)
        return FlowInstants(opening, knee, ran_dry=True, first_gas=gas)
    end = _closing(falling, left, ((flow_piece, HOLD_PIECE), (long_piece, LONG_STILL)))
    # A valve that closes just after the first gas hides the steeper fall from lines longer than that.
    knee, gas, sure = _knee(falling, end.time - KNEE_BACK, end.time + KNEE_SPAN)
    if not sure:
        return FlowInstants(opening, end, ran_dry=False)
    return FlowInstants(opening, knee, ran_dry=True, first_gas=gas)


def certain_instants(
    time: Array,
    pressure: Array,
    *,
    planned_length: float | None,
    back_pressure: float,
    t_zero_known: bool,
    name: str,
    run_out_planned: bool,
) -> FlowInstants:
    """Find both ends of a flow as `flow_instants` does, and refuse them where they are not certain.

    Parameters
    ----------
    planned_length : float, optional
        From opening to closing by the plan. [s]

    Raises
    ------
    DataError
        There is no flow, samples are missing where an end may lie, or noise hides the ends.
    """
    instants = flow_instants(
        time,
        pressure,
        back_pressure=back_pressure,
        t_zero_known=t_zero_known,
        name=name,
        run_out_planned=run_out_planned,
    )
    hole = _long_gap(time, instants, planned_length)
    if hole is not None:
        missing = f"{hole[1]:.1f} s of its record are missing from T{hole[0]:+.1f} s"
        raise DataError(f"{missing}, so neither end of the flow is certain")
    unsure = instants.why_unsure()
    if unsure is not None:
        raise DataError(unsure)
    return instants


def _long_gap(time: Array, instants: FlowInstants, planned_length: float | None) -> tuple[float, float] | None:
    """Return begin and length of a gap by which the ends of a flow may have been misread. [s].

    A gap can look like an end, so one after the end that was found counts as well until the planned end.
    """
    opening = instants.opening.time
    end = max(instants.end.time, opening + planned_length if planned_length is not None else float(time[-1]))
    inside = (time >= opening - STILL_BEFORE) & (time <= end + AFTER_END)
    steps = np.diff(time, append=time[-1])
    long = np.flatnonzero(inside & (steps > MOST_GAP))
    return (float(time[long[0]]), float(steps[long[0]])) if long.size else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Falling:
    """A pressure after its opening, and what a run-out must show."""

    time: Array  # [s]
    pressure: Array  # absolute [Pa]
    opening: Event
    name: str  # begins the events' names
    proof: float  # standard deviations of a knee


def _closing(falling: _Falling, left: "_Departure", pieces: tuple[tuple[float, float], tuple[float, float]]) -> Event:
    """Find where the curve of the flow meets that of the hold, by pieces of both."""
    hinge = left.time + HINGE * left.span
    rough = Event(f"{falling.name} closed", hinge, ROUGH_SHARE * left.span, "slope against that of the flowing liquid")

    def met(about: Event) -> Event:
        return intersection_time(
            falling.time,
            falling.pressure,
            about,
            pieces,
            (3, 2),
            first=falling.opening.time + SETTLED,
            last=left.hold_end,
        )

    end = met(rough)
    if end.u <= LOST:
        return end
    # Noise hid the stop from lines until long after.
    first, last = falling.opening.time + SETTLED, left.hold_end
    other = met(breakpoint_time(falling.time, falling.pressure, rough, first=first, last=last))
    return other if other.u < end.u else end


def at_rest_since(time: Array, pressure: Array, opening: float) -> float:
    """Return since when the tank stood at the pressure at which it was opened: pressurising is no part of the hold."""
    at, mean = block_average(time, pressure, start=float(time[0]), end=opening - CLEAR, block=COARSE)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    if at.size == 0:
        return float(time[0])
    other = np.flatnonzero(np.abs(mean - np.median(mean[-10:])) > (1.0 - NEAR_TOP) * abs(float(np.median(mean[-10:]))))
    return float(at[other[-1]]) + COARSE if other.size else float(time[0])


def _knee(falling: _Falling, first: float, last: float) -> tuple[Event, float, bool]:
    """Find the effective end of the liquid and its first gas, and tell whether the curve really bends there.

    A cubic bends at a free instant into a steeper curve, up to where that is steepest: gas takes the liquid's place
    within tenths of a second and the valve may close as soon after, so there is no second straight piece to meet.
    """
    start = max(first - KNEE_PIECE, falling.opening.time + SETTLED)
    at, mean = block_average(falling.time, falling.pressure, start=start, end=last, block=FINE)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    value, weight = straightened(mean, float(np.max(mean, initial=1.0)))
    before, _, _ = slopes_beside(at, mean, KNEE_SPAN)
    slope = np.where((at >= first + KNEE_SPAN) & np.isfinite(before), before, np.inf)
    steepest = int(np.argmin(slope))
    at, value, weight = at[: steepest + 1], value[: steepest + 1], weight[: steepest + 1]
    x = at - at[-1]
    trials = np.linspace(-KNEE_BACK, -2.0 * FINE, 60)
    cubic = np.vander(x, 4, increasing=True) * weight[:, None]
    mean = -value * weight

    def fitted(bend: float) -> tuple[Array, float]:
        design = np.column_stack([cubic, np.maximum(x - bend, 0.0) ** 2 * weight])
        theta = np.linalg.lstsq(design, mean, rcond=None)[0]
        return mean - design @ theta, float(theta[-1])

    costs = np.array([float(np.sum(fitted(float(bend))[0] ** 2)) for bend in trials])
    best = int(np.argmin(costs))
    residual, steepening = fitted(float(trials[best]))
    variance = costs[best] * correlation_time(residual) / max(x.size - 6, 1)  # of one independent sample, summed
    straight = float(np.sum((mean - cubic @ np.linalg.lstsq(cubic, mean, rcond=None)[0]) ** 2))
    sure = steepening < 0.0 and straight - costs[best] > falling.proof**2 * variance
    # Where the cost has risen by one variance lies one standard uncertainty.
    near = trials[costs <= costs[best] + variance]
    u_first = math.hypot(0.5 * float(near[-1] - near[0]), float(trials[1] - trials[0]))
    # The last of the liquid leaves with the gas. At full flow all of it would have gone by some instant between the
    # first gas and the steepest fall: by the middle if it fades evenly, within the middle third if it fades as the
    # square of the time or of what is left of it.
    width = -float(trials[best])
    u = math.hypot(0.5 * u_first, FADING * width / math.sqrt(3.0))
    last_liquid = Event(
        f"{falling.name} run-out", float(at[-1]) - 0.5 * width, u, "middle between first gas and steepest fall"
    )
    return last_liquid, float(at[-1]) - width, bool(sure)


def _opening(time: Array, pressure: Array, back_pressure: float, t_zero_known: bool, name: str) -> Event:
    count = max(1, round((time[-1] - time[0]) / COARSE))
    at, mean = block_average(time, pressure, start=float(time[0]), end=float(time[0]) + count * COARSE, block=COARSE)
    known = np.isfinite(mean)
    at, drive = at[known], mean[known] - back_pressure
    top = float(drive.max(initial=0.0))
    reached = float(at[np.argmax(drive >= NEAR_TOP * top)]) if top > 0.0 else 0.0
    start = max(reached, -BEFORE_T_ZERO) if t_zero_known else reached
    last: DataError | None = None
    filled: Event | None = None  # the end of pressurising, from where fresh gas cools
    for share in FALLS:
        fallen = (at > max(start, float(at[int(np.argmax(drive))]))) & (drive < share * top)
        if not fallen.any():
            break
        end = float(at[fallen][0]) + 0.8
        try:
            if filled is None:
                found = opening_time(time, pressure, start=start, end=end, name=name)
                before, then = np.interp([found.time - RISING, found.time], at, drive)
                if then - before < RISES * top:
                    return found
                filled = found
            later = opening_time(time, pressure, start=filled.time + COOLING, end=end, name=name)
            if np.interp(later.time, at, drive) > (1.0 - COOLS) * top:
                return later
        except DataError as error:
            last = error
    if filled is not None:
        return filled
    raise last or DataError(
        f"{name}: the pressure never fell by a tenth of its {top / 1e5:.2f} bar above the back pressure; the valve did "
        "not open, a supply stayed on, or this is not the tank's sensor"
    )


@dataclass(frozen=True, slots=True)
class _Departure:
    """Where the slope leaves that of flowing liquid."""

    time: float  # begin of the line that shows it [s]
    span: float  # length of that line [s]
    ran_dry: bool  # it became steeper
    hold_end: float  # where the pressure falls again, by a vent; else the record's end [s]


def _departure(time: Array, pressure: Array, back_pressure: float, opening: float) -> _Departure:
    begin = opening + SETTLED
    end = begin + FINE * int((time[-1] - begin) / FINE)
    if end - begin < 3.0 * SLOPE_SPANS[0]:
        late = max(end - opening, 0.0)
        raise DataError(f"the record ends {late:.2f} s after the valve opened; nothing ends the flow")
    at, mean = block_average(time, pressure, start=begin, end=end, block=FINE)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    drive = np.maximum(mean - back_pressure, 0.0)
    # Liquid through an unchanged opening: dP/dt goes as P sqrt(drive) / V, and V as P^(-1/n).
    law = np.maximum(mean, 1.0) ** (1.0 + 1.0 / USUAL_EXPONENT) * np.sqrt(drive)
    span, after, expected, u = _slopes(at, mean, law)
    seen = np.isfinite(after)
    first = int(np.argmax(seen))
    steeper = after < GAS * expected
    left = seen & ((after > STOPPED * expected) | steeper) & (np.abs(after - expected) > SIGNIFICANT * u)
    left[: first + 1] = False
    stood = _stand(at, mean, after[first] * _share(law, first), left)
    if stood is not None:
        return stood
    if not left.any():
        raise DataError(
            f"the pressure still falls as liquid makes it fall where the record ends, {at[-1] - opening:.1f} s after "
            "the valve opened; what was caught cannot be set against it"
        )
    k = int(np.argmax(left))
    falls_again = seen & (at > at[k] + span) & (after < 0.5 * expected[k]) & (after < -SIGNIFICANT * u)
    hold_end = float(at[falls_again][0]) if falls_again.any() else float(at[-1])
    return _Departure(float(at[k]), span, bool(steeper[k]), hold_end)


def _stand(at: Array, mean: Array, flowing: Array, left: Mask) -> _Departure | None:
    """Find where a long line says that the liquid stood, so that noise hid its stop: what falls later is a vent."""
    unit = slope_scatter(at, mean)
    for lead in LONG_LEADS:
        before, _, _ = slopes_beside(at, mean, lead)
        surely = (1.0 - STOPPED) * np.abs(flowing) > STOOD * unit / lead**1.5
        stood = np.isfinite(before) & (before > STOPPED * flowing) & surely
        if stood.any() and not left[: int(np.argmax(stood))].any():
            k = int(np.argmax(stood))
            again = np.isfinite(before) & (at > at[k]) & (before <= STOPPED * flowing)
            # A vent just before the record ends is too short for such a line, but falls below all that was held.
            again |= (at > at[k]) & (mean < VENT_SEEN * np.maximum.accumulate(np.where(at >= at[k], mean, 0.0)))
            hold_end = max(float(at[k]), float(at[again][0]) - VENT_BEGUN) if again.any() else float(at[-1])
            return _Departure(float(at[k]) - lead, lead, False, hold_end)
    return None


def _share(law: Array, first: int) -> Array:
    """Return the law over its value where the flow begins; nothing drives liquid where that is zero."""
    return law / law[first] if law[first] > 0.0 else np.zeros_like(law)


def _slopes(at: Array, mean: Array, law: Array) -> tuple[float, Array, Array, float]:
    """Return slopes of lines that begin at each mean, those expected of liquid, and the scatter between them.

    Lines are as short as noise lets them be: a flow that stops late must still stand out.
    """
    before, _, _ = slopes_beside(at, mean, LEAD)
    unit = slope_scatter(at, mean)
    found: tuple[float, Array, Array, float] | None = None
    for span in SLOPE_SPANS:
        _, after, _ = slopes_beside(at, mean, span)
        seen = np.isfinite(after)
        if not seen.any():
            break
        first = int(np.argmax(seen))
        from_first = after[first] * _share(law, first)
        # The slope just before carried on by the law; by the law alone until there is a line long enough.
        ahead = np.interp(at + 0.5 * span, at, law) / np.maximum(np.interp(at - 0.5 * LEAD, at, law), 1.0)
        expected = np.where(np.isfinite(before), before * ahead, from_first)
        # Slow noise hides from the means, so what the lines really scatter by counts too: their quieter quarter, for
        # gas that streams out for long or a vent is no noise.
        scatter = float(np.nanquantile(np.abs(after - expected), 0.25)) / QUARTER_SIGMA
        found = span, after, expected, max(unit / span**1.5, scatter)
        flowing = from_first[from_first < VENTED * after[first]]
        if flowing.size and SIGNIFICANT * found[3] <= (1.0 - STOPPED) * abs(float(np.percentile(flowing, 75.0))):
            break
    assert found is not None  # noqa: S101 - the record is longer than three of the shortest lines
    return found
