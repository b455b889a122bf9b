"""When a cold flow began and how it ended, from the tank pressure alone: valve closed, or gas came through.

SI; times in seconds, pressures absolute. A vent falls faster than any flow, a hold is flatter: so each slope is
held against the one the liquid would still give. Events are refined by `analysis.events`.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.compare import block_average
from analysis.events import SLOPE_SPANS, Event, opening_time, slope_scatter, slopes_beside
from analysis.windows import correlation_time
from daq.errors import DataError

Array = NDArray[np.float64]

COARSE, FINE = 0.1, 0.02  # s, means for levels and for slopes
NEAR_TOP = 0.97  # of the greatest drive: from here on the tank stands pressurised
FALLS = (0.90, 0.75, 0.50)  # of it: after this the opening lies behind; the later ones for a tank that cools long
BEFORE_T_ZERO = 3.0  # s that a valve may open before its command edge, should that be the wrong edge
SETTLED = 0.3  # s from mid-stroke until the slope is that of the open valve
STOPPED, GAS = 0.35, 1.35  # times the slope of flowing liquid: below it stopped, above it gas comes through
SIGNIFICANT = 5.0  # standard deviations of a slope that a departure must have too
QUIET_SLOPE = 0.05  # of the first slope: noise that the shortest span may leave
USUAL_EXPONENT = 1.3  # only to follow the ullage volume, whose slope halves or so over a flow
HINGE = 0.38  # of a line's length; with its bend there it has the STOPPED share of the slope before
LEAD = 2.0  # s of line that tells the slope just before
KNEE_PIECE, KNEE_TAIL = 4.0, 0.3  # s before the departure and after its line, in which a knee is refined
KNEE_SPAN, KNEE_BACK = 0.16, 0.6  # s: line that finds the steepest fall; how long before it the bend may lie
CLEAR = 0.2  # s left out on both sides of an instant: the valve's stroke
STILL_PIECE, OPEN_PIECE = 3.0, 3.0  # s before and after the opening; the curve bends most at first
FLOW_PIECE, HOLD_PIECE = 6.0, 4.0  # s before and after the closing
FLOW_SHARE = 0.6  # of the flow at most for either, or one cubic does not follow it
LEAST_PIECE = 0.6  # s
MEETING_U = 0.003  # s: what polynomials leave of real-gas blowdowns with strokes of 0.05 to 0.4 s


@dataclass(frozen=True, slots=True)
class FlowInstants:
    """Both ends of one flow."""

    opening: Event
    end: Event
    ran_dry: bool  # gas came through before the valve closed


def flow_instants(
    time: Array, pressure: Array, *, back_pressure: float, t_zero_known: bool, name: str = "valve"
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

    Raises
    ------
    DataError
        The pressure never goes from still to falling, or nothing ends the fall.
    """
    opening = _opening(time, pressure, back_pressure, t_zero_known, f"{name} open")
    left = _departure(time, pressure, back_pressure, opening.time)
    length = left.time - opening.time
    open_piece, flow_piece = (min(piece, FLOW_SHARE * length) for piece in (OPEN_PIECE, FLOW_PIECE))
    # Wide pieces: a sensor's own slow noise moves the bend of short ones by tenths of a second.
    opening = _meeting(
        time, pressure, opening, (STILL_PIECE, open_piece), (1, 3), first=float(time[0]), last=left.time - CLEAR
    )
    if left.ran_dry:
        end = _knee(time, pressure, left, opening, f"{name} run-out")
    else:
        hinge = left.time + HINGE * left.span
        rough = Event(f"{name} closed", hinge, 0.5 * left.span, "slope against that of the flowing liquid")
        end = _meeting(
            time, pressure, rough, (flow_piece, HOLD_PIECE), (3, 2), first=opening.time + SETTLED, last=left.hold_end
        )
    return FlowInstants(opening, end, left.ran_dry)


def _knee(time: Array, pressure: Array, left: "_Departure", opening: Event, name: str) -> Event:
    """Find the effective end of the liquid: a curve bends at a free instant into a steeper one, up to the steepest.

    Gas takes the liquid's place within tenths of a second and the valve may close as soon after, so there is no
    second straight piece to meet.
    """
    start = max(left.time - KNEE_PIECE, opening.time + SETTLED)
    at, mean = block_average(time, pressure, start=start, end=left.time + left.span + KNEE_TAIL, block=FINE)
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    before, _, _ = slopes_beside(at, mean, KNEE_SPAN)
    late = at >= left.time + KNEE_SPAN
    slope = np.where(late & np.isfinite(before), before, np.inf)
    steepest = int(np.argmin(slope))
    at, mean = at[: steepest + 1], mean[: steepest + 1]
    x = at - at[-1]
    trials = np.linspace(-KNEE_BACK, -2.0 * FINE, 60)
    cubic = np.vander(x, 4, increasing=True)

    def residual(bend: float) -> Array:
        design = np.column_stack([cubic, np.maximum(x - bend, 0.0) ** 2])
        return np.asarray(mean - design @ np.linalg.lstsq(design, mean, rcond=None)[0])

    costs = np.array([float(np.sum(residual(float(bend)) ** 2)) for bend in trials])
    best = int(np.argmin(costs))
    # Where the cost has risen by one variance, told in independent samples, lies one standard uncertainty.
    rise = correlation_time(residual(float(trials[best]))) / max(x.size - 6, 1)
    near = trials[costs <= costs[best] * (1.0 + rise)]
    u_first = math.hypot(0.5 * float(near[-1] - near[0]), float(trials[1] - trials[0]))
    # The last of the liquid leaves with the gas. All that left would have gone at full flow by some instant between
    # the first gas and the steepest fall: the middle, with rectangular limits.
    width = -float(trials[best])
    u = math.hypot(0.5 * u_first, width / math.sqrt(12.0))
    return Event(name, float(at[-1]) - 0.5 * width, u, "middle between first gas and steepest fall")


def _meeting(
    time: Array,
    pressure: Array,
    rough: Event,
    lengths: tuple[float, float],
    orders: tuple[int, int],
    *,
    first: float,
    last: float,
) -> Event:
    """Let a polynomial before and one after an instant meet; the rough event where the record is too short for both."""
    instant = rough.time
    u = rough.u
    for clear in (max(CLEAR, rough.u), CLEAR, CLEAR, CLEAR):
        fits = []
        low, high = max(first, instant - clear - lengths[0]), min(last, instant + clear + lengths[1])
        for start, end, order in ((low, instant - clear, orders[0]), (instant + clear, high, orders[1])):
            if end - start < LEAST_PIECE:
                return rough
            at, mean = block_average(time, pressure, start=start, end=end, block=FINE)
            known = np.isfinite(mean)
            if np.count_nonzero(known) < 4 * (order + 1):
                return rough
            fits.append(_piece(at[known] - instant, mean[known], order))
        before, after = fits
        gap = np.polynomial.polynomial.polysub(after.coefficients, before.coefficients)
        roots = np.polynomial.polynomial.polyroots(gap)
        real = roots[np.abs(roots.imag) < 1e-9].real
        near = real[np.abs(real) < clear + rough.u]
        if near.size == 0:
            return rough
        step = float(near[np.argmin(np.abs(near))])
        steepness = abs(float(np.polynomial.polynomial.polyval(step, np.polynomial.polynomial.polyder(gap))))
        u = math.hypot(before.u_at(step), after.u_at(step)) / max(steepness, 1e-9)
        instant += step
    return Event(rough.name, instant, math.hypot(u, MEETING_U), "polynomials before and after that meet")


@dataclass(frozen=True, slots=True, eq=False)
class _Piece:
    """One polynomial about an instant. Rising powers."""

    coefficients: Array
    covariance: Array

    def u_at(self, x: float) -> float:
        powers = x ** np.arange(self.coefficients.size)
        return math.sqrt(max(float(powers @ self.covariance @ powers), 0.0))


def _piece(x: Array, value: Array, order: int) -> _Piece:
    design = np.vander(x, order + 1, increasing=True)
    inverse = np.linalg.pinv(design)
    coefficients = inverse @ value
    residual = value - design @ coefficients
    tau = correlation_time(residual)
    # The fit has eaten its share of independent samples, of which a correlated record holds few.
    variance = float(residual @ residual) / x.size * (1.0 + (order + 1) * tau / x.size)
    return _Piece(coefficients, inverse @ inverse.T * variance * tau)


def _opening(time: Array, pressure: Array, back_pressure: float, t_zero_known: bool, name: str) -> Event:
    count = max(1, round((time[-1] - time[0]) / COARSE))
    at, mean = block_average(time, pressure, start=float(time[0]), end=float(time[0]) + count * COARSE, block=COARSE)
    known = np.isfinite(mean)
    at, drive = at[known], mean[known] - back_pressure
    top = float(drive.max(initial=0.0))
    reached = float(at[np.argmax(drive >= NEAR_TOP * top)]) if top > 0.0 else 0.0
    start = max(reached, -BEFORE_T_ZERO) if t_zero_known else reached
    last: DataError | None = None
    for share in FALLS:
        fallen = (at > max(start, float(at[int(np.argmax(drive))]))) & (drive < share * top)
        if not fallen.any():
            break
        try:
            return opening_time(time, pressure, start=start, end=float(at[fallen][0]) + 0.8, name=name)
        except DataError as error:
            last = error
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
    span, after, u = _slopes(at, mean)
    seen = np.isfinite(after)
    first = int(np.argmax(seen))
    drive = np.maximum(mean - back_pressure, 0.0)
    # Liquid through an unchanged opening: dP/dt goes as P sqrt(drive) / V, and V as P^(-1/n).
    law = np.maximum(mean, 1.0) ** (1.0 + 1.0 / USUAL_EXPONENT) * np.sqrt(drive)
    before, _, _ = slopes_beside(at, mean, LEAD)
    # The law from the first slope on, until there is a line long enough to go by what was just before.
    expected = np.where(np.isfinite(before), before, after[first] * law / law[first])
    steeper = after < GAS * expected
    left = seen & ((after > STOPPED * expected) | steeper) & (np.abs(after - expected) > SIGNIFICANT * u)
    left[: first + 1] = False
    if not left.any():
        raise DataError(
            f"the pressure still falls as liquid makes it fall where the record ends, {at[-1] - opening:.1f} s after "
            "the valve opened; what was caught cannot be set against it"
        )
    k = int(np.argmax(left))
    falls_again = seen & (at > at[k] + span) & (after < 0.5 * expected[k]) & (after < -SIGNIFICANT * u)
    hold_end = float(at[falls_again][0]) if falls_again.any() else float(at[-1])
    return _Departure(float(at[k]), span, bool(steeper[k]), hold_end)


def _slopes(at: Array, mean: Array) -> tuple[float, Array, float]:
    """Return the shortest span whose slopes are quiet enough, the slopes that begin at each mean, and their scatter."""
    unit = slope_scatter(at, mean)
    span, after, u = SLOPE_SPANS[0], np.full(at.size, np.nan), np.inf
    for trial in SLOPE_SPANS:
        _, slopes, _ = slopes_beside(at, mean, trial)
        if not np.isfinite(slopes).any():
            break
        span, after, u = trial, slopes, unit / trial**1.5
        if u <= QUIET_SLOPE * abs(after[np.isfinite(after)][0]):
            break
    return span, after, u
