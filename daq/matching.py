"""Which rows of a second recorder's copy belong to a sealed record, and which of them the record misses.

Rows are matched by stream, layout, boot counter and sequence. A start of the device is believed only where both
recorders hold at least ``LEAST_OVERLAP`` of its rows and every one of those agrees count for count and tick for tick.
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

from daq.card import Card, CardStart
from daq.envelope import Event
from daq.errors import DataError
from daq.filled import FilledRun, StreamFill, gaps_by_start, span_of, starts_of
from daq.frames import MODULUS
from daq.hello import Hello
from daq.journal import JournalFollower, journals_of
from daq.record import Gap
from daq.run import RAW, Run, StreamData

LEAST_OVERLAP = 100  # rows; all channels and the clock of so many rows do not agree by chance
StreamKey = tuple[str, str]  # device, stream
_Ints = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Relation:
    """Ticks and host time of the recorded rows of one start of the device."""

    ticks: _Ints
    host_ns: _Ints
    shift: int  # ticks of the card minus ticks of the record, whole rollovers

    def at(self, ticks: _Ints) -> _Ints:
        """Place ticks between the recorded rows on either side, beyond them by the rate over all of them."""
        left = np.searchsorted(self.ticks, ticks, side="right").clip(1, self.ticks.size - 1) - 1
        right = left + 1
        outside = (ticks < self.ticks[0]) | (ticks > self.ticks[-1])
        first = np.where(outside, 0, left)
        last = np.where(outside, self.ticks.size - 1, right)
        rate = (self.host_ns[last] - self.host_ns[first]) / (self.ticks[last] - self.ticks[first])
        near = np.where(ticks > self.ticks[-1], self.ticks.size - 1, np.where(outside, 0, left))
        host: _Ints = self.host_ns[near] + np.rint((ticks - self.ticks[near]) * rate).astype(np.int64)
        return host


@dataclass(frozen=True, slots=True, eq=False)
class NewRows:
    """Rows to fill, of one start of the device."""

    boot: int
    sequence: _Ints
    ticks: _Ints
    host_ns: _Ints
    counts: NDArray[np.int32]

    def runs(self) -> Iterator[slice]:
        """Cut into consecutive rows."""
        bounds = [0, *(np.flatnonzero(np.diff(self.sequence) != 1) + 1).tolist(), self.sequence.size]
        return (slice(low, high) for low, high in itertools.pairwise(bounds))


@dataclass(slots=True, eq=False)
class StreamMatch:
    """What the card says of one stream."""

    told_name: str  # as hello names the stream
    overlap: int = 0
    new: list[NewRows] = field(default_factory=list)

    def told(self) -> StreamFill:
        """Say it for ``fill.json``."""
        runs = [
            FilledRun(boot=rows.boot, first_sequence=int(rows.sequence[run.start]), rows=run.stop - run.start)
            for rows in self.new
            for run in rows.runs()
        ]
        return StreamFill(rows=sum(run.rows for run in runs), overlap_rows=self.overlap, runs=tuple(runs))


def matched(
    run: Run, card: Card, device: str, data: Mapping[StreamKey, StreamData]
) -> tuple[dict[str, StreamMatch], list[str], dict[int, Relation]]:
    """Hold every row of the card against the record; keep those that it misses."""
    parts: dict[str, StreamMatch] = {}
    remarks: list[str] = []
    relations: dict[int, Relation] = {}
    abrupt = _ended_by_itself(run, device)
    for stream in card.streams:
        name = _stream_name(run, device, stream.hello, data)
        if name is None:
            remarks.append(f"stream {stream.hello.name} of the card has no like in the record; left aside")
            continue
        recorded = data[device, name]
        tags = list(recorded.counts)
        starts = starts_of(recorded.boot, recorded.sequence)
        sorted_gaps = gaps_by_start(recorded.gaps, len(starts))
        boots = [int(recorded.boot[start.start]) for start in starts]
        part = parts.setdefault(name, StreamMatch(stream.hello.name))
        for start in stream.starts:
            what = f"{device}/{name}, boot {start.boot}"
            if start.boot not in boots:
                remarks.append(f"{what}: {start.sequence.size} rows of a start that the record never saw; left aside")
                continue
            twice = boots.count(start.boot) > 1 or [s.boot for s in stream.starts].count(start.boot) > 1
            if twice or sorted_gaps is None:
                raise DataError(
                    f"{card.path}: {what}: the device started again without counting it, so rows cannot be told apart"
                )
            number = boots.index(start.boot)
            place = starts[number]
            there, found = _present(recorded.sequence[place], start.sequence)
            seen = int(np.count_nonzero(~recorded.filled[place][there[found]]))
            if seen < LEAST_OVERLAP:
                remarks.append(f"{what}: {seen} rows that both hold, {LEAST_OVERLAP} are needed; left aside")
                continue
            shift = _agreeing(card.path, what, tags, recorded, place, start, there, found)
            part.overlap += seen
            relation = Relation(recorded.ticks[place], recorded.host_ns[place], shift)
            relations[start.boot] = relation
            before, after = number > 0, number + 1 < len(starts) or abrupt
            rows = recorded.sequence[place][~recorded.filled[place]]
            wanted = _wanted(start.sequence, rows, sorted_gaps[0][number], before=before, after=after) & ~found
            if wanted.any():
                ticks = start.ticks[wanted] - shift
                new = NewRows(start.boot, start.sequence[wanted], ticks, relation.at(ticks), start.counts[wanted])
                _check_order(card.path, what, recorded, place, new)
                part.new.append(new)
    if not relations:
        why = "; ".join(remarks) or "it holds no stream of the record"
        raise DataError(f"{card.path}: nothing in it can be told to be a copy of this run: {why}")
    if card.damaged_frames:
        remarks.append(f"{card.damaged_frames} damaged frames on the card; what they held is not filled")
    return parts, remarks, relations


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


def _present(recorded: _Ints, sequence: _Ints) -> tuple[_Ints, NDArray[np.bool_]]:
    """Give for each row of the card its place in the record, and whether it is there."""
    place = np.searchsorted(recorded, sequence).clip(0, recorded.size - 1)
    return place, recorded[place] == sequence


def _agreeing(
    path: Path,
    what: str,
    tags: Sequence[str],
    recorded: StreamData,
    place: slice,
    start: CardStart,
    there: _Ints,
    found: NDArray[np.bool_],
) -> int:
    """Refuse a card of which one row that both hold differs; return by how many ticks its count is ahead."""
    at, sequence = there[found], start.sequence[found]
    apart = start.ticks[found] - recorded.ticks[place][at]
    shift = int(apart[0]) if int(apart[0]) % MODULUS == 0 else 0
    differs = [("the device clock", apart != shift, start.ticks[found] - shift, recorded.ticks[place][at])]
    for column, tag in enumerate(tags):
        card, ours = start.counts[found, column], recorded.counts[tag][place][at]
        differs.append((tag, card != ours, card, ours))
    first = min((int(np.argmax(wrong)) for _, wrong, _, _ in differs if wrong.any()), default=None)
    if first is not None:
        name, _, card, ours = next(one for one in differs if one[1][first])
        raise DataError(
            f"{path}: {what}, row {int(sequence[first])}: {name} is {int(card[first])} on the card and "
            f"{int(ours[first])} in the record; it is no copy of this stream, and nothing was filled"
        )
    return shift


def _wanted(
    sequence: _Ints, rows: _Ints, gaps: Sequence[Gap], *, before: bool, after: bool
) -> NDArray[np.bool_]:
    """Mark the card's rows that lie in what the record says is missing."""
    low, high = span_of(int(rows[0]), int(rows[-1]), gaps)
    wanted = np.zeros(sequence.size, np.bool_)
    for gap in gaps:
        if gap.first_sequence is not None and gap.rows is not None:
            wanted |= (sequence >= gap.first_sequence) & (sequence < gap.first_sequence + gap.rows)
    if before:
        wanted |= sequence < low
    if after:
        wanted |= sequence >= high
    return wanted


def _check_order(path: Path, what: str, recorded: StreamData, place: slice, new: NewRows) -> None:
    """Refuse rows whose clock does not run on from the recorded ones, or that reach into another start."""
    sequence = np.concatenate([recorded.sequence[place], new.sequence])
    order = np.argsort(sequence, kind="stable")
    ticks = np.concatenate([recorded.ticks[place], new.ticks])[order]
    bad = np.flatnonzero(np.diff(ticks) <= 0)
    if bad.size:
        raise DataError(f"{path}: {what}: the device clock steps back at row {int(sequence[order][bad[0] + 1])}")
    reaches_back = place.start and new.host_ns[0] <= recorded.host_ns[place.start - 1]
    if reaches_back or (place.stop < recorded.host_ns.size and new.host_ns[-1] >= recorded.host_ns[place.stop]):
        raise DataError(f"{path}: {what}: its rows reach into another start of the device; is it of another day?")
