"""Place edges of digital inputs on one unbroken clock, and restore those whose frame was lost.

Ticks are of the device clock, unwrapped; no seconds here. A beat tells each line's edge count and the ticks of
its last edge, so one lost edge frame is restored with its exact ticks. What cannot be known and is not claimed:
the ticks of lost edges other than the last before a beat (they are counted), edges before the first message
of a segment, 2**15 or more edges of one line lost in one piece.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
from numpy.typing import NDArray

from standbook.daq.wire.hello import WireLine
from standbook.daq.wire.messages import MODULUS, Beat, Edge

_EDGE_MODULUS: Final = 2**16
_M = TypeVar("_M", Beat, Edge)


@dataclass(frozen=True, slots=True)
class PlacedEdge:
    """An edge with its unwrapped ticks; ``restored`` when its frame was lost and a beat told of it."""

    line: int
    level: int
    ticks: int
    restored: bool


def by_offset(message: Beat | Edge) -> int:
    """Sort messages with this as key to have them in wire order."""
    return message.offset


def between(messages: Sequence[_M], low: int, high: int) -> Sequence[_M]:
    """Give those of messages in wire order that stand from one offset up to another."""
    return messages[bisect_left(messages, low, key=by_offset) : bisect_left(messages, high, key=by_offset)]


def place_edges(
    frame_end: NDArray[np.int64],
    frame_ticks: NDArray[np.int64],
    beats: Sequence[Beat],
    edges: Sequence[Edge],
    lines: Sequence[WireLine],
    *,
    excess: NDArray[np.int64] | None = None,
) -> tuple[tuple[PlacedEdge, ...], int]:
    """Give every edge of one segment its ticks, restore what beats know of lost ones, count the rest.

    Parameters
    ----------
    frame_end, frame_ticks : (F,) arrays
        Byte offset of each samples frame and the unwrapped ticks at its first row. Ticks of a message unwrap to
        the frame nearest on the wire; without any frame, to the first message.
    lines
        As in hello: beats list the lines in this order.
    excess : (F,) array, optional
        Ticks by which the clock ran ahead of the row numbers at each frame; taken from its neighbours' edges too.

    Returns
    -------
    edges
        By ticks. A beat's last edge from before the segment's first frame is left out: it was not recorded.
    lost : int
        Edges that the device counted after the first message and nobody saw.
    """
    messages: list[Beat | Edge] = [*beats, *edges]
    messages.sort(key=lambda message: message.offset)
    if not messages:
        return (), 0
    moved = np.zeros_like(frame_ticks) if excess is None else excess
    placed_at = _place(messages, frame_end, frame_ticks, moved)
    begin = int((frame_ticks - moved).min()) if frame_ticks.size else placed_at[0]
    found: list[PlacedEdge] = []
    lost = 0
    slots = {line.line: slot for slot, line in enumerate(lines)}
    for line in sorted(slots.keys() | {edge.line for edge in edges}):
        of_line, missing = _account(_reports(messages, placed_at, line, slots.get(line)), begin)
        found += of_line
        lost += missing
    return tuple(sorted(found, key=lambda edge: (edge.ticks, edge.line))), lost


def _place(
    messages: Sequence[Beat | Edge],
    frame_end: NDArray[np.int64],
    frame_ticks: NDArray[np.int64],
    excess: NDArray[np.int64],
) -> list[int]:
    """Unwrap the ticks of messages to those of the samples frame nearest on the wire."""
    offset = np.array([message.offset for message in messages], np.int64)
    ticks = np.array([message.ticks for message in messages], np.int64)
    if not frame_end.size:
        frame_end, frame_ticks, excess = offset[:1], ticks[:1], np.zeros(1, np.int64)
    order = np.argsort(frame_end, kind="stable")
    ends = frame_end[order]
    after = np.searchsorted(ends, offset).clip(0, ends.size - 1)
    before = (after - 1).clip(0)
    near = np.where(np.abs(ends[after] - offset) < np.abs(offset - ends[before]), after, before)
    anchor = frame_ticks[order][near]
    placed: list[int] = (anchor + nearest_each(ticks - anchor, MODULUS) - excess[order][near]).tolist()
    return placed


def _reports(
    messages: Sequence[Beat | Edge], placed_at: Sequence[int], line: int, slot: int | None
) -> Iterable[tuple[int, PlacedEdge]]:
    """Give what messages say of one line, in wire order: edge count modulo 2**16, and its latest edge."""
    for message, at in zip(messages, placed_at, strict=True):
        if isinstance(message, Edge):
            if message.line == line:
                yield message.edges, PlacedEdge(line, message.level, at, restored=False)
        elif slot is not None and slot < len(message.edges):
            count, last = message.edges[slot]
            # The last edge is not later than the beat, so its age on the 32-bit clock places it.
            age = (message.ticks - last) % MODULUS
            yield count, PlacedEdge(line, message.lines >> line & 1, at - age, restored=True)


def _account(reports: Iterable[tuple[int, PlacedEdge]], begin: int) -> tuple[list[PlacedEdge], int]:
    """Count through the edges of one line; an edge frame outranks what a beat tells of the same edge."""
    known: dict[int, PlacedEdge] = {}
    total = lowest = None
    for count, edge in reports:
        total = count if total is None else total + nearest(count - total, _EDGE_MODULUS)
        if lowest is None:
            recorded = not edge.restored or (count > 0 and edge.ticks >= begin)
            lowest = total if recorded else total + 1
        if not edge.restored:
            lowest = min(lowest, total)
        if total not in known or (known[total].restored and not edge.restored):
            known[total] = edge
    if lowest is None:
        return [], 0
    numbers = range(lowest, max(known) + 1)
    found = [known[number] for number in numbers if number in known]
    return found, len(numbers) - len(found)


def nearest(step: int, modulus: int) -> int:
    """Give the whole number nearest to zero that equals ``step`` modulo ``modulus``."""
    return (step + modulus // 2) % modulus - modulus // 2


def nearest_each(step: NDArray[np.int64], modulus: int) -> NDArray[np.int64]:
    """Do the same as ``nearest`` for each element."""
    result: NDArray[np.int64] = (step + modulus // 2) % modulus - modulus // 2
    return result
