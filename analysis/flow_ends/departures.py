"""Where the apparent flow area leaves that of flowing liquid: lines ahead of each instant against lines behind it.

SI; times in seconds. The slope of ullage volume against drive integral is the area of what flows, whatever CdA is; it
falls where the valve shuts and grows where gas comes. No mass and no planned area enters.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.flow_ends.course import MIDDLE_EXPONENT, Course
from standbook.analysis.flow_ends.line_noise import LineNoise
from standbook.daq.arrays import Array, Mask


@dataclass(frozen=True, slots=True, kw_only=True)
class Detection:
    """What counts as a departure from flowing liquid."""

    lines: tuple[float, ...] = (0.06, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2)  # ahead of an instant, twice as long behind [s]
    significant: float = 6.0  # standard deviations of the change of area
    least_spans: int = 5  # of lines ahead and behind, in a flow that tells how their changes scatter
    flowing: float = 4.0  # standard deviations by which the area behind stands above zero
    stopped: float = 0.5  # of the area behind: below it the valve may have shut
    steeper: float = 1.35  # of the area behind: above it gas may come
    steeper_driven: float = 2.1  # the same where the drive changes within the line, which moves the gas's exponent
    drive_changes: float = 0.25  # of the drive within a line, from which on it does
    still_stopped: float = 0.55  # of the area behind, over some line after
    still_steeper: float = 1.3
    after: tuple[float, ...] = (0.3, 0.6, 1.2, 2.4, 4.8)  # lines that confirm a departure [s]
    sure: float = 2.5  # standard deviations at which they do
    weak: float = 0.45  # of the early flow's area: what starts from less is a vent
    early: float = 4.0  # longest line that tells the early flow [s]
    settled: float = 0.3  # after the opening, from where on the valve stands open [s]
    again: float = 0.5  # of the area before: what falls so after a stop falls by a vent, or by a valve opened again
    again_sure: float = 5.0  # standard deviations at which it does


@dataclass(frozen=True, slots=True)
class Departure:
    """One instant at which the area changed for good."""

    time: float  # [s]
    line: float  # length of the line that shows it [s]
    steeper: bool  # gas, else a stop
    area: float  # behind it, in start volumes [1/(Pa^½ s)]
    until: float  # the next change, or the record's end [s]


class Areas:
    """Apparent areas by lines through a course, with their uncertainties."""

    def __init__(self, course: Course, noise: LineNoise) -> None:
        self.course, self.noise = course, noise
        x, y = course.driven, course.volume
        self._sums = [np.concatenate([[0.0], np.cumsum(part)]) for part in (x, y, x * x, x * y)]
        self._lengths = np.geomspace(0.03, 30.0, 25)
        self._slope_u = np.array([noise.slope_u(float(length)) for length in self._lengths])
        # A slope of pressure in time becomes one of volume in drive integral.
        root = np.sqrt(np.maximum(course.drive, 1.0))
        self._scale = course.volume / (MIDDLE_EXPONENT * course.pressure * root)

    def of(self, low: NDArray[np.intp], high: NDArray[np.intp]) -> tuple[Array, Array]:
        """Return slopes over means ``low`` to ``high`` less one, and their u; not a number below three means."""
        n = np.maximum(high - low, 1)
        sx, sy, sxx, sxy = (total[high] - total[low] for total in self._sums)
        with np.errstate(invalid="ignore", divide="ignore"):
            slope = (n * sxy - sx * sy) / (n * sxx - sx * sx)
        slope[high - low < 3] = np.nan
        middle = np.minimum((low + high) // 2, self.course.time.size - 1)
        return slope, self._scale[middle] * np.interp(n * self.course.block, self._lengths, self._slope_u)

    def one(self, start: float, end: float) -> tuple[float, float]:
        """Return the area between two instants with its u."""
        low, high = self.course.place(start), self.course.place(end)
        slope, u = self.of(np.array([low]), np.array([high]))
        return float(slope[0]), float(u[0])


def departures(areas: Areas, opening: float, detection: Detection) -> list[Departure]:
    """Return every departure from flowing liquid, the end of the flow first.

    Parameters
    ----------
    opening : float
        Of the valve. [s]
    """
    kept: list[Departure] = []
    for length in detection.lines:
        for found in _by_lines(areas, opening, length, detection):
            if any(found.time - 2.0 * length < other.time < found.time + length for other in kept):
                continue
            if _stays(areas, found, detection):
                kept.append(found)
                break
    return sorted(kept, key=lambda one: one.time)


def rough_opening(areas: Areas, start: float, end: float, detection: Detection) -> float | None:
    """Return where the tank goes from rest to flowing, roughly; ``None`` where no line shows it. [s]."""
    course = areas.course
    first = course.place(start)
    for length in detection.lines:
        m = max(3, round(length / course.block))
        at = np.arange(first + 3, min(course.place(end), course.time.size - 4 * m))
        if at.size == 0:
            continue
        behind, behind_u = areas.of(np.maximum(at - 2 * m, 0), at)
        ahead, ahead_u = areas.of(at, at + m)
        then, then_u = areas.of(at + m, at + 4 * m)
        change = (ahead - behind) / np.hypot(ahead_u, behind_u)
        opens = (change > detection.significant) & (np.abs(behind) < detection.weak * ahead + behind_u)
        opens &= (then > detection.flowing * then_u) & (then > detection.stopped * ahead)
        if opens.any():
            k = int(np.argmax(opens))
            near = slice(k, k + m + 1)
            return float(course.time[at[near][int(np.argmax(np.where(opens[near], change[near], -np.inf)))]])
    return None


def _by_lines(areas: Areas, opening: float, length: float, detection: Detection) -> list[Departure]:
    """Return what lines of one length show, in order of time."""
    course = areas.course
    m, first = max(3, round(length / course.block)), course.place(opening + detection.settled)
    at = np.arange(first + m, course.time.size - m)
    if at.size == 0:
        return []
    behind, behind_u = areas.of(np.maximum(at - 2 * m, first), at)
    ahead, ahead_u = areas.of(at, at + m)
    change = (ahead - behind) / np.hypot(ahead_u, behind_u)
    early, _ = areas.of(np.full(at.size, first), np.minimum(at, first + round(detection.early / course.block)))
    flows = (behind > detection.flowing * behind_u) & (behind > detection.weak * early)
    moved = np.abs(course.drive[at + m - 1] / course.drive[at] - 1.0) > detection.drive_changes
    steeper = np.where(moved, detection.steeper_driven, detection.steeper)
    stops = flows & (change < -detection.significant) & (ahead < detection.stopped * behind)
    gas = flows & (change > detection.significant) & (ahead > steeper * behind)
    found = []
    for seen, is_gas in ((stops, False), (gas, True)):
        for run in _runs(seen):
            k = run.start + int(np.argmax(np.abs(change[run])))
            if np.abs(change[k]) < detection.significant * _scatter(change[: run.start], 3 * m, detection.least_spans):
                continue
            found.append(
                Departure(float(course.time[at[k]]), m * course.block, is_gas, float(behind[k]), float(course.time[-1]))
            )
    return sorted(found, key=lambda one: one.time)


def _scatter(change: Array, span: int, least: int) -> float:
    """Return how much more changes of area scatter along a flow than their u says, at least 1; 1 where few tell it.

    A short hold says little of slow noise; the flow itself does. Changes a ``span`` of means apart share no mean, and
    their difference leaves out what the course does slowly.
    """
    if change.size < least * span:
        return 1.0
    apart = change[span:] - change[:-span]
    return max(1.05 * float(np.median(np.abs(apart - np.median(apart)))), 1.0)  # 1.4826 / sqrt(2)


def _runs(seen: Mask) -> list[slice]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], seen, [False]]).astype(np.int8)))
    return [slice(int(a), int(b)) for a, b in edges.reshape(-1, 2)]


def _stays(areas: Areas, found: Departure, detection: Detection) -> bool:
    """Tell whether some line after a departure confirms it: gas may also be shut in."""
    last = float(areas.course.time[-1])
    for length in detection.after:
        if found.time + 0.5 * length > last:
            return False
        area, u = areas.one(found.time, found.time + length)
        margin = detection.sure * u
        if found.steeper and area - margin > detection.still_steeper * found.area:
            return True
        if area + margin < detection.still_stopped * found.area:
            return True
    return False


def next_change(areas: Areas, found: Departure, detection: Detection) -> float:
    """Return when what follows a departure changes in turn: gas is shut in, a hold is vented; else the record's end."""
    course = areas.course
    best = float(course.time[-1])
    for length in (0.1, 0.2, 0.4, 0.8):
        m = max(3, round(length / course.block))
        at = np.arange(course.place(found.time + (0.06 if found.steeper else 0.3)), course.time.size - m)
        if at.size == 0:
            continue
        ahead, u = areas.of(at, at + m)
        if found.steeper:
            most = np.maximum.accumulate(np.where(np.isfinite(ahead), ahead, 0.0))
            seen = (ahead < detection.stopped * most) & (most - ahead > detection.again_sure * u)
            seen &= most > found.area
        else:
            seen = (ahead > detection.again * found.area) & (ahead > detection.again_sure * u)
        if seen.any():
            best = min(
                best, float(course.time[at[int(np.argmax(seen))]]) + (0.3 * length if found.steeper else 0.2 * length)
            )
    return best
