"""Listen to a board and report its identity, its streams and the quality of its link.

From bytes with their arrivals to a frozen account and its sentences, and how that fits a stand. The port is handed in;
nothing is written to it, kept or recorded. Clock rates are of these few seconds and say so by their uncertainty.
"""

import json
from array import array
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import numpy as np

from standbook.daq.config.stand import Device, Stand
from standbook.daq.recovery.decode_wire import DecodedDevice, decode_all, recover_wire
from standbook.daq.recovery.device_clock import device_ppm
from standbook.daq.recovery.device_stream import DeviceStream, PortOpening
from standbook.daq.wire.byte_survey import describe_bytes
from standbook.daq.wire.decoder import Decoded
from standbook.daq.wire.hello import Hello

PATIENCE: Final = 0.1  # [s] a read waits
SHOWN: Final = 65_536  # bytes that are looked at when nothing valid came


class Source(Protocol):
    """Interface of a port that can be listened to; ``daq.capture.serial_port.ReadPort`` implements it."""

    def read(self, timeout: float) -> bytes:
        """Wait for bytes, at most ``timeout`` seconds."""


@dataclass(frozen=True, slots=True)
class StreamHeard:
    """One stream, with its rows received and lost."""

    hello: Hello
    rows: int
    lost_rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardSurvey:
    """Result of listening to a board for some time."""

    seconds: float
    received_bytes: int
    frames: int
    damaged_frames: int
    damaged_bytes: int
    hellos: tuple[Hello, ...]  # the newest of each stream and layout
    streams: tuple[StreamHeard, ...]
    clock_ppm: float | None  # positive when the device is fast [ppm]
    clock_u_ppm: float | None  # standard uncertainty [ppm]
    notes: tuple[str, ...]
    instead: str  # what came, in words, when no hello did; else empty

    @property
    def is_text(self) -> bool:
        """Tell whether the board prints lines."""
        return not self.frames and self.instead.startswith("text")

    def sentences(self) -> tuple[str, ...]:
        """Describe the result, one line a fact."""
        told = []
        if self.instead:
            told.append(f"no hello that can be read in {self.seconds:.1f} s; what came: {self.instead}")
        for hello in self.hellos[:1]:
            told.append(
                f"{hello.device}, serial {hello.serial}, firmware {hello.firmware}, boot {hello.boot}, clock of "
                f"{hello.tick_hz:,} ticks a second"
            )
            if hello.is_rehearsal:
                told.append(f"it says that it is simulated, playing {hello.time_scale:g} times real time")
        for stream in self.streams:
            hello = stream.hello
            channels = ", ".join(f"{channel.name} {channel.type}" for channel in hello.channels)
            rate = hello.tick_hz / hello.interval_ticks
            told.append(f"stream {hello.name}: {rate:,.6g} rows a second, {len(hello.channels)} channels: {channels}")
            told.append(f"stream {hello.name}: {stream.rows:,} rows came, {stream.lost_rows:,} lost between them")
        for hello in self.hellos[:1]:
            lines = ", ".join(f"{line.name} ({line.line})" for line in hello.lines) or "none"
            told.append(f"digital lines: {lines}")
        if self.frames or self.damaged_frames:
            pieces = self.frames + self.damaged_frames
            told.append(
                f"link: {self.received_bytes:,} bytes in {self.seconds:.1f} s, {self.damaged_frames:,} of {pieces:,} "
                f"frames with checksum error ({self.damaged_frames / pieces:.2%})"
            )
        if self.clock_ppm is not None and self.clock_u_ppm is not None:
            told.append(
                f"clock so far: {self.clock_ppm:+,.0f} ppm against this computer, standard uncertainty "
                f"{self.clock_u_ppm:,.0f} ppm"
            )
        elif self.hellos:
            told.append("clock so far: too few arrivals to say")
        return (*told, *self.notes)

    def to_json(self) -> dict[str, Any]:
        """Return the result as plain data."""
        first = self.hellos[0] if self.hellos else None
        return {
            "seconds": self.seconds,
            "received_bytes": self.received_bytes,
            "frames": self.frames,
            "damaged_frames": self.damaged_frames,
            "damaged_bytes": self.damaged_bytes,
            "device": None if first is None else first.device,
            "serial": None if first is None else first.serial,
            "firmware": None if first is None else first.firmware,
            "boot": None if first is None else first.boot,
            "rehearsal": any(hello.is_rehearsal for hello in self.hellos),
            "lines": [] if first is None else [line.name for line in first.lines],
            "streams": [
                {
                    "name": stream.hello.name,
                    "rate": stream.hello.tick_hz / stream.hello.interval_ticks,
                    "channels": [{"name": c.name, "type": c.type} for c in stream.hello.channels],
                    "rows": stream.rows,
                    "lost_rows": stream.lost_rows,
                }
                for stream in self.streams
            ],
            "clock_ppm": self.clock_ppm,
            "clock_u_ppm": self.clock_u_ppm,
            "notes": list(self.notes),
            "instead": self.instead,
        }


def listen(
    source: Source, seconds: float, clock: Callable[[], int], *, progress: Callable[[float, int], None] | None = None
) -> PortOpening:
    """Listen for some time and report what was received.

    Parameters
    ----------
    source : Source
        An open port.
    seconds : float
        How long. [s]
    clock : callable
        Monotonic. [ns]
    progress : callable, optional
        Told the seconds gone and the bytes that came, after each read.

    Raises
    ------
    LinkError
        The port was lost.
    """
    stream, ends, arrivals = bytearray(), array("q"), array("q")
    start = clock()
    while (now := clock()) - start < seconds * 1e9:
        piece = source.read(min(PATIENCE, seconds - (now - start) / 1e9))
        if piece:
            stream += piece
            ends.append(len(stream))
            arrivals.append(clock())
        if progress is not None:
            progress((clock() - start) / 1e9, len(stream))
    return PortOpening(bytes(stream), np.array(ends, np.int64), np.array(arrivals, np.int64))


def account_for(opening: PortOpening, seconds: float) -> BoardSurvey:
    """Evaluate received bytes with their arrival times."""
    pieces = list(decode_all(opening.stream))
    newest = {(hello.stream, hello.layout): hello for piece in pieces for hello, _ in piece.hellos}
    hellos = tuple(newest[key] for key in sorted(newest))
    device = recover_wire(
        DeviceStream(
            device=hellos[0].device if hellos else "", openings=(opening,), joined=opening, notes=(), torn_bytes=0
        ),
        origin_ns=int(opening.arrival_ns[0]) if opening.arrival_ns.size else 0,
        tolerance=0.0,  # nothing is declared here: the arrivals alone speak
    )
    clock = device.clock
    measured = clock is not None and clock.hull_skew is not None and clock.hull_skew_u is not None
    return BoardSurvey(
        seconds=seconds,
        received_bytes=len(opening.stream),
        frames=sum(piece.frames for piece in pieces),
        damaged_frames=sum(piece.damaged_frames for piece in pieces),
        damaged_bytes=sum(piece.damaged_bytes for piece in pieces),
        hellos=hellos,
        streams=tuple(_streams(device, hellos)),
        clock_ppm=device_ppm(clock.hull_skew) if measured and clock and clock.hull_skew is not None else None,
        clock_u_ppm=1e6 * clock.hull_skew_u if measured and clock and clock.hull_skew_u is not None else None,
        notes=tuple(note.text for note in device.notes if hellos and note.severity != "note"),
        instead=_instead(pieces, opening.stream) if not hellos else "",
    )


def device_table(heard: BoardSurvey, baud: int) -> tuple[str, ...]:
    """Write the board's ``[[device]]`` table for ``stand.toml``, lines to be pasted; none without a hello."""
    return tuple(
        line
        for hello in heard.hellos[:1]
        for line in (
            "[[device]]",
            f"name = {json.dumps(hello.device, ensure_ascii=False)}",
            f"serial = {json.dumps(hello.serial, ensure_ascii=False)}",
            f"baud = {baud}",
        )
    )


def differences(heard: BoardSurvey, baud: int, device: Device, stand: Stand) -> tuple[str, ...]:
    """List where a stand's device differs from what the board reported and how it was heard."""
    first = heard.hellos[0]
    told = [
        f"{what} is {stated}, the board says {said}"
        for what, stated, said in (("name", device.name, first.device), ("serial", device.serial, first.serial))
        if stated not in ("", said)
    ]
    if device.baud != baud:
        told.append(f"baud is {device.baud}, the board was heard at {baud}")
    sent = {(hello.name, channel.name) for hello in heard.hellos for channel in hello.channels}
    asked = {(i.stream, i.wire): i.tag for i in stand.input if i.device == device.name}
    told += [
        f"input {tag} is on wire {wire} of stream {stream}, which the board does not send"
        for (stream, wire), tag in asked.items()
        if (stream, wire) not in sent
    ]
    spare = sorted(f"{wire} of stream {stream}" for stream, wire in sent - asked.keys())
    if spare:
        told.append(f"no input for what the board sends: {', '.join(spare)}")
    return tuple(told)


def _streams(device: DecodedDevice, hellos: Sequence[Hello]) -> list[StreamHeard]:
    found = []
    for stream in device.streams:
        wires = [channel.wire for channel in stream.channels]
        hello = next(
            h
            for h in hellos
            if h.name == stream.told
            and [channel.name for channel in h.channels] == wires
            and h.interval_ticks == stream.interval_ticks
        )
        rows = sum(part.sequence.size for part in stream.segments)
        lost = sum(hole.rows for part in stream.segments for hole in part.holes)
        found.append(StreamHeard(hello, rows, lost))
    return found


def _instead(pieces: Sequence[Decoded], stream: bytes) -> str:
    frames = sum(piece.frames for piece in pieces)
    waiting = pieces[-1].pending_frames + sum(piece.spilled_frames for piece in pieces)
    told = describe_bytes(stream[:SHOWN])
    refused = dict.fromkeys(text for piece in pieces for text in piece.refused_hellos)
    if refused:
        told += f"; its hello is refused: {'; '.join(refused)}; correct the firmware"
    elif frames:
        told += f"; {waiting:,} of them carry rows of an unknown layout: the firmware must send hello once a second"
    return told
