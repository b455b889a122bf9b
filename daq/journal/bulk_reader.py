"""The records of a journal as columns, whole stretches of it at a time.

Undamaged records follow each other without a gap, so where they stand is known from their lengths alone, and numpy can
check and read many at once. Every check of ``daq.journal.record_format`` is made here too, and padding after events
and checksums must be zero. A stretch ends at the first message that is anything else than a whole, right row; what to
make of that one is decided in ``daq.journal.reader``, record by record.

Times are integer nanoseconds, places and lengths bytes. This module opens no file.
"""

import struct
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import compress
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.journal.record_format import (
    HEAD_SIZE,
    LENGTH_AT,
    MAX_DATA,
    PREFIX,
    ROW_OVERHEAD,
    Event,
    Row,
    row_head,
)

# Messages are made of 8-byte words; these are places and sizes in words.
_WORD: Final = 8
_PREFIX: Final = struct.unpack("<q", PREFIX)[0]
_LENGTH: Final = LENGTH_AT // _WORD
_FIXED: Final = HEAD_SIZE // _WORD + np.arange(6)  # three times, event, and the two offsets of the bytes column
_DATA: Final = int(_FIXED[-1]) + 1
_EVENTS: Final = np.array(list(Event))
_CHECKED_BYTES: Final = 48  # place, three times, event, length


@dataclass(frozen=True, slots=True)
class _Stretch:
    """Rows that follow each other."""

    start: Ints  # (N,) of each message in the buffer [word]
    length: Ints  # (N,) of the data [byte]
    times: Ints  # (N, 3)
    event: Ints  # (N,)

    def keep(self, count: int) -> "_Stretch":
        return _Stretch(self.start[:count], self.length[:count], self.times[:count], self.event[:count])


class RecordColumns:
    """Takes records in their order, and gives them back as columns."""

    def __init__(self) -> None:
        self.notes: dict[int, str] = {}  # words of every record that is no data, by its number
        self._count = 0
        self._times: list[Ints] = [np.empty((0, 3), np.int64)]
        self._events: list[Ints] = [np.empty(0, np.int64)]
        self._lengths: list[Ints] = [np.empty(0, np.int64)]  # of stream bytes
        self._stream: list[bytes] = []

    def add(self, rows: Sequence[Row]) -> None:
        """Take rows that were read one by one."""
        if rows:
            times = np.array([row[:3] for row in rows], np.int64)
            self._append(times, np.array([row.event for row in rows], np.int64), [row.data for row in rows])

    def take(self, buffer: bytes | bytearray, offset: int) -> tuple[int, int]:
        """Take the rows at the very start of ``buffer``, which stands at ``offset`` in its file.

        Returns
        -------
        count, length
            How many rows, and how many bytes they fill. The first message behind them is torn, damaged or no row.
        """
        content = bytes(buffer)
        words = np.frombuffer(content, "<i8", len(content) // _WORD)
        found = _chained(words, content)
        first = _WORD * (found.start + _DATA)
        data = [
            content[start:stop] for start, stop in zip(first.tolist(), (first + found.length).tolist(), strict=True)
        ]
        checksum = words[found.start + _DATA + _words(found.length)]
        right = checksum == np.array(_checksums(found, offset, data), np.int64)
        count = _leading(right)
        if not count:
            return 0, 0
        found = found.keep(count)
        self._append(found.times, found.event, data[:count])
        return count, int(found.length[-1] + -found.length[-1] % _WORD) + _WORD * int(found.start[-1]) + ROW_OVERHEAD

    @property
    def times(self) -> Ints:
        """Monotonic, wall and boot clock of each record, (N, 3)."""
        return np.concatenate(self._times)

    @property
    def events(self) -> NDArray[np.int8]:
        """Values of ``Event``, (N,)."""
        return np.concatenate(self._events).astype(np.int8)

    @property
    def offsets(self) -> Ints:
        """Where in the stream each record's bytes start, and the last one's end, (N + 1,)."""
        return np.cumsum(np.concatenate([np.zeros(1, np.int64), *self._lengths]))

    @property
    def stream(self) -> bytes:
        """The device's bytes."""
        return b"".join(self._stream)

    def _append(self, times: Ints, event: Ints, data: Sequence[bytes]) -> None:
        is_data = event == Event.DATA
        self._times.append(times)
        self._events.append(event)
        self._lengths.append(np.fromiter(map(len, data), np.int64, len(data)) * is_data)
        self._stream.append(b"".join(compress(data, is_data.tolist())))
        for place in np.flatnonzero(~is_data).tolist():
            self.notes[self._count + place] = data[place].decode(errors="replace")
        self._count += len(data)


def _chained(words: Ints, content: bytes) -> _Stretch:
    """Find the rows from the start on that look right in everything but the checksum, which is not looked at."""
    start = np.flatnonzero(words == _PREFIX)
    start = start[start <= words.size - ROW_OVERHEAD // _WORD]
    length = words[start + _LENGTH]
    sane = (length >= 0) & (length <= MAX_DATA)
    stop = start + ROW_OVERHEAD // _WORD + _words(np.where(sane, length, 0))
    # Data that holds a prefix ends the stretch too: rare, and then the careful reader goes on.
    follows = start == np.concatenate(([0], stop[:-1]))[: start.size]
    count = _leading(sane & follows & (stop <= words.size))
    start, length = start[:count], length[:count]
    fixed = words[start[:, None] + _FIXED]
    event = fixed[:, 3]
    right = np.isin(event, _EVENTS) & (fixed[:, 4] == 0) & (fixed[:, 5] == length)
    heads = map(row_head, length.tolist())
    right &= np.fromiter(map(content.startswith, heads, (_WORD * start).tolist()), np.bool_, count)
    return _Stretch(start, length, fixed[:, :3], event).keep(_leading(right))


def _checksums(rows: _Stretch, offset: int, data: Sequence[bytes]) -> list[int]:
    """Give the checksums that rows must have; what they cover besides the data is packed for all of them at once."""
    place = offset + _WORD * rows.start
    checked = np.column_stack((place, rows.times, rows.event, rows.length)).astype("<i8").tobytes()
    parts = [checked[at : at + _CHECKED_BYTES] for at in range(0, len(checked), _CHECKED_BYTES)]
    return list(map(zlib.crc32, data, map(zlib.crc32, parts)))


def _words(length: Ints) -> Ints:
    return (length + _WORD - 1) // _WORD


def _leading(right: NDArray[np.bool_]) -> int:
    """Count the true ones before the first that is not."""
    return int(right.argmin()) if not right.all() else right.size
