"""Locate an event as the intersection of polynomials before and after it, or as the breakpoint of one piecewise fit.

SI; times in seconds, pressures absolute. What the instant is to a tank, `analysis.cold_flow.flow_instants` knows.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.signal.valve_events import Event
from standbook.analysis.signal.windows import block_average, correlation_time
from standbook.daq.arrays import Array

FINE = 0.02  # s, means
CLEAR = 0.2  # s left out on both sides of an instant: the valve's stroke
NOISY = 0.010  # s; above it longer pieces are worth what they leave out
NEARLY = 1.1  # times as unsure as short pieces, longer ones are taken: which are a little surer is chance
LONG_U = 0.006  # s that a cubic over most of a flow leaves out
LEAST_PIECE, STRAIGHT = 0.6, 1.5  # s: below the second a piece is a straight line, noise bends it more than gas does
STRAIGHTENED = 1.27  # (n + 2) / 2n with n = 1.3: into a vacuum, pressure to minus this power is straight in time
MOVED = 2.0  # standard deviations by which a higher order must move a value to be worth its noise
MEETING_U = 0.003  # s: what polynomials leave of real-gas blowdowns with strokes of 0.05 to 0.4 s
REACH = 5.0  # rough uncertainties before it in which a turn is sought, half as many after it: lines see a stop late
TURN_PIECE, TRIALS = 3.0, 81  # s of curve before the reach; instants tried
STANDS = 0.35  # times the slope before: what falls faster still flows


def breakpoint_time(time: Array, pressure: Array, rough: Event, *, first: float, last: float) -> Event:
    """Locate the breakpoint of a falling curve that turns up, near a rough instant; that one if noise hides it.

    A cubic goes over into a parabola at a free instant. Every instant at which that costs no more than one variance
    above the least lies inside the uncertainty, so two places that fit alike leave it wide.
    """
    low, high = rough.time - REACH * rough.u, rough.time + 0.5 * REACH * rough.u
    at, mean = block_average(
        time, pressure, start=max(first, low - TURN_PIECE), end=min(last, high + LEAST_PIECE), block=FINE
    )
    known = np.isfinite(mean)
    at, mean = at[known], mean[known]
    trials = np.linspace(low, high, TRIALS)
    if at.size < 8 * LEAST_PIECE / FINE:
        return rough
    trials = trials[(trials >= at[0] + LEAST_PIECE) & (trials <= at[-1] - LEAST_PIECE)]
    value, weight = straightened(mean, float(np.max(mean)))
    target = (value - value.mean()) * weight
    costs, turns = np.full(trials.size, np.inf), []
    for k, instant in enumerate(trials):
        x = at - instant
        before, after = np.minimum(x, 0.0), np.maximum(x, 0.0)
        design = np.column_stack([np.ones_like(x), before, before**2, before**3, after, after**2]) * weight[:, None]
        theta = np.linalg.lstsq(design, target, rcond=None)[0]
        rest = target - design @ theta
        turns.append(rest)
        if theta[1] > 0.0 and theta[4] < STANDS * theta[1]:  # it rises as the pressure falls
            costs[k] = float(rest @ rest)
    if not np.isfinite(costs).any():
        return rough
    best = int(np.argmin(costs))
    variance = costs[best] * correlation_time(turns[best]) / (at.size - 7)
    near = trials[costs <= costs[best] + variance]
    u = math.hypot(0.5 * float(near[-1] - near[0]), float(trials[1] - trials[0]))
    return Event(rough.name, float(trials[best]), u, "turn of one curve") if u < rough.u else rough


def intersection_time(
    time: Array,
    pressure: Array,
    rough: Event,
    lengths: tuple[tuple[float, float], tuple[float, float]],
    orders: tuple[int, int],
    *,
    first: float,
    last: float,
) -> Event:
    """Intersect two polynomials; where noise leaves that unsure, longer ones, if surer with their model error."""
    short, long = lengths
    found = _meeting(time, pressure, rough, short, orders, first=first, last=last)
    if found.u <= NOISY:
        return found
    longer = _meeting(time, pressure, found, long, orders, first=first, last=last)
    u = math.hypot(longer.u, LONG_U)
    return replace(longer, u=u) if u < NEARLY * found.u else found


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
    reference = float(np.max(pressure[(time >= first) & (time <= last)], initial=1.0))
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
            bends = order if end - start > STRAIGHT else 1
            straight, weight = straightened(mean[known], reference)
            fits.append(_bent_enough(at[known] - instant, straight, bends, weight))
        before, after = _with_one_noise(*fits)
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
    inverse: Array  # covariance for a noise of one
    noise: float  # variance of one mean as if all were independent
    size: int  # means

    @property
    def covariance(self) -> Array:
        return self.inverse * self.noise

    def u_at(self, x: float) -> float:
        powers = x ** np.arange(self.coefficients.size)
        return math.sqrt(max(float(powers @ self.covariance @ powers), 0.0))


def _with_one_noise(before: _Piece, after: _Piece) -> tuple[_Piece, _Piece]:
    """Give both pieces the noise of both: it is one sensor's, and a short piece alone hardly tells slow noise."""
    noise = (before.size * before.noise + after.size * after.noise) / (before.size + after.size)
    return replace(before, noise=noise), replace(after, noise=noise)


def straightened(pressure: Array, reference: float) -> tuple[Array, Array]:
    """Transform pressure to a curve that rises nearly straight in a flow; return the weights of its values too.

    A flow whose gas grows threefold bends more than a cubic can; straightened it does not. Noise grows as the
    straightened curve steepens, so values count less there.
    """
    level = np.maximum(pressure / reference, 1e-3)
    return np.asarray(level**-STRAIGHTENED), np.asarray(level ** (1.0 + STRAIGHTENED))


def _bent_enough(x: Array, value: Array, order: int, weight: Array) -> _Piece:
    """Fit a polynomial, of a higher order where that moves the value at the instant by more than noise would."""
    found = _piece(x, value, order, weight)  # helium at rest after a flow takes up its heat within a second
    for more in (order + 1, order + 2):
        if x.size < 4 * (more + 1):
            break
        higher = _piece(x, value, more, weight)
        noise = max(float(higher.covariance[0, 0] - found.covariance[0, 0]), 0.0)
        if abs(float(higher.coefficients[0] - found.coefficients[0])) <= MOVED * math.sqrt(noise):
            break
        found = higher
    return found


def _piece(x: Array, value: Array, order: int, weight: Array) -> _Piece:
    design = np.vander(x, order + 1, increasing=True) * weight[:, None]
    inverse = np.linalg.pinv(design)
    coefficients = inverse @ (value * weight)
    residual = value * weight - design @ coefficients
    tau = correlation_time(residual)
    # The fit has eaten its share of the independent samples, of which a correlated record holds few, and of their
    # correlation with it.
    eaten = min((order + 1) * tau / x.size, 0.5)
    variance = float(residual @ residual) / x.size * tau / (1.0 - eaten) ** 2
    return _Piece(coefficients, inverse @ inverse.T, variance, x.size)
