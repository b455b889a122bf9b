"""A flow that ran dry just before its valve shut: how much gas left is told by how far the pressure fell below.

SI; times in seconds, pressures absolute. The gas's part is too short to be met as a curve of its own. What pressure
lost beyond the liquid's curve, over what it loses a second by gas alone, is the time by which liquid ended sooner.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.flow_ends.bends import EVEN, MIXED, Stretch, grown, ramp, reduced, whitened
from standbook.analysis.flow_ends.course import Course, abscissa, gas_growth
from standbook.analysis.flow_ends.gas_share import liquid_lost_if_mixed
from standbook.analysis.flow_ends.line_noise import LineNoise
from standbook.daq.arrays import Array

CLEAR = 0.1  # s before the closing that its liquid's slope is read clear of
LEAST_BEFORE, LEAST_AFTER = 8, 6  # means
UNTOUCHED = 0.5  # s before a closing, when liquid and gas are compared
CUBIC_FROM = 1.2  # s of line before; a shorter one is a parabola
MOST_BACK = 0.6  # of the line before, in which gas may begin
SMALL = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class ShutGas:
    """How gas before a closing is looked for."""

    back: float = 2.5  # s before the closing in which gas may have begun
    gas_places: int = 26
    gas_widths: tuple[float, ...] = (0.0, 0.2, 0.5, 1.0)  # [s]
    stop_reach: float = 0.3  # s about the closing
    stop_places: int = 15
    stop_widths: tuple[float, ...] = (0.0, 0.15, 0.35)  # [s]
    reheat: float = 0.5  # s, in which a hold warms at first
    windows: tuple[tuple[float, float, float], ...] = ((0.5, 4.0, 0.6), (0.5, 4.0, 1.5), (0.8, 8.0, 1.0))
    ratio_u: float = 0.2  # of gas's slope over the liquid's, relative
    stop_ratios: tuple[float, float] = (-1.5, 0.45)  # slope after the closing over that of the liquid
    most_share: float = 1.3  # of gas alone: what fell faster is a vent


@dataclass(frozen=True, slots=True)
class Emptied:
    """When liquid ended before a closing."""

    time: float  # [s]
    u: float  # [s]
    closed: float  # [s]
    first_gas: float  # [s]
    gain: float  # of the sum of squares by gas, noise scaled


def emptied(
    course: Course, noise: LineNoise, closing: float, limits: ShutGas, *, begin: float, until: float, ratio: float
) -> Emptied | None:
    """Tell when liquid ended before a valve closed on its gas; ``None`` where no window holds both.

    Parameters
    ----------
    closing : float
        When the valve closed, roughly. [s]
    begin, until : float
        From where the valve stood open, and when the hold ends. [s]
    ratio : float
        Volume flow of gas over that of liquid at the same pressures.
    """
    found = [
        one
        for share, longest, after in limits.windows
        if (
            one := _window(
                course,
                noise,
                limits,
                start=max(begin, closing - min(share * (closing - begin), longest)),
                end=min(closing + after, until),
                closing=closing,
                ratio=ratio,
            )
        )
    ]
    if not found:
        return None
    time = np.array([one.time for one in found])
    sd = np.array([one.u for one in found])
    mean = float(np.mean(time))
    shift = mean - float(np.mean([one.closed for one in found]))
    by_ratio = limits.ratio_u * ratio / (ratio - 1.0) * shift
    u = math.sqrt(float(np.median(sd)) ** 2 + float(np.var(time)) + by_ratio**2)
    return Emptied(
        mean,
        u,
        float(np.mean([one.closed for one in found])),
        float(np.mean([one.first_gas for one in found])),
        float(np.median([one.gain for one in found])),
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Pairs:
    """Every gas ramp with every closing, fitted to one stretch. Arrays (G, R) unless said otherwise."""

    begins: Array  # (G, 1) of gas, centroid
    widths: Array  # (G, 1)
    closes: Array  # (1, R)
    share: Array  # of gas alone, that the volume flow grew to
    weight: Array  # posterior, sum 1
    gain: float  # of the least sum of squares by gas, noise scaled


def _window(
    course: Course, noise: LineNoise, limits: ShutGas, *, start: float, end: float, closing: float, ratio: float
) -> Emptied | None:
    """Return what one stretch of record says."""
    part, x = abscissa(course, start, end, closing)
    if np.count_nonzero(x < -CLEAR) < LEAST_BEFORE or np.count_nonzero(x >= 0.0) < LEAST_AFTER:
        return None
    pressure = course.pressure[part]
    stretch = Stretch(
        at=x,
        value=np.log(pressure),
        weight=pressure / noise.deviation,
        neighbours=noise.neighbours,
        order=3 if closing - start > CUBIC_FROM else 2,
    )
    growth = gas_growth(course, part, closing - UNTOUCHED, ratio)
    pairs = _paired(stretch, limits, ratio, growth)
    if pairs is None:
        return None
    times = _ended(pairs, ratio)
    mean = float(np.sum(pairs.weight * times.mean(axis=0)))
    variance = float(np.sum(pairs.weight * ((times - mean) ** 2).mean(axis=0)))
    factor = noise.factor(min(closing - start, end - closing))
    onset = float(np.sum(pairs.weight * (pairs.begins - 0.5 * pairs.widths)))
    closed = float(np.sum(pairs.weight * pairs.closes))
    at = [float(instant) for instant in np.interp([mean, closed, onset], x, course.time[part])]
    return Emptied(at[0], math.sqrt(variance) * factor, at[1], at[2], pairs.gain / factor**2)


def _ended(pairs: _Pairs, ratio: float) -> Array:
    """Return when liquid ended by each pair, for each share of the mixture's law. (M, G, R)."""
    since = pairs.closes - pairs.begins
    wide = np.maximum(pairs.widths, 1e-9)
    done = np.clip(since / wide + 0.5, 0.0, 1.0)
    full = np.minimum(pairs.share, 1.0)
    lost = full * (0.5 * wide * done**2 + np.maximum(since - 0.5 * wide, 0.0))
    more = liquid_lost_if_mixed(full, ratio)
    most = np.maximum(since + 0.5 * wide, lost)  # no more than all since the first gas
    return np.array([pairs.closes - np.minimum(lost * (1.0 + mixed * (more - 1.0)), most) for mixed in MIXED])


def _paired(stretch: Stretch, limits: ShutGas, ratio: float, growth: Array | None) -> _Pairs | None:
    """Fit every pair; ``None`` where none is a flow that shuts."""
    x, rho = stretch.at, stretch.neighbours
    begins = np.linspace(-min(limits.back, MOST_BACK * -float(x[0])), 0.0, limits.gas_places)
    closes = np.linspace(-limits.stop_reach, min(limits.stop_reach, float(x[-4])), limits.stop_places)
    basis, weight = reduced(stretch), stretch.weight[:, None]
    gas = grown(np.hstack([ramp(x[:, None] - begins, width, EVEN) for width in limits.gas_widths]), growth)
    stop = np.hstack([ramp(x[:, None] - closes, width, EVEN) for width in limits.stop_widths])
    warm = 1.0 - np.exp(-np.maximum(x[:, None] - closes, 0.0) / limits.reheat)
    G, R, W = (basis.free(whitened(columns * weight, rho)) for columns in (gas, stop, warm))
    W = np.tile(W, (1, len(limits.stop_widths)))
    gram, right = _normal_equations((G, R, W), basis.rest)
    slope = _slope_before(stretch)
    alone = abs(slope) * (ratio - 1.0)  # what the slope grows by where gas alone leaves
    gram[:, :, 0, 0] += 1.0 / alone**2
    gram += SMALL * np.einsum("ijkk->ij", gram)[:, :, None, None] * np.eye(3)
    beta = np.linalg.solve(gram, right[..., None])[..., 0]
    square = float(basis.rest @ basis.rest)
    cost = square - np.einsum("ijk,ijk->ij", beta, right)
    plain = np.linalg.solve(gram[0, :, 1:, 1:], right[0, :, 1:, None])[..., 0]
    without = square - float(np.max(np.einsum("jk,jk->j", plain, right[0, :, 1:])))
    share = np.maximum(-beta[:, :, 0], 0.0) / alone
    after = (slope + beta[:, :, 0] + beta[:, :, 1] + beta[:, :, 2] / limits.reheat) / slope
    low, high = limits.stop_ratios
    begins, widths = (
        np.tile(begins, len(limits.gas_widths))[:, None],
        np.repeat(limits.gas_widths, begins.size)[:, None],
    )
    closes = np.tile(closes, len(limits.stop_widths))[None, :]
    allowed = (begins < closes) & (share < limits.most_share) & (beta[:, :, 1] > 0.0)
    allowed &= (after > low) & (after < high + 0.5 * share * ratio)
    if not allowed.any():
        return None
    cost = np.where(allowed, cost, np.inf)
    least = float(cost.min())
    misfit = max(least / max(x.size - stretch.order - 4, 1), 1.0)
    likely = np.exp(-0.5 * (cost - least) / misfit)
    return _Pairs(
        begins=begins,
        widths=widths,
        closes=closes,
        share=share,
        weight=likely / likely.sum(),
        gain=(without - least) / misfit,
    )


def _normal_equations(columns: tuple[Array, Array, Array], rest: Array) -> tuple[Array, Array]:
    """Return products of gas ramps (B, G) with closings (B, R) and holds (B, R), and with the values. (G, R, 3, 3)."""
    G, R, W = columns
    gram = np.empty((G.shape[1], R.shape[1], 3, 3))
    gram[:, :, 0, 0] = np.einsum("bc,bc->c", G, G)[:, None]
    gram[:, :, 0, 1] = gram[:, :, 1, 0] = G.T @ R
    gram[:, :, 0, 2] = gram[:, :, 2, 0] = G.T @ W
    gram[:, :, 1, 1] = np.einsum("bc,bc->c", R, R)
    gram[:, :, 1, 2] = gram[:, :, 2, 1] = np.einsum("bc,bc->c", R, W)
    gram[:, :, 2, 2] = np.einsum("bc,bc->c", W, W)
    right = np.empty(gram.shape[:3])
    right[:, :, 0], right[:, :, 1], right[:, :, 2] = (G.T @ rest)[:, None], R.T @ rest, W.T @ rest
    return gram, right


def _slope_before(stretch: Stretch) -> float:
    """Return the slope of the flow carried on to the closing; it falls."""
    before = stretch.at < -CLEAR
    return min(float(np.polyfit(stretch.at[before], stretch.value[before], 2)[1]), -SMALL)
