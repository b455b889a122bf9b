"""Align several devices on one time base by edges of a shared line, or bound how far their times may differ.

Each device's ticks are mapped to the computer's clock under its arrivals, so its host times are late by the least
delay of its own link, which one-way data cannot give. Where two devices see the same edge, the difference of these
delays is measured on it and taken away from the later named device; the stand's first device is the reference.

What is not removed: the reference's own delay, which all devices then share, and what the clock rates drift by away
from the edges (their uncertainty is in the record). One shift is used for all starts of a device. Seconds, unless a
name says otherwise; nothing is decoded here and no file is touched.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from standbook.daq.config.stand import Stand
from standbook.daq.recovery.decode_wire import SPOKEN, DecodedDevice
from standbook.daq.run.record_summary import AlignmentRecord, EdgeRecord
from standbook.daq.wire.decoder import MAX_ENCODED

SEARCH = 0.25  # [s] edges farther apart than this are not the same; no link delays by that much
AGREE = 2e-3  # [s] shifts that differ by less are one: both clocks drift a little between two edges
EDGES_USED = 64  # of a line
BITS_PER_BYTE = 10  # on a serial line: start bit, eight, stop bit
# [s] by which a link can hold bytes back without the stand saying so: USB serial chips wait up to 16 ms for more
# bytes (their usual latency timer, from memory), and full-speed USB hands over once in 1 ms.
HELD_BACK = 17e-3


@dataclass(frozen=True, slots=True)
class LineEdges:
    """Edges of one line as one device recorded them."""

    times: tuple[tuple[int, int], ...]  # (level, host time [ns])
    resolution: float  # width within which an edge may lie unseen [s]


@dataclass(frozen=True, slots=True)
class Shift:
    """Time shift of a device's edges against those of another device."""

    seconds: float
    u: float  # standard uncertainty [s]
    edges: int  # that agree on it


def measure_shift(reference: LineEdges, other: LineEdges, *, search: float = SEARCH) -> Shift | None:
    r"""Measure the shift between two devices on the edges of a line that both saw.

    Parameters
    ----------
    reference, other : LineEdges
        Of the same line. Edges may be missing in either, or be there in one only.
    search : float
        Largest shift. [s]

    Returns
    -------
    Shift or None
        ``None`` when no edge of one has a partner in the other.

    Notes
    -----
    Every pair of edges of one level proposes its difference; the difference that most edges agree with is taken,
    the smaller one where equally many do, and it is the median over those edges. With resolutions :math:`r_i`, a
    rectangular distribution each (Source: [GUM] 4.3.7), and the spread of n edges
    :math:`u^2 = (r_1^2 + r_2^2)/12 + s^2/n`; proposals that equally many edges support add their range over
    :math:`\sqrt{12}`.
    """
    reference, other = _paired(reference, other, search), _paired(other, reference, search)
    proposals = sorted(
        (
            (there - here) / 1e9
            for level, here in reference.times
            for other_level, there in other.times
            if level == other_level and abs(there - here) <= search * 1e9
        ),
        key=abs,
    )
    if not proposals:
        return None
    supports = [_matched(reference, other, proposal) for proposal in proposals]
    most = max(len(support) for support in supports)
    best = [float(np.median(support)) for support in supports if len(support) == most]
    first = next(support for support in supports if len(support) == most)
    spread = float(np.std(first, ddof=1)) if most > 1 else 0.0
    doubt = (max(best) - min(best)) / math.sqrt(12.0)
    resolution = math.hypot(reference.resolution, other.resolution) / math.sqrt(12.0)
    return Shift(best[0], math.hypot(resolution, spread / math.sqrt(most), doubt), most)


def _paired(edges: LineEdges, others: LineEdges, search: float) -> LineEdges:
    """Keep the edges that may have a partner, and no more than the first few of a line that never rests."""
    times = tuple(
        (level, at)
        for level, at in edges.times
        if any(level == other and abs(at - there) <= search * 1e9 for other, there in others.times)
    )
    return LineEdges(times[:EDGES_USED], edges.resolution)


def _matched(reference: LineEdges, other: LineEdges, proposal: float) -> list[float]:
    """Return the shifts of the edges that agree with a proposal, each edge used once. [s]."""
    free = list(other.times)
    found = []
    for level, here in reference.times:
        fits = [
            (abs((there - here) / 1e9 - proposal), k)
            for k, (other_level, there) in enumerate(free)
            if other_level == level
        ]
        if fits and min(fits)[0] <= AGREE:
            found.append((free.pop(min(fits)[1])[1] - here) / 1e9)
    return found


def delay_bound(baud: int) -> float:
    """Bound the least delay of a link: the longest frame at its speed, and what a USB link may hold back. [s]."""
    return MAX_ENCODED * BITS_PER_BYTE / baud + HELD_BACK


def align(devices: Sequence[DecodedDevice], stand: Stand) -> list[DecodedDevice]:
    """Bring all devices of a record to the times of the first.

    Parameters
    ----------
    devices : sequence of Recovered
        In the stand's order.
    stand : Stand
        Knows the speed of each link.

    Returns
    -------
    list of Recovered
        The first as it is; the others shifted where a shared edge allows it, each with its ``alignment``.
    """
    aligned = list(devices[:1])
    for device in devices[1:]:
        aligned.append(_aligned(device, aligned[0], stand))
    return aligned


def _aligned(device: DecodedDevice, reference: DecodedDevice, stand: Stand) -> DecodedDevice:
    scale = max(device.time_scale, reference.time_scale)
    measured = [
        (line, shift)
        for line in dict.fromkeys(edge.line for edge in reference.edges)
        if (shift := measure_shift(line_edges(reference, line), line_edges(device, line), search=SEARCH * scale))
        is not None
    ]
    if not measured:
        bound = scale * max(delay_bound(stand.device_named(d.device).baud) for d in (device, reference))
        return replace(device, alignment=AlignmentRecord(reference=reference.device, bound_s=bound))
    line, shift = max(measured, key=lambda found: (found[1].edges, -found[1].u))
    told = AlignmentRecord(reference=reference.device, line=line, edges=shift.edges, shift_s=shift.seconds, u_s=shift.u)
    return replace(shifted(device, -round(1e9 * shift.seconds)), alignment=told)


def line_edges(device: DecodedDevice, line: str) -> LineEdges:
    """Return a device's edges of one line, with how finely it saw them.

    Notes
    -----
    A device that stamps an edge does so to a tick. One that only looks at its lines when it takes a row stamps all
    edges with ticks of rows; then a row's interval is how finely it saw.
    """
    edges = [edge for edge in device.edges if edge.line == line]
    times = tuple((edge.level, edge.host_ns) for edge in edges)
    if device.clock is None or not edges:
        return LineEdges(times, 0.0)
    return LineEdges(times, _seen_every(device, edges) / float(device.clock.tick_hz))


def _seen_every(device: DecodedDevice, edges: Sequence[EdgeRecord]) -> int:
    finest = 1
    for stream in device.streams:
        row_ticks = {rows.boot: int(rows.ticks[0]) for rows in stream.segments}
        known = all(edge.boot in row_ticks for edge in edges)
        if known and all((edge.ticks - row_ticks[edge.boot]) % stream.interval_ticks == 0 for edge in edges):
            finest = max(finest, stream.interval_ticks)
    return finest


def shifted(device: DecodedDevice, by_ns: int) -> DecodedDevice:
    """Move all host times that come from a device's ticks; what the computer itself noted stays. [ns]."""
    clock = device.clock
    if clock is not None:
        boots = tuple(replace(boot, anchor_ns=boot.anchor_ns + by_ns) for boot in clock.boots)
        clock = replace(clock, boots=boots)
    edges = tuple(edge.model_copy(update={"host_ns": edge.host_ns + by_ns}) for edge in device.edges)
    notes = tuple(
        note.model_copy(update={"host_ns": note.host_ns + by_ns})
        if note.host_ns is not None and note.text.startswith(SPOKEN)
        else note
        for note in device.notes
    )
    return replace(device, clock=clock, edges=edges, notes=notes)
