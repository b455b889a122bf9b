"""Holds a record to what a simulated device really sent: every row, every gap, every repeat.

The truth is the device's own account (``daq.rehearsal.ground_truth``), read back from its bytes by a loop of its own.
"""

import dataclasses
import itertools
from dataclasses import dataclass, field

import numpy as np

from standbook.daq.rehearsal.fault_catalogue import ClockOff
from standbook.daq.rehearsal.script import boots

MODULUS = 2**32


@dataclass(frozen=True, slots=True, eq=False)
class RecordedStream:
    """One stream of a record, from memory or from a run folder."""

    told: str  # as hello calls it
    boot: np.ndarray  # (N,)
    sequence: np.ndarray
    ticks: np.ndarray
    counts: np.ndarray  # (N, C)
    gaps: tuple
    duplicates: int


@dataclass(slots=True)
class Judgement:
    """What differs between record and truth; all but the restarts must be zero."""

    rows: int = 0  # recorded
    declared: int = 0  # rows in exact gaps
    wrong: int = 0  # other counts or ticks than the table
    invented: int = 0  # recorded, though they did not leave the device whole
    withheld: int = 0  # left whole, but are not recorded
    unexplained: int = 0  # left whole, but no hello of that start and layout did; the record counts their frames
    undeclared: int = 0  # missing between the first and the last row of a start, and in no gap
    overdeclared: int = 0  # in a gap, though recorded, sent by nobody, or in another gap already
    overlaps: int = 0  # gaps that share time
    duplicates: int = 0  # difference to the truth
    repeated: int = 0  # true repeats
    restarts: list = field(default_factory=list)  # (stated, true) seconds of each

    @property
    def faults(self):
        return (
            self.wrong
            + self.invented
            + self.withheld
            + self.undeclared
            + self.overdeclared
            + self.overlaps
            + abs(self.duplicates)
        )

    @property
    def worst_restart(self):
        return max((abs(stated - true) for stated, true in self.restarts), default=0.0)

    def __str__(self):
        text = f"{self.rows} rows, {self.declared} declared lost"
        text += f", {self.repeated} repeated" if self.repeated else ""
        text += f", {self.unexplained} without a hello" if self.unexplained else ""
        if self.restarts:
            text += ", restart " + ", ".join(f"{s:.3f} s (true {t:.3f})" for s, t in self.restarts)
        names = ("wrong", "invented", "withheld", "undeclared", "overdeclared", "overlaps", "duplicates")
        differs = [f"{name} {getattr(self, name)}" for name in names if getattr(self, name)]
        return text + "; " + (", ".join(differs) if differs else "equals the truth")


def judge(table, faults, sent, streams, undecoded=0):
    """Compare a record with the truth.

    ``streams`` are the RecordedStream of one device, ``sent`` what the device says of itself, ``undecoded`` the frames
    that the record says no hello explained.
    """
    result = Judgement()
    starts = {boot.table.boot & 0xFF: boot for boot in boots(table, faults)}
    pace = np.prod([1.0 + fault.rate for fault in faults if isinstance(fault, ClockOff)])
    for number, name in [(s.number, s.name) for s in table.streams]:
        own = [stream for stream in streams if stream.told == name]
        sent = _judge_rows(result, own, number, starts, sent, undecoded)
        _judge_gaps(result, own, number, starts, sent)
        _judge_restarts(result, own, number, starts, sent, table.tick_hz * pace)
        true = sum(whole.doubled for whole in sent.whole if whole.stream == number)
        result.duplicates += sum(stream.duplicates for stream in own) - true
        result.repeated += true
    return result


def _judge_rows(result, own, number, starts, sent, undecoded):
    """Judge rows; return the truth without what no hello explained."""
    for whole in sent.whole:
        rows = {row for first, count in whole.ranges for row in range(first, first + count)}
        if whole.stream == number and undecoded and not rows & _recorded(own, whole.boot):
            result.unexplained += len(rows)
            sent = dataclasses.replace(sent, whole=tuple(other for other in sent.whole if other is not whole))
    for stream in own:
        result.rows += stream.sequence.size
        for boot in np.unique(stream.boot):
            start, at = starts[int(boot) & 0xFF], stream.boot == boot
            played = next(s for s in start.table.streams if s.number == number)
            sequence = stream.sequence[at]
            truth = dict(start.layouts(played))
            for (first, sent_as), end in zip(truth.items(), [*list(truth)[1:], played.rows], strict=True):
                if sent_as.counts.shape[1] != stream.counts.shape[1]:
                    continue
                here = (sequence >= first) & (sequence < end)
                result.wrong += int((stream.counts[at][here] != sent_as.counts[sequence[here]]).any(axis=1).sum())
                sequence, kept = sequence[~here], at.nonzero()[0][~here]
                at = np.isin(np.arange(at.size), kept)
            result.invented += sequence.size  # of no layout that was sent then
        ticks = [starts[int(boot) & 0xFF].table.start_ticks for boot in stream.boot]
        interval = next(s.interval_ticks for s in starts[next(iter(starts))].table.streams if s.number == number)
        apart = np.array(ticks, np.int64) + stream.sequence * interval - stream.ticks
        result.wrong += int((apart % MODULUS != 0).sum())
    for boot, start in starts.items():
        recorded, whole = _recorded(own, boot), _whole(sent, boot, number)
        result.invented += len(recorded - whole)
        result.withheld += len(whole - recorded)
        assert len(whole) <= next(s.rows for s in start.table.streams if s.number == number)
    return sent


def _judge_gaps(result, own, number, starts, sent):
    for boot, start in starts.items():
        recorded = _recorded(own, boot)
        declared = [row for stream in own for row in _declared(stream, boot)]
        rows = next(s.rows for s in start.table.streams if s.number == number)
        result.declared += len(declared)
        result.overdeclared += len(declared) - len({row for row in declared if row < rows} - recorded)
        if recorded:
            span = set(range(min(recorded), max(recorded) + 1))
            result.undeclared += len(span - recorded - set(declared))
    for stream in own:
        times = sorted((gap.start_ns, gap.end_ns) for gap in stream.gaps)
        result.overlaps += sum(after[0] < before[1] - 1000 for before, after in itertools.pairwise(times))


def _judge_restarts(result, own, number, starts, sent, hz):
    """The unseen time of a restart, from past the last row before it that came or was counted to the first after it."""
    order = [boot for boot in starts if _whole(sent, boot, number)]
    true = []
    for before, after in itertools.pairwise(order):
        ends = []
        known = {b: _whole(sent, b, number) | {r for s in own for r in _declared(s, b)} for b in (before, after)}
        for boot, row in ((before, max(known[before]) + 1), (after, min(known[after]))):
            stream = next(s for s in starts[boot].table.streams if s.number == number)
            ends.append(starts[boot].at * starts[boot].table.tick_hz + row * stream.interval_ticks)
        true.append((ends[1] - ends[0]) / hz)
    if len(own) == 1:  # with a second layout the rows of one stream are two, and so are their gaps
        stated = [(gap.end_ns - gap.start_ns) / 1e9 for gap in own[0].gaps if gap.rows is None]
        assert len(stated) == len(true), (stated, true)
        result.restarts += list(zip(stated, true, strict=True))


def _recorded(own, boot):
    return {int(row) for s in own for row in s.sequence[(s.boot & 0xFF) == boot]}


def _whole(sent, boot, number):
    return {
        row
        for whole in sent.whole
        if (whole.boot, whole.stream) == (boot, number)
        for first, rows in whole.ranges
        for row in range(first, first + rows)
    }


def _declared(stream, boot):
    """Rows in gaps of one start: gaps stand in order, and one without rows leads to the next start.

    A layout that came in the moment of a restart has its first rows behind that restart.
    """
    order = [int(b) & 0xFF for b in stream.boot[np.flatnonzero(np.diff(stream.boot, prepend=-1))]]
    starts = np.cumsum([gap.rows is None for gap in stream.gaps])
    last = max((int(at) for at, gap in zip(starts, stream.gaps, strict=True) if gap.rows is not None), default=0)
    before = max(0, last - len(order) + 1)
    for at, gap in zip(starts, stream.gaps, strict=True):
        if gap.rows is not None and at >= before and order[at - before] == boot:
            yield from range(gap.first_sequence, gap.first_sequence + gap.rows)
