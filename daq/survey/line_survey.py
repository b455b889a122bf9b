"""Tell from a board's text lines what a stand must say of them, each guess with its evidence.

Units are never guessed, and of two columns that may both be the clock none is chosen.
"""

import json
import re
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np

from standbook.daq.arrays import Array, Ints
from standbook.daq.recovery.device_stream import PortOpening
from standbook.daq.survey.line_dialect import Dialect, find_dialect
from standbook.daq.wire.text_lines import LineDecoder, LineLayout

LEAST_LINES: Final = 20
BY_ONE: Final = 0.95  # of a counter's steps
CLOCKS: Final = {1.0: "seconds", 1e3: "milliseconds", 1e6: "microseconds"}
COUNTING: Final = re.compile(r"row|count|seq|line|index|number", re.IGNORECASE)  # in names that boards print
RATE_WITHIN: Final = 0.05  # of a clock's rate against the arrivals
MODULI: Final = (2**16, 2**32)  # where clocks of small boards roll over
NEAR_END: Final = 0.9  # of the modulus that a clock had reached before it rolled over
LINE_DRIFT: Final = "5000 ppm"  # a few seconds cannot tell a crystal from a resonator
NANOSECONDS: Final = 1e9
LINE_DEVICE: Final = "board-1"  # such a board says no name


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockColumn:
    """A column that may be the board's clock."""

    name: str
    per_second: float  # as measured against the arrivals
    unit_rate: float  # ticks a second of its unit
    modulus: int | None  # seen to roll over there


@dataclass(frozen=True, slots=True, kw_only=True)
class CounterColumn:
    """A column that may count rows."""

    name: str
    by_one: int  # of its steps
    steps: int
    lost_rows: int  # that it leaves out

    def words(self) -> str:
        """Write the evidence."""
        return f"rose by 1 in {self.by_one:,} of {self.steps:,} lines"


@dataclass(frozen=True, slots=True, kw_only=True)
class LineSurvey:
    """What a board's lines tell."""

    seconds: float
    lines: int
    example: str
    dialect: Dialect | None = None
    rate: float | None = None  # rows a second
    counters: tuple[CounterColumn, ...] = ()
    clocks: tuple[ClockColumn, ...] = ()
    boot: str | None = None
    clock_steps: tuple[float, float, float] | None = None  # 1, 50 and 99 % of the steps between rows [s]

    @property
    def counter(self) -> CounterColumn | None:
        """The column that counts rows; of several the one whose printed name says so, else none."""
        named = [one for one in self.counters if COUNTING.search(one.name)]
        chosen = named if len(self.counters) > 1 else self.counters
        return chosen[0] if len(chosen) == 1 else None

    @property
    def layout(self) -> LineLayout | None:
        """The decoder's layout, with the roles that are told apart; none where the lines tell none."""
        if self.dialect is None:
            return None
        clock = self.clocks[0] if len(self.clocks) == 1 else None
        return replace(
            self.dialect.layout,
            counter=self.counter.name if self.counter else None,
            clock=clock.name if clock else None,
            clock_hz=clock.unit_rate if clock else None,
            clock_modulus=clock.modulus if clock else None,
            boot=self.boot,
        )

    def sentences(self) -> tuple[str, ...]:
        """Describe the lines, a line each fact."""
        if self.lines < LEAST_LINES:
            return (f"{self.lines} lines in {self.seconds:.1f} s are too few to tell: listen longer, --seconds 60",)
        if self.dialect is None:
            return (
                f"{self.lines:,} lines in {self.seconds:.1f} s, not rows of numbers that can be told apart, such as "
                f"{self.example!r}",
            )
        rate = f", {self.rate:.1f} a second" if self.rate is not None else ""
        told = [
            f"{self.lines:,} lines in {self.seconds:.1f} s{rate}, {self.dialect.words()}; e.g. {self.example}",
            *self._roles(),
        ]
        if self.clock_steps is not None:
            low, middle, high = (1e3 * step for step in self.clock_steps)
            told.append(f"steps between rows by its clock: {middle:.2f} ms, from {low:.2f} (1 %) to {high:.2f} (99 %)")
        return tuple(told)

    def _roles(self) -> list[str]:
        told = []
        for counter in self.counters:
            lost = f"; {counter.lost_rows:,} rows are missing by it" if counter.lost_rows else ""
            told.append(f"{counter.name} may count rows: it {counter.words()}{lost}")
        if self.counters and self.counter is None:
            told.append("more than one column may count rows; none is chosen: name it in the table")
        for clock in self.clocks:
            rolls = f", rolls over at {clock.modulus:,}" if clock.modulus else ""
            told.append(
                f"{clock.name} may be its clock: {clock.per_second:.6g} a second against arrival, so "
                f"{CLOCKS[clock.unit_rate]}{rolls}"
            )
        if len(self.clocks) > 1:
            told.append("more than one column may be the clock; none is chosen: name it in the table")
        if not self.clocks:
            told.append("no column is its clock: rows are timed by their arrival, which is late by some milliseconds")
        return told

    def table(self, port: str, baud: int, serial: str = "") -> tuple[str, ...]:
        """Write the ``[[device]]`` table for ``stand.toml``, lines to be pasted; none without a dialect."""
        layout = self.layout
        if layout is None or self.lines < LEAST_LINES:
            return ()
        written = [
            "[[device]]",
            f"name = {toml_text(LINE_DEVICE)}",
            f"serial = {toml_text(serial)}"
            if serial
            else f"port = {toml_text(port)}   # no USB serial number was seen",
            f"baud = {baud}",
            'format = "text lines"',
            f'clock_tolerance = "{LINE_DRIFT}"   # a few seconds cannot tell a crystal from a resonator',
            "[device.text_lines]",
            f"columns = [{', '.join(map(toml_text, layout.columns))}]",
        ]
        written += [f"separator = {toml_text(layout.separator)}"] if layout.separator != "," else []
        written += [f"decimal = {toml_text(layout.decimal)}"] if layout.decimal != "." else []
        written += [f"labels = [{', '.join(map(toml_text, layout.labels))}]"] if layout.labels else []
        if self.counter is not None:
            written.append(f"counter = {toml_text(self.counter.name)}   # {self.counter.words()}")
        if layout.boot is not None:
            written.append(f"boot = {toml_text(layout.boot)}")
        if layout.clock is not None:
            (clock,) = self.clocks
            written.append(f"clock = {toml_text(clock.name)}   # {clock.per_second:.6g} a second against arrival")
            written.append(f"clock_hz = {clock.unit_rate:.0f}")
            written += [f"clock_modulus = {clock.modulus}"] if clock.modulus else []
        written += [f"# {clock.name} may be its clock" for clock in self.clocks if layout.clock is None]
        return tuple(written)

    def to_json(self) -> dict[str, Any]:
        """Return the result as plain data."""
        layout = self.layout
        return {
            "lines": self.lines,
            "seconds": self.seconds,
            "rate": self.rate,
            "example": self.example,
            "columns": list(layout.columns) if layout else [],
            "separator": layout.separator if layout else None,
            "decimal": layout.decimal if layout else None,
            "labels": list(layout.labels) if layout else [],
            "checksum_share": self.dialect.checked if self.dialect else None,
            "other_lines_share": 1.0 - self.dialect.share if self.dialect else None,
            "counters": [
                {"column": c.name, "by_one": c.by_one, "steps": c.steps, "lost_rows": c.lost_rows}
                for c in self.counters
            ],
            "clocks": [
                {"column": c.name, "per_second": c.per_second, "clock_hz": c.unit_rate, "clock_modulus": c.modulus}
                for c in self.clocks
            ],
            "boot": self.boot,
        }


def survey_lines(opening: PortOpening, seconds: float) -> LineSurvey:
    """Look at the lines of one port opening.

    Parameters
    ----------
    opening : PortOpening
        Its bytes and their arrivals; the first line, most likely cut, is not read.
    seconds : float
        How long was listened. [s]
    """
    lines = [line.removesuffix(b"\r") for line in opening.stream.split(b"\n")[1:-1]]
    lines = [line for line in lines if line.strip()]
    dialect = find_dialect(lines) if len(lines) >= LEAST_LINES else None
    rows = [line for line in lines if dialect is not None and dialect.layout.row().match(line)]
    example = (rows or lines or [b""])[0].decode("ascii", "replace")
    bare = LineSurvey(seconds=seconds, lines=len(lines), example=example, dialect=dialect)
    if dialect is None:
        return bare
    decoder = LineDecoder(dialect.layout)
    found = decoder.feed(opening.stream)
    if len(found.values) < LEAST_LINES:
        return bare
    chunk = np.searchsorted(opening.chunk_end, found.line_end, side="left")
    arrival = opening.arrival_ns[chunk] / NANOSECONDS
    names, values = dialect.layout.columns, found.values.T
    told = list(zip(names, values, strict=True))
    counters = [counter for name, column in told if (counter := _counter(name, column))]
    clocks = [clock for name, column in told if (clock := _clock(name, column, arrival))]
    if len(clocks) > 1:  # a counter of a board that sends a thousand rows a second keeps time too
        clocks = [clock for clock in clocks if clock.name not in {c.name for c in counters}] or clocks
    boots = [name for name, column in told if "boot" in name.lower() and np.ptp(column) == 0.0]
    time = _seconds(values[names.index(clocks[0].name)], clocks[0]) if len(clocks) == 1 else arrival
    span = float(time[-1] - time[0])
    return replace(
        bare,
        rate=(time.size - 1) / span if span > 0.0 else None,
        counters=tuple(counters),
        clocks=tuple(clocks),
        boot=boots[0] if len(boots) == 1 else None,
        clock_steps=_spread(np.diff(time)) if len(clocks) == 1 else None,
    )


def _counter(name: str, column: Array) -> CounterColumn | None:
    """Return a column that rises by one from row to row and never falls; else ``None``."""
    if not np.all(np.isfinite(column)) or np.any(column != np.rint(column)):
        return None
    steps: Ints = np.rint(np.diff(column)).astype(np.int64)
    by_one = int(np.count_nonzero(steps == 1))
    if np.any(steps < 0) or by_one < BY_ONE * steps.size:
        return None
    return CounterColumn(name=name, by_one=by_one, steps=steps.size, lost_rows=int(np.sum(np.maximum(steps - 1, 0))))


def _clock(name: str, column: Array, arrival: Array) -> ClockColumn | None:
    """Return a column that rises with time at the rate of a known unit, rollovers mended; else ``None``."""
    span = float(arrival[-1] - arrival[0])
    if span <= 0.0 or not np.all(np.isfinite(column)):
        return None
    falls = np.flatnonzero(np.diff(column) < 0.0)
    modulus = None
    if falls.size:
        modulus = next((m for m in MODULI if np.all(column < m) and np.all(column[falls] > NEAR_END * m)), None)
        if modulus is None:
            return None
    risen = float(column[-1] - column[0]) + (modulus or 0) * falls.size
    for unit_rate in CLOCKS:
        if abs(risen / span / unit_rate - 1.0) <= RATE_WITHIN:
            return ClockColumn(name=name, per_second=risen / span, unit_rate=unit_rate, modulus=modulus)
    return None


def _seconds(column: Array, clock: ClockColumn) -> Array:
    rolled = np.concatenate(([0], np.cumsum(np.diff(column) < 0.0))) * float(clock.modulus or 0)
    return np.asarray((column + rolled) / clock.unit_rate)


def _spread(steps: Array) -> tuple[float, float, float]:
    low, middle, high = (float(q) for q in np.quantile(steps, (0.01, 0.5, 0.99)))
    return low, middle, high


def toml_text(text: str) -> str:
    """Quote a text for a TOML file."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
