"""Decode a board's text lines to rows on the computer's clock: the second input beside wire format 1.

Printed numbers become whole counts of a stated resolution (``daq.config.printed_counts``). Every opening of the port
begins a new segment: how often the board's clock rolled over meanwhile is not known.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.config.printed_counts import counted
from standbook.daq.config.stand import TextLines
from standbook.daq.recovery.decode_wire import Channel, DecodedDevice, Gap, Stream, StreamSegment
from standbook.daq.recovery.device_clock import Arrivals, BootClock, ClockFit, fit_clock, tolerance_u
from standbook.daq.recovery.device_stream import DeviceStream, PortOpening, Sleep
from standbook.daq.recovery.late_rows import long_steps
from standbook.daq.run.record_summary import NoteRecord
from standbook.daq.wire.text_lines import DecodedLines, LineDecoder, LineLayout

NANOSECONDS = 1_000_000_000
CLOCK_STEP = "clock step without rows"
FEED_BYTES = 1 << 20


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Part:
    """Lines of one port opening between two starts of the board."""

    boot: int
    values: NDArray[np.float64]
    clock: NDArray[np.float64]
    lost_before: Ints
    line_end: Ints
    opening: PortOpening


def recover_lines(device_stream: DeviceStream, columns: TextLines, *, stream: str, tolerance: float) -> DecodedDevice:
    """Decode a device that prints numbers.

    Parameters
    ----------
    device_stream : DeviceStream
        What its journals hold.
    columns : TextLines
        What the stand says of its lines.
    stream : str
        Name that the stand's inputs give this stream.
    tolerance : float
        Half-width of the device clock's declared rate, relative.
    """
    layout = LineLayout(**columns.model_dump())
    pieces: list[DecodedLines] = []
    parts: list[_Part] = []
    for opening in device_stream.openings:
        decoder = LineDecoder(layout)
        found = [decoder.feed(opening.stream[at : at + FEED_BYTES]) for at in range(0, len(opening.stream), FEED_BYTES)]
        found.append(decoder.finish())
        pieces += found
        parts += _parts(found, opening, layout, len(parts))
    ticks, tick_hz = _ticks(parts, layout)
    clock = _clock(parts, ticks, tick_hz, tolerance, layout)
    if layout.clock is None and layout.counter is None:
        slept = [_slept(part, device_stream.sleeps) for part in parts]
    else:
        slept = [np.zeros(len(part.values), np.int64) for part in parts]
    steps = np.concatenate([np.diff(t) for t in ticks]) if ticks else np.empty(0, np.int64)
    interval = int(np.median(steps[steps > 0])) if np.any(steps > 0) else 1
    segments, channels = _segments(parts, ticks, slept, interval, layout)
    return DecodedDevice(
        device=device_stream.device,
        streams=(
            Stream(
                name=stream, told=stream, interval_ticks=interval, tick_hz=tick_hz, channels=channels, segments=segments
            ),
        )
        if segments
        else (),
        clock=clock,
        boots=len(parts),
        edges=(),
        lost_edges=0,
        notes=(*device_stream.notes, *_remarks(pieces, layout), *_late(ticks, interval, layout)),
        damaged_frames=sum(piece.damaged_lines for piece in pieces),
        damaged_bytes=sum(piece.damaged_bytes for piece in pieces),
        undecoded_frames=0,
        torn_bytes=device_stream.torn_bytes + sum(piece.torn_bytes for piece in pieces),
        time_scale=1.0,
        sleeps=device_stream.sleeps,
    )


def _parts(found: Sequence[DecodedLines], opening: PortOpening, layout: LineLayout, known: int) -> list[_Part]:
    values = np.concatenate([piece.values for piece in found])
    segment, clock, lost, end = (
        np.concatenate([getattr(piece, name) for piece in found])
        for name in ("segment", "clock", "lost_before", "line_end")
    )
    parts: list[_Part] = []
    for number in np.unique(segment).tolist():
        mine = segment == number
        boot = known + len(parts)
        if layout.boot is not None:
            boot = int(values[mine][0, layout.columns.index(layout.boot)])
        parts.append(
            _Part(
                boot=boot,
                values=values[mine],
                clock=clock[mine],
                lost_before=lost[mine],
                line_end=end[mine],
                opening=opening,
            )
        )
    return parts


def _arrival(part: _Part) -> Ints:
    chunk = np.searchsorted(part.opening.chunk_end, part.line_end, side="left")
    arrival: Ints = part.opening.arrival_ns[chunk]
    return arrival


def _ticks(parts: Sequence[_Part], layout: LineLayout) -> tuple[list[Ints], Fraction]:
    """Count the printed clock in whole steps; a board without one is timed by arrival."""
    if layout.clock is None or layout.clock_hz is None:
        return [_arrival(part) - int(_arrival(part)[0]) for part in parts], Fraction(NANOSECONDS)
    if not parts:
        return [], Fraction(layout.clock_hz)
    clock = counted(np.concatenate([part.clock for part in parts]))
    bounds = np.cumsum([part.clock.size for part in parts])[:-1]
    rate = Fraction(layout.clock_hz).limit_denominator(10**6) / clock.step
    return list(np.split(clock.counts, bounds)), rate


def _clock(
    parts: Sequence[_Part], ticks: Sequence[Ints], tick_hz: Fraction, tolerance: float, layout: LineLayout
) -> ClockFit | None:
    if not parts:
        return None
    if layout.clock is None:
        anchors = tuple(BootClock(key, 0, int(_arrival(part)[0])) for key, part in enumerate(parts))
        return ClockFit(
            tick_hz=tick_hz,
            skew=0.0,
            skew_u=tolerance_u(tolerance),
            method="tolerance",
            hull_skew=None,
            hull_skew_u=None,
            tolerance=tolerance,
            boots=anchors,
        )
    arrivals = []
    for key, (part, own) in enumerate(zip(parts, ticks, strict=True)):
        chunk = np.searchsorted(part.opening.chunk_end, part.line_end, side="left")
        last = np.append(np.flatnonzero(np.diff(chunk)), chunk.size - 1)
        arrivals.append(Arrivals(key, own[last], part.opening.arrival_ns[chunk[last]]))
    return fit_clock(arrivals, tick_hz, tolerance=tolerance)


def _slept(part: _Part, sleeps: Sequence[Sleep]) -> Ints:
    """Give the sleep of the computer between each row and the one before. [ns]."""
    arrival = _arrival(part)
    before = np.roll(arrival, 1)
    before[0] = arrival[0]
    total = np.zeros(arrival.size, np.int64)
    for sleep in sleeps:
        total += np.where((before <= sleep.start_ns) & (arrival >= sleep.end_ns), sleep.end_ns - sleep.start_ns, 0)
    return total


def _segments(
    parts: Sequence[_Part], ticks: Sequence[Ints], slept: Sequence[Ints], interval: int, layout: LineLayout
) -> tuple[tuple[StreamSegment, ...], tuple[Channel, ...]]:
    if not parts:
        return (), ()
    roles = {layout.clock, layout.counter, layout.boot}
    values = np.concatenate([part.values for part in parts])
    columns = [(k, name) for k, name in enumerate(layout.columns) if name not in roles]
    found = [counted(values[:, k]) for k, _ in columns]
    channels = tuple(
        Channel(wire=name, type="text", minimum=None, maximum=None, resolution=column.resolution)
        for (_, name), column in zip(columns, found, strict=True)
    )
    counts = np.column_stack([column.counts for column in found]) if found else np.empty((len(values), 0), np.int64)
    bounds = np.cumsum([len(part.values) for part in parts])[:-1]
    return tuple(
        _rows(key=key, part=part, ticks=own, counts=rows, slept=asleep, interval=interval, layout=layout)
        for key, (part, own, rows, asleep) in enumerate(zip(parts, ticks, np.split(counts, bounds), slept, strict=True))
    ), channels


def _rows(
    key: int, part: _Part, ticks: Ints, counts: Ints, slept: Ints, interval: int, layout: LineLayout
) -> StreamSegment:
    if layout.counter is not None:
        lost, exact, reason = part.lost_before.copy(), True, "rows lost"
    elif layout.clock is not None:
        lost, exact, reason = long_steps(ticks, interval).lost, False, CLOCK_STEP
    else:
        lost, exact, reason = np.rint(slept / interval).astype(np.int64), False, "rows lost"
    lost[0] = 0  # nothing tells what came before the first line
    return numbered(key, part.boot, ticks, counts, lost, exact=exact, reason=reason)


def numbered(key: int, boot: int, ticks: Ints, counts: Ints, lost: Ints, *, exact: bool, reason: str) -> StreamSegment:
    """Give rows their numbers from zero on, leaving out those of rows missing before each."""
    sequence = np.arange(len(counts)) + np.cumsum(lost)
    holes = tuple(
        Gap(int(sequence[row] - lost[row]), int(lost[row]), exact, reason) for row in np.flatnonzero(lost).tolist()
    )
    return StreamSegment(key=key, boot=boot, sequence=sequence, ticks=ticks, counts=counts, holes=holes)


def _late(ticks: Sequence[Ints], interval: int, layout: LineLayout) -> list[NoteRecord]:
    """Say how many steps of the clock are late rows or lost ones, where no counter tells."""
    if layout.clock is None or layout.counter is not None:
        return []
    judged = [long_steps(own, interval) for own in ticks]
    undecided = sum(found.undecided for found in judged)
    texts = []
    if undecided:
        texts.append(
            f"{undecided} long steps of the clock are rows that came late or were lost, nothing tells which; let the "
            "board print a counter"
        )
    if any(found.is_paced_by_delay for found in judged):
        texts.append("the board waits for a while after each row, so that it drifts; let it wait until a row is due")
    return [NoteRecord(severity="note", host_ns=None, text=text) for text in texts]


def _remarks(pieces: Sequence[DecodedLines], layout: LineLayout) -> list[NoteRecord]:
    texts = []
    if layout.clock is None:
        texts.append("the lines carry no device clock; rows are timed by arrival, late by up to some 20 ms")
    if rollovers := sum(piece.rollovers for piece in pieces):
        texts.append(f"the device clock rolled over {rollovers} times and was unwrapped")
    if not any(piece.values.size for piece in pieces):
        texts.append(f"no line has the {len(layout.columns)} columns that the stand names; the journal keeps them")
    return [NoteRecord(severity="note", host_ns=None, text=text) for text in texts]
