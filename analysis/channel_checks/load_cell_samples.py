"""Which samples of a load cell can stand for thrust: not those that froze, nor those that dropped out.

SI; times in seconds. What is not believed counts as lost, as a gap does; it is neither bent nor filled.
"""

import numpy as np
from scipy.ndimage import median_filter

from standbook.analysis.channel_checks.channel_health import FLAT_RUN, rail_spikes, saturated
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.findings.channels import CELL_AT_RAIL, CELL_DROP_OUTS, CELL_FROZEN
from standbook.daq.arrays import Mask
from standbook.daq.findings.finding import Finding

FROZEN = 0.1  # s of equal counts, between stretches whose noise moves the count
LIVELY, LOOK = 0.5, 0.25  # share of the samples that differ from the one before; s beside a stretch
AT_REST = 0.15  # of the record's range; so close to where the record began a coarse converter may well stand still
JUMP = 0.2  # of the range, from a median of five samples: no stand follows this for one or two samples
RAIL_STEP, RAIL_STEPS = 0.1, 4.0  # of the range, of the greatest usual step: so far a load may move between samples
USUAL = 0.99  # share of the steps
BESIDE = 8  # samples on either side
SLOW = 0.005  # s; samples further apart than this may really differ so


def believed(channel: Channel) -> Mask:
    """Mark samples of a cell that are numbers, did not freeze, drop out or jump to a rail; clipped ones stay marked."""
    return np.isfinite(channel.reading) & ~frozen(channel) & ~dropped_out(channel) & ~jumped_to_rail(channel)


def jumped_to_rail(channel: Channel) -> Mask:
    """Mark stretches at a converter's rail that the reading did not run into and out of: a wire or plug, not thrust.

    A load that leaves the range passes through what lies below it; what is at the rail from one sample to the next was
    never a load. A stretch that reaches the record's end is judged by its beginning.
    """
    counts, marks = channel.counts, np.zeros(channel.counts.size, dtype=np.bool_)
    if not channel.clipped.any() or channel.clipped.all():
        return marks
    edges = np.diff(np.concatenate(([0], channel.clipped.astype(np.int8), [0])))
    inside = ~channel.clipped[1:] & ~channel.clipped[:-1]
    steps = np.abs(np.diff(counts))[inside]
    usual = float(np.quantile(steps, USUAL)) if steps.size else 0.0
    most = max(RAIL_STEP * float(np.ptp(counts)), RAIL_STEPS * usual)
    for begin, end in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        into = abs(int(counts[begin]) - int(counts[begin - 1])) if begin > 0 else 0
        out = abs(int(counts[end]) - int(counts[end - 1])) if end < counts.size else 0
        marks[begin:end] = max(into, out) > most
    return marks


def frozen(channel: Channel) -> Mask:
    """Mark stretches in which not one count changed although the channel's noise moves it before and after.

    A record that was still from its first sample on, or comes to rest, may have a coarse converter: such a stretch
    is marked only where it jumps away at its end, or stands far from rest.
    """
    counts, time = channel.counts, channel.time
    marks = np.zeros(counts.size, dtype=np.bool_)
    if counts.size < 2 * FLAT_RUN:
        return marks
    moves = np.diff(counts) != 0
    interval = float(np.median(np.diff(time)))
    near = max(round(LOOK / interval), FLAT_RUN)
    scale = float(np.ptp(counts[np.isfinite(channel.reading)])) if np.isfinite(channel.reading).any() else 0.0
    changes = np.flatnonzero(moves) + 1
    first, last = np.concatenate(([0], changes)), np.concatenate((changes, [counts.size]))
    long = (last - first >= FLAT_RUN) & (time[last - 1] - time[first] >= FROZEN - interval)
    for begin, end in zip(first[long], last[long], strict=True):
        lively_before = begin > FLAT_RUN and np.mean(moves[max(begin - 1 - near, 0) : begin - 1]) >= LIVELY
        lively_after = end + FLAT_RUN < counts.size and np.mean(moves[end : end + near]) >= LIVELY
        far = abs(int(counts[begin]) - int(counts[0])) > AT_REST * scale
        jumps = end < counts.size and abs(int(counts[end]) - int(counts[begin])) > JUMP * scale
        marks[begin:end] = (lively_before and (lively_after or far)) or (lively_after and jumps)
    return marks & ~saturated(channel)


def dropped_out(channel: Channel) -> Mask:
    """Mark single samples that stand away from their neighbours further than a stand can move."""
    reading = channel.reading
    at_rail = rail_spikes(channel)
    good = np.isfinite(reading) & (~saturated(channel) | at_rail)
    if np.count_nonzero(good) < FLAT_RUN or float(np.median(np.diff(channel.time))) > SLOW:
        return np.zeros(reading.size, dtype=np.bool_)
    kept = reading[good]
    middle = np.asarray(median_filter(kept, size=5, mode="nearest"))
    marks = np.zeros(reading.size, dtype=np.bool_)
    apart = np.abs(kept - middle)
    out = apart > JUMP * float(np.ptp(middle))
    for k in map(int, np.flatnonzero(out)):
        # A stand that rings, sampled a few times a period, leaves its median too; but then all its neighbours move.
        beside = np.delete(kept[max(k - BESIDE, 0) : k + BESIDE + 1], min(k, BESIDE))
        out[k] = apart[k] > float(np.ptp(np.quantile(beside, (0.1, 0.9))))
    marks[good] = out
    return marks


def cell_findings(channel: Channel, start: float, end: float) -> list[Finding]:
    """Name frozen stretches and drop-outs between two instants."""
    inside = (channel.time >= start) & (channel.time <= end)
    interval = float(np.median(np.diff(channel.time))) if channel.time.size > 1 else 0.0
    said: list[Finding] = []
    # A cell that froze for good ends what is seen of the thrust, so look to the end of the record.
    inside_or_later = channel.time >= start
    stuck, out = frozen(channel) & inside_or_later, dropped_out(channel) & inside
    railed = jumped_to_rail(channel) & ~out & inside
    if railed.any():
        first = float(channel.time[railed][0])
        said.append(CELL_AT_RAIL.at(channel.tag, first, seconds=np.count_nonzero(railed) * interval))
    if stuck.any():
        first = float(channel.time[stuck][0])
        said.append(CELL_FROZEN.at(channel.tag, first, seconds=np.count_nonzero(stuck) * interval))
    if out.any():
        first = float(channel.time[out][0])
        said.append(CELL_DROP_OUTS.at(channel.tag, first, samples=np.count_nonzero(out)))
    return said
