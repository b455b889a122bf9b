"""The journal's readers: of a whole file, and of one that is still being written.

They follow whole messages (``daq.journal.record_format``) by offset and never raise for damage: a torn tail or zeros
are the end so far, and after damaged bytes the next whole message is found, so that one hit costs one message. A cut
between two messages looks like a normal end, hence only a ``closed`` record proves one. Times are integer nanoseconds.
"""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.daq.errors import RecordError
from standbook.daq.journal import record_format
from standbook.daq.journal.bulk_reader import RecordColumns
from standbook.daq.journal.record_format import Event, Incomplete, Message, Row
from standbook.daq.journal.writer import SUFFIX
from standbook.daq.regular_file import check_regular
from standbook.daq.storage.durable_file import reason

_BLOCK: Final = 1 << 20  # bytes read at a time
_NEAR, _FAR = 1 << 8, 1 << 18  # bytes in which a prefix is looked for at a time
_PREFIX: Final = int.from_bytes(record_format.PREFIX, "little", signed=True)
_FIRST: Final = 4096  # bytes read first, to be past the schema soon: rows in the same piece are read one by one


@dataclass(frozen=True, slots=True)
class Damage:
    """A stretch of a journal that is no whole message, with whole messages after it."""

    offset: int  # first byte in the file
    length: int  # [byte]
    record: int  # number of the first record after it


# Takes the whole rows at the start of a buffer that stands at an offset; tells how many, and their bytes.
Take = Callable[[bytearray, int], tuple[int, int]]


class JournalDecoder:
    """Finds the whole messages in a journal that comes in pieces; holds at most one message and one piece.

    Parameters
    ----------
    offset
        Where in the file the first piece starts: 0, or the ``whole_end`` of an earlier decoder.
    record
        Number of the first record that will be found.
    """

    def __init__(self, offset: int = 0, record: int = 0) -> None:
        self.whole_end = offset  # just after the last whole message
        self.record = record
        self.meta: dict[str, str] = {}
        self.damage: list[Damage] = []
        self._pending = bytearray()
        self._start = 0  # of what is not looked at yet, in the pending bytes
        self._at = offset  # the same place in the file
        self._lost = False  # somewhere between the last whole message and the next

    def feed(self, piece: bytes, take: Take | None = None) -> list[Row]:
        """Return the rows that ``piece`` makes whole, behind those that ``take`` has taken for itself."""
        self._pending += piece
        if take is not None and self._at > 0 and not self._lost:
            count, length = take(self._pending, self._at)
            self.record += count
            self._pass(length)
            self.whole_end = self._at
        rows = self._advance()
        del self._pending[: self._start]
        self._start = 0
        return rows

    def finish(self) -> list[Row]:
        """Return the rows that stand behind a message whose damaged length points past the end of the file."""
        rows = []
        while len(self._pending) - self._start >= 8:
            self._skip(8)
            rows += self._advance()
        return rows

    def _advance(self) -> list[Row]:
        rows: list[Row] = []
        while True:
            if self._lost and not self._next_candidate():
                return rows
            if self._at == 0:
                verdict = record_format.examine_schema(self._pending)
            else:
                verdict = record_format.examine_batch(self._pending, self._at, self._start)
            if isinstance(verdict, Message):
                if verdict.row is not None:
                    rows.append(verdict.row)
                self._take(verdict)
            elif verdict is Incomplete.PARTIAL or len(self._pending) - self._start < 8:
                return rows
            else:
                self._skip(8)

    def _take(self, message: Message) -> None:
        if self._lost:
            self.damage.append(Damage(self.whole_end, self._at - self.whole_end, self.record))
            self._lost = False
        if message.meta is not None:
            self.meta = dict(message.meta)
        self.record += message.row is not None
        self._pass(message.length)
        self.whole_end = self._at

    def _skip(self, count: int) -> None:
        self._lost = True
        self._pass(count)

    def _pass(self, count: int) -> None:
        self._start += count
        self._at += count

    def _next_candidate(self) -> bool:
        """Pass what cannot start a message: whole messages start on multiples of 8 in the file."""
        found = _find_prefix(self._pending, self._start + -self._at % 8)
        last = max(self._start, len(self._pending) - 7)  # a prefix may be cut in two
        self._pass((found if found >= 0 else last) - self._start)
        return found >= 0


def _find_prefix(buffer: bytearray, first: int) -> int:
    """Return where the next prefix stands, ``first`` and words of 8 bytes on from it looked at; -1: nowhere.

    In pieces that grow: candidates may be dense, and gigabytes of zeros must not take minutes.
    """
    size = _NEAR
    while first + 8 <= len(buffer):
        words = np.frombuffer(bytes(buffer[first : first + size]), "<i8", min(size, len(buffer) - first) // 8)
        hits = np.flatnonzero(words == _PREFIX)
        if hits.size:
            return first + 8 * int(hits[0])
        first += 8 * words.size
        size = min(4 * size, _FAR)
    return -1


@dataclass(frozen=True, slots=True, kw_only=True)
class Journal:
    """All that a journal says, one entry per record.

    Bytes of record k are ``stream[offsets[k]:offsets[k + 1]]``: the device's bytes for a data record, none
    for the others, whose words are in ``notes`` under k.
    """

    path: Path
    meta: Mapping[str, str]  # empty when the first message is damaged
    arrival_ns: NDArray[np.int64]  # monotonic [ns]
    wall_ns: NDArray[np.int64]  # since 1970, UTC [ns]
    boottime_ns: NDArray[np.int64]  # [ns]
    events: NDArray[np.int8]  # values of ``Event``
    offsets: NDArray[np.int64]  # one more than there are records [byte]
    stream: bytes
    notes: Mapping[int, str]
    closed: bool  # the last record says so; without it the end is wherever the file happens to end
    whole_bytes: int  # up to the end of the last whole message [byte]
    torn_bytes: int  # after it [byte]
    damage: tuple[Damage, ...]


def read_journal(path: Path) -> Journal:
    """Read all whole records of a journal, whatever happened to it.

    Raises
    ------
    RecordError
        The file cannot be read, or nothing in it is a journal's.
    """
    decoder, records = JournalDecoder(), RecordColumns()
    for rows in _decode(path, decoder, records.take):
        records.add(rows)
    size = path.stat().st_size
    arrival, wall, boottime = records.times.T
    events = records.events
    return Journal(
        path=path,
        meta=MappingProxyType(decoder.meta),
        arrival_ns=arrival.copy(),
        wall_ns=wall.copy(),
        boottime_ns=boottime.copy(),
        events=events,
        offsets=records.offsets,
        stream=records.stream,
        notes=MappingProxyType(records.notes),
        closed=bool(events.size and events[-1] == Event.CLOSED),
        whole_bytes=decoder.whole_end,
        torn_bytes=max(0, size - decoder.whole_end),
        damage=tuple(decoder.damage),
    )


def _decode(path: Path, decoder: JournalDecoder, take: Take) -> Iterator[list[Row]]:
    first = b""
    try:
        check_regular(path)
        with path.open("rb") as file:
            while piece := file.read(_BLOCK if first else _FIRST):
                first += piece if len(first) <= _FIRST else b""  # as long as any schema
                yield decoder.feed(piece, take)
    except OSError as error:
        raise RecordError(f"{path}: cannot read the journal: {reason(error)}") from error
    yield decoder.finish()
    if first and decoder.whole_end == 0 and record_format.examine_schema(first) is not Incomplete.PARTIAL:
        raise RecordError(f"{path}: not a journal; give a file that capture wrote (it ends in {SUFFIX})")


class JournalFollower:
    """Reads a journal while it is being written; memory stays bounded however far behind it is.

    Every look starts at the end of the last whole message, so zeros or half a message at the end of the
    file are looked at again when there may be more.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.meta: Mapping[str, str] = {}
        self.damage: tuple[Damage, ...] = ()
        self.closed = False  # the writer said that nothing more comes
        self._whole_end = 0
        self._record = 0

    def poll(self, *, limit: int = 8 * _BLOCK) -> tuple[Row, ...]:
        """Return the records that are new and whole, at most about ``limit`` bytes of file at a time.

        Raises
        ------
        RecordError
            The file cannot be read. A file that is not there yet is one with no records yet.
        """
        decoder = JournalDecoder(self._whole_end, self._record)
        rows: list[Row] = []
        try:
            check_regular(self.path)
            with self.path.open("rb") as file:
                file.seek(self._whole_end)
                while file.tell() < self._whole_end + limit or not rows:
                    piece = file.read(_BLOCK)
                    rows += decoder.feed(piece) if piece else decoder.finish()
                    if not piece:
                        break
        except FileNotFoundError:
            return ()
        except OSError as error:
            raise RecordError(f"{self.path}: cannot read the journal: {reason(error)}") from error
        self.meta = decoder.meta or self.meta
        self.damage += tuple(decoder.damage)
        self._whole_end, self._record = decoder.whole_end, decoder.record
        if rows:
            self.closed = rows[-1].event is Event.CLOSED
        return tuple(rows)
