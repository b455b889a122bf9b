"""Locate start, stop and full window of a thrust record, by named definitions.

SI; times in seconds, thrust in newton with tare and weight change already taken off. Total impulse is taken
over the full window; the other definitions serve only burn time and mean thrust and are always named.
"""

import math

import numpy as np

from standbook.analysis.signal.valve_events import Event
from standbook.analysis.signal.windows import Window
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

QUIET_SIGMA = 3.0  # a mean this many deviations from zero is still called quiet
REST_SHARE = 0.01  # of the greatest mean; a record that never gets below this after the burn ended under thrust
QUIET_SHARE = 0.002  # of the greatest mean; a drift below it must not stretch the window
TANGENT_SHARE = 0.1  # of the burn, length of record that the aft tangent is drawn through


def running_mean(time: Array, value: Array, span: float) -> Array:
    """Compute the mean over ``span`` seconds centred on each sample, from the trapezoid integral.

    A mean over one period of the stand's first mode removes its ringing and shifts nothing. Near the ends of
    the record the span is what there is.
    """
    integral = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(time) * (value[1:] + value[:-1]))])
    low = np.maximum(time - span / 2.0, time[0])
    high = np.minimum(time + span / 2.0, time[-1])
    width = high - low
    if span <= 0.0 or not (width > 0.0).all():
        return value.copy()
    return np.asarray((np.interp(high, time, integral) - np.interp(low, time, integral)) / width)


def thrust_start_stop(time: Array, thrust: Array, mode_period: float, fraction: float = 0.10) -> tuple[Event, Event]:
    """Find where thrust crosses a fraction of its maximum mean, rising and falling.

    Parameters
    ----------
    time, thrust : (N,) array
        Instants [s], increasing, and thrust. [N]
    mode_period : float
        1 / f1, period of the stand's first mode; 0 takes the samples as they are. [s]
    fraction : float
        Of the greatest mean over one period, 0..1.

    Raises
    ------
    DataError
        No thrust, or it does not start and stop inside the record.

    Notes
    -----
    Start: first crossing before the first 50 %. Stop: first crossing after the last 50 %; the last crossing of
    a raw record would wait for the ringing to die and came up to a second late in simulated firings.
    Both instants are chosen per application, no universal threshold exists. Source: [ECSS-E-ST-35C] glossary,
    "burning time". The 10 % points themselves are common practice, no source.
    The mean over a period carries a sudden step past a fraction f up to (0.5 - f) periods early or late; u holds
    that as a rectangular half-width beside noise.
    """
    mean = running_mean(time, thrust, mode_period)
    first, last = _half_points(time, mean)
    level = fraction * float(mean.max())
    below = np.flatnonzero(mean[: first + 1] < level)
    if below.size == 0:
        raise DataError(f"thrust is above {level:.4g} N from the first sample on: its start is not in the record")
    fallen = np.flatnonzero(mean[last:] < level)
    if fallen.size == 0:
        raise DataError(f"thrust stays above {level:.4g} N to the last sample: its end is not in the record")
    method = f"{100 * fraction:g} % of the greatest mean over {mode_period * 1e3:.3g} ms"
    scatter = _quiet_scatter(time, mean, first, mode_period)
    smear = abs(0.5 - fraction) * mode_period / math.sqrt(3.0)
    start, start_u = _crossing(time, mean, below[-1], level, scatter)
    stop, stop_u = _crossing(time, mean, last + fallen[0] - 1, level, scatter)
    return (
        Event("thrust start", start, math.hypot(start_u, smear), method),
        Event("thrust stop", stop, math.hypot(stop_u, smear), method),
    )


def aft_tangent_bisector(time: Array, thrust: Array, mode_period: float) -> Event:
    """Find the end of burning by the aft-tangent bisector.

    Notes
    -----
    One tangent lies along the last tenth of the burn, one along the tail-off between 80 and 20 % of the thrust
    before it. The bisector of their inner angle, drawn with the burn and that thrust as unit lengths (the
    angle depends on the scales, so they must be named), meets the curve at the instant wanted.
    Source: [Sutton], solid-motor chapters, from memory.
    """
    start, stop = thrust_start_stop(time, thrust, mode_period)
    burn = stop.time - start.time
    mean = running_mean(time, thrust, mode_period)
    _, last = _half_points(time, mean)
    fall = max(stop.time - float(time[last]), float(np.median(np.diff(time))))
    aft_end = float(time[last]) - 4.0 * fall
    aft = Window(max(aft_end - TANGENT_SHARE * burn, start.time), aft_end).of(time)
    if aft.sum() < 3:
        raise DataError("thrust falls too slowly or the burn is too short for an aft tangent; use the 10 % points")
    aft_slope, aft_level = np.polyfit(time[aft] - time[last], mean[aft], 1)
    if not 0.0 < 0.8 * aft_level < float(mean.max()):
        raise DataError("thrust does not fall the way an aft tangent needs; use the 10 % points")
    crossings = [
        _crossing(time, mean, _last_above(mean, share * aft_level), share * aft_level, 0.0) for share in (0.8, 0.2)
    ]
    tail_slope = -0.6 * aft_level / max(crossings[1][0] - crossings[0][0], 1e-9)
    # the tangents meet at (corner, corner_thrust)
    tail_at = crossings[0][0] - float(time[last])
    corner = (0.8 * aft_level - tail_slope * tail_at - aft_level) / (aft_slope - tail_slope)
    corner_thrust = aft_level + aft_slope * corner
    back = np.array([-1.0, -aft_slope * burn / aft_level])
    down = np.array([1.0, tail_slope * burn / aft_level])
    inner = back / np.hypot(*back) + down / np.hypot(*down)
    # signed side of the bisector, corner as origin, in unit lengths
    near = np.flatnonzero(np.abs(time - time[last]) <= 0.25 * burn)
    x = (time[near] - time[last] - corner) / burn
    y = (mean[near] - corner_thrust) / aft_level
    side = x * inner[1] - y * inner[0]
    turn = np.flatnonzero(np.diff(np.sign(side)) != 0)
    if turn.size == 0:
        raise DataError("the thrust curve does not cross the bisector of its aft tangents; use the 10 % points")
    # the two tangents lie on opposite sides of their bisector, so a curve along both crosses it
    index = turn[np.argmin(np.hypot(x[turn], y[turn]))]
    share = side[index] / (side[index] - side[index + 1])
    instant = float(time[near[index]] + share * (time[near[index + 1]] - time[near[index]]))
    spread = max(mode_period, float(np.median(np.diff(time)))) / math.sqrt(12.0)
    return Event("aft-tangent bisector", instant, spread, "bisector scaled by burn time and thrust before tail-off")


def full_window(time: Array, thrust: Array, mode_period: float, *, margin: float = 0.0) -> Window:
    """Find the window that holds all of the thrust, for its integral.

    Parameters
    ----------
    margin : float
        Added at both ends as far as the record goes. [s]

    Notes
    -----
    From the 10 % points outwards to the first mean over a mode period that is quiet: within ``QUIET_SIGMA``
    deviations of the record before the start, or within ``QUIET_SHARE`` of the greatest mean. Ringing after the
    stop integrates to nothing, so a window that ends inside it costs little, one that is long costs zero drift.
    """
    start, stop = thrust_start_stop(time, thrust, mode_period)
    mean = running_mean(time, thrust, mode_period)
    first, _ = _half_points(time, mean)
    scatter = _quiet_scatter(time, mean, first, mode_period)
    quiet = np.abs(mean) <= max(QUIET_SIGMA * scatter, QUIET_SHARE * float(mean.max()))
    before = np.flatnonzero(quiet & (time < start.time))
    after = np.flatnonzero(quiet & (time > stop.time))
    begin = float(time[before[-1]]) if before.size else float(time[0])
    end = float(time[after[0]]) if after.size else float(time[-1])
    # half a mean lies outside each quiet instant
    reach = mode_period / 2.0 + margin
    return Window(max(begin - reach, float(time[0])), min(end + reach, float(time[-1])))


def comes_to_rest(time: Array, thrust: Array, mode_period: float) -> bool:
    """Tell whether the mean over a mode period falls to rest after the last half of the thrust."""
    mean = running_mean(time, thrust, mode_period)
    first, last = _half_points(time, mean)
    level = max(QUIET_SIGMA * _quiet_scatter(time, mean, first, mode_period), REST_SHARE * float(mean.max()))
    return bool((np.abs(mean[last:]) <= level).any())


def _half_points(time: Array, mean: Array) -> tuple[int, int]:
    """Return the first and last index at half of the greatest mean or more."""
    if time.size < 3 or not np.isfinite(mean).all() or not mean.max() > 0.0:
        raise DataError("no positive thrust in the record, or samples that are not finite; check sign and tare")
    above = np.flatnonzero(mean >= 0.5 * mean.max())
    return int(above[0]), int(above[-1])


def _last_above(mean: Array, level: float) -> int:
    return int(np.flatnonzero(mean >= level)[-1])


def _quiet_scatter(time: Array, mean: Array, first: int, mode_period: float) -> float:
    """Return the scatter of the mean well before the first half of thrust, zero where nothing was recorded."""
    lead = mean[:first]
    rise = np.flatnonzero(np.abs(lead) > 0.02 * float(mean.max()))
    quiet = lead[: rise[0]] if rise.size else lead
    quiet = quiet[: np.searchsorted(time, time[quiet.size] - 2.0 * mode_period)] if quiet.size else quiet
    return float(np.std(quiet)) if quiet.size > 3 else 0.0


def _crossing(time: Array, mean: Array, index: int, level: float, scatter: float) -> tuple[float, float]:
    """Interpolate the crossing between ``index`` and the next sample; return it and its uncertainty."""
    following = min(index + 1, time.size - 1)
    rise = float(mean[following] - mean[index])
    step = float(time[following] - time[index])
    share = (level - float(mean[index])) / rise if rise else 0.0
    slope = abs(rise) / step if step else math.inf
    u = math.hypot(scatter / slope if slope else 0.0, step / math.sqrt(12.0))
    return float(time[index]) + min(max(share, 0.0), 1.0) * step, u
