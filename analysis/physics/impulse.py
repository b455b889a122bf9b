"""Total impulse: the integral over every sample seen, what a gap may have hidden, and what noise and sampling do.

SI, plain arrays. Samples are integrated as they are, without a filter. One lost row between intact ones is crossed in a
straight line, with its u; nothing is put into a longer gap. A doubt about unseen thrust has a direction: it can only
add.
"""

import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.results.results import BudgetTerm
from standbook.daq.arrays import Array, Mask

GAP_STEP = 1.5  # sample intervals; a longer step has lost a row
ONE_LOST = 2.5  # sample intervals; a step up to here has lost one row
MOST_SINGLE = 0.005  # of the rows; with more lost one by one a wire or link is loose, and none is crossed: judgement
BESIDE = 25  # samples on either side of a lost row that tell how far one departs from the line through its neighbours
GAPS_BOUNDED = 0.050  # s, in total; longer gaps of thrust hide more than can be charged
AMBIENT = "ambient pressure"  # term of a vacuum impulse
NEAR_GAP = 1.0  # s; thrust this close to a gap tells what it may have hidden


@dataclass(frozen=True, slots=True)
class Hole:
    """A stretch that no sample stands for. [s]."""

    start: float
    end: float


@dataclass(frozen=True, slots=True)
class Bridge:
    """One lost row that the integral crosses in a straight line."""

    start: float  # the row before [s]
    end: float  # the row after [s]
    u: float  # of the integral across it [N*s]


@dataclass(frozen=True, slots=True)
class IntegratedRecord:
    """A record as the integral sees it: linear between samples, zero in holes."""

    time: Array  # (M,) [s], not falling; steps of zero length where a hole begins and ends
    value: Array  # (M,) [N]
    total: Array  # (M,) running integral from the first sample [N*s]
    holes: tuple[Hole, ...]
    bridges: tuple[Bridge, ...] = ()

    def until(self, instant: float | Array) -> Array:
        """Integrate from the first sample to each instant. [N*s]."""
        at = np.clip(np.asarray(instant, dtype=np.float64), self.time[0], self.time[-1])
        left = np.clip(np.searchsorted(self.time, at, side="right") - 1, 0, self.time.size - 2)
        length = self.time[left + 1] - self.time[left]
        into = at - self.time[left]
        rise = np.divide(self.value[left + 1] - self.value[left], length, out=np.zeros_like(into), where=length > 0.0)
        part = into * (self.value[left] + 0.5 * rise * into)
        return np.asarray(self.total[left] + part)

    def between(self, start: float, end: float) -> float:
        """Integrate over a window. [N*s]."""
        return float(self.until(end) - self.until(start))

    def lost(self, start: float, end: float) -> float:
        """Return how much of a window no sample stands for. [s]."""
        early, late = max(0.0, float(self.time[0]) - start), max(0.0, end - float(self.time[-1]))
        return early + late + sum(max(0.0, min(h.end, end) - max(h.start, start)) for h in self.holes)

    def bridged(self, start: float, end: float) -> tuple[float, int, float]:
        """Return seconds, rows and u [N*s] of the single lost rows of a window."""
        inside = [b for b in self.bridges if b.start >= start and b.end <= end]
        return 0.5 * sum(b.end - b.start for b in inside), len(inside), math.hypot(*(b.u for b in inside))


def sample_interval(time: Array) -> float:
    """Return the usual step between samples. [s]."""
    return float(np.median(np.diff(time)))


def integrate(time: Array, value: Array, *, interval: float | None = None) -> IntegratedRecord:
    """Prepare a record for integration.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s] and samples [N]. A sample that is not a number counts as lost.
    interval : float, optional
        Sample interval; the median step when not given. [s]

    Notes
    -----
    A sample stands for half an interval on either side. A step longer than ``GAP_STEP`` intervals therefore has a
    hole between half an interval after its first sample and half an interval before its second; but where it has lost
    one row and the steps beside it none, the integral runs straight on.
    """
    good = np.isfinite(value)
    time, value = time[good], value[good]
    if time.size < 2:
        raise ValueError(f"{time.size} samples cannot be integrated")
    interval = sample_interval(time) if interval is None else interval
    step = np.diff(time)
    long = np.flatnonzero(step > GAP_STEP * interval)
    single = _single(step, interval)
    bridges = tuple(_bridge(time, value, int(k), interval) for k in long[single[long]])
    long, half = long[~single[long]], interval / 2.0
    holes = tuple(Hole(float(time[k] + half), float(time[k + 1] - half)) for k in long)
    if holes:
        edge_time = np.array([(h.start, h.start, h.end, h.end) for h in holes]).ravel()
        edge_value = np.array([(value[k], 0.0, 0.0, value[k + 1]) for k in long]).ravel()
        places = np.repeat(long + 1, 4)
        time, value = np.insert(time, places, edge_time), np.insert(value, places, edge_value)
    total = np.concatenate(([0.0], np.cumsum(np.diff(time) * (value[1:] + value[:-1]) / 2.0)))
    return IntegratedRecord(time, value, total, holes, bridges)


def _single(step: Array, interval: float) -> Mask:
    """Mark steps that have lost one row and lie between two that have lost none. (N - 1,)."""
    whole = np.concatenate(([False], step <= GAP_STEP * interval, [False]))
    single = (step > GAP_STEP * interval) & (step <= ONE_LOST * interval) & whole[:-2] & whole[2:]
    return np.asarray(single & (np.count_nonzero(single) <= MOST_SINGLE * step.size))


def _bridge(time: Array, value: Array, k: int, interval: float) -> Bridge:
    """Return the bridge from sample ``k``: its row may depart from the line as those beside it do from theirs."""
    near = value[max(k - BESIDE, 0) : k + 2 + BESIDE]
    departs = near[1:-1] - 0.5 * (near[2:] + near[:-2])
    scatter = float(np.sqrt(np.mean(departs**2))) if departs.size else 0.0
    return Bridge(float(time[k]), float(time[k + 1]), interval * scatter)


def gap_allowance(
    record: IntegratedRecord,
    *,
    start: float,
    end: float,
    predicted_time: Array | None = None,
    predicted_high: Array | None = None,
) -> float:
    """Return the most that the holes between two instants may have hidden. [N*s].

    Each hole is charged at the larger of the predicted upper band there and the highest sample within
    ``NEAR_GAP`` of it.
    """
    hidden = 0.0
    for hole in record.holes:
        first, last = max(hole.start, start), min(hole.end, end)
        if last <= first:
            continue
        near = (record.time >= first - NEAR_GAP) & (record.time <= last + NEAR_GAP)
        worst = float(np.max(record.value[near], initial=0.0))
        if predicted_time is not None and predicted_high is not None:
            band = np.interp([first, last], predicted_time, np.nan_to_num(predicted_high))
            inside = (predicted_time >= first) & (predicted_time <= last)
            worst = max(worst, float(np.max(band)), float(np.nanmax(predicted_high[inside], initial=0.0)))
        hidden += (last - first) * worst
    return hidden


def noise_u(deviation: float, interval: float, samples: int, correlation: float = 1.0) -> float:
    r"""Return the standard uncertainty that sample noise gives a trapezoid sum. [N*s].

    Notes
    -----
    :math:`u = s\,\Delta t \sqrt{N - 3/2}` for white noise: the two end samples weigh one half. ``correlation`` is
    1 + 2 sum rho of the noise, in samples.
    """
    return deviation * interval * math.sqrt(max(samples - 1.5, 0.0) * correlation)


def sampling_u(record: IntegratedRecord, start: float, end: float, mode_period: float) -> float:
    r"""Return what sparse samples leave open where thrust begins and ends. [N*s].

    Notes
    -----
    A step of height F lies anywhere between two samples: :math:`u = F\,\Delta t/\sqrt{12}` at each end. Where the
    samples are further apart than half a period of the stand, its ringing after the first step folds to a slow one
    that the sum takes for thrust: as much again as F times an interval, over the root of two. Source: [GUM] 4.3.7.
    """
    inside = (record.time >= start) & (record.time <= end)
    time, value = record.time[inside], record.value[inside]
    if time.size < 8:
        return float(sample_interval(record.time) * np.max(record.value))
    interval = sample_interval(time)
    up = np.flatnonzero(value > 0.5 * float(np.quantile(value, 0.95)))
    span = max(2, round(mode_period / interval))
    first, last = (float(np.mean(value[part])) for part in (up[:span], up[-span:]))
    folded = first * interval / math.sqrt(2.0) if interval > 0.5 * mode_period > 0.0 else 0.0
    return math.hypot(interval / math.sqrt(12.0) * math.hypot(first, last), folded)


def vacuum_terms(
    *,
    throat_diameter: float,
    throat_diameter_u: float,
    expansion_ratio: float,
    expansion_ratio_u: float,
    ambient: float,
    ambient_u: float,
    duration: float,
    duration_u: float,
) -> tuple[float, tuple[BudgetTerm, ...]]:
    r"""Return what ambient pressure took from the impulse, with its uncertainty. [N*s].

    Parameters
    ----------
    throat_diameter, expansion_ratio
        Throat [m] and exit area over throat area [-].
    ambient
        Absolute. [Pa]
    duration
        How long the nozzle flowed. [s]

    Notes
    -----
    :math:`I_{vac} = I + \varepsilon A_t p_a t`. Source: [Sutton] ch. 2.
    """
    throat_area = math.pi / 4.0 * throat_diameter**2
    added = expansion_ratio * throat_area * ambient * duration
    return added, (
        BudgetTerm("throat area", added * 2.0 * throat_diameter_u / throat_diameter),
        BudgetTerm("expansion ratio", added * expansion_ratio_u / expansion_ratio),
        BudgetTerm(AMBIENT, added * ambient_u / ambient),
        BudgetTerm("flow duration", added * duration_u / duration if duration > 0.0 else 0.0),
    )
