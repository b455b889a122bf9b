"""Gather what a bench run shows: its streams' rows and gaps, its board's clock, its columns. Reads the sealed run."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from standbook.analysis.bench_report.column_facts import (
    LEAST_ROWS,
    ColumnFacts,
    ColumnRows,
    Estimate,
    column_facts,
    deviation_of,
)
from standbook.analysis.report.content.number_format import fixed, plain
from standbook.daq.arrays import Array, Ints, Mask
from standbook.daq.errors import DataError
from standbook.daq.kinds.registry import BENCH
from standbook.daq.run.record_summary import ChannelRecord, ClockRecord, StreamRecord, few_notes
from standbook.daq.run.run_folder import Run, StreamData
from standbook.daq.run.samples_file import NO_RAILS

COUNTS: Final = "counts"
AS_PRINTED: Final = "as printed"
EVEN: Final = 0.05  # of an interval that rows may scatter by before a spectrum is only indicated; judgement
NANOSECONDS: Final = 1e9


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamFacts:
    """Rows of one stream."""

    device: str
    name: str
    rows: int
    seconds: float  # from the first to the last [s]
    rate: Estimate | None  # rows a second against this computer [1/s]
    step: float | None  # median, between two rows [s]
    scatter: Estimate | None  # standard deviation of the steps [s]
    shortest: float | None  # step [s]
    longest: float | None  # step between rows of which none is known to be missing [s]
    by_arrival: bool  # rows are timed by their arrival: the board prints no clock
    lost_rows: int
    gaps: int
    longest_gap: float  # [s]
    is_counted: bool  # the board numbers its rows; else lost ones are estimated by its clock
    columns: tuple[ColumnFacts, ...]

    @property
    def is_even(self) -> bool:
        """Tell whether rows lie evenly enough for a spectrum to be more than indicated."""
        return self.scatter is None or self.step is None or self.scatter.value <= EVEN * self.step


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchFacts:
    """What a bench run shows."""

    run: str  # number
    folder: str  # name
    began: str  # UTC
    software: str
    manifest: str  # hash
    rehearsal: bool
    streams: tuple[StreamFacts, ...]
    clock: ClockRecord | None
    damaged: int  # frames or lines
    boots: int
    notes: tuple[str, ...]  # cautions of the record

    @property
    def columns(self) -> tuple[ColumnFacts, ...]:
        """All columns, those with a remark first."""
        found = [column for stream in self.streams for column in stream.columns]
        return tuple(sorted(found, key=lambda column: not state_words(column)))

    @property
    def remarks(self) -> tuple[str, ...]:
        """What is wrong with columns, a sentence each."""
        return tuple(f"{column.tag}: {words}" for column in self.columns if (words := state_words(column)))


def bench_facts(run: Run) -> BenchFacts:
    """Gather the facts of a sealed bench run.

    Parameters
    ----------
    run : Run
        Opened.

    Raises
    ------
    DataError
        It was recorded with a plan, or has no rows.
    RecordError
        A samples file cannot be read.
    """
    if run.info.kind != BENCH.name:
        raise DataError(f"{run.folder}: is a {run.info.kind} with a plan of its own; its report is: standbook report")
    streams = tuple(_stream(run, device, name) for device, name in run.streams())
    if not streams:
        raise DataError(f"{run.folder}: not one row was decoded, so there is nothing to report; see record.json")
    device = run.record.devices[streams[0].device]
    return BenchFacts(
        run=run.info.number,
        folder=run.folder.name,
        began=run.info.created_utc,
        software=run.info.software,
        manifest=run.manifest.sha256,
        rehearsal=run.info.rehearsal,
        streams=streams,
        clock=device.clock,
        damaged=sum(one.damaged_frames + one.undecoded_frames for one in run.record.devices.values()),
        boots=device.boots,
        notes=tuple(
            note.text
            for one in run.record.devices.values()
            for note in few_notes([note for note in one.notes if note.severity != "note"])
        ),
    )


def _stream(run: Run, device: str, name: str) -> StreamFacts:
    data, record = run.stream(device, name), run.record.devices[device]
    told = record.streams[name]
    follows = (np.diff(data.sequence) == 1) & (np.diff(data.boot) == 0)
    ticks = np.diff(data.ticks)[follows]
    steps = ticks / told.tick_hz
    host = (data.host_ns - data.host_ns[0]) / NANOSECONDS
    lines = run.stand.device_named(device).text_lines
    by_arrival = lines is not None and lines.clock is None
    scatter = _scatter(ticks, told.tick_hz)
    rate = _rate(data, host, told.tick_hz, None if by_arrival else record.clock, scatter)
    return StreamFacts(
        device=device,
        name=name,
        rows=told.rows,
        seconds=float(host[-1]),
        rate=rate,
        step=float(np.median(steps)) if steps.size else None,
        scatter=scatter,
        shortest=float(np.min(steps)) if steps.size else None,
        longest=float(np.max(steps)) if steps.size else None,
        by_arrival=by_arrival,
        lost_rows=told.lost_rows,
        gaps=len(told.gaps),
        longest_gap=max(((gap.end_ns - gap.start_ns) / NANOSECONDS for gap in told.gaps), default=0.0),
        is_counted=lines is None or lines.counter is not None,
        columns=_columns(run, data, host, follows, device, name),
    )


def _scatter(ticks: Ints, tick_hz: float) -> Estimate | None:
    """Return the standard deviation of steps between rows. [s]."""
    if ticks.size < LEAST_ROWS:
        return None
    if int(np.ptp(ticks)) == 0:
        return Estimate(value=0.0, u=None)
    return deviation_of(np.asarray((ticks - np.mean(ticks)) / tick_hz), free=1)


def _rate(
    data: StreamData, host: Array, tick_hz: float, clock: ClockRecord | None, scatter: Estimate | None
) -> Estimate | None:
    """Return rows a second of this computer, over the longest stretch between two starts of the board."""
    starts = np.concatenate(([0], np.flatnonzero(np.diff(data.boot) != 0) + 1, [data.boot.size]))
    longest = int(np.argmax(np.diff(starts)))
    part = slice(int(starts[longest]), int(starts[longest + 1]))
    rows = float(data.sequence[part][-1] - data.sequence[part][0])
    if clock is not None and clock.hull_ppm is not None and clock.hull_u_ppm is not None:
        span = float(data.ticks[part][-1] - data.ticks[part][0]) / tick_hz
        if span <= 0.0:
            return None
        nominal = rows / span
        return Estimate(value=nominal * (1.0 + 1e-6 * clock.hull_ppm), u=nominal * 1e-6 * clock.hull_u_ppm)
    span = float(host[part][-1] - host[part][0])
    if span <= 0.0:
        return None
    late = math.sqrt(2.0) * scatter.value / span if scatter is not None else 0.0
    return Estimate(value=rows / span, u=rows / span * late or None)


def _columns(run: Run, data: StreamData, host: Array, follows: Mask, device: str, name: str) -> tuple[ColumnFacts, ...]:
    told = run.record.devices[device].streams[name]
    span = float(data.ticks[-1] - data.ticks[0]) / told.tick_hz
    rate = (data.sequence[-1] - data.sequence[0]) / span if span > 0.0 else told.tick_hz / told.interval_ticks
    found = []
    for tag, key, channel in named_channels(name, told):
        rails = data.rails[key]
        is_text = run.stand.device_named(device).text_lines is not None
        found.append(
            column_facts(
                ColumnRows(
                    tag=tag,
                    unit=AS_PRINTED if is_text else COUNTS,
                    time=host,
                    value=np.asarray(channel.resolution * data.counts[key], np.float64),
                    follows=follows,
                    rate=float(rate),
                    rails=None if rails == NO_RAILS else (float(rails.minimum), float(rails.maximum)),
                    resolution=channel.resolution,
                )
            )
        )
    return tuple(found)


def named_channels(stream: str, told: StreamRecord) -> Iterator[tuple[str, str, ChannelRecord]]:
    """Give each channel of a stream with what it is called here, and what its counts are called in the samples."""
    for channel in told.channels:
        if channel.tag is not None:
            yield channel.tag, channel.tag, channel
        else:
            yield f"{stream}/{channel.wire}", f"wire:{channel.wire}", channel


def short_state(column: ColumnFacts) -> str:
    """Name what a column does in a word or two."""
    if column.is_stuck:
        return "stuck at its rail" if any(end.is_known for end in column.ends) else "stuck"
    said = ["at its rail" if end.is_known else "perhaps at its rail" for end in column.ends]
    said += ["stands still"] if column.held is not None else []
    return ", ".join(dict.fromkeys(said)) or "moves"


def state_words(column: ColumnFacts) -> str:
    """Say what is wrong with a column; empty where it moves between its rails."""
    if column.is_stuck:
        at = [end for end in column.ends if end.is_known]
        where = ", its rail" if at else ""
        return f"stuck: {plain(column.minimum, 9)} {column.unit}{where}, in all {column.rows:,} rows"
    said = []
    for end in column.ends:
        rail = "at its rail" if end.is_known else "perhaps at its rail"
        said.append(f"{rail} {plain(end.value, 9)} {column.unit} in {end.rows:,} of {column.rows:,} rows")
    if column.held is not None:
        held = column.held
        said.append(
            f"stands still at {plain(held.value, 9)} {column.unit} for {fixed(held.length, 2)} s from "
            f"{fixed(held.start, 2)} s on"
        )
    return "; ".join(said)
