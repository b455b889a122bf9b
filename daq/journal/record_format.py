"""The exact bytes of a journal: Arrow IPC messages of one fixed shape, made and checked without Arrow.

A journal is a plain Arrow IPC stream: one schema message, one empty batch, then one batch of one row per
record, then (when closed) the end-of-stream mark. Only a handful of numbers differ from row to row, so the
flatbuffer around them is laid out once, here. Three things follow: the capture process needs no Arrow
library; a reader can compare a message byte for byte with what the writer must have written, instead of
handing damaged bytes to a parser; and a journal looks the same whatever library version reads it.

Every message is a multiple of 8 bytes long, so a whole message always starts on a multiple of 8 in the file.
Integers are little-endian, times are nanoseconds. This module opens no file.

Source: [ArrowIPC] sections "Encapsulated message format", "RecordBatch message"; Schema.fbs, Message.fbs.
"""

import json
import struct
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum, IntEnum
from functools import lru_cache
from typing import Final, NamedTuple

FORMAT: Final = 1
MAX_DATA: Final = 1 << 20  # bytes in one row; a longer one is damage, and is never allocated
MAX_SCHEMA: Final = 1 << 16
METADATA_KEY: Final = "standbook"

_CONTINUATION: Final = b"\xff\xff\xff\xff"
END_OF_STREAM: Final = _CONTINUATION + bytes(4)

_VERSION_5, _SCHEMA, _RECORD_BATCH = 4, 1, 3  # Message.fbs: MetadataVersion, MessageHeader
_INT, _LARGE_BINARY = 2, 19  # Schema.fbs: union Type


class Event(IntEnum):
    """What a record says. Zero is no event, so that zeroed bytes can never pass for one."""

    OPENED = 1
    DATA = 2
    LOST = 3
    CLOSED = 4
    CLOCK_STEP = 5
    DROPPED = 6  # the disk stalled for longer than memory could bridge; bytes says how many were not kept

    @property
    def label(self) -> str:
        """The event in words."""
        return self.name.lower().replace("_", " ")


class Row(NamedTuple):  # a tuple is made in a third of the time; there is one for each record
    """One record of a journal; ``data`` is stream bytes for DATA and UTF-8 words for every other event."""

    arrival_ns: int  # monotonic clock, when the last byte was in hand [ns]
    wall_ns: int  # since 1970, UTC [ns]
    boottime_ns: int  # counts on while the computer sleeps [ns]
    event: Event
    data: bytes = b""


class Message(NamedTuple):
    """A message that is all there and right. The empty batch and the end of the stream carry nothing."""

    length: int  # [byte]
    row: Row | None = None
    meta: Mapping[str, str] | None = None


class Incomplete(Enum):
    """Why bytes are not (yet) a message."""

    PARTIAL = "right so far, more to come"
    BROKEN = "not what the writer writes"


# --- the flatbuffer, laid out front to back --------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Scalar:
    code: str  # struct format character
    value: int


@dataclass(frozen=True, slots=True)
class _Text:
    value: bytes


@dataclass(frozen=True, slots=True)
class _Structs:
    """A vector of structs that are pairs of 64-bit integers (FieldNode and Buffer both are)."""

    pairs: Sequence[tuple[int, int]]


@dataclass(frozen=True, slots=True)
class _Vector:
    children: "Sequence[_Node]"


@dataclass(frozen=True, slots=True)
class _Table:
    slots: "Sequence[_Scalar | _Node | None]"  # None: absent


_Node = _Text | _Structs | _Vector | _Table


def _place(out: bytearray, node: _Node) -> int:
    """Append ``node`` and all below it; return where it starts. Offsets in a flatbuffer point forward."""
    if isinstance(node, _Table):
        return _place_table(out, node)
    if isinstance(node, _Text):
        _pad(out, 4)
        start = len(out)
        out += struct.pack("<I", len(node.value)) + node.value + b"\0"
    elif isinstance(node, _Structs):
        out += bytes((4 - len(out)) % 8)  # the count is 4 bytes, the pairs after it need alignment 8
        start = len(out)
        out += struct.pack("<I", len(node.pairs))
        out += b"".join(struct.pack("<qq", *pair) for pair in node.pairs)
    else:
        _pad(out, 4)
        start = len(out)
        out += struct.pack("<I", len(node.children)) + bytes(4 * len(node.children))
        for number, child in enumerate(node.children):
            _point(out, start + 4 + 4 * number, child)
    return start


def _place_table(out: bytearray, table: _Table) -> int:
    places, size = [], 4  # a table begins with the 4-byte distance back to its list of slots
    for slot in table.slots:
        if slot is None:
            places.append(0)
            continue
        width = struct.calcsize(f"<{slot.code}") if isinstance(slot, _Scalar) else 4
        size += -size % width
        places.append(size)
        size += width
    slot_list = struct.pack(f"<HH{len(places)}H", 4 + 2 * len(places), size, *places)
    out += bytes(-(len(out) + len(slot_list)) % 8)
    out += slot_list
    start = len(out)
    out += struct.pack("<i", len(slot_list)) + bytes(size - 4)
    for place, slot in zip(places, table.slots, strict=True):
        if isinstance(slot, _Scalar):
            struct.pack_into(f"<{slot.code}", out, start + place, slot.value)
    for place, slot in zip(places, table.slots, strict=True):
        if slot is not None and not isinstance(slot, _Scalar):
            _point(out, start + place, slot)
    return start


def _point(out: bytearray, at: int, node: _Node) -> None:
    struct.pack_into("<I", out, at, _place(out, node) - at)


def _pad(out: bytearray, alignment: int) -> None:
    out += bytes(-len(out) % alignment)


def _message(header_kind: int, header: _Table, body_length: int) -> bytes:
    out = bytearray(4)
    root = _Table([_Scalar("h", _VERSION_5), _Scalar("B", header_kind), header, _Scalar("q", body_length)])
    _point(out, 0, root)
    _pad(out, 8)
    return _CONTINUATION + struct.pack("<i", len(out)) + bytes(out)


# --- the schema message ----------------------------------------------------------------------------------

_COLUMNS = (
    ("arrival_ns", _INT, 64, 1),
    ("wall_ns", _INT, 64, 1),
    ("boottime_ns", _INT, 64, 1),
    ("event", _INT, 8, 1),
    ("bytes", _LARGE_BINARY, 0, 0),
    ("crc32", _INT, 32, 0),
)


def schema_message(meta: Mapping[str, str]) -> bytes:
    """Return the first message of a journal, which carries ``meta`` as JSON under the key ``standbook``.

    Raises
    ------
    ValueError
        ``meta`` needs more than 64 KiB.
    """
    told = {
        "format": FORMAT,
        "events": {str(event.value): event.label for event in Event},
        "crc32": "CRC-32 of the message's offset in this file, the three times, event, length (i64 each), bytes",
        "meta": dict(meta),
    }
    text = json.dumps(told, separators=(",", ":")).encode()
    fields = []
    for name, kind, width, signed in _COLUMNS:
        typed = _Table([_Scalar("i", width), _Scalar("B", signed)] if kind == _INT else [])
        no_dictionary = None
        fields.append(
            _Table([_Text(name.encode()), _Scalar("B", 0), _Scalar("B", kind), typed, no_dictionary, _Vector([])])
        )
    pairs = _Vector([_Table([_Text(METADATA_KEY.encode()), _Text(text)])])
    message = _message(_SCHEMA, _Table([_Scalar("h", 0), _Vector(fields), pairs]), 0)
    if len(message) > MAX_SCHEMA:
        raise ValueError(f"journal metadata needs {len(message)} bytes, at most {MAX_SCHEMA} fit")
    return message


def examine_schema(buffer: bytes | bytearray) -> Message | Incomplete:
    """Tell whether a file that starts with ``buffer`` starts with the schema of a journal."""
    if len(buffer) < 8:
        return Incomplete.PARTIAL if _CONTINUATION.startswith(buffer[:4]) else Incomplete.BROKEN
    (size,) = struct.unpack_from("<i", buffer, 4)
    if buffer[:4] != _CONTINUATION or not 0 < size <= MAX_SCHEMA or size % 8:
        return Incomplete.BROKEN
    if len(buffer) < 8 + size:
        return Incomplete.PARTIAL
    raw = bytes(buffer[: 8 + size])
    try:
        # The JSON is the last text of the message: whatever is found is proved by writing it again.
        told = json.loads(raw[raw.index(b'{"format":') :].rstrip(b"\0"))
        meta = {str(key): str(value) for key, value in told["meta"].items()}
        again = schema_message(meta)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return Incomplete.BROKEN
    return Message(len(raw), meta=meta) if again == raw else Incomplete.BROKEN


# --- batches ---------------------------------------------------------------------------------------------

_FIXED = struct.Struct("<qqqb7xqq")  # three times, event, and the two offsets of the bytes column
_CRC = struct.Struct("<I4x")
_CHECKED = struct.Struct("<qqqqqq")
_INT64 = struct.Struct("<q")
_EVENTS = {event.value: event for event in Event}


def _batch_head(rows: int, body_length: int, data_length: int, crc_place: int) -> bytes:
    event_place, offsets_place = 24, 32
    absent = (0, 0)  # no column may be null, so no validity bits are stored
    buffers = [
        *(absent, (0, 8 * rows)),
        *(absent, (8 * rows, 8 * rows)),
        *(absent, (16 * rows, 8 * rows)),
        *(absent, (event_place * rows, rows)),
        *(absent, (offsets_place * rows, 16 * rows), (_FIXED.size * rows, data_length)),
        *(absent, (crc_place, 4 * rows)),
    ]
    batch = _Table([_Scalar("q", rows), _Structs([(rows, 0)] * len(_COLUMNS)), _Structs(buffers)])
    return _message(_RECORD_BATCH, batch, body_length)


EMPTY_BATCH: Final = _batch_head(0, 0, 0, 0)
_MARKS = (0x1111111111111111, 0x2222222222222222, 0x3333333333333333)
_TEMPLATE: Final = _batch_head(1, *_MARKS)
_BODY_AT, LENGTH_AT, _CRC_AT = (_TEMPLATE.index(struct.pack("<q", mark)) for mark in _MARKS)
PREFIX: Final = _TEMPLATE[:8]
HEAD_SIZE: Final = len(_TEMPLATE)
ROW_OVERHEAD: Final = HEAD_SIZE + _FIXED.size + _CRC.size  # bytes a row costs beyond its padded data


def row_message(offset: int, row: Row) -> bytes:
    """Return ``row`` as the message that stands at ``offset`` in its file.

    Notes
    -----
    The CRC covers the offset too, so a message found anywhere else (a journal streamed through a port,
    blocks that a broken disk put elsewhere) is not taken for a record of this file.

    Raises
    ------
    ValueError
        More than ``MAX_DATA`` bytes.
    """
    length = len(row.data)
    if length > MAX_DATA:
        raise ValueError(f"{length} bytes in one record, at most {MAX_DATA} fit")
    times = (row.arrival_ns, row.wall_ns, row.boottime_ns)
    return b"".join(
        (
            row_head(length),
            _FIXED.pack(*times, row.event, 0, length),
            row.data,
            bytes(-length % 8),
            _CRC.pack(_checksum(offset, times, row.event, row.data)),
        )
    )


def examine_batch(buffer: bytes | bytearray, offset: int, start: int = 0) -> Message | Incomplete:
    """Tell what begins at ``start`` in ``buffer``, which stands at ``offset`` in its file.

    Only the unused padding bytes are not compared; nothing reads them.
    """
    head = buffer[start : start + HEAD_SIZE]
    if len(head) == HEAD_SIZE and head.startswith(PREFIX):
        (length,) = _INT64.unpack_from(head, LENGTH_AT)
        if not 0 <= length <= MAX_DATA or head != row_head(length):
            return Message(HEAD_SIZE) if head == EMPTY_BATCH else Incomplete.BROKEN
        whole = ROW_OVERHEAD + length + -length % 8
        return _examine_row(buffer, start, length, offset) if len(buffer) - start >= whole else Incomplete.PARTIAL
    if head.startswith(END_OF_STREAM):
        return Message(len(END_OF_STREAM))
    begins = head.startswith(PREFIX) or PREFIX.startswith(head) or END_OF_STREAM.startswith(head)
    return Incomplete.PARTIAL if begins else Incomplete.BROKEN


def _examine_row(buffer: bytes | bytearray, start: int, length: int, offset: int) -> Message | Incomplete:
    arrival, wall, boottime, event, zero, end = _FIXED.unpack_from(buffer, start + HEAD_SIZE)
    at = start + HEAD_SIZE + _FIXED.size
    data = bytes(buffer[at : at + length])
    (checksum,) = _CRC.unpack_from(buffer, at + length + -length % 8)
    if zero != 0 or end != length or event not in _EVENTS:
        return Incomplete.BROKEN
    if checksum != _checksum(offset, (arrival, wall, boottime), event, data):
        return Incomplete.BROKEN
    return Message(ROW_OVERHEAD + length + -length % 8, Row(arrival, wall, boottime, _EVENTS[event], data))


@lru_cache(maxsize=1024)  # most records of a recording have one of few lengths
def row_head(length: int) -> bytes:
    """Return the part of a row's message before its times, which the length of its data decides."""
    head = bytearray(_TEMPLATE)
    crc_place = _FIXED.size + length + -length % 8
    struct.pack_into("<q", head, _BODY_AT, crc_place + _CRC.size)
    struct.pack_into("<q", head, LENGTH_AT, length)
    struct.pack_into("<q", head, _CRC_AT, crc_place)
    return bytes(head)


def _checksum(offset: int, times: Sequence[int], event: int, data: bytes) -> int:
    return zlib.crc32(data, zlib.crc32(_CHECKED.pack(offset, *times, event, len(data))))
