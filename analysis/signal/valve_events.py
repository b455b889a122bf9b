"""Detect valve opening, valve closing and depletion in a pressure record alone.

SI; times in seconds, pressures in pascal of any one reference. Edges of digital lines and thrust are found
elsewhere (`analysis.signal.thrust_crossings`). Nothing here knows what was commanded.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar

from standbook.analysis.signal.windows import MAD_TO_SIGMA, block_means, correlation_time
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

Kind = Literal["opening", "closing", "knee"]

SLOPE_SPANS = (0.4, 0.8, 1.6)  # straight lines left and right that seed the search; longer where noise asks [s]
BLOCKS_PER_SPAN = 40
HALF_WIDTH = 1.5  # of the record used by the final fit, each side [s]
MIN_PIECE = 6  # samples left and right of the break
STRAIGHT_WIDTH = 1.0  # the same for straight pieces, which noise bends less and curvature more [s]
MODEL_U = {
    ("parabolic", "opening"): 0.002,
    ("parabolic", "closing"): 0.003,
    ("parabolic", "knee"): 0.005,
    ("straight", "opening"): 0.020,
    ("straight", "closing"): 0.012,
    ("straight", "knee"): 0.010,
}
"""What the two pieces leave out, from real-gas blowdowns with valve strokes of 0.05-0.4 s. [s]"""
AFTER_KNEE = 0.25  # gas breakthrough bends the curve: what follows later says nothing about the knee [s]
SIGNIFICANT = 8.0  # standard deviations of a slope, for the first break that counts as an opening
SHARE_OF_LARGEST = 0.1


@dataclass(frozen=True, slots=True)
class Event:
    """One instant with its standard uncertainty and how it was found. [s]."""

    name: str
    time: float
    u: float
    method: str


def opening_time(
    time: Array, pressure: Array, *, start: float | None = None, end: float | None = None, name: str = "opening"
) -> Event:
    """Find when a valve opened: the effective instant, mid-stroke of a symmetric opening.

    Parameters
    ----------
    time, pressure : (N,) array
        Instants [s] and tank pressure, any reference. [Pa]
    start, end : float, optional
        Where to look; the whole record when left out. [s]
    name : str
        Of the event returned.

    Raises
    ------
    DataError
        The record is too short, or the pressure never goes from still to falling.

    Notes
    -----
    Seed: the first place, away from the edges, where straight lines before and after meet
    as still and falling. Then a continuous two-piece fit. Straight pieces put the opening 15-25 ms early because
    the pressure curve bends while it falls, so each piece is a parabola unless noise makes that the less certain.
    """
    return _break(time, pressure, "opening", start, end, name)


def closing_time(
    time: Array, pressure: Array, *, start: float | None = None, end: float | None = None, name: str = "closing"
) -> Event:
    """Find when a valve closed on a falling pressure, mid-stroke; arguments as for `opening_time`."""
    return _break(time, pressure, "closing", start, end, name)


def knee_time(
    time: Array, pressure: Array, *, start: float | None = None, end: float | None = None, name: str = "knee"
) -> Event:
    """Find when the liquid was depleted: falling turns into falling faster; arguments as for `opening_time`."""
    return _break(time, pressure, "knee", start, end, name)


def _break(time: Array, value: Array, kind: Kind, start: float | None, end: float | None, name: str) -> Event:
    low = float(time[0]) if start is None else max(start, float(time[0]))
    high = float(time[-1]) if end is None else min(end, float(time[-1]))
    use = (time >= low) & (time <= high)
    time, value = time[use], value[use]
    if high - low < 3.0 * SLOPE_SPANS[0] or time.size < 3 * 8:
        raise DataError(
            f"{name}: {max(high - low, 0.0):.3f} s with {time.size} samples is too short to look for it;"
            f" at least {3 * SLOPE_SPANS[0]:.1f} s are needed"
        )
    means = block_means(time, value, int((high - low) / SLOPE_SPANS[0] * BLOCKS_PER_SPAN))
    instant, span = _seed(means.time, means.value, kind, name)
    after = AFTER_KNEE if kind == "knee" else HALF_WIDTH
    spacing = float(np.median(np.diff(time)))
    found: list[Event] = []
    # Straight pieces come close and cannot run away; parabolas then take the bend out where noise lets them.
    for shape, order, left, right in (
        ("straight", 1, span, min(span, after)),
        ("straight", 1, STRAIGHT_WIDTH, min(STRAIGHT_WIDTH, after)),
        ("parabolic", 2, HALF_WIDTH, after),
    ):
        near = (means.time >= instant - left) & (means.time <= instant + right)
        at, u = _two_pieces(means.time[near], means.value[near], instant, order, 0.6 * min(left, right))
        total = math.sqrt(u**2 + MODEL_U[shape, kind] ** 2 + spacing**2 / 12.0)
        found.append(Event(name, at, total, f"continuous two-piece fit, {shape} pieces"))
        instant = found[1].time if len(found) > 2 else at
    return min(found[1:], key=lambda event: event.u)


def _seed(time: Array, value: Array, kind: Kind, name: str) -> tuple[float, float]:
    """Return where straight lines before and after differ as this kind of break does, and their length."""
    best = u = 0.0
    scatter = slope_scatter(time, value)
    for span in SLOPE_SPANS:
        before, after, _ = slopes_beside(time, value, span)
        u = scatter / span**1.5
        if kind == "opening":
            score = np.where(np.abs(before) < 0.3 * np.abs(after), -after, 0.0)
        elif kind == "closing":
            score = np.where(after > 0.3 * before, -before, 0.0)
        else:
            score = np.where(before < 0.0, before - after, 0.0)
        score = np.where(np.isfinite(score), score, 0.0)
        best = float(score.max())
        if not best > SIGNIFICANT * u:
            continue
        if kind == "knee":
            return float(time[int(np.argmax(score))]), span
        # A vent or the knee may fall faster than the flow itself: the first break that counts, at its own summit.
        first = int(np.argmax(score > max(SIGNIFICANT * u, SHARE_OF_LARGEST * best)))
        run = score[first : int(np.searchsorted(time, time[first] + span)) + 1]
        return float(time[first + int(np.argmax(run))]), span
    raise DataError(
        f"{name}: no {kind} stands out between {time[0]:.3f} s and {time[-1]:.3f} s (strongest change"
        f" {best:.4g} Pa/s, scatter {u:.4g} Pa/s); give the instant or a narrower search"
    )


def slopes_beside(time: Array, value: Array, span: float) -> tuple[Array, Array, Array]:
    """Compute slopes of lines that end and start at each instant, and the mean of both (NaN near the edges)."""
    x, y = time - time[0], value - value[0]
    sums = [np.concatenate([[0.0], np.cumsum(part)]) for part in (np.ones_like(x), x, y, x * x, x * y)]
    at = np.arange(x.size)

    def line(low: NDArray[np.intp], high: NDArray[np.intp]) -> tuple[Array, Array]:
        n, sx, sy, sxx, sxy = (total[high] - total[low] for total in sums)
        with np.errstate(invalid="ignore", divide="ignore"):
            return (n * sxy - sx * sy) / (n * sxx - sx * sx), sy / n

    before, mean_before = line(np.searchsorted(x, x - span), at + 1)
    after, mean_after = line(at, np.searchsorted(x, x + span, side="right"))
    middle = value[0] + 0.5 * (mean_before + mean_after)
    outside = (x < span) | (x > x[-1] - span)
    for part in (before, after, middle):
        part[outside] = np.nan
    return before, after, middle


def slope_scatter(time: Array, value: Array) -> float:
    """Compute the scatter that noise gives the slope of a line 1 s long; n s long: n^-3/2 of it. [Pa/s]."""
    # What is left beside a centred mean over a short span is noise; over a longer one it would be curvature too.
    rest = value - slopes_beside(time, value, SLOPE_SPANS[0])[2]
    rest = rest[np.isfinite(rest)]
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(rest - np.median(rest)))) if rest.size else 0.0
    if not sigma > 0.0:
        return 0.0
    tau = correlation_time(np.clip(rest, -3.0 * sigma, 3.0 * sigma))
    return sigma * math.sqrt(12.0 * tau * float(np.median(np.diff(time))))


def _two_pieces(time: Array, value: Array, seed: float, order: int, search: float) -> tuple[float, float]:
    """Fit two polynomials that meet at a free instant; return it and its standard uncertainty."""
    scale = float(np.ptp(value)) or 1.0
    target = (value - value.mean()) / scale

    def design(at: float) -> Array:
        x = time - at
        low, high = np.minimum(x, 0.0), np.maximum(x, 0.0)
        powers = range(1, order + 1)
        return np.column_stack([np.ones_like(x), *(low**k for k in powers), *(high**k for k in powers)])

    def misfit(at: float) -> float:
        A = design(at)
        return float(np.sum((target - A @ np.linalg.lstsq(A, target, rcond=None)[0]) ** 2))

    if time.size < 2 * MIN_PIECE + 2:
        raise DataError(f"{time.size} means about {seed:.3f} s are too few to place a break; record faster")
    inner = time[[MIN_PIECE, -1 - MIN_PIECE]]  # each piece needs samples enough to hold its polynomial
    lowest, highest = max(seed - search, inner[0]), min(seed + search, inner[1])
    if not lowest < highest:
        raise DataError(f"too few means beside {seed:.3f} s to place a break; record faster, or for longer")
    trials = np.linspace(lowest, highest, 61)
    costs = [misfit(float(at)) for at in trials]
    place = int(np.argmin(costs))
    bounds = (float(trials[max(place - 1, 0)]), float(trials[min(place + 1, trials.size - 1)]))
    instant = float(minimize_scalar(misfit, bounds=bounds, method="bounded", options={"xatol": 1e-6}).x)
    A = design(instant)
    theta = np.linalg.lstsq(A, target, rcond=None)[0]
    residual = target - A @ theta
    x = time - instant
    low, high = theta[1 : 1 + order], theta[1 + order :]
    moved = -np.where(x < 0.0, _slope_of(low, x), _slope_of(high, x))
    full = np.column_stack([A, moved])
    tau = correlation_time(residual)
    # the fit has eaten its share of independent samples, of which a correlated record holds few
    freedom = max(residual.size / tau - full.shape[1], 2.0)
    variance = float(residual @ residual) / freedom
    covariance = np.linalg.pinv(full.T @ full) * variance
    return instant, math.sqrt(float(covariance[-1, -1]))


def _slope_of(coefficients: Array, x: Array) -> Array:
    """Return the derivative of c1 x + c2 x² + ..."""
    return np.asarray(sum(k * c * x ** (k - 1) for k, c in enumerate(coefficients, start=1)))
