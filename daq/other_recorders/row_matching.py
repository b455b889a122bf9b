"""Match rows of a second recorder's copy to a sealed record, and select those that the record misses.

Rows are matched by stream, layout, boot counter and sequence. Every row that both recorders hold must agree count for
count and tick for tick, and a start of the device is believed only where they share ``LEAST_OVERLAP`` of its rows.
Rows are taken for what the record says is missing: counted gaps, the time between two starts of the device, and what
came after a recording that ended by itself. A start that the record never saw is left aside: nothing but the
computer's clock could place it.

Host time of a filled row follows from the record's own relation of ticks to host time in that start of the device.
"""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.errors import DataError
from standbook.daq.journal.reader import JournalFollower
from standbook.daq.journal.record_format import Event
from standbook.daq.journal.writer import journals_of
from standbook.daq.other_recorders.second_recorder import Card, CardStart
from standbook.daq.run.merged_rows import FilledRun, StreamFill, gaps_by_start, span_of, starts_of
from standbook.daq.run.record_summary import Gap
from standbook.daq.run.run_folder import RAW, Run, StreamData
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.messages import MODULUS

LEAST_OVERLAP = 100  # rows; all channels and the clock of so many rows do not agree by chance
StreamKey = tuple[str, str]  # device, stream


@dataclass(frozen=True, slots=True, eq=False)
class Relation:
    """Ticks against host time of the recorded rows of one start of the device."""

    ticks: Ints
    host_ns: Ints
    shift: int  # ticks of the card minus ticks of the record, whole rollovers

    def at(self, ticks: Ints) -> Ints:
        """Interpolate host time between recorded rows; beyond them extrapolate at the mean rate."""
        left = np.searchsorted(self.ticks, ticks, side="right").clip(1, self.ticks.size - 1) - 1
        right = left + 1
        outside = (ticks < self.ticks[0]) | (ticks > self.ticks[-1])
        first = np.where(outside, 0, left)
        last = np.where(outside, self.ticks.size - 1, right)
        rate = (self.host_ns[last] - self.host_ns[first]) / (self.ticks[last] - self.ticks[first])
        near = np.where(ticks > self.ticks[-1], self.ticks.size - 1, np.where(outside, 0, left))
        host: Ints = self.host_ns[near] + np.rint((ticks - self.ticks[near]) * rate).astype(np.int64)
        return host


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class NewRows:
    """Rows to fill, of one start of the device."""

    boot: int
    sequence: Ints
    ticks: Ints
    host_ns: Ints
    counts: NDArray[np.int32]

    def runs(self) -> Iterator[slice]:
        """Cut into consecutive rows."""
        bounds = [0, *(np.flatnonzero(np.diff(self.sequence) != 1) + 1).tolist(), self.sequence.size]
        return (slice(low, high) for low, high in itertools.pairwise(bounds))


@dataclass(slots=True, eq=False)
class StreamMatch:
    """Match between card and record for one stream."""

    told_name: str  # as hello names the stream
    overlap: int = 0
    new: list[NewRows] = field(default_factory=list)

    def told(self) -> StreamFill:
        """Return the match for ``fill.json``."""
        runs = [
            FilledRun(boot=rows.boot, first_sequence=int(rows.sequence[run.start]), rows=run.stop - run.start)
            for rows in self.new
            for run in rows.runs()
        ]
        return StreamFill(rows=sum(run.rows for run in runs), overlap_rows=self.overlap, runs=tuple(runs))


@dataclass(frozen=True, slots=True, eq=False)
class Matches:
    """Rows common to card and record, and rows that can be filled."""

    streams: Mapping[str, StreamMatch]
    relations: Mapping[int, Relation]  # by boot
    remarks: tuple[str, ...]  # what was left aside, and why


def matched(run: Run, card: Card, device: str, data: Mapping[StreamKey, StreamData]) -> Matches:
    """Compare every row of a card with the record; keep those that the record misses.

    Parameters
    ----------
    run : Run
        Opened and checked.
    card : Card
        Of this device.
    device : str
        As the run calls it.
    data : mapping of device and stream to StreamData
        All rows of the run, those of earlier fills among them.

    Raises
    ------
    DataError
        One row that both hold differs, rows cannot be told apart, or the two have too little in common.
    """
    streams: dict[str, StreamMatch] = {}
    remarks: list[str] = []
    pairs: list[tuple[StreamMatch, _Pair]] = []
    abrupt = _ended_by_itself(run, device)
    for stream in card.streams:
        name = _stream_name(run, device, stream.hello, data)
        if name is None:
            remarks.append(f"stream {stream.hello.name} of the card has no like in the record; left aside")
            continue
        match = streams.setdefault(name, StreamMatch(stream.hello.name))
        boots = [start.boot for start in stream.starts]
        for start in stream.starts:
            what = f"{device}/{name}, boot {start.boot}"
            held = _held(card.path, what, data[device, name], start.boot, boots.count(start.boot), abrupt=abrupt)
            if held is None:
                remarks.append(f"{what}: {start.sequence.size} rows of a start that the record never saw; left aside")
            else:
                pairs.append((match, _compared(card.path, held, start)))
    relations: dict[int, Relation] = {}
    for boot in dict.fromkeys(pair.start.boot for _, pair in pairs):
        of_boot = [(match, pair) for match, pair in pairs if pair.start.boot == boot]
        overlap = sum(pair.overlap for _, pair in of_boot)
        if overlap < LEAST_OVERLAP:
            remarks.append(f"boot {boot}: {overlap} rows that both hold, {LEAST_OVERLAP} are needed; left aside")
            continue
        fullest = max((pair for _, pair in of_boot), key=lambda pair: pair.overlap)
        relation = relations[boot] = fullest.relation()
        for match, pair in of_boot:
            match.overlap += pair.overlap
            new = _new_rows(card.path, pair, relation)
            if new.sequence.size:
                match.new.append(new)
    if not relations:
        why = "; ".join(remarks) or "it holds no stream of the record"
        raise DataError(f"{card.path}: nothing in it can be told to be a copy of this run: {why}")
    if card.damaged_frames:
        remarks.append(f"{card.damaged_frames} frames with checksum error on the card; what they held is not filled")
    return Matches(streams, relations, tuple(remarks))


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Held:
    """One start of the device as the record holds it."""

    what: str  # "cradle-a/fast, boot 17"
    rows: StreamData  # of the whole stream
    place: slice  # the rows of this start
    gaps: Sequence[Gap]  # counted ones of this start
    before: bool  # rows before the first may be missing: another start came before
    after: bool  # rows behind the last may be missing


def _held(path: Path, what: str, rows: StreamData, boot: int, on_card: int, *, abrupt: bool) -> _Held | None:
    """Find the one start of the device that has this boot number; ``None`` where the record has none."""
    starts = starts_of(rows.boot, rows.sequence)
    boots = [int(rows.boot[start.start]) for start in starts]
    if boot not in boots:
        return None
    gaps = gaps_by_start(rows.gaps, len(starts))
    if boots.count(boot) > 1 or on_card > 1 or gaps is None:
        raise DataError(f"{path}: {what}: the device started again without counting it, so rows cannot be told apart")
    number = boots.index(boot)
    later = number + 1 < len(starts)
    return _Held(
        what=what, rows=rows, place=starts[number], gaps=gaps[0][number], before=number > 0, after=later or abrupt
    )


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Pair:
    """One start of the device in both, compared."""

    held: _Held
    start: CardStart
    found: NDArray[np.bool_]  # (N,) the card's row is there already
    overlap: int  # rows that both recorded
    shift: int | None  # ticks of the card minus those of the record; ``None`` without a common row

    def relation(self) -> Relation:
        """Relate ticks to host time by the recorded rows."""
        rows, place = self.held.rows, self.held.place
        return Relation(rows.ticks[place], rows.host_ns[place], self.shift or 0)


def _compared(path: Path, held: _Held, start: CardStart) -> _Pair:
    recorded = held.rows.sequence[held.place]
    there = np.searchsorted(recorded, start.sequence).clip(0, recorded.size - 1)
    found = recorded[there] == start.sequence
    shift = _agreeing(path, held, start, there, found) if found.any() else None
    return _Pair(
        held=held,
        start=start,
        found=found,
        overlap=int(np.count_nonzero(~held.rows.filled[held.place][there[found]])),
        shift=shift,
    )


def _new_rows(path: Path, pair: _Pair, relation: Relation) -> NewRows:
    """Take what the record misses, times by the stream's own rows where it has enough, else by the boot's."""
    start, wanted = pair.start, _wanted(pair.held, pair.start.sequence) & ~pair.found
    own = pair.relation() if pair.shift is not None and pair.overlap >= LEAST_OVERLAP else relation
    ticks = start.ticks[wanted] - own.shift
    new = NewRows(
        boot=start.boot,
        sequence=start.sequence[wanted],
        ticks=ticks,
        host_ns=own.at(ticks),
        counts=start.counts[wanted],
    )
    if new.sequence.size:
        _check_order(path, pair.held, new)
    return new


def _stream_name(run: Run, device: str, hello: Hello, data: Mapping[StreamKey, StreamData]) -> str | None:
    """Find the record's stream of this name, layout and interval; after a change of layout it is ``fast-2``."""
    layout = [(channel.name, channel.type) for channel in hello.channels]
    for name, stream in run.record.devices[device].streams.items():
        same = name == hello.name or name.rpartition("-")[0] == hello.name
        told = [(channel.wire, channel.type) for channel in stream.channels]
        if same and (device, name) in data and (stream.interval_ticks, told) == (hello.interval_ticks, layout):
            return name
    return None


def _ended_by_itself(run: Run, device: str) -> bool:
    """Tell whether a recording ended otherwise than by being stopped: its last journal lost the port or the end."""
    journals = journals_of(run.folder / RAW, device)
    if not journals:
        return False
    follower, lost = JournalFollower(journals[-1]), False
    while rows := follower.poll():
        lost = lost or any(row.event is Event.LOST for row in rows)
    return lost or not follower.closed


def _agreeing(path: Path, held: _Held, start: CardStart, there: Ints, found: NDArray[np.bool_]) -> int:
    """Refuse a card of which one row that both hold differs; return by how many ticks its count is ahead."""
    at, sequence, rows = there[found], start.sequence[found], held.rows
    ticks = rows.ticks[held.place][at]
    apart = start.ticks[found] - ticks
    shift = int(apart[0]) if int(apart[0]) % MODULUS == 0 else 0
    differing = _first_difference("the device clock", start.ticks[found] - shift, ticks)
    for column, (tag, counts) in enumerate(rows.counts.items()):
        differing += _first_difference(tag, start.counts[found, column], counts[held.place][at])
    if differing:
        first, name, card, ours = min(differing, key=lambda one: one[0])
        raise DataError(
            f"{path}: {held.what}, row {int(sequence[first])}: {name} is {card} on the card and {ours} in the record; "
            "it is no copy of this stream, and nothing was filled"
        )
    return shift


def _first_difference(
    name: str, card: NDArray[np.integer], ours: NDArray[np.integer]
) -> list[tuple[int, str, int, int]]:
    differs = card != ours
    if not differs.any():
        return []
    first = int(np.argmax(differs))
    return [(first, name, int(card[first]), int(ours[first]))]


def _wanted(held: _Held, sequence: Ints) -> NDArray[np.bool_]:
    """Mark the card's rows that lie in what the record says is missing."""
    recorded = held.rows.sequence[held.place][~held.rows.filled[held.place]]
    low, high = span_of(int(recorded[0]), int(recorded[-1]), held.gaps)
    wanted = np.zeros(sequence.size, np.bool_)
    for gap in held.gaps:
        if gap.first_sequence is not None and gap.rows is not None:
            wanted |= (sequence >= gap.first_sequence) & (sequence < gap.first_sequence + gap.rows)
    if held.before:
        wanted |= sequence < low
    if held.after:
        wanted |= sequence >= high
    return wanted


def _check_order(path: Path, held: _Held, new: NewRows) -> None:
    """Refuse rows whose clock does not run on from the recorded ones, or that reach into another start."""
    rows, place = held.rows, held.place
    sequence = np.concatenate([rows.sequence[place], new.sequence])
    order = np.argsort(sequence, kind="stable")
    ticks = np.concatenate([rows.ticks[place], new.ticks])[order]
    bad = np.flatnonzero(np.diff(ticks) <= 0)
    if bad.size:
        raise DataError(f"{path}: {held.what}: the device clock steps back at row {int(sequence[order][bad[0] + 1])}")
    reaches_back = place.start > 0 and new.host_ns[0] <= rows.host_ns[place.start - 1]
    if reaches_back or (place.stop < rows.host_ns.size and new.host_ns[-1] >= rows.host_ns[place.stop]):
        raise DataError(f"{path}: {held.what}: its rows reach into another start of the device; is it of another day?")
