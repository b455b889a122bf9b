"""Bring the streams of one device together: no missing row named twice, ticks on one count.

Rows of two layouts of one stream are two tables, but the device counts them as one: what one table lacks may stand in
the other, and is then not lost. Pure; rows and ticks are numbers since boot.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from standbook.daq.arrays import Ints
from standbook.daq.wire.messages import MODULUS
from standbook.daq.wire.stream_assembly import Assembly, Segment

_Key = tuple[int, int, int]  # stream, which start of the device, boot
_HALF: Final = MODULUS // 2


def bring_together(assemblies: Sequence[Assembly]) -> tuple[Assembly, ...]:
    """Deduplicate the gaps of a device's assemblies and put all on the count of the fullest, which comes first."""
    found = sorted(deduplicate_gaps(assemblies), key=lambda assembly: -assembly.rows)
    return align_tick_epochs(found)


def deduplicate_gaps(assemblies: Sequence[Assembly]) -> list[Assembly]:
    """Remove from each layout's gaps the rows that another layout holds, and rows named twice.

    A row that no layout has belongs to the layout of the row before it, of the row after it where none is before.
    """
    parts: dict[_Key, list[tuple[int, Segment]]] = {}
    for number, assembly in enumerate(assemblies):
        for index, segment in enumerate(assembly.segments):
            if segment.sequence.size:
                parts.setdefault((assembly.hello.stream, index, segment.boot), []).append((number, segment))
    shared: dict[tuple[int, _Key], Ints] = {}
    for key, found in parts.items():
        if len(found) > 1:
            gaps = _shared_gaps([segment for _, segment in found])
            shared |= {(number, key): own for (number, _), own in zip(found, gaps, strict=True)}
    return [
        replace(
            assembly,
            segments=tuple(
                replace(segment, gaps=shared.get((number, (assembly.hello.stream, index, segment.boot)), segment.gaps))
                for index, segment in enumerate(assembly.segments)
            ),
        )
        for number, assembly in enumerate(assemblies)
    ]


def _shared_gaps(segments: Sequence[Segment]) -> list[Ints]:
    runs = sorted((*run, owner) for owner, segment in enumerate(segments) for run in _runs(segment.sequence))
    owned: list[list[tuple[int, int]]] = [[] for _ in segments]
    named = sorted((first, first + rows) for segment in segments for first, rows in segment.gaps.tolist())
    edges = [(runs[0][0], runs[0][0], runs[0][2]), *runs]
    for (_, low, owner), high in zip(edges, [run[0] for run in runs] + [None], strict=True):
        start = None if low == runs[0][0] else low  # before the first row: from wherever a gap says
        owned[owner] += _inside(named, start, high)
    return [np.array(own, np.int64).reshape(-1, 2) for own in owned]


def _runs(sequence: Ints) -> list[tuple[int, int]]:
    """Give first row and row past the last of each stretch without a gap."""
    breaks = np.flatnonzero(np.diff(sequence) != 1) + 1
    starts, ends = sequence[[0, *breaks]], sequence[[*(breaks - 1), -1]] + 1
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _inside(named: Sequence[tuple[int, int]], low: int | None, high: int | None) -> list[tuple[int, int]]:
    """Return the part of all gaps between two rows, joined, as first row and rows."""
    found: list[tuple[int, int]] = []
    for first, end in named:
        first = first if low is None else max(first, low)
        end = end if high is None else min(end, high)
        if found and first <= sum(found[-1]):
            found[-1] = (found[-1][0], max(end, sum(found[-1])) - found[-1][0])
        elif first < end:
            found.append((first, end - first))
    return found


def align_tick_epochs(assemblies: Sequence[Assembly]) -> tuple[Assembly, ...]:
    """Put the streams of one device on one count of ticks, that of the first assembly.

    Each stream unwraps its first ticks from its own row number; a row rate far from nominal can put one a
    whole number of 2**32 ticks beside the others. A segment is held against the nearest of the same boot on
    the wire; one without rows, or without such a partner, stays as it is.
    """
    if not assemblies:
        return ()
    reference = assemblies[0]
    frames = {boot: _frames_of(reference, boot) for boot in {segment.boot for segment in reference.segments}}
    moved = [reference]
    for assembly in assemblies[1:]:
        shifts = [_epoch_shift(segment, frames) for segment in assembly.segments]
        segments = tuple(map(_moved, assembly.segments, shifts))
        moved.append(replace(assembly, segments=segments))
    return tuple(moved)


def _frames_of(assembly: Assembly, boot: int) -> tuple[Ints, Ints]:
    """Give offset and first ticks of a boot's frames, in wire order."""
    own = [segment for segment in assembly.segments if segment.boot == boot]
    end = np.concatenate([segment.frame_end for segment in own])
    order = np.argsort(end, kind="stable")
    return end[order], np.concatenate([segment.ticks[segment.frame_row] for segment in own])[order]


def _epoch_shift(segment: Segment, frames: Mapping[int, tuple[Ints, Ints]]) -> int:
    end, ticks = frames.get(segment.boot, (np.empty(0, np.int64),) * 2)
    if not end.size or not segment.sequence.size:
        return 0
    here = int(segment.frame_end[0])
    after = int(np.searchsorted(end, here))
    near = min((at for at in (after - 1, after) if 0 <= at < end.size), key=lambda at: abs(int(end[at]) - here))
    apart = int(ticks[near]) - int(segment.ticks[segment.frame_row[0]])
    return (apart + _HALF) // MODULUS * MODULUS


def _moved(segment: Segment, shift: int) -> Segment:
    if shift == 0:
        return segment
    return replace(
        segment,
        ticks=segment.ticks + shift,
        edges=tuple(replace(edge, ticks=edge.ticks + shift) for edge in segment.edges),
    )
