"""Decode text lines of boards that print numbers: the second input.

One row a line, decimal numbers in the columns that the stand names, between commas or another separator, each behind
the label that it is printed with. Values are as printed; clock units are the board's, unwrapped within a segment. A
line that is not exactly such a row is counted and dropped whole, so no damage ever shifts a column; the journal keeps
its bytes. An optional ``*hh`` at the end is the XOR of the bytes before ``*`` (source: [NMEA0183]). XOR misses one
damaged line in 256 on average, and a line without it only betrays what is not a number: binary frames are the better
choice where there is one.
"""

import math
import re
from dataclasses import dataclass, field
from functools import reduce
from operator import xor
from typing import Final

import numpy as np
from numpy.typing import NDArray

MAX_LINE: Final = 1024  # bytes; no row that a person could read is longer
MAX_COUNT: Final = 2.0**53  # of rows or boots; beyond it floats no longer count one by one
# Without a counter or boot column, a clock that falls is taken as a rollover only when it goes on within this
# time across its modulus. A longer silence just there counts as a reset: a new segment, never a false splice.
ROLLOVER_SECONDS: Final = 10.0

# Each text fits in one way only: with two, a damaged line of n columns would be tried in 2**n ways and more.
_NUMBER: Final = rb"([+-]?(?:[0-9]+(?:%b[0-9]*)?|%b[0-9]+)(?:[eE][+-]?[0-9]{1,3})?|[nN][aA][nN])"  # nan: an open sensor
# Between cells, and around each: blanks count where they do not separate.
SEPARATORS: Final = {
    ",": (rb",", rb"[ \t]*"),
    ";": (rb";", rb"[ \t]*"),
    "\t": (rb"\t", rb" *"),
    " ": (rb"[ \t]+", rb""),
}
DECIMALS: Final = (".", ",")
_CHECKSUM: Final = re.compile(rb"[0-9A-Fa-f]{2}")


@dataclass(frozen=True, slots=True, kw_only=True)
class LineLayout:
    """What the columns of a board's lines are.

    Raises
    ------
    ValueError
        No column or one twice, a role given to a column that is not there, a modulus without a clock; a separator
        that is unknown or also the decimal mark, or not one label for each column.
    """

    columns: tuple[str, ...]
    clock: str | None = None
    clock_modulus: int | None = None  # the clock runs from 0 to one below this
    clock_hz: float | None = None  # clock units per second; means nothing without a clock
    counter: str | None = None  # counts rows
    boot: str | None = None  # changes at each start of the board
    separator: str = ","  # one of SEPARATORS; a blank stands for any run of blanks and tabs
    decimal: str = "."  # one of DECIMALS
    labels: tuple[str, ...] = ()  # what is printed before each number, one for each column; none: numbers alone

    def __post_init__(self) -> None:
        if not self.columns or len(set(self.columns)) != len(self.columns):
            raise ValueError(f"columns {', '.join(self.columns)!r}: name each column once")
        for role in ("clock", "counter", "boot"):
            name = getattr(self, role)
            if name is not None and name not in self.columns:
                raise ValueError(f"{role} column {name!r} is not among the columns {', '.join(self.columns)}")
        if self.clock is None and self.clock_modulus is not None:
            raise ValueError("a clock modulus is given, but no clock column")
        if self.clock is not None and not (self.clock_hz is not None and self.clock_hz > 0.0):
            raise ValueError(f"clock column {self.clock!r}: its rate is {self.clock_hz}, must be above 0 per second")
        if self.clock_modulus is not None and self.clock_modulus <= 0:
            raise ValueError(f"clock modulus is {self.clock_modulus}, must be above 0")
        if self.separator not in SEPARATORS or self.decimal not in DECIMALS or self.separator == self.decimal:
            raise ValueError(
                f"separator is {self.separator!r} and decimal {self.decimal!r}; known: comma, semicolon, tab and "
                "blank, point and comma, and the two must differ"
            )
        if self.labels and len(self.labels) != len(self.columns):
            raise ValueError(f"{len(self.labels)} labels for {len(self.columns)} columns; give one for each, or none")

    def row(self) -> re.Pattern[bytes]:
        """Return the pattern of a whole row, a group for each number."""
        between, around = SEPARATORS[self.separator]
        mark = re.escape(self.decimal.encode())
        number = _NUMBER % (mark, mark)
        labels = self.labels or ("",) * len(self.columns)
        cells = [
            around + (rb"[ \t]*".join(map(re.escape, label.encode().split())) + rb"[ \t]*" if label else b"") + number
            for label in labels
        ]
        return re.compile(rb"[ \t]*" + (around + between).join(cells) + rb"[ \t]*")

    def cells(self, text: bytes) -> tuple[bytes, ...]:
        """Cut a line at its separators."""
        parts = text.split() if self.separator == " " else text.split(self.separator.encode())
        return tuple(part.strip() for part in parts)


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DecodedLines:
    """What one piece of the stream gave; every count is of this piece alone."""

    values: NDArray[np.float64]  # (N, C) as printed; NaN where the board printed nan
    line_end: NDArray[np.int64]  # (N,) byte offset in the fed stream, just past the line's end
    segment: NDArray[np.int64]  # (N,) how often the board has started again since the first row
    clock: NDArray[np.float64]  # (N,) unwrapped within the segment; NaN without a clock column
    lost_before: NDArray[np.int64]  # (N,) rows missing just before this one, by the counter; else 0
    rollovers: int = 0
    damaged_lines: int = 0
    damaged_bytes: int = 0  # without line ends
    comment_lines: int = 0  # lines that begin with #, and headers that repeat the column names
    leading_bytes: int = 0  # before the first line end: half a line, so never read
    torn_bytes: int = 0  # after the last line end, known only at the end


@dataclass(slots=True, kw_only=True)
class _Collector:
    values: list[list[float]] = field(default_factory=list)
    line_end: list[int] = field(default_factory=list)
    segment: list[int] = field(default_factory=list)
    clock: list[float] = field(default_factory=list)
    lost_before: list[int] = field(default_factory=list)
    rollovers: int = 0
    damaged_lines: int = 0
    damaged_bytes: int = 0
    comment_lines: int = 0
    leading_bytes: int = 0

    def damage(self, length: int) -> None:
        self.damaged_lines += 1
        self.damaged_bytes += length

    def freeze(self, columns: int, torn: int = 0) -> DecodedLines:
        return DecodedLines(
            values=np.array(self.values, np.float64).reshape(-1, columns),
            line_end=np.array(self.line_end, np.int64),
            segment=np.array(self.segment, np.int64),
            clock=np.array(self.clock, np.float64),
            lost_before=np.array(self.lost_before, np.int64),
            rollovers=self.rollovers,
            damaged_lines=self.damaged_lines,
            damaged_bytes=self.damaged_bytes,
            comment_lines=self.comment_lines,
            leading_bytes=self.leading_bytes,
            torn_bytes=torn,
        )


class LineDecoder:
    """Turns the bytes of one port, from its opening on, into rows.

    Notes
    -----
    The first piece, up to the first line end, is not read: ``123,4`` cut to ``3,4`` is a row too. Once a line
    with a right checksum has come, a line without one is damaged.
    """

    def __init__(self, layout: LineLayout) -> None:
        self.layout = layout
        self._row = layout.row()
        self._header = tuple(name.encode() for name in layout.columns)
        self._clock, self._counter, self._boot = (
            None if name is None else layout.columns.index(name) for name in (layout.clock, layout.counter, layout.boot)
        )
        self._roles = [index for index in (self._clock, self._counter, self._boot) if index is not None]
        self._tail = b""
        self._offset = 0  # of the first byte of the tail
        self._skipped = 0  # bytes of a line already too long
        self._leading = True
        self._checked = False  # a right checksum has been seen
        self._last: list[float] | None = None
        self._segment = 0
        self._base = 0.0  # added to the printed clock

    def feed(self, chunk: bytes | bytearray | memoryview) -> DecodedLines:
        """Decode what is complete once ``chunk`` is added to the stream."""
        found = _Collector()
        pieces = (self._tail + bytes(chunk)).split(b"\n")
        self._tail = pieces.pop()
        for piece in pieces:
            length = self._skipped + len(piece)
            self._offset += len(piece) + 1
            if self._leading:
                found.leading_bytes, self._leading = length, False
            elif length > MAX_LINE:
                found.damage(length)
            else:
                self._line(piece, found)
            self._skipped = 0
        if len(self._tail) > MAX_LINE:
            self._skipped += len(self._tail)
            self._offset += len(self._tail)
            self._tail = b""
        return found.freeze(len(self.layout.columns))

    def finish(self) -> DecodedLines:
        """End the stream: what follows the last line end is torn, and not read."""
        torn = self._skipped + len(self._tail)
        self._offset += len(self._tail)
        self._tail, self._skipped = b"", 0
        return _Collector().freeze(len(self.layout.columns), torn)

    def _line(self, piece: bytes, found: _Collector) -> None:
        text = piece.removesuffix(b"\r")
        if not text.strip():
            return
        if text.startswith(b"#") or self.layout.cells(text) == self._header:
            found.comment_lines += 1
            return
        row = self._read(text)
        if row is None:
            found.damage(len(piece))
            return
        found.lost_before.append(self._account(row, found))
        found.values.append(row)
        found.line_end.append(self._offset)
        found.segment.append(self._segment)
        found.clock.append(float("nan") if self._clock is None else self._base + row[self._clock])

    def _read(self, text: bytes) -> list[float] | None:
        """Read a row, or nothing when anything about the line is not as it must be."""
        content, star, checksum = text.partition(b"*")
        if star:
            if not _CHECKSUM.fullmatch(checksum) or int(checksum, 16) != reduce(xor, content, 0):
                return None
        elif self._checked:
            return None
        found = self._row.fullmatch(content)
        if not found:
            return None
        row = [float(cell.replace(b",", b".")) for cell in found.groups()]
        if any(map(math.isinf, row)) or not self._roles_fit(row):
            return None
        self._checked = self._checked or bool(star)
        return row

    def _roles_fit(self, row: list[float]) -> bool:
        """Tell whether clock, counter and boot are numbers, the clock within its modulus, the others countable."""
        modulus = self.layout.clock_modulus
        if self._clock is not None and modulus is not None and not 0.0 <= row[self._clock] < modulus:
            return False
        counts = (index for index in (self._counter, self._boot) if index is not None)
        return all(math.isfinite(row[index]) for index in self._roles) and all(
            abs(row[index]) <= MAX_COUNT for index in counts
        )

    def _account(self, row: list[float], found: _Collector) -> int:
        """Follow clock, counter and boot; give the rows lost just before this one."""
        last, self._last = self._last, row
        if last is None:
            return 0
        clock_fell = self._clock is not None and row[self._clock] < last[self._clock]
        if self._boot is not None:
            restarted = row[self._boot] != last[self._boot]
        elif self._counter is not None:
            restarted = row[self._counter] < last[self._counter]
        else:
            restarted = clock_fell and not self._rolls_on(row, last)
        if clock_fell and not restarted:
            if self.layout.clock_modulus is None:
                restarted = True
            else:
                self._base += self.layout.clock_modulus
                found.rollovers += 1
        if restarted:
            self._segment += 1
            self._base = 0.0
            return 0
        if self._counter is None:
            return 0
        return max(0, round(row[self._counter] - last[self._counter]) - 1)

    def _rolls_on(self, row: list[float], last: list[float]) -> bool:
        """Tell whether a clock that fell just went over its modulus."""
        layout = self.layout
        if self._clock is None or layout.clock_modulus is None or layout.clock_hz is None:
            return False
        step = row[self._clock] + layout.clock_modulus - last[self._clock]
        return 0.0 <= step <= ROLLOVER_SECONDS * layout.clock_hz
