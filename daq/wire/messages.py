"""Parse the messages inside wire format 1: bodies to records, sample rows to arrays of counts.

Numbers are raw: ticks and sequences modulo 2**32, counts as sent; ``daq.wire.stream_assembly`` unwraps them.
``offset`` and ``frame_end`` are byte offsets in the fed stream, just past a frame's delimiter. Bytes become
bodies in ``daq.wire.decoder``; nothing here looks at a checksum.
"""

import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from standbook.daq.errors import FrameError
from standbook.daq.printable import printable
from standbook.daq.wire.hello import BEAT_HEADER_BYTES, SAMPLES_HEADER_BYTES, TYPE_BYTES, Hello

KIND_HELLO: Final = 0x01
KIND_SAMPLES: Final = 0x02
KIND_EDGE: Final = 0x03
KIND_NOTE: Final = 0x04
KIND_BEAT: Final = 0x05
CRC_BYTES: Final = 4
MODULUS: Final = 2**32

SAMPLES_HEADER: Final = struct.Struct("<BBBHBBII")
EDGE: Final = struct.Struct("<BBBBHI")
NOTE_HEADER: Final = struct.Struct("<BBBI")
BEAT_HEADER: Final = struct.Struct("<BBBI")
BEAT_LINE: Final = struct.Struct("<HI")
BEAT_STREAM: Final = struct.Struct("<BI")

_HEADER_TYPE: Final = np.dtype(
    [
        ("kind", "u1"),
        ("stream", "u1"),
        ("boot", "u1"),
        ("layout", "<u2"),
        ("lines", "u1"),
        ("count", "u1"),
        ("sequence", "<u4"),
        ("ticks", "<u4"),
    ]
)
# i24 is read as four bytes that start one byte early, then shifted down with its sign.
_READ_AS: Final = {"u8": "u1", "i16": "<i2", "u16": "<u2", "i24": "<i4", "i32": "<i4"}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SampleBlock:
    """Rows of one stream, boot and layout, frames in wire order."""

    stream: int
    boot: int  # low byte of the boot counter
    layout: int
    interval_ticks: int
    counts: NDArray[np.int32]  # (N, C)
    frame_row: NDArray[np.int64]  # (F,) index of each frame's first row
    frame_first: NDArray[np.int64]  # (F,) sequence of that row, modulo 2**32
    frame_ticks: NDArray[np.int64]  # (F,) ticks at that row, modulo 2**32
    frame_end: NDArray[np.int64]  # (F,) byte offset just past each frame's delimiter
    frame_lines: NDArray[np.uint8]  # (F,) digital input levels at each frame's first row

    @property
    def rows(self) -> int:
        """Number of rows."""
        return int(self.counts.shape[0])

    @property
    def frame_count(self) -> NDArray[np.int64]:
        """Rows of each frame."""
        return np.diff(self.frame_row, append=self.rows)

    @property
    def sequence(self) -> NDArray[np.int64]:
        """Sequence of each row, modulo 2**32; computed at each call."""
        return ramps(self.frame_first, 1, self.frame_count) & (MODULUS - 1)

    @property
    def ticks(self) -> NDArray[np.int64]:
        """Ticks at each row, modulo 2**32; computed at each call."""
        return ramps(self.frame_ticks, self.interval_ticks, self.frame_count) & (MODULUS - 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """A digital input changed to ``level``; ``edges`` counts all edges of that line modulo 2**16."""

    line: int
    boot: int
    level: int
    edges: int
    ticks: int
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """A word from the device."""

    severity: int
    boot: int
    ticks: int
    text: str
    offset: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Beat:
    """What the device has done so far, ten times a second.

    ``next_sequence`` names, per stream, the first row of the next samples frame that follows the beat on
    the wire: every row below it has been sent before.
    """

    boot: int
    lines: int
    ticks: int
    edges: tuple[tuple[int, int], ...]  # (edge count, ticks of the last edge) in the order of hello's lines
    next_sequence: tuple[tuple[int, int], ...]  # (stream, next row)
    offset: int


def read_edge(body: bytes, offset: int) -> Edge:
    """Read an edge body. Raises FrameError when its length is not an edge's."""
    if len(body) != EDGE.size:
        raise FrameError(f"edge frame has {len(body)} bytes, must have {EDGE.size}")
    _, line, boot, level, edges, ticks = EDGE.unpack(body)
    return Edge(line=line, boot=boot, level=level, edges=edges, ticks=ticks, offset=offset)


def read_note(body: bytes, offset: int) -> Note:
    """Read a note body.

    A byte that is not UTF-8 shows as the replacement character, and a character that a terminal might obey as
    its escape: the text goes to screens and files as it stands.
    """
    if len(body) < NOTE_HEADER.size:
        raise FrameError(f"note frame has {len(body)} bytes, must have at least {NOTE_HEADER.size}")
    _, severity, boot, ticks = NOTE_HEADER.unpack_from(body)
    text = body[NOTE_HEADER.size :].decode("utf-8", "replace")
    return Note(severity=severity, boot=boot, ticks=ticks, text=printable(text), offset=offset)


def read_beat(body: bytes, offset: int, lines: int, streams: int) -> Beat:
    """Read a beat body of a device with so many lines and streams. Raises FrameError on another length."""
    expected = BEAT_HEADER_BYTES + lines * BEAT_LINE.size + streams * BEAT_STREAM.size
    if len(body) != expected:
        raise FrameError(
            f"beat frame has {len(body)} bytes, {lines} lines and {streams} streams of hello take {expected}"
        )
    _, boot, levels, ticks = BEAT_HEADER.unpack_from(body)
    middle = BEAT_HEADER_BYTES + lines * BEAT_LINE.size
    edges = tuple(BEAT_LINE.iter_unpack(body[BEAT_HEADER_BYTES:middle]))
    return Beat(
        boot=boot,
        lines=levels,
        ticks=ticks,
        edges=edges,
        next_sequence=tuple(BEAT_STREAM.iter_unpack(body[middle:])),
        offset=offset,
    )


@dataclass(frozen=True, slots=True, eq=False)
class SampleFrames:
    """Samples bodies that lie, CRC included, somewhere in one flat array of bytes; each at least a header long."""

    flat: NDArray[np.uint8]
    offsets: NDArray[np.int64]  # (F,) where each body starts in ``flat``
    lengths: NDArray[np.int64]  # (F,) with the CRC
    ends: NDArray[np.int64]  # (F,) byte offset in the fed stream


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class UnpackedSamples:
    """Rows of samples frames, and the frames that gave none."""

    blocks: tuple[SampleBlock, ...]  # by first frame
    refused: tuple[tuple[str, int], ...]  # why, and how many frames
    unexplained: tuple[tuple[bytes, int], ...]  # body with CRC and its end, of layouts that no hello explains yet


def unpack_samples(frames: SampleFrames, hello_of: Callable[[int, int, int], Hello | None]) -> UnpackedSamples:
    """Unpack the rows of samples frames, by stream, boot and layout; ``hello_of`` these three explains their layout."""
    header = sliding_window_view(frames.flat, SAMPLES_HEADER_BYTES)[frames.offsets].view(_HEADER_TYPE)[:, 0]
    found = _HeadedFrames(
        flat=frames.flat, offsets=frames.offsets, lengths=frames.lengths, ends=frames.ends, header=header
    )
    blocks: list[SampleBlock] = []
    refused: list[tuple[str, int]] = []
    unexplained: list[tuple[bytes, int]] = []
    keys = found.keys()
    groups = [keys[0]] if (keys == keys[0]).all() else list(dict.fromkeys(keys.tolist()))
    for number in map(int, groups):
        group = found.take(keys == number)
        hello = hello_of(number >> 24, number >> 16 & 0xFF, number & 0xFFFF)
        if hello is None:
            unexplained += zip(group.bodies(), group.ends.tolist(), strict=True)
            continue
        right = group.well_formed(hello)
        if not right.all():
            refused.append((f"stream {hello.name!r}: row count and frame length disagree", int((~right).sum())))
        if right.any():
            blocks.append(group.take(right).block(hello))
    return UnpackedSamples(blocks=tuple(blocks), refused=tuple(refused), unexplained=tuple(unexplained))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _HeadedFrames:
    """Samples bodies with their headers read."""

    flat: NDArray[np.uint8]
    offsets: NDArray[np.int64]
    lengths: NDArray[np.int64]
    ends: NDArray[np.int64]
    header: NDArray[np.void]  # (F,)

    def take(self, which: NDArray[np.bool_]) -> "_HeadedFrames":
        """Keep the frames marked."""
        if which.all():
            return self
        return _HeadedFrames(
            flat=self.flat,
            offsets=self.offsets[which],
            lengths=self.lengths[which],
            ends=self.ends[which],
            header=self.header[which],
        )

    def bodies(self) -> Iterator[bytes]:
        """Give each body with its CRC as bytes of its own."""
        for start, length in zip(self.offsets.tolist(), self.lengths.tolist(), strict=True):
            yield self.flat[start : start + length].tobytes()

    def keys(self) -> NDArray[np.uint32]:
        """Give stream, boot and layout of each frame as one number, ``stream << 24 | boot << 16 | layout``."""
        stream, boot = (self.header[name].astype(np.uint32) for name in ("stream", "boot"))
        keys: NDArray[np.uint32] = stream << 24 | boot << 16 | self.header["layout"]
        return keys

    def well_formed(self, hello: Hello) -> NDArray[np.bool_]:
        """Tell which frames are as long as their own row count says."""
        count = self.header["count"].astype(np.int64)
        right: NDArray[np.bool_] = self.lengths == SAMPLES_HEADER_BYTES + CRC_BYTES + count * hello.row_bytes
        return right & (count > 0)

    def block(self, hello: Hello) -> SampleBlock:
        """Unpack the rows of frames that share one key and are all well formed."""
        count = self.header["count"].astype(np.int64)
        frame_row = np.cumsum(count) - count
        return SampleBlock(
            stream=int(self.header["stream"][0]),
            boot=int(self.header["boot"][0]),
            layout=int(self.header["layout"][0]),
            interval_ticks=hello.interval_ticks,
            counts=self._rows(hello, count, frame_row),
            frame_row=frame_row,
            frame_first=self.header["sequence"].astype(np.int64),
            frame_ticks=self.header["ticks"].astype(np.int64),
            frame_end=self.ends.copy(),
            frame_lines=self.header["lines"].copy(),
        )

    def _rows(self, hello: Hello, count: NDArray[np.int64], frame_row: NDArray[np.int64]) -> NDArray[np.int32]:
        if (count == count[0]).all():
            return self._equal_rows(hello, int(count[0]))
        rows = np.empty((int(count.sum()), len(hello.channels)), np.int32)
        for size in np.unique(count).tolist():
            same = count == size
            where = (frame_row[same][:, None] + np.arange(size)).reshape(-1)
            rows[where] = self.take(same)._equal_rows(hello, size)
        return rows

    def _equal_rows(self, hello: Hello, count: int) -> NDArray[np.int32]:
        """Unpack frames of one row count: strided views over all of them, one for each run of a type."""
        frames, length = self.offsets.size, int(self.lengths[0])
        start = int(self.offsets[0])
        if (np.diff(self.offsets) == length).all():
            flat = self.flat[start : start + frames * length]
        else:
            flat = sliding_window_view(self.flat, length)[self.offsets].reshape(-1)
        rows = np.empty((frames, count, len(hello.channels)), np.int32)
        at, column = SAMPLES_HEADER_BYTES, 0
        for kind, width in _runs(hello):
            size = TYPE_BYTES[kind]
            view: NDArray[np.integer] = np.ndarray(
                (frames, count, width),
                _READ_AS[kind],
                flat,
                at - 1 if kind == "i24" else at,
                (length, hello.row_bytes, size),
            )
            out = rows[:, :, column : column + width]
            if kind == "i24":
                np.right_shift(view, 8, out=out)
            else:
                out[...] = view
            at, column = at + size * width, column + width
        return rows.reshape(frames * count, len(hello.channels))


def ramps(first: NDArray[np.int64], step: int, count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Count up through the rows of each frame: ``first[i]``, ``first[i] + step``, ... ``count[i]`` times."""
    if count.size and (count == count[0]).all():
        return (first[:, None] + np.arange(int(count[0])) * step).reshape(-1)
    found = np.arange(int(count.sum()))
    found -= np.repeat(np.cumsum(count) - count, count)
    found *= step
    found += np.repeat(first, count)
    return found


def _runs(hello: Hello) -> Iterator[tuple[str, int]]:
    """Give neighbouring channels of equal type as (type, how many)."""
    kinds = [channel.type for channel in hello.channels]
    start = 0
    for index in range(1, len(kinds) + 1):
        if index == len(kinds) or kinds[index] != kinds[start]:
            yield kinds[start], index - start
            start = index


PLAYED_OUT = "rehearsal: played to the end"  # a note; a recording of a rehearsal may stop here
