"""Account for a record: rows sent and missing by device and time, and where T-0 lies.

From decoded rows to ``daq.run.record_summary``; nothing is decoded, calibrated or written here.
"""

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from standbook.daq.arrays import Ints
from standbook.daq.config.plan import DETECTED_OPENING, Test
from standbook.daq.config.stand import Stand
from standbook.daq.recovery.decode_wire import DecodedDevice, Stream, StreamSegment
from standbook.daq.recovery.device_clock import HELD_UP, ClockFit, device_ppm
from standbook.daq.recovery.device_stream import Sleep
from standbook.daq.run.record_summary import (
    ChannelRecord,
    ClockRecord,
    ClockStepRecord,
    DeviceRecord,
    Gap,
    NoteRecord,
    StreamRecord,
    TZeroRecord,
)
from standbook.daq.run.samples_file import Column

ASLEEP = "the computer slept"
STALLED = "the device made no rows: its clock and the arrivals went on, its row numbers did not"
RESTARTED = "the device started again; what it measured meanwhile is not known"


def stream_record(device: DecodedDevice, stream: Stream, columns: Sequence[Column]) -> StreamRecord:
    """Account for one stream."""
    gaps = tuple(_gaps(device, stream))
    return StreamRecord(
        rows=sum(rows.sequence.size for rows in stream.segments),
        lost_rows=sum(gap.rows or 0 for gap in gaps),
        duplicates=stream.duplicates,
        reordered=stream.reordered,
        interval_ticks=stream.interval_ticks,
        tick_hz=float(stream.tick_hz),
        gaps=gaps,
        channels=tuple(
            ChannelRecord(
                wire=column.wire,
                tag=column.tag,
                type=column.type,
                minimum=column.minimum,
                maximum=column.maximum,
                resolution=column.resolution,
            )
            for column in columns
        ),
        clock_steps=tuple(
            ClockStepRecord(
                kind=step.kind,
                first_sequence=step.sequence,
                rows=step.rows,
                seconds=step.ticks / float(stream.tick_hz),
            )
            for rows in stream.segments
            for step in rows.steps
            if step.kind != "stall"
        ),
    )


def _gaps(device: DecodedDevice, stream: Stream) -> Iterator[Gap]:
    """Place what is missing on the host's clock: holes within a start of the device, and between starts."""
    assert device.clock is not None or not stream.segments  # noqa: S101 - where there are rows there is a clock
    for rows in stream.segments:
        ends = _place(device.clock, rows, _known_span(rows, stream.interval_ticks))
        before = _end_before(device, stream.told, rows, ends[0])
        if before is not None:
            yield Gap(
                first_sequence=None,
                rows=None,
                start_ns=before,
                end_ns=max(before, ends[0]),
                exact=False,
                reason=_why(RESTARTED, before, ends[0], device.sleeps),
            )
        yield from _stalls(device, stream, rows)
        for hole in rows.holes:
            after = int(np.searchsorted(rows.sequence, hole.first + hole.rows))
            if after > 0:
                last = int(rows.ticks[after - 1])
                start = last + stream.interval_ticks * (hole.first - int(rows.sequence[after - 1]))
            else:
                start = int(rows.ticks[0]) - stream.interval_ticks * (int(rows.sequence[0]) - hole.first)
            end = int(rows.ticks[after]) if after < rows.ticks.size else start + stream.interval_ticks * hole.rows
            host = _place(device.clock, rows, np.array([start, end]))
            yield Gap(
                first_sequence=hole.first,
                rows=hole.rows,
                start_ns=host[0],
                end_ns=host[1],
                exact=hole.exact,
                reason=_why(hole.reason, host[0], host[1], device.sleeps),
            )


def _end_before(device: DecodedDevice, told: str, rows: StreamSegment, start_ns: int) -> int | None:
    """Return where the next row of the start before would lie, whatever layout it had; ``None`` of the first start."""
    spans = [
        (_place(device.clock, other, _known_span(other, stream.interval_ticks)), other.key)
        for stream in device.streams
        if stream.told == told
        for other in stream.segments
        if other is not rows
    ]
    earlier = [(ends, key) for ends, key in spans if ends[0] < start_ns]
    if not earlier:
        return None
    ends, key = max(earlier)
    return None if key == rows.key else ends[1]


def _stalls(device: DecodedDevice, stream: Stream, rows: StreamSegment) -> Iterator[Gap]:
    """Name the time in which a device made no rows, and numbered none."""
    for step in rows.steps:
        if step.kind != "stall":
            continue
        first = int(np.searchsorted(rows.sequence, step.sequence))
        end = int(rows.ticks[first])
        start = int(rows.ticks[first - 1]) + stream.interval_ticks if first else end - step.ticks
        host = _place(device.clock, rows, np.array([start, end]))
        yield Gap(
            first_sequence=None,
            rows=None,
            start_ns=host[0],
            end_ns=host[1],
            exact=False,
            reason=_why(STALLED, host[0], host[1], device.sleeps),
        )


def _known_span(rows: StreamSegment, interval: int) -> Ints:
    """Return the ticks of the first row of a start, and past its last one, lost ones that were counted included."""
    first, last = int(rows.sequence[0]), int(rows.sequence[-1])
    head = min((hole.first for hole in rows.holes), default=first)
    tail = max((hole.first + hole.rows for hole in rows.holes), default=last + 1)
    return np.array(
        [
            int(rows.ticks[0]) - interval * max(0, first - head),
            int(rows.ticks[-1]) + interval * max(1, tail - last),
        ],
        np.int64,
    )


def _why(reason: str, start_ns: int, end_ns: int, sleeps: Sequence[Sleep]) -> str:
    """Add to the reason of a gap that the computer slept, if it did meanwhile."""
    asleep = sum(s.end_ns - s.start_ns for s in sleeps if s.start_ns < end_ns and s.end_ns > start_ns)
    return f"{reason}; {ASLEEP} {asleep / 1e9:.3f} s meanwhile" if asleep else reason


def _place(clock: ClockFit | None, rows: StreamSegment, ticks: Ints) -> list[int]:
    assert clock is not None  # noqa: S101 - where there are rows there is a clock
    host: list[int] = clock.to_host_ns(rows.key, ticks).tolist()
    return host


def device_record(device: DecodedDevice, streams: Mapping[str, StreamRecord], stand: Stand) -> DeviceRecord:
    """Account for one device of a stand."""
    return DeviceRecord(
        streams=dict(streams),
        boots=device.boots,
        damaged_frames=device.damaged_frames,
        damaged_bytes=device.damaged_bytes,
        undecoded_frames=device.undecoded_frames,
        torn_bytes=device.torn_bytes,
        lost_edges=device.lost_edges,
        clock=_clock_record(device.clock),
        edges=device.edges,
        notes=(*device.notes, *_clock_notes(device.clock), *_unsent(device.device, streams, stand)),
        time_scale=device.time_scale,
        alignment=device.alignment,
    )


def _clock_record(clock: ClockFit | None) -> ClockRecord | None:
    if clock is None:
        return None
    return ClockRecord(
        rate_ppm=clock.rate_ppm,
        u_ppm=clock.u_ppm,
        method=clock.method,
        hull_ppm=None if clock.hull_skew is None else device_ppm(clock.hull_skew),
        hull_u_ppm=None if clock.hull_skew_u is None else 1e6 * clock.hull_skew_u,
        tolerance_ppm=1e6 * clock.tolerance,
        bend_percent=None if clock.bend is None else 1e-4 * device_ppm(clock.bend),
    )


def _clock_notes(clock: ClockFit | None) -> Iterator[NoteRecord]:
    if clock is not None and clock.method == "arrivals":
        text = (
            f"clock is {clock.rate_ppm:+.0f} ppm against the computer, beyond the declared "
            f"{1e6 * clock.tolerance:.0f} ppm; arrivals alone decide the rate; correct clock_tolerance in the stand"
        )
        yield NoteRecord(severity="caution", host_ns=None, text=text)
    if clock is not None and clock.bend is not None:
        text = (
            f"arrivals say that the clock's rate changed by {1e-4 * device_ppm(clock.bend):+.2f} % within the "
            "record, as no oscillator's does: the board is faulty or the computer was held up; times are the board's "
            "own, unchecked"
        )
        yield NoteRecord(severity="serious", host_ns=None, text=text)
    elif clock is not None and clock.hull_skew is not None and not clock.is_credible:
        text = (
            f"arrivals make the clock {device_ppm(clock.hull_skew):+,.0f} ppm off against the computer, as no board's "
            "is: the computer was held up, or tick_hz is not what the firmware counts; times are the board's own, "
            "unchecked"
        )
        yield NoteRecord(severity="serious" if clock.gained > HELD_UP else "caution", host_ns=None, text=text)


def _unsent(device: str, streams: Mapping[str, StreamRecord], stand: Stand) -> Iterator[NoteRecord]:
    """Say which inputs of the stand never came; where nothing at all came, another note says so."""
    sent = {channel.tag for stream in streams.values() for channel in stream.channels}
    unsent = [f"{i.tag} ({i.stream}/{i.wire})" for i in stand.input if i.device == device and i.tag not in sent]
    if unsent and streams:
        text = f"the stand names inputs that the device does not send: {', '.join(unsent)}; correct stand or firmware"
        yield NoteRecord(severity="caution", host_ns=None, text=text)


def silent_device(missing: str | None = None) -> DeviceRecord:
    """Account for a device that the stand names and nobody recorded, or whose ``missing`` journal capture names."""
    text = "the stand names this device, but there is no journal of it"
    if missing is not None:
        text = f"{missing} is missing, and no other journal of this device is there; take it from the second copy"
    return DeviceRecord(
        streams={},
        boots=0,
        damaged_frames=0,
        damaged_bytes=0,
        undecoded_frames=0,
        torn_bytes=0,
        lost_edges=0,
        clock=None,
        edges=(),
        notes=(NoteRecord(severity="serious", host_ns=None, text=text),),
        time_scale=1.0,
    )


def find_t_zero(test: Test, devices: Sequence[DecodedDevice]) -> tuple[TZeroRecord | None, str | None]:
    """Find the first edge that the plan defines as T-0; where there is none, say why."""
    edge = test.t_zero_edge
    if edge is None:
        if test.t_zero == DETECTED_OPENING:
            return None, "the plan leaves it to the analysis to detect the opening"
        return None, "the plan names no t_zero"
    device = next((d for d in devices if d.device == edge.device), None)
    if device is None:
        return None, f"there is no record of device {edge.device}"
    level = 1 if edge.rising else 0
    edges = [seen for seen in device.edges if seen.line == edge.line and seen.level == level]
    if not edges or device.clock is None:
        return None, f"line {edge.line} of {edge.device} was never seen {'rising' if edge.rising else 'falling'}"
    first = min(edges, key=lambda seen: seen.host_ns)
    told = f"{edge.device} {edge.line} {'rising' if edge.rising else 'falling'}"
    if first.restored:
        told += ", restored from a beat"
    if len(edges) > 1:
        told += f", first of {len(edges)}"
    # One tick, a rectangular distribution; rows of the same device share its clock, so no rate error enters.
    u = 1.0 / float(device.clock.tick_hz) / np.sqrt(12.0)
    return TZeroRecord(host_ns=first.host_ns, source=told, u_s=float(u), device=edge.device), None
