"""Tell a device's clock that stepped forward from rows that it did not make: arrivals went on, or waited as long.

A firmware that stood still for a while neither makes rows nor numbers them, so its row numbers alone look like a clock
that stepped. Ticks are of the device clock, since boot; arrivals in nanoseconds of the computer's.
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from standbook.daq.recovery.device_clock import LINK_RESOLUTION
from standbook.daq.recovery.device_stream import PortOpening
from standbook.daq.run.record_summary import NoteRecord
from standbook.daq.wire.stream_assembly import Assembly, Segment
from standbook.daq.wire.tick_steps import TickStep, step_sentences

BESIDE: Final = 3.0  # s on either side of a step whose least delays are compared
TOLD_APART: Final = 4.0  # resolutions of the link that a step must exceed, for arrivals to tell


def with_stalls(assemblies: Sequence[Assembly], opening: PortOpening, scale: float) -> tuple[Assembly, ...]:
    """Give back the time in which a device made no rows.

    Parameters
    ----------
    assemblies : sequence of Assembly
        Of one device, ticks steadied by row numbers.
    opening : PortOpening
        The bytes that they came from, with arrivals.
    scale : float
        How much faster than real time a rehearsal played.
    """
    return tuple(
        replace(assembly, segments=tuple(_judged(s, opening, assembly.hello.tick_hz, scale) for s in assembly.segments))
        for assembly in assemblies
    )


def step_notes(assemblies: Sequence[Assembly]) -> Iterator[NoteRecord]:
    """Say where the clock of a device contradicts the row numbers of its streams."""
    for assembly in assemblies:
        for segment in assembly.segments:
            for text in step_sentences(segment.steps, assembly.hello.tick_hz):
                yield NoteRecord(severity="caution", host_ns=None, text=f"{assembly.hello.name}: {text}")


def _judged(segment: Segment, opening: PortOpening, tick_hz: float, scale: float) -> Segment:
    stalls = [
        step for step in segment.steps if step.kind == "forward" and _waited(segment, step, opening, tick_hz, scale)
    ]
    ticks = segment.ticks
    edges = segment.edges
    for step in stalls:
        first = int(np.searchsorted(segment.sequence, step.sequence))
        since = int(ticks[first])
        ticks = ticks + np.where(np.arange(ticks.size) >= first, step.ticks, 0)
        edges = tuple(replace(e, ticks=e.ticks + step.ticks) if e.ticks >= since else e for e in edges)
    if not stalls:
        return segment
    steps = tuple(replace(step, kind="stall") if step in stalls else step for step in segment.steps)
    return replace(segment, ticks=ticks, edges=edges, steps=steps)


def _waited(segment: Segment, step: TickStep, opening: PortOpening, tick_hz: float, scale: float) -> bool:
    """Tell whether arrivals waited as long as the clock went on."""
    seconds = step.ticks / tick_hz
    resolution = LINK_RESOLUTION * scale
    if seconds <= TOLD_APART * resolution or not opening.arrival_ns.size:
        return False
    last = np.append(segment.frame_row[1:], segment.sequence.size) - 1
    made = segment.ticks[last] / tick_hz
    chunk = np.searchsorted(opening.chunk_end, segment.frame_end).clip(0, opening.arrival_ns.size - 1)
    delay = scale * 1e-9 * (opening.arrival_ns[chunk] - opening.arrival_ns[0]) - made
    behind = segment.sequence[segment.frame_row] >= step.sequence
    if behind.all() or not behind.any():
        return False
    at = float(made[behind][0])
    before, after = delay[~behind & (made > at - BESIDE)], delay[behind & (made < at + BESIDE)]
    return bool(before.size and after.size and after.min() - before.min() > seconds / 2.0)
