"""Deduplicate the gaps of a stream whose layout changed during the recording.

Rows of two layouts are two tables, but the device counts them as one stream: what one table lacks may stand in the
other, and is then not lost. Pure; rows are numbers since boot.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from standbook.daq.arrays import Ints
from standbook.daq.wire.stream_assembly import Assembly, Segment

_Key = tuple[int, int, int]  # stream, which start of the device, boot


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
