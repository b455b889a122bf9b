"""Record the ground truth of a simulated device: which rows it transmitted intact, which not, and why.

Read back from the very bytes that went out, by a plain loop over delimiters that shares nothing with the decoder of
recordings: a record can be held to it. Rows are counted since boot here, and over the whole table in ``GroundTruth``.
"""

import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from cobs import cobs

from standbook.daq.arrays import Mask
from standbook.daq.rehearsal.script import Boot, Part

_SAMPLES = struct.Struct("<BBBHBBII")  # kind, stream, boot, layout, lines, count, sequence, ticks
_KIND, _CRC = 2, 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """Rows of one stream and boot that were transmitted intact."""

    boot: int  # low byte of the boot counter
    stream: int
    layout: int
    ranges: tuple[tuple[int, int], ...]  # first sequence and rows, each row once
    doubled: int  # rows that went out again


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundTruth:
    """Fate of every row of a table: transmitted, dropped or damaged."""

    rows_sent: Mapping[int, int]  # left whole, by stream number
    rows_dropped: Mapping[int, int]  # had no room
    dropped: tuple[tuple[int, int, int], ...]  # stream, first row, rows; in order
    frames_dropped: int  # of any kind
    complete: bool  # the whole table was played
    spoilt: tuple[tuple[int, int, int], ...] = ()  # went out and arrived nowhere: damaged, or lost with the port
    whole: tuple[Whole, ...] = ()

    @property
    def overrun(self) -> int:
        """Rows dropped on all streams."""
        return sum(self.rows_dropped.values())

    def sentences(self) -> tuple[str, ...]:
        """Describe the fate of the table, one line a fact."""
        lines = [
            f"stream {stream}: {rows:,} rows sent, {self.rows_dropped[stream]:,} had no room"
            for stream, rows in self.rows_sent.items()
        ]
        lines += [f"stream {stream}: {_range(first, rows)} had no room" for stream, first, rows in self.dropped]
        lines += [f"stream {stream}: {_range(first, rows)} lost to a fault" for stream, first, rows in self.spoilt]
        return (*lines, "played to the end" if self.complete else "stopped before the end")


def _range(first: int, rows: int) -> str:
    return f"row {first}" if rows == 1 else f"rows {first} to {first + rows - 1}"


class TransmitLog:
    """Log of transmitted bytes that enters every intact frame of rows."""

    def __init__(self) -> None:
        self._rest = bytearray()
        self._total = 0
        self._entries: list[tuple[int, int, int, int, int, int]] = []  # end, boot, stream, layout, sequence, rows

    def write(self, data: bytes) -> None:
        """Log bytes that were transmitted."""
        self._rest += data
        self._total += len(data)
        *pieces, rest = self._rest.split(b"\0")
        end = self._total - len(self._rest)
        for piece in pieces:
            end += len(piece) + 1
            found = _samples_in(bytes(piece))
            if found is not None:
                self._entries.append((end, *found))
        self._rest = rest

    def hang_up(self, unread: int = 0) -> None:
        """End the connection: a half-sent frame is lost, and so are bytes nobody has read."""
        while self._entries and self._entries[-1][0] > self._total - unread:
            self._entries.pop()
        self._rest.clear()

    def whole(self) -> tuple[Whole, ...]:
        """Return the rows transmitted intact, by boot and stream, in order of first transmission."""
        keys = dict.fromkeys(entry[1:4] for entry in self._entries)
        return tuple(_joined(key, [e[4:] for e in self._entries if e[1:4] == key]) for key in keys)


def account(
    log: TransmitLog,
    boots: Sequence[Boot],
    rows: Mapping[int, int],
    planned: Sequence[Part],
    dropped: Sequence[Part],
    *,
    frames_dropped: int,
    complete: bool,
) -> GroundTruth:
    """Account for every row of a table from what was transmitted, what was meant to be, and what had no room.

    Parameters
    ----------
    log : TransmitLog
        All that went out.
    boots : sequence of Boot
        Where the rows of each start lie in the table.
    rows : mapping of stream number to rows
        Of the whole table.
    planned, dropped : sequence of Part
        Rows whose time came; of these, what had no room.
    """
    whole = log.whole()
    skipped = {boot.table.boot & 0xFF: boot.skipped for boot in boots}
    went = [Part(of.stream, first + skipped[of.boot][of.stream], count) for of in whole for first, count in of.ranges]
    told = (went, planned, dropped)
    masks = {stream: [_mask(parts, stream, size) for parts in told] for stream, size in rows.items()}
    return GroundTruth(
        rows_sent={stream: int(sent.sum()) for stream, (sent, _, _) in masks.items()},
        rows_dropped={stream: int((lost & ~sent).sum()) for stream, (sent, _, lost) in masks.items()},
        dropped=tuple((s, *run) for s, (sent, _, lost) in masks.items() for run in runs(lost & ~sent)),
        frames_dropped=frames_dropped,
        complete=complete,
        spoilt=tuple((s, *run) for s, (sent, meant, lost) in masks.items() for run in runs(meant & ~sent & ~lost)),
        whole=whole,
    )


def runs(mask: Mask) -> Iterator[tuple[int, int]]:
    """Give start and length of each run of true values."""
    edges = np.flatnonzero(np.diff(mask.astype(np.int8), prepend=0, append=0))
    for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        yield start, stop - start


def _mask(parts: Sequence[Part], stream: int, rows: int) -> Mask:
    mask = np.zeros(rows, np.bool_)
    for part in parts:
        if part.stream == stream:
            mask[part.first : part.first + part.rows] = True
    return mask


def _samples_in(piece: bytes) -> tuple[int, int, int, int, int] | None:
    """Return boot, stream, layout, sequence and rows of a samples frame that is whole."""
    try:
        framed = cobs.decode(piece)
    except cobs.DecodeError:
        return None
    body, check = framed[:-_CRC], framed[-_CRC:]
    if len(body) < _SAMPLES.size or body[0] != _KIND or zlib.crc32(body) != int.from_bytes(check, "little"):
        return None
    _, stream, boot, layout, _, count, sequence, _ = _SAMPLES.unpack_from(body)
    return boot, stream, layout, sequence, count


def _joined(key: tuple[int, int, int], frames: Sequence[tuple[int, int]]) -> Whole:
    boot, stream, layout = key
    found: list[tuple[int, int]] = []
    doubled = 0
    for first, count in sorted(frames):
        end = sum(found[-1]) if found else first
        overlap = max(0, min(end - first, count))
        doubled += overlap
        if count == overlap:
            continue
        if found and first + overlap == end:
            found[-1] = (found[-1][0], found[-1][1] + count - overlap)
        else:
            found.append((first, count))
    return Whole(boot=boot, stream=stream, layout=layout, ranges=tuple(found), doubled=doubled)
