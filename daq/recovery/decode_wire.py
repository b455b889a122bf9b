"""Decode the bytes of one device to rows on the computer's clock, and name everything that is missing.

Two inputs, one result: wire format 1 and text lines. Counts, sequence, boot and ticks depend on the bytes alone;
host time on the arrivals too. Nothing is calibrated here and no file is touched.
"""

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.recovery.board_filter import boards_in, keep_one_board
from standbook.daq.recovery.clock_steps import step_notes, with_stalls
from standbook.daq.recovery.device_clock import LINK_RESOLUTION, Arrivals, ClockFit, fit_clock, scaled_arrivals
from standbook.daq.recovery.device_stream import DeviceStream, PortOpening, Sleep
from standbook.daq.recovery.streams_together import bring_together
from standbook.daq.run.record_summary import AlignmentRecord, EdgeRecord, NoteRecord, Severity
from standbook.daq.wire.decoder import Decoded, Decoder
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.line_edges import nearest
from standbook.daq.wire.messages import MODULUS, Note, SampleBlock
from standbook.daq.wire.stream_assembly import Assembly, Segment, assemble
from standbook.daq.wire.tick_steps import TickStep

SPOKEN = "the device says: "  # how its own notes begin
FEED_BYTES = 8 << 20  # decoded at a time
_SEVERITY: Mapping[int, Severity] = {0: "note", 1: "caution"}  # a device's higher numbers are serious


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One column of a stream as the device sent it."""

    wire: str
    type: str  # "i16", ... or "text"
    minimum: int | None
    maximum: int | None
    resolution: float = 1.0  # what one count stands for in what the device printed
    skew: float = 0.0  # converted so long after its row's time [s]
    latency: float = 0.0  # that the converter's filter is behind its input [s]


@dataclass(frozen=True, slots=True)
class Gap:
    """Missing rows within or after a segment."""

    first: int  # sequence of the first missing row
    rows: int
    exact: bool
    reason: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class StreamSegment:
    """Rows of one stream between two starts of the device, ordered and without repeats."""

    key: int  # of the clock's anchor
    boot: int
    sequence: Ints  # (N,)
    ticks: Ints  # (N,) unwrapped
    counts: NDArray[np.integer]  # (N, C)
    holes: tuple[Gap, ...]
    steps: tuple[TickStep, ...] = ()  # where the clock contradicted the row numbers


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Stream:
    """One stream of a device."""

    name: str  # its own within the record
    told: str  # as the device or the stand calls it, which is how inputs are found
    interval_ticks: int
    tick_hz: Fraction
    channels: tuple[Channel, ...]
    segments: tuple[StreamSegment, ...]
    duplicates: int = 0
    reordered: int = 0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class DecodedDevice:
    """One device, decoded."""

    device: str
    streams: tuple[Stream, ...]
    clock: ClockFit | None
    boots: int
    edges: tuple[EdgeRecord, ...]
    lost_edges: int
    notes: tuple[NoteRecord, ...]
    damaged_frames: int
    damaged_bytes: int
    undecoded_frames: int
    torn_bytes: int
    time_scale: float
    rehearsal: bool = False  # a hello says that the values are simulated
    sleeps: tuple[Sleep, ...] = ()  # of the computer
    alignment: AlignmentRecord | None = None


def time_scale_of(hellos: Sequence[Hello]) -> float:
    """Return how much faster than real time a device played; 1 for anything that is no rehearsal."""
    return max((hello.time_scale for hello in hellos), default=1.0)


def recover_wire(
    device_stream: DeviceStream, *, origin_ns: int, tolerance: float, serial: str = "", layouts: Sequence[Hello] = ()
) -> DecodedDevice:
    """Decode a device that speaks wire format 1.

    Parameters
    ----------
    device_stream : DeviceStream
        What its journals hold.
    origin_ns : int
        Instant about which arrivals are stretched in a rehearsal, the same for all devices. [ns]
    tolerance : float
        Half-width of the device clock's declared rate, relative.
    serial : str
        Serial number that the stand states; another one is told as a caution.
    layouts : sequence of Hello
        Saved earlier, for rows that no hello of this record explains.

    Notes
    -----
    Rows of two boards are never put into one record: where hellos of a second one come, because the wrong board was
    plugged in, the bytes of that one are left out and told as a serious note.
    """
    opening, pieces, others = _of_one_board(device_stream, serial, layouts)
    hellos = [hello for piece in pieces for hello, _ in piece.hellos]
    saved = _used(layouts, hellos, pieces)
    scale = time_scale_of(hellos or saved)
    assemblies = with_stalls(assemble_all(pieces, [*hellos, *saved]), opening, scale)
    keys = _keys(assemblies)
    parts = list(_arrivals(assemblies, keys, opening))
    clock = _clock(parts, (*hellos, *saved), tolerance, origin_ns, scale)
    boots = full_boots(hellos)
    notes = [n for piece in pieces for n in piece.notes]
    names = _stream_names(assemblies)
    return DecodedDevice(
        device=device_stream.device,
        streams=tuple(
            _stream(name, assembly, of, boots) for name, assembly, of in zip(names, assemblies, keys, strict=True)
        ),
        clock=clock,
        boots=len({key for of in keys for key in of}),
        edges=tuple(_edges(assemblies, keys, clock, boots)),
        lost_edges=max((sum(s.lost_edges for s in a.segments) for a in assemblies), default=0),
        notes=(
            *(_stretched(note, origin_ns, scale) for note in device_stream.notes),
            *others,
            *_spoken(notes, assemblies, keys, clock),
            *_remarks(device_stream.device, serial, hellos, pieces, saved, received=len(opening.stream)),
            *_rollovers(assemblies),
            *step_notes(assemblies),
        ),
        damaged_frames=sum(piece.damaged_frames for piece in pieces),
        damaged_bytes=sum(piece.damaged_bytes for piece in pieces),
        undecoded_frames=pieces[-1].pending_frames + sum(p.spilled_frames + p.refused_frames for p in pieces),
        torn_bytes=device_stream.torn_bytes + sum(piece.torn_bytes for piece in pieces),
        time_scale=scale,
        rehearsal=any(hello.is_rehearsal for hello in (*hellos, *saved)),
        sleeps=tuple(_slept(sleep, origin_ns, scale) for sleep in device_stream.sleeps),
    )


def _of_one_board(
    device_stream: DeviceStream, serial: str, layouts: Sequence[Hello]
) -> tuple[PortOpening, list[Decoded], list[NoteRecord]]:
    """Decode what one board sent; return its bytes, their pieces, and what is said of other boards."""
    opening = device_stream.joined
    pieces = list(decode_all(opening.stream, layouts))
    if len(boards_in(pieces)) <= 1:
        return opening, pieces, []
    opening, others = keep_one_board(device_stream, opening, pieces, serial)
    return opening, list(decode_all(opening.stream, layouts)), others


def _clock(
    parts: Sequence[Arrivals], hellos: Sequence[Hello], tolerance: float, origin_ns: int, scale: float
) -> ClockFit | None:
    """Fit the device's clock to its arrivals, if anything arrived."""
    if not parts:
        return None
    return fit_clock(
        parts,
        hellos[0].tick_hz,
        tolerance=tolerance,
        resolution=LINK_RESOLUTION * scale,
        origin_ns=origin_ns,
        time_scale=scale,
    )


def _slept(sleep: Sleep, origin_ns: int, scale: float) -> Sleep:
    """Put a sleep of the computer on the time base of the rows."""
    return Sleep(*scaled_arrivals(np.array([sleep.start_ns, sleep.end_ns]), origin_ns, scale).tolist())


def _stretched(note: NoteRecord, origin_ns: int, scale: float) -> NoteRecord:
    """Put a note of capture, made in real time, on the time base of the rows."""
    if note.host_ns is None:
        return note
    host_ns = int(scaled_arrivals(np.array([note.host_ns]), origin_ns, scale)[0])
    return NoteRecord(severity=note.severity, host_ns=host_ns, text=note.text)


def _used(layouts: Sequence[Hello], hellos: Sequence[Hello], pieces: Sequence[Decoded]) -> list[Hello]:
    """Return the saved layouts that explain rows which no hello of this record does."""
    told = {(hello.stream, hello.layout) for hello in hellos}
    sent = {(block.stream, block.layout) for piece in pieces for block in piece.blocks}
    return [saved for saved in layouts if (saved.stream, saved.layout) in sent - told]


def decode_all(stream: bytes, layouts: Iterable[Hello] = ()) -> Iterator[Decoded]:
    """Decode a stretch of bytes from its opening to its end, part by part; ``layouts`` are hellos known before."""
    decoder = Decoder(layouts)
    view = memoryview(stream)
    for start in range(0, len(view), FEED_BYTES):
        yield decoder.feed(view[start : start + FEED_BYTES])
    yield decoder.finish()


def assemble_all(pieces: Sequence[Decoded], hellos: Sequence[Hello]) -> tuple[Assembly, ...]:
    """Assemble the rows of each stream and layout that a hello describes, ticks on one count."""
    blocks: dict[tuple[int, int], list[SampleBlock]] = {}
    for piece in pieces:
        for block in piece.blocks:
            blocks.setdefault((block.stream, block.layout), []).append(block)
    beats = [beat for piece in pieces for beat in piece.beats]
    edges = [edge for piece in pieces for edge in piece.edges]
    described = {(hello.stream, hello.layout): hello for hello in reversed(hellos)}
    return bring_together([assemble(blocks.get(key, []), beats, edges, described[key]) for key in sorted(described)])


def _stream_names(assemblies: Sequence[Assembly]) -> list[str]:
    """Name the streams as hello does; one whose layout changed goes on as ``fast-2``, its columns differ."""
    told = [assembly.hello.name for assembly in assemblies]
    names: list[str] = []
    for name in told:
        others = (f"{name}-{number}" for number in itertools.count(2))
        names.append(next(other for other in others if other not in (*told, *names)) if name in names else name)
    return names


def _keys(assemblies: Sequence[Assembly]) -> list[list[int]]:
    """Give each start of the device a number; segments of several streams match by boot and order."""
    known: dict[tuple[int, int], int] = {}
    return [
        [known.setdefault((index, segment.boot), len(known)) for index, segment in enumerate(assembly.segments)]
        for assembly in assemblies
    ]


def _arrivals(
    assemblies: Sequence[Assembly], keys: Sequence[Sequence[int]], opening: PortOpening
) -> Iterator[Arrivals]:
    """Pair the last row that each chunk completed with the chunk's arrival; earlier rows in it only waited."""
    found: dict[int, list[tuple[Ints, Ints]]] = {}
    for assembly, of in zip(assemblies, keys, strict=True):
        for segment, key in zip(assembly.segments, of, strict=True):
            if segment.sequence.size:
                last_row = np.append(segment.frame_row[1:], segment.sequence.size) - 1
                found.setdefault(key, []).append((segment.frame_end, segment.ticks[last_row]))
    for key, parts in sorted(found.items()):
        end, ticks = (np.concatenate(column) for column in zip(*parts, strict=True))
        order = np.argsort(end, kind="stable")
        chunk = np.searchsorted(opening.chunk_end, end[order], side="left")
        last = np.append(np.flatnonzero(np.diff(chunk)), chunk.size - 1)
        yield Arrivals(key, ticks[order][last], opening.arrival_ns[chunk[last]])


def full_boots(hellos: Sequence[Hello]) -> dict[int, int]:
    """Map the low byte of the boot counter that frames carry to the whole counter."""
    return {hello.boot & 0xFF: hello.boot for hello in hellos}


def _stream(name: str, assembly: Assembly, keys: Sequence[int], boots: Mapping[int, int]) -> Stream:
    hello = assembly.hello
    return Stream(
        name=name,
        told=hello.name,
        interval_ticks=hello.interval_ticks,
        tick_hz=Fraction(hello.tick_hz),
        channels=tuple(
            Channel(
                wire=c.name,
                type=c.type,
                minimum=c.minimum,
                maximum=c.maximum,
                skew=hello.skew(place),
                latency=hello.latency,
            )
            for place, c in enumerate(hello.channels)
        ),
        segments=tuple(
            StreamSegment(
                key=key,
                boot=boots.get(s.boot, s.boot),
                sequence=s.sequence,
                ticks=s.ticks,
                counts=s.counts,
                holes=_holes(s),
                steps=s.steps,
            )
            for s, key in zip(assembly.segments, keys, strict=True)
            if s.sequence.size
        ),
        duplicates=sum(segment.duplicates for segment in assembly.segments),
        reordered=sum(segment.reordered for segment in assembly.segments),
    )


def _holes(segment: Segment) -> tuple[Gap, ...]:
    return tuple(Gap(first, rows, exact=True, reason="rows lost") for first, rows in segment.gaps.tolist())


def _edges(
    assemblies: Sequence[Assembly], keys: Sequence[Sequence[int]], clock: ClockFit | None, boots: Mapping[int, int]
) -> Iterator[EdgeRecord]:
    """Place edges by the fullest stream; each assembly holds them all."""
    if not assemblies or clock is None:
        return
    anchored = {boot.boot for boot in clock.boots}
    names = {line.line: line.name for line in assemblies[0].hello.lines}
    for segment, key in zip(assemblies[0].segments, keys[0], strict=True):
        if key not in anchored or not segment.edges:
            continue
        host = clock.to_host_ns(key, np.array([edge.ticks for edge in segment.edges], np.int64))
        for edge, host_ns in zip(segment.edges, host.tolist(), strict=True):
            yield EdgeRecord(
                line=names.get(edge.line, f"line {edge.line}"),
                level=edge.level,
                host_ns=host_ns,
                ticks=edge.ticks,
                boot=boots.get(segment.boot, segment.boot),
                restored=edge.restored,
            )


def _spoken(
    notes: Sequence[Note], assemblies: Sequence[Assembly], keys: Sequence[Sequence[int]], clock: ClockFit | None
) -> Iterator[NoteRecord]:
    """Place what the device said by the frame nearest on the wire."""
    for note in notes:
        host_ns = None
        if clock is not None and assemblies:
            candidates = [
                (int(np.abs(s.frame_end - note.offset).min()), key, s)
                for s, key in zip(assemblies[0].segments, keys[0], strict=True)
                if s.frame_end.size and (s.boot == note.boot)
            ]
            if candidates:
                _, key, segment = min(candidates, key=lambda c: c[0])
                frame = int(np.abs(segment.frame_end - note.offset).argmin())
                near = int(segment.ticks[segment.frame_row[frame]])
                ticks = near + nearest(note.ticks - near, MODULUS)
                host_ns = int(clock.to_host_ns(key, np.array([ticks]))[0])
        severity = _SEVERITY.get(note.severity, "serious")
        yield NoteRecord(severity=severity, host_ns=host_ns, text=f"{SPOKEN}{note.text}")


def _remarks(
    device: str,
    serial: str,
    hellos: Sequence[Hello],
    pieces: Sequence[Decoded],
    saved: Sequence[Hello],
    *,
    received: int,
) -> Iterator[NoteRecord]:
    """Say what does not fit between the stand, the hellos and the frames."""
    if not received:
        yield NoteRecord(severity="serious", host_ns=None, text="not one byte was received")
    elif saved:
        names = ", ".join(dict.fromkeys(hello.name for hello in saved))
        text = (
            f"no hello of {names} came; its rows were decoded by the saved layout, and of the boot counter only the "
            "low byte is known"
        )
        yield NoteRecord(severity="caution", host_ns=None, text=text)
    elif not hellos:
        refused = list(dict.fromkeys(text for piece in pieces for text in piece.refused_hellos))
        why = f"every hello was refused ({'; '.join(refused)})" if refused else "no hello was received"
        text = f"{why}, so no row can be decoded; the journal keeps the frames"
        yield NoteRecord(severity="serious", host_ns=None, text=text)
    for told in sorted({hello.device for hello in hellos} - {device}):
        text = f'the device calls itself "{told}", the stand calls it "{device}"; correct one of them'
        yield NoteRecord(severity="caution", host_ns=None, text=text)
    for told in sorted({hello.serial for hello in hellos} - {serial}):
        if serial:
            text = f'the device has serial number "{told}", the stand says "{serial}"; is it the right board?'
            yield NoteRecord(severity="serious", host_ns=None, text=text)
    for text in dict.fromkeys(refusal for piece in pieces for refusal in piece.refusals):
        yield NoteRecord(severity="caution", host_ns=None, text=text)


def _rollovers(assemblies: Sequence[Assembly]) -> Iterator[NoteRecord]:
    if not assemblies:
        return
    ticks = [segment.ticks for segment in assemblies[0].segments if segment.ticks.size]
    times = sum(int(own[-1]) // MODULUS - int(own[0]) // MODULUS for own in ticks)
    if times:
        text = f"the device clock rolled over {times} time{'s' if times > 1 else ''} and was unwrapped"
        yield NoteRecord(severity="note", host_ns=None, text=text)
