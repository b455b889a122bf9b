"""Decode wire format 1: a stream of bytes to frames, with all damage counted.

On the wire a frame is ``COBS(body + CRC)`` and one ``0x00``; the CRC is CRC-32/ISO-HDLC of the body, little-endian.
Feed the decoder any pieces of the stream, as small or large as they come; the records that come out are the
same. Nothing is guessed: a frame whose CRC is wrong is counted and dropped, rows of an unknown layout wait for
their hello. No port, file or clock here; 32-bit numbers are unwrapped in ``daq.wire.stream_assembly``.

Every fed byte is accounted for: accepted frames, ``damaged_bytes``, ``leading_bytes``, ``torn_bytes``, and one
delimiter per piece.

Source: [COBS99], [CRCcat].
"""

import zlib
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from standbook.daq.errors import FrameError
from standbook.daq.wire.hello import FORMAT, MAX_BODY, SAMPLES_HEADER_BYTES, Hello
from standbook.daq.wire.messages import (
    CRC_BYTES,
    KIND_BEAT,
    KIND_EDGE,
    KIND_HELLO,
    KIND_NOTE,
    KIND_SAMPLES,
    Beat,
    Edge,
    Note,
    SampleBlock,
    SampleFrames,
    read_beat,
    read_edge,
    read_note,
    unpack_samples,
)

# COBS adds one byte, and one more per full block of 254 (the optional final 01 included).
MAX_ENCODED: Final = MAX_BODY + CRC_BYTES + 1 + (MAX_BODY + CRC_BYTES) // 254
# Rows that wait for a hello: 20 s of a full 2 Mbaud link, where hello comes once a second.
WAITING_BYTES: Final = 4 * 2**20
KNOWN_HELLOS: Final = 1024  # kept, the newest: four streams through every boot byte
MAX_REFUSALS: Final = 16  # sentences kept per feed; all are counted
# A block costs about 0.2 ms of array calls whatever its size; measured, larger ones gain nothing more.
BLOCK_BYTES: Final = 2**20
# CRC-32 run over a body and its own little-endian CRC (published residue of CRC-32/ISO-HDLC).
_RESIDUE: Final = 0x2144DF1C

_Layouts = dict[tuple[int, int, int], Hello]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Decoded:
    """Messages of one piece of the stream; counts are of this piece alone, except ``pending_frames``."""

    blocks: tuple[SampleBlock, ...] = ()  # by first frame; frames of one block in wire order
    edges: tuple[Edge, ...] = ()
    notes: tuple[Note, ...] = ()
    beats: tuple[Beat, ...] = ()
    hellos: tuple[tuple[Hello, int], ...] = ()
    frames: int = 0  # pieces whose CRC is right
    damaged_frames: int = 0  # pieces between two delimiters that are no frame
    damaged_bytes: int = 0  # their length, without delimiters
    leading_bytes: int = 0  # before the first delimiter: the port was opened amid a frame
    torn_bytes: int = 0  # after the last delimiter, known only at the end
    pending_frames: int = 0  # frames that still wait for a hello
    spilled_frames: int = 0  # waited longer than memory allows, dropped (a journal still has them)
    refused_frames: int = 0  # CRC right, content not readable: other firmware, or a fault in it
    refusals: tuple[str, ...] = ()  # why, each sentence once
    refused_hellos: tuple[str, ...] = ()  # those of them that are of hellos


@dataclass(slots=True, kw_only=True)
class _Collector:
    blocks: list[SampleBlock] = field(default_factory=list)
    edges: list[Edge] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    beats: list[Beat] = field(default_factory=list)
    hellos: list[tuple[Hello, int]] = field(default_factory=list)
    frames: int = 0
    damaged_frames: int = 0
    damaged_bytes: int = 0
    leading_bytes: int = 0
    torn_bytes: int = 0
    spilled_frames: int = 0
    refused_frames: int = 0
    refusals: dict[str, None] = field(default_factory=dict)
    refused_hellos: dict[str, None] = field(default_factory=dict)

    def refuse(self, reason: str, frames: int = 1, *, hello: bool = False) -> None:
        self.refused_frames += frames
        if len(self.refusals) < MAX_REFUSALS:
            self.refusals[reason] = None
        if hello and len(self.refused_hellos) < MAX_REFUSALS:
            self.refused_hellos[reason] = None

    def freeze(self, pending: int) -> Decoded:
        return Decoded(
            blocks=tuple(self.blocks),
            edges=tuple(self.edges),
            notes=tuple(self.notes),
            beats=tuple(self.beats),
            hellos=tuple(self.hellos),
            frames=self.frames,
            damaged_frames=self.damaged_frames,
            damaged_bytes=self.damaged_bytes,
            leading_bytes=self.leading_bytes,
            torn_bytes=self.torn_bytes,
            pending_frames=pending,
            spilled_frames=self.spilled_frames,
            refused_frames=self.refused_frames,
            refusals=tuple(self.refusals),
            refused_hellos=tuple(self.refused_hellos),
        )


class Decoder:
    """Decode the bytes of one port, from its opening on, into records.

    Parameters
    ----------
    layouts
        Hellos saved earlier, of any boot. Rows that carry such a stream and layout need not wait. Two that
        disagree on one layout number settle nothing, so both are left aside.

    Notes
    -----
    The COBS package and zlib, each mapped over a whole block of frames, do the bytes; numpy does the rows.
    Measured, that is as fast as or faster than marking COBS codes column by column over frames of equal
    length, or following all their code chains at once (figures in ``tests/benchmarks/bench_wire.py``).
    """

    def __init__(self, layouts: Iterable[Hello] = ()) -> None:
        self._tail = b""
        self._offset = 0  # of the first byte of the tail
        self._skipped = 0  # bytes of a piece already too long to be a frame
        self._leading = True  # no delimiter seen yet
        self._known: _Layouts = {}  # by stream, low byte of boot, layout
        self._saved = _agreeing(layouts)
        self._waiting: deque[tuple[bytes, int]] = deque()
        self._waiting_bytes = 0

    def feed(self, chunk: bytes | bytearray | memoryview) -> Decoded:
        """Decode the frames that ``chunk`` completes."""
        found = _Collector()
        data = self._tail + bytes(chunk) if self._tail else bytes(chunk)
        if self._skipped:
            data = self._skip(data, found)
        start = 0
        while True:
            stop = data.rfind(b"\0", start, start + BLOCK_BYTES) + 1
            stop = stop or data.find(b"\0", start) + 1
            if not stop:
                break
            self._block(data[start:stop], self._offset + start, found)
            start = stop
        self._tail = data[start:]
        self._offset += start
        if len(self._tail) > MAX_ENCODED:
            self._skipped += len(self._tail)
            self._offset += len(self._tail)
            self._tail = b""
        return found.freeze(len(self._waiting))

    def finish(self) -> Decoded:
        """End the stream: bytes after the last delimiter are torn, waiting frames stay undecoded."""
        found = _Collector(torn_bytes=self._skipped + len(self._tail))
        self._offset += len(self._tail)
        self._tail, self._skipped = b"", 0
        return found.freeze(len(self._waiting))

    def _skip(self, data: bytes, found: _Collector) -> bytes:
        """Drop the rest of a piece too long to be a frame, up to and with its delimiter."""
        stop = data.find(b"\0")
        if stop < 0:
            self._skipped += len(data)
            self._offset += len(data)
            return b""
        self._damage(1, self._skipped + stop, found)
        self._skipped = 0
        self._offset += stop + 1
        return data[stop + 1 :]

    def _damage(self, frames: int, length: int, found: _Collector) -> None:
        if self._leading:
            found.leading_bytes += length
            self._leading = False
        else:
            found.damaged_frames += frames
            found.damaged_bytes += length

    def _block(self, block: bytes, base: int, found: _Collector) -> None:
        """Decode bytes that end in a delimiter."""
        pieces = block.split(b"\0")
        pieces.pop()
        after = np.flatnonzero(np.frombuffer(block, np.uint8) == 0) + 1
        ends, sizes = base + after, np.diff(after, prepend=0) - 1
        bodies = _unstuff(pieces)
        residues = list(map(zlib.crc32, bodies))
        lengths = np.fromiter(map(len, bodies), np.int64, len(bodies))
        good = lengths <= MAX_BODY + CRC_BYTES
        if residues.count(_RESIDUE) < len(residues):
            good &= np.fromiter(residues, np.int64, len(residues)) == _RESIDUE
        if not good.all():
            # Two delimiters in a row hold nothing: a device may send one to clear the line.
            bad = ~good & (sizes > 0)
            if self._leading and bad[0]:
                self._damage(1, int(sizes[0]), found)
                bad[0] = False
            self._leading = False
            self._damage(int(bad.sum()), int(sizes[bad].sum()), found)
            bodies = [body for body, right in zip(bodies, good.tolist(), strict=True) if right]
            ends, lengths = ends[good], lengths[good]
        self._leading = False
        found.frames += len(bodies)
        if bodies:
            self._accepted(bodies, lengths, ends, found)

    def _accepted(
        self, bodies: list[bytes], lengths: NDArray[np.int64], ends: NDArray[np.int64], found: _Collector
    ) -> None:
        flat = np.frombuffer(b"".join(bodies), np.uint8)
        offsets = np.cumsum(lengths) - lengths
        is_samples = (flat[offsets] == KIND_SAMPLES) & (lengths >= SAMPLES_HEADER_BYTES + CRC_BYTES)
        others = np.flatnonzero(~is_samples).tolist()
        # Hellos first: rows that share a block with theirs need not wait.
        for hello_pass in (True, False):
            for index in others:
                if (bodies[index][0] == KIND_HELLO) == hello_pass:
                    self._single(bodies[index], int(ends[index]), found)
        if is_samples.any():
            self._samples(SampleFrames(flat, offsets[is_samples], lengths[is_samples], ends[is_samples]), found)

    def _single(self, framed: bytes, end: int, found: _Collector) -> None:
        """Read one message that is not samples."""
        body = framed[:-CRC_BYTES]
        kind = body[0] if body else None
        try:
            if kind == KIND_HELLO:
                hello = Hello.from_json(body[1:])
                self._learn(hello, found)
                found.hellos.append((hello, end))
            elif kind == KIND_EDGE:
                found.edges.append(read_edge(body, end))
            elif kind == KIND_NOTE:
                found.notes.append(read_note(body, end))
            elif kind == KIND_BEAT and len(body) > 1:
                shape = self._shape(body[1])
                if shape is None:
                    self._wait(framed, end, found)
                else:
                    found.beats.append(read_beat(body, end, *shape))
            elif kind is None:
                found.refuse("an empty frame")
            else:
                found.refuse(f"a frame of kind 0x{kind:02x} with {len(body)} bytes is not of format {FORMAT}")
        except FrameError as error:
            found.refuse(str(error), hello=kind == KIND_HELLO)

    def _samples(self, frames: SampleFrames, found: _Collector) -> None:
        rows = unpack_samples(frames, self._hello_of)
        found.blocks += rows.blocks
        for reason, number in rows.refused:
            found.refuse(reason, number)
        for framed, end in rows.unexplained:
            self._wait(framed, end, found)

    def _hello_of(self, stream: int, boot: int, layout: int) -> Hello | None:
        return self._known.get((stream, boot, layout)) or self._saved.get((stream, layout))

    def _shape(self, boot: int) -> tuple[int, int] | None:
        """Tell how many lines and streams a beat of this boot has, when a hello has said so."""
        said = [hello for (_, low, _), hello in self._known.items() if low == boot] or self._saved.values()
        shapes = {(len(hello.lines), hello.streams) for hello in said}
        return shapes.pop() if len(shapes) == 1 else None

    def _learn(self, hello: Hello, found: _Collector) -> None:
        """Take a hello, and let go what waited for it."""
        key = (hello.stream, hello.boot & 0xFF, hello.layout)
        before = self._known.get(key)
        if before == hello:
            return
        # Another board, plugged in meanwhile, may stand at the same boot; whose rows count is not decided here.
        same_board = before is not None and (before.device, before.serial) == (hello.device, hello.serial)
        if before is not None and before.boot == hello.boot and same_board:
            raise FrameError(
                f"hello of {hello.device!r}, stream {hello.name!r} changed within boot {hello.boot}; the first is kept"
            )
        self._known.pop(key, None)
        self._known[key] = hello
        if len(self._known) > KNOWN_HELLOS:
            del self._known[next(iter(self._known))]
        waiting, self._waiting = self._waiting, deque()
        self._waiting_bytes = 0
        samples = [item for item in waiting if item[0][0] == KIND_SAMPLES]
        for framed, end in (item for item in waiting if item[0][0] != KIND_SAMPLES):
            self._single(framed, end, found)
        if samples:
            flat = np.frombuffer(b"".join(framed for framed, _ in samples), np.uint8)
            lengths = np.array([len(framed) for framed, _ in samples], np.int64)
            ends = np.array([end for _, end in samples], np.int64)
            self._samples(SampleFrames(flat, np.cumsum(lengths) - lengths, lengths, ends), found)

    def _wait(self, framed: bytes, end: int, found: _Collector) -> None:
        """Keep a frame for its hello; past the ceiling the oldest goes."""
        self._waiting.append((framed, end))
        self._waiting_bytes += len(framed)
        while self._waiting_bytes > WAITING_BYTES:
            self._waiting_bytes -= len(self._waiting.popleft()[0])
            found.spilled_frames += 1


def _unstuff(pieces: list[bytes]) -> list[bytes]:
    """Undo COBS; a piece that is not COBS becomes empty, which no CRC accepts."""
    try:
        return list(map(cobs.decode, pieces))
    except cobs.DecodeError:
        return [_unstuff_one(piece) for piece in pieces]


def _unstuff_one(piece: bytes) -> bytes:
    try:
        return bytes(cobs.decode(piece))
    except cobs.DecodeError:
        return b""


def _agreeing(layouts: Iterable[Hello]) -> dict[tuple[int, int], Hello]:
    """Index saved hellos by stream and layout, without those that contradict each other."""
    saved: dict[tuple[int, int], Hello] = {}
    contradicted = set()
    for hello in layouts:
        other = saved.setdefault((hello.stream, hello.layout), hello)
        if (other.channels, other.interval_ticks) != (hello.channels, hello.interval_ticks):
            contradicted.add((hello.stream, hello.layout))
    return {key: hello for key, hello in saved.items() if key not in contradicted}
