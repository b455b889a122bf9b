"""An opening, a closing or a run-out placed where the curve before it meets the curve after it.

SI; times in seconds, pressures absolute. Several lengths of line before and after are fitted; each has a posterior of
its own, and what they disagree by is part of the uncertainty.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.flow_ends.bends import (
    EARLY,
    EVEN,
    LATE,
    Candidates,
    Posterior,
    Stretch,
    Trials,
    posterior,
    tried,
)
from standbook.analysis.flow_ends.course import MIDDLE_EXPONENT, Course, abscissa, gas_growth
from standbook.analysis.flow_ends.departures import Departure
from standbook.analysis.flow_ends.gas_share import shift_if_mixed
from standbook.analysis.flow_ends.line_noise import LineNoise
from standbook.daq.arrays import Array

LEAST_BEFORE, LEAST_AFTER = 6, 4  # means
CLEAR = 0.1  # s before an end that its liquid's slope is read clear of
NEAR, LEAST_RATE = 0.02, 0.1  # about an end, over which seconds are told from drive integral
ROUNDS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """Lengths, widths and limits of the fits of an end."""

    shares: tuple[float, ...] = (0.3, 0.45, 0.7, 0.85)  # of the flow, fitted before its end
    longest: tuple[float, ...] = (2.0, 4.0, 8.0, 20.0)  # of each at most [s]
    after_stop: tuple[float, ...] = (0.3, 0.6, 1.2, 2.5)  # fitted after a closing [s]
    after_gas: tuple[float, ...] = (0.12, 0.25, 0.5, 1.0, 2.0)
    widths: tuple[float, ...] = (0.0, 0.04, 0.08, 0.12, 0.17, 0.23, 0.3, 0.42, 0.6)  # of the transition [s]
    gas_widths: tuple[float, ...] = (0.0, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0, 1.7)
    ratio_u: float = 0.25  # of gas's slope over the liquid's, relative, where the gas is known
    cubic_from: float = 1.2  # of line before; a shorter one is a parabola [s]
    stop_ratios: tuple[float, float] = (-1.5, 0.45)  # slope after a stop over that before
    gas_ratio: float = 1.18  # and after gas, at least
    at_rest: tuple[float, ...] = (1.0, 2.0, 4.0)  # fitted before the opening [s]
    opened: tuple[tuple[float, float], ...] = ((0.15, 1.0), (0.3, 2.0), (0.6, 4.0))  # share of the flow, at most [s]
    least_opened: float = 0.7  # s of it at least
    opening_widths: tuple[float, ...] = (0.0, 0.04, 0.08, 0.12, 0.17, 0.23, 0.3, 0.42, 0.6)  # of the valve's stroke [s]
    rest_ratio: float = 0.3  # of the flow's slope: what falls slower stands at rest
    misfits: tuple[float, float] = (2.0, 1.5)  # windows that fit worse than the first, and than so many times the best
    opening_misfit: float = 4.0  # the same of openings, whose strokes no shape quite follows
    widest: float = 0.2  # of the flow: no knee is longer
    gas_bends: tuple[float, float] = (-0.2, 0.3)  # curvature by which gas steepens over its slope squared, and its u
    least_u: float = 0.002  # of any end: what strokes and shapes leave [s]
    places: int = 31  # tried, evenly spread
    most_held: float = 0.8  # of the windows that a finer grid must hold
    fine: float = 0.02  # u of an end, below which a finer grid is worth its time [s]


@dataclass(frozen=True, slots=True)
class Placed:
    """One instant with its standard uncertainty. [s]."""

    time: float
    u: float
    width: float
    onset: float  # where the bend begins [s]
    held: float = 1.0  # share of the windows whose places tried hold it


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Search:
    """One end, and where it is looked for."""

    course: Course
    noise: LineNoise
    fitting: Fitting
    found: Departure
    begin: float  # the valve stands open from here on [s]
    ratio: float | None  # slope of gas over that of liquid, where the gas is known
    centre: float  # [s]
    reach: float  # on both sides of it [s]


def placed_end(
    course: Course, noise: LineNoise, found: Departure, fitting: Fitting, *, begin: float, ratio: float | None
) -> Placed | None:
    """Place a closing or a run-out; ``None`` where no window shows one.

    Parameters
    ----------
    begin : float
        From where on the valve stands open. [s]
    ratio : float, optional
        Volume flow of gas over that of liquid, where the gas is known.
    """
    afters = fitting.after_gas if found.steeper else fitting.after_stop
    reach = found.line + (0.8 if found.steeper else 0.4)
    search = _Search(
        course=course,
        noise=noise,
        fitting=fitting,
        found=found,
        begin=begin,
        ratio=ratio,
        centre=found.time,
        reach=reach,
    )
    first = _over_windows(search, afters[-1:]) or _over_windows(search, afters)
    if first is None:
        return None
    if found.steeper:  # a line that ends inside the fading has seen neither its end nor the gas
        afters = tuple(after for after in afters if after >= first.width) or afters[-1:]
    closer = min(max(6.0 * first.u + 0.5 * first.width, 0.05), reach)
    placed = _over_windows(replace(search, centre=first.time, reach=closer), afters) or first
    if placed.u > fitting.fine:
        return placed
    finer = _over_windows(replace(search, centre=placed.time, reach=6.0 * placed.u), afters)
    return finer if finer is not None and finer.held > fitting.most_held else placed


def _over_windows(search: _Search, afters: Sequence[float]) -> Placed | None:
    """Fit every length of line before with every length after, never past the next change."""
    windows = []
    flow = search.centre - search.begin
    ends = dict.fromkeys(min(search.centre + after, search.found.until) for after in afters)
    for share, longest in zip(search.fitting.shares, search.fitting.longest, strict=True):
        before = min(share * flow, longest)
        for end in ends:
            one = _end_window(search, max(search.begin, search.centre - before), end)
            if one is not None:
                windows.append((one, min(before, end - search.centre)))
    return averaged(windows, search.noise, search.fitting)


def _end_window(search: _Search, start: float, end: float) -> Posterior | None:
    """Return the posterior of an end over one window."""
    course, noise, fitting = search.course, search.noise, search.fitting
    part, x = abscissa(course, start, end, search.centre)
    if np.count_nonzero(x < 0.0) < LEAST_BEFORE or np.count_nonzero(x >= 0.0) < LEAST_AFTER:
        return None
    pressure = course.pressure[part]
    stretch = Stretch(
        at=x,
        value=np.log(pressure),
        weight=pressure / noise.deviation,
        neighbours=noise.neighbours,
        order=3 if search.centre - start > fitting.cubic_from else 2,
    )
    trials = tried(stretch, _candidates(search, x, part))
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = trials.after / trials.before
    if search.found.steeper:
        allowed = (ratio > fitting.gas_ratio) & (trials.before < 0.0)
        one = posterior(trials, allowed, _shifts(trials, ratio))
    else:
        low, high = fitting.stop_ratios
        one = posterior(trials, (ratio > low) & (ratio < high) & (trials.before < 0.0))
    return None if one is None else _in_time(one, x, course.time[part])


def _candidates(search: _Search, x: Array, part: slice) -> Candidates:
    fitting = search.fitting
    places = np.linspace(max(-search.reach, float(x[3])), min(search.reach, float(x[-3])), fitting.places)
    if not search.found.steeper:
        return Candidates(places=places, widths=fitting.widths, shapes=(EVEN, EARLY), after="relax")
    longest = max(fitting.widest * (search.centre - search.begin), fitting.gas_widths[2])
    ratio = search.ratio
    growth = None if ratio is None else gas_growth(search.course, part, search.found.time, ratio)
    return Candidates(
        places=places,
        widths=tuple(width for width in fitting.gas_widths if width <= longest),
        shapes=(EVEN, EARLY, LATE),
        after="square",
        priors=_gas_priors(search, x, search.course.pressure[part]),
        growth=growth,
    )


def _gas_priors(search: _Search, x: Array, pressure: Array) -> tuple[tuple[float, float], ...]:
    """Return what the speed of gas foretells: its slope after the liquid's, and how that steepens as drive is lost."""
    before, fitting = x < -CLEAR, search.fitting
    if search.ratio is None or np.count_nonzero(before) < LEAST_BEFORE:
        return ()
    slope = float(np.polyfit(x[before], np.log(pressure[before]), 2)[1])
    gas = slope * search.ratio
    bend, tail = fitting.gas_bends
    return (gas - slope, abs(gas) * fitting.ratio_u), (bend * gas**2, tail * gas**2)


def _shifts(trials: Trials, ratio: Array) -> Array:
    """Return how much earlier each bend's liquid would have gone as a mixture."""
    shifts = np.zeros(trials.place.size)
    for shape in (EVEN, EARLY, LATE):
        own = trials.shape == shape
        shifts[own] = shift_if_mixed(trials.width[own], shape, ratio[own])
    return shifts


def _in_time(one: Posterior, x: Array, time: Array) -> Posterior:
    """Turn a posterior in drive integral into one in time."""
    low, high = np.interp([one.place - NEAR, one.place + NEAR], x, time)
    rate = max(float(high - low) / (2.0 * NEAR), LEAST_RATE)
    return replace(
        one,
        place=float(np.interp(one.place, x, time)),
        deviation=one.deviation * rate,
        onset=float(np.interp(one.onset, x, time)),
        width=one.width * rate,
    )


def averaged(
    windows: Sequence[tuple[Posterior, float]], noise: LineNoise, fitting: Fitting, *, misfit: float | None = None
) -> Placed | None:
    """Average what windows say; ``None`` where none says anything.

    Parameters
    ----------
    windows : sequence of Posterior and length of line [s]
    """
    if not windows:
        return None
    least = min(one.misfit for one, _ in windows)
    limit = max(fitting.misfits[0], (misfit or fitting.misfits[1]) * least)
    inside = [pair for pair in windows if not pair[0].on_edge] or list(windows)
    kept = [pair for pair in inside if pair[0].misfit <= limit] or inside
    sd = np.array([one.deviation * noise.factor(length) for one, length in kept])
    place = np.array([one.place for one, _ in kept])
    between, weight = 0.0, np.zeros(sd.size)
    for _ in range(ROUNDS):  # a window is worth no more than windows agree
        weight = 1.0 / (sd**2 + between)
        weight /= weight.sum()
        between = float(weight @ (place - weight @ place) ** 2)
    return Placed(
        float(weight @ place),
        math.hypot(float(np.median(sd)), math.sqrt(between), fitting.least_u),
        float(weight @ [one.width for one, _ in kept]),
        float(weight @ [one.onset for one, _ in kept]),
        float(np.mean([not one.on_edge for one, _ in windows])),
    )


def placed_opening(
    course: Course, noise: LineNoise, fitting: Fitting, *, about: float, rest_from: float, flow_end: float, reach: float
) -> Placed | None:
    """Place an opening: a line at rest meets the evenly growing ullage volume of the flow.

    Parameters
    ----------
    about, reach : float
        Where it is looked for, and how far on both sides. [s]
    rest_from, flow_end : float
        What is fitted of the rest and of the flow ends there. [s]
    """

    def over(centre: float, reach: float) -> Placed | None:
        windows = []
        for rest in fitting.at_rest:
            for share, longest in fitting.opened:
                start = max(centre - rest, rest_from)
                end = centre + max(min(share * (flow_end - centre), longest), fitting.least_opened)
                end = min(end, flow_end - CLEAR)
                one = _opening_window(course, noise, fitting, span=(start, end), centre=centre, reach=reach)
                if one is not None:
                    windows.append((one, min(centre - start, end - centre)))
        return averaged(windows, noise, fitting, misfit=fitting.opening_misfit)

    first = over(about, reach)
    if first is None or first.held == 0.0:
        return first
    found = over(first.time, max(6.0 * first.u, 0.1)) or first
    if found.u > fitting.fine:
        return found
    finer = over(found.time, 6.0 * found.u)
    return finer if finer is not None and finer.held > fitting.most_held else found


def _opening_window(
    course: Course, noise: LineNoise, fitting: Fitting, *, span: tuple[float, float], centre: float, reach: float
) -> Posterior | None:
    part, x = abscissa(course, *span, centre)
    if np.count_nonzero(x < 0.0) < LEAST_AFTER or np.count_nonzero(x >= 0.0) < LEAST_BEFORE:
        return None
    volume = course.volume[part]
    stretch = Stretch(
        at=x,
        value=volume,
        weight=MIDDLE_EXPONENT * course.pressure[part] / (volume * noise.deviation),
        neighbours=noise.neighbours,
        order=1,
    )
    places = np.linspace(max(-reach, float(x[2])), min(reach, float(x[-4])), fitting.places)
    trials = tried(
        stretch, Candidates(places=places, widths=fitting.opening_widths, shapes=(EVEN, LATE), after="square")
    )
    at_rest = np.abs(trials.before) < fitting.rest_ratio * trials.after
    one = posterior(trials, (trials.after > 0.0) & at_rest)
    return None if one is None else _in_time(one, x, course.time[part])
