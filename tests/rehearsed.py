"""A simulated test handed to the analysis in memory: counts as a device would send them, no port and no folder."""

import dataclasses
import math

import numpy as np

from standbook.analysis.dataset.dataset import LineEdge, RawStream, Weighing, dataset_from_counts
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import TZero
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.quantity import parse_quantity

T_ZERO = TZero("2031-06-14T15:02:11.000000000Z", "fire rising, sampled edge", 3e-4)


def dataset_of(campaign, rehearsal, *, plan=None, stand=None, prediction=None, weighed=True, alter=None, extra=None):
    """Make the data set of a rehearsal; times are the device's own, as far off as its clock is.

    ``alter`` damages a stream before it is calibrated: a function of Played. ``extra`` are further streams by key.
    """
    played, edges = {}, []
    stand = stand or campaign.stand
    for device, table in rehearsal.tables.items():
        zero = next((edge.ticks for edge in table.edges if edge.level == 1), 0)
        edges += [LineEdge(table.lines[e.line].name, e.level, (e.ticks - zero) / table.tick_hz) for e in table.edges]
        for stream in table.streams:
            key = f"{device}/{stream.name}"
            tags = rehearsal.tags[key]
            ticks = stream.interval_ticks * np.arange(stream.rows, dtype=np.float64)
            whole = RawStream(
                (ticks - zero) / table.tick_hz,
                {tag: stream.counts[:, k].astype("int64") for k, tag in enumerate(tags)},
                {tag: Rails(c.minimum, c.maximum) for tag, c in zip(tags, stream.channels, strict=True)},
            )
            played[key] = alter(whole) if alter else whole
    weighings = {tank: _weighing(typed) for tank, typed in rehearsal.weighings.items()} if weighed else {}
    played |= extra or {}
    tolerance = max(d.clock_tolerance.value for d in stand.device)
    return dataset_from_counts(
        plan or campaign.plan,
        stand,
        campaign.calibrations,
        played,
        t_zero=T_ZERO,
        weighings=weighings,
        prediction=prediction,
        clock_u=tolerance / math.sqrt(3.0),
        edges=edges,
        clock_checked=True,  # as a run is that was recorded here
    )


def without_rows(played, keep):
    """Lose rows."""
    counts = {tag: column[keep] for tag, column in played.counts.items()}
    return dataclasses.replace(played, time=played.time[keep], counts=counts)


def with_gap(start, seconds):
    """Lose this much of the stream."""
    return lambda played: without_rows(played, (played.time < start) | (played.time >= start + seconds))


def from_late(start):
    """Begin recording late."""
    return lambda played: without_rows(played, played.time >= start)


def until(end):
    """Stop recording early."""
    return lambda played: without_rows(played, played.time <= end)


def with_clip(tag, share):
    """Saturate one channel at a share of its greatest count, which then is its rail."""

    def alter(played):
        top = int(share * played.counts[tag].max())
        counts = {**played.counts, tag: np.minimum(played.counts[tag], top)}
        return dataclasses.replace(played, counts=counts, rails={**played.rails, tag: Rails(-(2**23), top)})

    return alter


def _weighing(typed):
    found = {key: parse_quantity(text, "mass") for key, text in typed.items()}
    return Weighing(**{key: Measured(q.value, q.u, "kg") for key, q in found.items()})
