"""Merge rows that a second recorder filled into the sealed record, as one stream.

``standbook fill`` wrote them as an addition; the sealed record stays as it is. Here a run's fills are read, their rows
are put between the recorded ones, and the gaps of the record shrink to what is still missing. How rows are matched
and believed is ``daq.other_recorders.fill_gaps``.
"""

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import ValidationError

from standbook.daq.arrays import Ints
from standbook.daq.config.toml_document import Document
from standbook.daq.errors import RecordError
from standbook.daq.regular_file import read_regular
from standbook.daq.run.additions import FILL_FILE, additions_of
from standbook.daq.run.record_summary import Gap, TZeroRecord
from standbook.daq.run.samples_file import Samples, read_samples

LOST = "rows lost"


class FilledRun(Document):
    """Consecutive rows that were filled."""

    boot: int
    first_sequence: int
    rows: int


class StreamFill(Document):
    """Rows that one fill added to one stream."""

    rows: int  # filled
    overlap_rows: int  # recorded by both, each count and tick the same
    runs: tuple[FilledRun, ...]


class Fill(Document):
    """``fill.json``: the rows added, with their source."""

    format: Literal[1] = 1
    device: str
    source: str  # name of the card file, which lies beside
    sha256: str
    streams: Mapping[str, StreamFill]
    t_zero: TZeroRecord | None = None  # where the record has none and the card holds its edge
    remarks: tuple[str, ...] = ()  # what of the card was left aside, and why
    by: str  # software


@dataclass(frozen=True, slots=True)
class AddedFill:
    """A fill and the addition that holds it."""

    name: str  # "additions/002"
    folder: Path
    fill: Fill


@dataclass(frozen=True, slots=True, eq=False)
class Merged:
    """One stream, recorded and filled rows in order."""

    samples: Samples
    filled: NDArray[np.bool_]  # (N,) the row came from a second recorder
    gaps: tuple[Gap, ...]  # what is still missing


def as_recorded(recorded: Samples, gaps: Sequence[Gap]) -> Merged:
    """Return a stream into which nothing was filled."""
    return Merged(recorded, np.zeros(recorded.sequence.size, np.bool_), tuple(gaps))


def read_fills(folder: Path) -> tuple[AddedFill, ...]:
    """Read the fills of a run, in order. Additions are verified elsewhere.

    Raises
    ------
    RecordError
        A ``fill.json`` is not one.
    """
    found = []
    for place in additions_of(folder):
        path = place / FILL_FILE
        if path.is_file():
            try:
                fill = Fill.model_validate_json(read_regular(path))
            except (OSError, ValidationError):
                raise RecordError(f"{path}: not readable; take the folder from the second copy") from None
            found.append(AddedFill(f"{place.parent.name}/{place.name}", place, fill))
    return tuple(found)


def filled_path(place: Path, device: str, stream: str) -> Path:
    """Name the file of the rows that an addition holds for a stream."""
    return place / f"{device}_{stream}.parquet"


def merge(recorded: Samples, gaps: Sequence[Gap], fills: Sequence[AddedFill]) -> Merged:
    """Insert filled rows of one stream between its recorded rows.

    Parameters
    ----------
    recorded : Samples
        The sealed rows.
    gaps : sequence of Gap
        As in the sealed record.
    fills : sequence of AddedFill
        All fills of the run; those of other devices and streams are passed over.

    Raises
    ------
    RecordError
        A filled row does not belong to the record, or stands twice.
    """
    device, stream = recorded.header.device, recorded.header.stream
    added = [
        read_samples(filled_path(one.folder, device, stream))
        for one in fills
        if one.fill.device == device and stream in one.fill.streams
    ]
    if not added:
        return as_recorded(recorded, gaps)
    if any(list(part.counts) != list(recorded.counts) for part in added):
        raise _unfit(recorded, "other columns")
    starts = starts_of(recorded.boot, recorded.sequence)
    boots = [int(recorded.boot[part.start]) for part in starts]
    parts = [recorded, *added]
    boot, sequence = (np.concatenate([getattr(p, name) for p in parts]) for name in ("boot", "sequence"))
    extra = boot[recorded.sequence.size :]
    if len(set(boots)) < len(boots) or not np.isin(extra, boots).all():
        raise _unfit(recorded, "a start of the device that the record does not know")
    place = np.searchsorted(np.sort(boots), boot)
    start = np.argsort(boots)[place]  # which start of the device, in the record's order
    order = np.lexsort((sequence, start))
    sequence, start = sequence[order], start[order]
    if ((np.diff(start) == 0) & (np.diff(sequence) == 0)).any():
        raise _unfit(recorded, "rows that are there already")
    filled = np.repeat([False, True], [recorded.sequence.size, extra.size])[order]
    samples = Samples(
        header=recorded.header,
        sequence=sequence,
        boot=boot[order],
        ticks=np.concatenate([part.ticks for part in parts])[order],
        host_ns=np.concatenate([part.host_ns for part in parts])[order],
        counts={name: np.concatenate([part.counts[name] for part in parts])[order] for name in recorded.counts},
    )
    bounds = np.searchsorted(start, np.arange(len(boots) + 1)).tolist()
    spans = [slice(low, high) for low, high in itertools.pairwise(bounds)]
    return Merged(samples, filled, tuple(_left(samples, filled, spans, gaps)))


def _unfit(recorded: Samples, what: str) -> RecordError:
    header = recorded.header
    return RecordError(
        f"{header.device}/{header.stream}: an addition fills in {what}; take the run folder from the second copy"
    )


def starts_of(boot: NDArray[np.int32], sequence: Ints) -> list[slice]:
    """Find the rows of each start of the device: its boot counter changes, or the row numbers restart."""
    begins = (np.diff(boot) != 0) | (np.diff(sequence) <= 0)
    bounds = [0, *(np.flatnonzero(begins) + 1).tolist(), sequence.size]
    return [slice(low, high) for low, high in itertools.pairwise(bounds)]


def gaps_by_start(gaps: Sequence[Gap], starts: int) -> tuple[list[list[Gap]], list[Gap]] | None:
    """Sort gaps into counted ones, by start of the device, and those between starts; ``None`` if they do not fit."""
    counted: list[list[Gap]] = [[]]
    between: list[Gap] = []
    for gap in gaps:
        if gap.first_sequence is None or gap.rows is None:
            between.append(gap)
            counted.append([])
        else:
            counted[-1].append(gap)
    return (counted, between) if len(counted) == starts else None


def span_of(first: int, last: int, gaps: Sequence[Gap]) -> tuple[int, int]:
    """Return the rows that a start of the device is known to have had: the first, and one past the last."""
    begins = [gap.first_sequence for gap in gaps if gap.first_sequence is not None]
    ends = [gap.first_sequence + gap.rows for gap in gaps if gap.first_sequence is not None and gap.rows is not None]
    return min([first, *begins]), max([last + 1, *ends])


def _left(samples: Samples, filled: NDArray[np.bool_], spans: Sequence[slice], gaps: Sequence[Gap]) -> Iterator[Gap]:
    """Name what is still missing, in the record's order; gaps that nothing was put into stay as they are."""
    sorted_gaps = gaps_by_start(gaps, len(spans))
    if sorted_gaps is None:
        raise _unfit(samples, "a record whose gaps do not fit its rows")
    counted, between = sorted_gaps
    ends: list[int | None] = []  # where a start's rows now end, if something was put behind them
    for number, part in enumerate(spans):
        sequence, host, new = samples.sequence[part], samples.host_ns[part], filled[part]
        own = counted[number]
        recorded = sequence[~new]
        low, high = span_of(int(recorded[0]), int(recorded[-1]), own)
        step = _interval_ns(sequence, host, samples)
        if number:
            yield _between(between[number - 1], ends[-1], int(host[0]) if sequence[0] < low else None)
        ends.append(int(host[-1]) + round(step) if sequence[-1] >= high else None)
        if not new.any():
            yield from own
            continue
        known = {(gap.first_sequence, gap.rows): gap for gap in own}
        for first, rows in _missing(sequence, low, high):
            if (first, rows) in known:
                yield known[first, rows]
                continue
            after = int(np.searchsorted(sequence, first))
            begin = int(host[after - 1]) + round(step) if after else int(host[0]) - round(step * rows)
            end = int(host[after]) if after < sequence.size else begin + round(step * rows)
            reason = next((g.reason for g in own if _overlaps(g, first, rows)), LOST)
            yield Gap(first_sequence=first, rows=rows, start_ns=begin, end_ns=end, exact=True, reason=reason)


def _interval_ns(sequence: Ints, host: Ints, samples: Samples) -> float:
    if sequence.size > 1:
        return float(host[-1] - host[0]) / float(sequence[-1] - sequence[0])
    return 1e9 * samples.header.interval_ticks / samples.header.tick_hz


def _between(gap: Gap, start_ns: int | None, end_ns: int | None) -> Gap:
    if start_ns is None and end_ns is None:
        return gap
    start = gap.start_ns if start_ns is None else start_ns
    end = gap.end_ns if end_ns is None else end_ns
    return gap.model_copy(update={"start_ns": start, "end_ns": max(start, end)})


def _missing(sequence: Ints, low: int, high: int) -> Iterator[tuple[int, int]]:
    """Give first row and number of each run of rows in ``low`` to ``high`` that are not there."""
    edges = np.concatenate(([low - 1], sequence, [max(high, int(sequence[-1]) + 1)]))
    steps = np.diff(edges)
    for place in np.flatnonzero(steps > 1).tolist():
        yield int(edges[place]) + 1, int(steps[place]) - 1


def _overlaps(gap: Gap, first: int, rows: int) -> bool:
    return (
        gap.first_sequence is not None
        and gap.rows is not None
        and gap.first_sequence < first + rows
        and first < gap.first_sequence + gap.rows
    )
