"""Assemble the frames of one stream: 64-bit rows and ticks, gaps, duplicates, edges, restarts.

Sequences count rows since boot, ticks are those of the device clock since boot, both unwrapped; no seconds and
no host time here. Nothing is interpolated: a missing row is named, never filled.

What cannot be known from the frames alone, and is not claimed:

- rows and edges after the last beat or samples frame of a boot, and before the first one; how long a reset
  took (host time tells, ``daq.recovery.device_clock``);
- a restart that the boot counter does not show, when the first frame after it has a higher sequence than the
  last before it: it looks like a gap;
- which beats and edges between the last frame before such a restart and the first one after it belong to which:
  they stay with the earlier segment;
- more than 2**31 rows, or 2**31 ticks of departure from the nominal interval, lost in one piece; how often the
  32-bit sequence rolled over before the first frame;
- what ``daq.wire.line_edges`` says of edges;
- which 2**32 ticks the recording began in, when the true row rate departs from the nominal so far that it
  makes half a rollover since boot (36 min at 1 MHz: 1 % after 60 h). Ticks stay right among themselves;
  ``daq.recovery.streams_together`` puts several streams of a device on one count.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.line_edges import PlacedEdge, between, by_offset, nearest, nearest_each, place_edges
from standbook.daq.wire.messages import MODULUS, Beat, Edge, SampleBlock, ramps
from standbook.daq.wire.tick_steps import TickStep, steadied

# A frame that comes later than this behind the newest row is no straggler: the device started again.
REORDER_SECONDS: Final = 1.0
_LOOK_AHEAD: Final = 64  # frames; doubled as long as no restart is found among them


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Segment:
    """One stream between two starts of the device, rows in order and each once."""

    boot: int  # low byte of the boot counter
    restarted: bool  # began by a restart that the boot counter does not show
    sequence: Ints  # (N,)
    ticks: Ints  # (N,) as row numbers and clock agree on them
    counts: NDArray[np.int32]  # (N, C)
    frame_row: Ints  # (F,) index of the first kept row of each frame that gave any
    frame_end: Ints  # (F,) byte offset just past the frame's delimiter
    frame_lines: NDArray[np.uint8]  # (F,)
    gaps: Ints  # (G, 2) first missing row, how many; rows lost at the tail included
    duplicates: int  # rows that came again, identical, and were dropped
    reordered: int  # frames that came behind a later row
    edges: tuple[PlacedEdge, ...]  # by ticks
    lost_edges: int  # counted by the device, never seen, time unknown
    steps: tuple[TickStep, ...]  # where its clock contradicted its row numbers; taken out of ``ticks``

    @property
    def lost_rows(self) -> int:
        """Rows known to be missing."""
        return int(self.gaps[:, 1].sum())


@dataclass(frozen=True, slots=True, eq=False)
class Assembly:
    """Everything known of one stream, a segment for each start of the device, in wire order."""

    hello: Hello
    segments: tuple[Segment, ...]

    @property
    def rows(self) -> int:
        """Rows present."""
        return sum(segment.sequence.size for segment in self.segments)

    @property
    def lost_rows(self) -> int:
        """Rows known to be missing."""
        return sum(segment.lost_rows for segment in self.segments)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Frames:
    """Frames in wire order, as numbers on the wire, with the rows they own."""

    boot: Ints  # (F,)
    end: Ints
    lines: NDArray[np.uint8]
    first: Ints  # sequence of the first row
    ticks: Ints  # ticks at the first row
    count: Ints
    counts: NDArray[np.int32]  # (N, C)

    def take(self, start: int, stop: int) -> "_Frames":
        rows = (int(self.count[:end].sum()) for end in (start, stop))
        return self.pick(slice(start, stop), slice(*rows))

    def in_wire_order(self) -> "_Frames":
        if (np.diff(self.end) > 0).all():
            return self
        order = np.argsort(self.end, kind="stable")
        row = np.cumsum(self.count) - self.count
        return self.pick(order, ramps(row[order], 1, self.count[order]))

    def pick(self, frames: slice | Ints, rows: slice | Ints) -> "_Frames":
        return _Frames(
            boot=self.boot[frames],
            end=self.end[frames],
            lines=self.lines[frames],
            first=self.first[frames],
            ticks=self.ticks[frames],
            count=self.count[frames],
            counts=self.counts[rows],
        )


def assemble(blocks: Sequence[SampleBlock], beats: Sequence[Beat], edges: Sequence[Edge], hello: Hello) -> Assembly:
    """Put the frames of ``hello``'s stream in order and say what is missing.

    Parameters
    ----------
    blocks
        Blocks of any streams and boots of one device and one feeding of a decoder (offsets must compare);
        those of other streams are passed over.
    beats, edges
        All of the device.

    Raises
    ------
    ValueError
        A block of the stream has another layout than ``hello``.

    Notes
    -----
    A new segment begins where the boot byte changes, and where the sequence steps back by more than
    ``REORDER_SECONDS``, or onto rows that are there with other counts: a device that restarted without
    counting its boot. A frame that is there already to the last byte came twice, however late.
    """
    own = [block for block in blocks if block.stream == hello.stream]
    for block in own:
        if block.layout != hello.layout:
            raise ValueError(
                f"stream {hello.name!r}: a block has layout {block.layout}, hello {hello.layout}; assemble them apart"
            )
    frames = _in_wire_order(own, len(hello.channels))
    beats, edges = sorted(beats, key=by_offset), sorted(edges, key=by_offset)
    segments: list[Segment] = []
    for boot, low, high in _boot_runs(frames, beats, edges):
        start, stop = np.searchsorted(frames.end, [low, high], side="left").tolist()
        pieces = list(_restarts(frames.take(start, stop), hello))
        if not pieces:
            pieces = [_Piece.empty(len(hello.channels))]
        bounds = [low, *(int(piece.end.min()) for piece in pieces[1:]), high]
        for index, piece in enumerate(pieces):
            low, high = bounds[index : index + 2]
            inside = between(beats, low, high), between(edges, low, high)
            segments.append(_segment(piece, boot, index > 0, *inside, hello))
    return Assembly(hello, tuple(segments))


def _in_wire_order(blocks: Sequence[SampleBlock], channels: int) -> _Frames:
    if not blocks:
        none = np.empty(0, np.int64)
        return _Frames(
            boot=none,
            end=none,
            lines=np.empty(0, np.uint8),
            first=none,
            ticks=none,
            count=none,
            counts=np.empty((0, channels), np.int32),
        )
    return _Frames(
        boot=np.concatenate([np.full(block.frame_row.size, block.boot, np.int64) for block in blocks]),
        end=np.concatenate([block.frame_end for block in blocks]),
        lines=np.concatenate([block.frame_lines for block in blocks]),
        first=np.concatenate([block.frame_first for block in blocks]),
        ticks=np.concatenate([block.frame_ticks for block in blocks]),
        count=np.concatenate([block.frame_count for block in blocks]),
        counts=np.concatenate([block.counts for block in blocks]),
    ).in_wire_order()


def _boot_runs(frames: _Frames, beats: Sequence[Beat], edges: Sequence[Edge]) -> Iterator[tuple[int, int, int]]:
    """Give (boot byte, first offset, offset past the last) of each stay in one boot."""
    messages: list[Beat | Edge] = [*beats, *edges]
    offset = np.concatenate([frames.end, [message.offset for message in messages]]).astype(np.int64)
    boot = np.concatenate([frames.boot, [message.boot for message in messages]]).astype(np.int64)
    if not offset.size:
        return
    order = np.argsort(offset, kind="stable")
    offset, boot = offset[order], boot[order]
    starts = np.concatenate(([0], np.flatnonzero(np.diff(boot)) + 1))
    stops = np.concatenate((starts[1:], [offset.size]))
    for start, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        yield int(boot[start]), int(offset[start]), int(offset[stop - 1]) + 1


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Piece:
    """Rows of one start of the device, in order and each once, with the account of it."""

    sequence: Ints
    ticks: Ints
    counts: NDArray[np.int32]
    row: Ints  # (F,) first kept row of each frame that gave any
    end: Ints
    lines: NDArray[np.uint8]
    duplicates: int
    reordered: int

    @classmethod
    def empty(cls, channels: int) -> "_Piece":
        none = np.empty(0, np.int64)
        counts = np.empty((0, channels), np.int32)
        return cls(
            sequence=none,
            ticks=none,
            counts=counts,
            row=none,
            end=none,
            lines=np.empty(0, np.uint8),
            duplicates=0,
            reordered=0,
        )


def _restarts(frames: _Frames, hello: Hello) -> Iterator[_Piece]:
    """Cut frames of one boot where the device started again without saying so, and order each piece.

    After the first cut it looks only as far ahead as it must: else a device whose sequence stands still, and so
    seems to start again at every frame, would take the square of its frames.
    """
    total = frames.end.size
    if not total:
        return
    rows = np.concatenate(([0], np.cumsum(frames.count)))
    behind = max(1, int(REORDER_SECONDS * hello.tick_hz / hello.interval_ticks), int(frames.count.max()))
    start, ahead = 0, total
    while start < total:
        stop = min(start + ahead, total)
        part = frames.pick(slice(start, stop), slice(int(rows[start]), int(rows[stop])))
        size, piece = _first_start(part, behind, hello.interval_ticks)
        if size == stop - start and stop < total:
            ahead *= 2
            continue
        yield piece
        start, ahead = start + size, _LOOK_AHEAD


def _first_start(frames: _Frames, behind: int, interval: int) -> tuple[int, _Piece]:
    """Order the frames up to the first unsaid restart, and tell how many they are."""
    first, ticks = _unwrap(frames, interval)
    newest = np.maximum.accumulate(first + frames.count)
    back = first[1:] - newest[:-1]
    far = np.flatnonzero(back < -behind) + 1
    again = _repeated(frames, far)
    cut = int(far[again]) if again < far.size else frames.end.size
    piece = frames.take(0, cut)
    if not (back[: cut - 1] < 0).any():
        return cut, _straight(piece, first[:cut], ticks[:cut], interval)
    contradiction = _contradiction(piece, first[:cut], ticks[:cut], interval)
    if contradiction is not None:
        cut = contradiction
        piece = frames.take(0, cut)
    return cut, _sorted(piece, first[:cut], ticks[:cut], interval)


def _repeated(frames: _Frames, far: Ints) -> int:
    """Tell how many of the frames that come far too late, the first ones, are there already to the last byte."""
    if not far.size:
        return 0
    row = np.cumsum(frames.count) - frames.count
    known = {(int(f), int(t)): k for k, (f, t) in enumerate(zip(frames.first, frames.ticks, strict=True)) if k < far[0]}
    for number, k in enumerate(far.tolist()):
        other = known.get((int(frames.first[k]), int(frames.ticks[k])))
        count = int(frames.count[k])
        if other is None or int(frames.count[other]) != count:
            return number
        mine, theirs = (frames.counts[row[at] : row[at] + count] for at in (k, other))
        if not (mine == theirs).all():
            return number
    return int(far.size)


def _unwrap(frames: _Frames, interval: int) -> tuple[Ints, Ints]:
    """Unwrap sequence and ticks of frames in wire order; the sequence decides how often ticks rolled over."""
    rows = nearest_each(np.diff(frames.first), MODULUS)
    nominal = rows * interval
    steps = nominal + nearest_each(np.diff(frames.ticks) - nominal, MODULUS)
    raw, expected = int(frames.ticks[0]), int(frames.first[0]) * interval
    start = max(raw, expected + nearest(raw - expected, MODULUS))  # a device clock begins at zero
    first = frames.first[0] + np.concatenate(([0], np.cumsum(rows)))
    return first, start + np.concatenate(([0], np.cumsum(steps)))


def _straight(frames: _Frames, first: Ints, ticks: Ints, interval: int) -> _Piece:
    row = np.cumsum(frames.count) - frames.count
    sequence, all_ticks = ramps(first, 1, frames.count), ramps(ticks, interval, frames.count)
    return _Piece(
        sequence=sequence,
        ticks=all_ticks,
        counts=frames.counts,
        row=row,
        end=frames.end,
        lines=frames.lines,
        duplicates=0,
        reordered=0,
    )


def _repeats(piece: _Piece) -> tuple[Ints, NDArray[np.bool_]]:
    """Order rows by sequence, earlier arrivals first; mark those that repeat the one before."""
    order = np.argsort(piece.sequence, kind="stable")
    repeat = np.diff(piece.sequence[order], prepend=-1) == 0
    return order, repeat


def _contradiction(frames: _Frames, first: Ints, ticks: Ints, interval: int) -> int | None:
    """Find the first frame that holds a row which is already there with other ticks or counts."""
    piece = _straight(frames, first, ticks, interval)
    order, repeat = _repeats(piece)
    later, earlier = order[repeat], order[np.flatnonzero(repeat) - 1]
    differs = (piece.ticks[later] != piece.ticks[earlier]) | (piece.counts[later] != piece.counts[earlier]).any(axis=1)
    if not differs.any():
        return None
    return int(np.searchsorted(piece.row, later[differs].min(), side="right")) - 1


def _sorted(frames: _Frames, first: Ints, ticks: Ints, interval: int) -> _Piece:
    piece = _straight(frames, first, ticks, interval)
    order, repeat = _repeats(piece)
    keep = order[~repeat]
    owner = np.repeat(np.arange(frames.end.size), frames.count)[keep]
    starts = np.flatnonzero(np.diff(owner, prepend=-1))  # a frame torn in two by another starts twice
    newest = np.maximum.accumulate(first + frames.count)
    return _Piece(
        sequence=piece.sequence[keep],
        ticks=piece.ticks[keep],
        counts=piece.counts[keep],
        row=starts,
        end=frames.end[owner[starts]],
        lines=frames.lines[owner[starts]],
        duplicates=int(repeat.sum()),
        reordered=int((first[1:] < newest[:-1]).sum()),
    )


def _segment(
    piece: _Piece, boot: int, restarted: bool, beats: Sequence[Beat], edges: Sequence[Edge], hello: Hello
) -> Segment:
    at_frame = piece.ticks[piece.row]
    found = steadied(
        piece.sequence[piece.row], at_frame, hello.interval_ticks, int(piece.sequence[-1]) + 1 if piece.row.size else 0
    )
    placed, lost = place_edges(piece.end, at_frame, beats, edges, hello.lines, excess=found.excess)
    rows = np.diff(piece.row, append=piece.sequence.size)
    return Segment(
        boot=boot,
        restarted=restarted,
        sequence=piece.sequence,
        ticks=piece.ticks - np.repeat(found.excess, rows) if found.steps else piece.ticks,
        counts=piece.counts,
        frame_row=piece.row,
        frame_end=piece.end,
        frame_lines=piece.lines,
        gaps=_gaps(piece, beats, hello.stream),
        duplicates=piece.duplicates,
        reordered=piece.reordered,
        edges=placed,
        lost_edges=lost,
        steps=found.steps,
    )


def _gaps(piece: _Piece, beats: Sequence[Beat], stream: int) -> Ints:
    """Name the missing rows, those that only beats know of included."""
    told = [row for beat in beats for number, row in beat.next_sequence if number == stream]
    if not piece.sequence.size:
        lost = (told[-1] - told[0]) % MODULUS if told else 0
        return np.array([[told[0], lost]] if lost else np.empty((0, 2)), np.int64)
    steps = np.diff(piece.sequence)
    where = np.flatnonzero(steps > 1)
    gaps = np.column_stack((piece.sequence[where] + 1, steps[where] - 1))
    first, last = int(piece.sequence[0]), int(piece.sequence[-1])
    if told:
        head, tail = first + nearest(told[0] - first, MODULUS), last + nearest(told[-1] - last, MODULUS)
        if head < first:
            gaps = np.vstack(([[head, first - head]], gaps))
        if tail > last + 1:
            gaps = np.vstack((gaps, [[last + 1, tail - last - 1]]))
    return gaps.astype(np.int64)
