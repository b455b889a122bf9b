"""A tank's pressure and drive as means one mains period long, and the ullage volume that they make.

SI; times in seconds, pressures absolute. The abscissa of every fit is the drive integral: by it liquid flows evenly,
whatever the back pressure does.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

MAINS = (1.0 / 50.0, 1.0 / 60.0)  # s; means this long leave no hum
LEAST_IN_BLOCK = 2  # samples
LEAST_SEEN = 0.5  # of the usual number of samples in a mean
MIDDLE_EXPONENT = 1.25  # of an ullage; only to take the bend out of pressure against drive integral
BEFORE = 3  # means
STEADY = 1e-3  # of the tank's pressure: back pressures that move by less stay
ROUNDING = 1e-6  # of the spacing of means
LONGEST_REST = 120.0  # s before the opening; what lies further back tells nothing of the flow
LEAST_DRIVE = 100.0  # Pa; a tank that is all but vented drives nothing


@dataclass(frozen=True, eq=False, kw_only=True)
class Course:
    """Means of one tank's record. All arrays (B,)."""

    time: Array  # [s]
    pressure: Array  # absolute [Pa]
    drive: Array  # pressure less back pressure, liquid column included [Pa]
    driven: Array  # integral of the root of the drive from the first mean on [Pa^½ s]
    block: float  # between means [s]
    start_pressure: float  # that volumes count from, absolute [Pa]

    @cached_property
    def volume(self) -> Array:
        """Ullage volume over that at the start pressure, by one middling exponent; straight in ``driven``."""
        return np.asarray((self.start_pressure / self.pressure) ** (1.0 / MIDDLE_EXPONENT))

    def place(self, instant: float) -> int:
        """Return the index of the first mean not before an instant; rounding of times decides nothing."""
        return int(np.searchsorted(self.time, instant - ROUNDING * self.block))

    def clear_before(self, instant: float) -> int:
        """Return the index of a mean that a change at an instant has not touched yet."""
        return max(min(self.place(instant), self.time.size) - BEFORE, 0)


def course_of(time: Array, pressure: Array, drive: Array, *, opening: float) -> Course:
    """Average a record over one mains period, that of the two which leaves the tank at rest the quieter.

    Parameters
    ----------
    time, pressure, drive : (N,) array
        Instants [s], tank pressure, absolute [Pa], and what drives the liquid [Pa]; all finite.
    opening : float
        When the valve opened, roughly. [s]

    Raises
    ------
    DataError
        Too few samples for any fit.
    """
    if time.size < 50:
        raise DataError(f"{time.size} samples are too few to find the ends of a flow")
    near = slice(int(np.searchsorted(time, opening - LONGEST_REST)), None)
    time, pressure, drive = time[near], pressure[near], drive[near]
    spacing = float(np.median(np.diff(time)))
    block = max(_quieter_block(time, pressure, opening), LEAST_IN_BLOCK * spacing)
    count = max(1, int((time[-1] - time[0]) / block + ROUNDING))
    edges = _edges(float(time[0]), block, count)
    at, mean = 0.5 * (edges[1:] + edges[:-1]), whole_means(time, pressure, edges)
    pushed = whole_means(time, drive, edges)
    known = np.isfinite(mean) & (mean > 0.0)
    at, mean, pushed = at[known], mean[known], pushed[known]
    root = np.sqrt(np.maximum(pushed, LEAST_DRIVE))
    driven = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(at) * (root[1:] + root[:-1]))])
    rest = mean[max(0, int(np.searchsorted(at, opening)) - 10) : int(np.searchsorted(at, opening)) + 1]
    start = float(np.median(rest)) if rest.size else float(mean[0])
    return Course(time=at, pressure=mean, drive=pushed, driven=driven, block=block, start_pressure=start)


def _edges(start: float, block: float, count: int) -> Array:
    return np.asarray(start + block * np.arange(count + 1), dtype=np.float64)


def whole_means(time: Array, value: Array, edges: Array) -> Array:
    """Return means between edges of a record that runs straight from sample to sample. (B,).

    Of samples that do not divide a mains period, so many a mean leave hum, and one that is lost moves a mean along the
    slope; what is integrated between the edges does neither. Not a number where most of a span's samples are missing.
    """
    total = np.concatenate(([0.0], np.cumsum(0.5 * np.diff(time) * (value[1:] + value[:-1]))))
    k = np.clip(np.searchsorted(time, edges, side="right") - 1, 0, time.size - 2)
    into, step = edges - time[k], time[k + 1] - time[k]
    rise = np.divide(value[k + 1] - value[k], step, out=np.zeros(k.size), where=step > 0.0)
    until = total[k] + into * (value[k] + 0.5 * rise * into)
    number = np.diff(np.searchsorted(time, edges))
    seen = number > LEAST_SEEN * float(np.median(number))
    return np.where(seen, np.diff(until) / np.diff(edges), np.nan)


def _quieter_block(time: Array, pressure: Array, opening: float) -> float:
    low, high = max(float(time[0]), opening - 4.0), opening - 0.1
    if high - low < 10.0 * MAINS[0]:
        return MAINS[0]
    unrest = []
    for block in MAINS:
        mean = whole_means(time, pressure, _edges(low, block, int((high - low) / block)))
        unrest.append(float(np.std(np.diff(mean[np.isfinite(mean)]))))
    return MAINS[int(unrest[1] < 0.7 * unrest[0])]


def abscissa(course: Course, start: float, end: float, centre: float) -> tuple[slice, Array]:
    """Return a part of a course, and its drive integral from a centre on in seconds of the drive there."""
    part = slice(course.place(start), course.place(end))
    k = min(course.place(centre), course.time.size - 1)
    scale = math.sqrt(max(float(course.drive[max(k - 2, 0)]), 1.0))
    return part, (course.driven[part] - float(np.interp(centre, course.time, course.driven))) / scale


def quickened(course: Course, part: slice, instant: float) -> Array | None:
    """Return how many times faster liquid is pushed in a part of a course than before an instant, for its pressure.

    What the tank's own pressure makes of the drive is left out: a back pressure that falls is left. ``None`` where it
    stays. Gas at the speed of sound is no faster for it.
    """
    pressure, drive = course.pressure[part], np.maximum(course.drive[part], LEAST_DRIVE)
    if float(np.ptp(pressure - course.drive[part])) < STEADY * float(np.max(pressure)):
        return None
    k = course.clear_before(instant)
    before = max(float(course.drive[k]), LEAST_DRIVE) / float(course.pressure[k])
    return np.asarray(np.sqrt(drive / pressure / before))


def gas_growth(course: Course, part: slice, instant: float, ratio: float) -> Array | None:
    """Return what gas adds to the slope in drive integral along a part, over what it adds at an instant.

    Gas falls evenly in time, liquid in drive integral; where a back pressure falls beside them, as a chamber's does
    with the liquid that feeds it, the integral runs the faster. Held for one, the gas's curve carried back would meet
    the liquid's too early. ``None`` where the back pressure stays.
    """
    faster = quickened(course, part, instant)
    return None if faster is None else np.asarray((ratio / faster - 1.0) / (ratio - 1.0))
