"""Describe a device's streams: the hello of wire format 1, and the packing of a row of counts.

Numbers are as on the wire: ticks of the device clock, raw counts. A hello describes one stream. Anything
a hello gets wrong is refused in one sentence; nothing is repaired or guessed. No byte framing here
(``daq.wire.decoder``) and no calibration: a channel's counts become a quantity elsewhere.
"""

import json
import math
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from standbook.daq.errors import FrameError

FORMAT: Final = 1
MAX_BODY: Final = 1020  # bytes of kind and content, without CRC
SAMPLES_HEADER_BYTES: Final = 15  # kind, stream, boot, layout, lines, count, sequence, ticks
BEAT_HEADER_BYTES: Final = 7  # kind, boot, lines, ticks
MAX_LINES: Final = 8  # levels travel as the bits of one byte
MAX_NAME: Final = 64  # characters; a longer name would fill a hello by itself
MAX_SHOWN: Final = 40  # characters of a value in a sentence

TYPE_RANGES: Final[dict[str, tuple[int, int]]] = {
    "u8": (0, 2**8 - 1),
    "i16": (-(2**15), 2**15 - 1),
    "u16": (0, 2**16 - 1),
    "i24": (-(2**23), 2**23 - 1),
    "i32": (-(2**31), 2**31 - 1),
}
TYPE_BYTES: Final[dict[str, int]] = {"u8": 1, "i16": 2, "u16": 2, "i24": 3, "i32": 4}

_RANGES: Final[dict[str, tuple[int, int]]] = {
    "boot": (0, 2**32 - 1),
    "tick_hz": (1, 10**9),
    "stream": (0, 255),
    "streams": (1, 255),
    "skew_ticks": (0, 2**32 - 1),
    "latency_ticks": (0, 2**32 - 1),
    "interval_ticks": (1, 2**31 - 1),  # beyond this one row could hide a rollover of the 32-bit clock
}

DELAYS: Final = ("skew_ticks", "latency_ticks")  # keys that a hello may leave out

_T = TypeVar("_T")


@dataclass(frozen=True, slots=True)
class WireChannel:
    """One channel of a stream: its name on the wire, packed type and the counts at its two rails."""

    name: str
    type: str  # 'u8' | 'i16' | 'u16' | 'i24' | 'i32'
    minimum: int
    maximum: int


@dataclass(frozen=True, slots=True)
class WireLine:
    """One digital input: ``line`` is its bit in every ``lines`` byte."""

    line: int
    name: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Hello:
    """The description of one stream of one device, as sent at boot and once a second.

    Raises
    ------
    ValueError
        A field is out of range, a name is doubled or a row would not fit a frame.
    """

    device: str
    serial: str
    firmware: str
    boot: int  # full boot counter; frames carry its low byte
    tick_hz: int  # nominal rate of the device clock [1/s]
    stream: int
    streams: int  # how many streams the device has
    name: str
    interval_ticks: int  # nominal ticks between two rows
    channels: tuple[WireChannel, ...]
    lines: tuple[WireLine, ...]
    time_scale: float = 1.0  # above 1 only in a rehearsal faster than real time
    rehearsal: bool = False  # a simulated device says so itself, at any speed
    skew_ticks: int = 0  # from one channel of a row to the next; a row's ticks are of its first
    latency_ticks: int = 0  # that the converter's filter is behind its input

    def __post_init__(self) -> None:
        for fault in _faults(self):
            raise ValueError(fault)

    @property
    def layout(self) -> int:
        """Low 16 bits of the CRC-32 of ``name:type,...@interval_ticks``."""
        text = ",".join(f"{channel.name}:{channel.type}" for channel in self.channels)
        return zlib.crc32(f"{text}@{self.interval_ticks}".encode()) & 0xFFFF

    def skew(self, place: int) -> float:
        """Return how long after a row's ticks its channel at a place was converted. [s]."""
        return place * self.skew_ticks / self.tick_hz

    @property
    def latency(self) -> float:
        """How far the converter's filter is behind its input. [s]."""
        return self.latency_ticks / self.tick_hz

    @property
    def is_rehearsal(self) -> bool:
        """Tell whether this device sends simulated values."""
        return self.rehearsal or self.time_scale != 1.0

    @property
    def row_bytes(self) -> int:
        """Bytes of one packed row."""
        return sum(TYPE_BYTES[channel.type] for channel in self.channels)

    @property
    def max_rows(self) -> int:
        """Most rows that one samples frame can carry."""
        return min(255, (MAX_BODY - SAMPLES_HEADER_BYTES) // self.row_bytes)

    def to_json(self) -> bytes:
        """Write the JSON that follows the kind byte of a hello frame.

        Raises
        ------
        ValueError
            The text does not fit one frame; shorten names or split the stream.
        """
        content: dict[str, Any] = {
            "format": FORMAT,
            "device": self.device,
            "serial": self.serial,
            "firmware": self.firmware,
            "boot": self.boot,
            "tick_hz": self.tick_hz,
            "stream": self.stream,
            "streams": self.streams,
            "name": self.name,
            "interval_ticks": self.interval_ticks,
            "layout": self.layout,
            "channels": [{"name": c.name, "type": c.type, "min": c.minimum, "max": c.maximum} for c in self.channels],
            "lines": [{"line": line.line, "name": line.name} for line in self.lines],
        }
        if self.time_scale != 1.0:
            content["time_scale"] = self.time_scale
        if self.rehearsal:
            content["rehearsal"] = True
        content |= {key: ticks for key in DELAYS if (ticks := getattr(self, key))}
        text = json.dumps(content, separators=(",", ":"), ensure_ascii=False).encode()
        if len(text) > MAX_BODY - 1:
            raise ValueError(
                f"hello of stream {self.name!r} takes {len(text)} bytes, a frame holds {MAX_BODY - 1}: "
                "shorten the names or spread the channels over two streams"
            )
        return text

    @classmethod
    def from_json(cls, content: bytes) -> "Hello":
        """Read the JSON of a hello frame.

        Raises
        ------
        FrameError
            One sentence on the first thing that is wrong: not JSON, a missing key, a wrong type, a value
            out of range, a doubled name, a layout number that does not belong to the channels.
        """
        fields = _fields_of(content)
        scale = fields.get("time_scale", 1.0)
        if isinstance(scale, bool) or not isinstance(scale, int | float):
            raise FrameError(f"hello: time_scale is {_told(scale)}, must be a number")
        rehearsal = fields.get("rehearsal", False)
        if not isinstance(rehearsal, bool):
            raise FrameError(f"hello: rehearsal is {_told(rehearsal)}, must be true or false")
        try:
            hello = cls(
                device=_get(fields, "device", str),
                serial=_get(fields, "serial", str),
                firmware=_get(fields, "firmware", str),
                boot=_get(fields, "boot", int),
                tick_hz=_get(fields, "tick_hz", int),
                stream=_get(fields, "stream", int),
                streams=_get(fields, "streams", int),
                name=_get(fields, "name", str),
                interval_ticks=_get(fields, "interval_ticks", int),
                channels=tuple(_channel(entry) for entry in _objects(fields, "channels")),
                lines=tuple(_line(entry) for entry in _objects(fields, "lines")),
                time_scale=float(scale),
                rehearsal=rehearsal,
                **{key: _get(fields, key, int) for key in DELAYS if key in fields},
            )
            stated = _get(fields, "layout", int)
        except (ValueError, OverflowError) as error:
            raise FrameError(str(error)) from error
        if stated != hello.layout:
            raise FrameError(
                f"hello of {hello.device!r}, stream {hello.name!r}: layout says {stated}, "
                f"its channels and interval give {hello.layout}; the firmware contradicts itself"
            )
        return hello


def _fields_of(content: bytes) -> dict[str, Any]:
    """Read the object that a hello is, of the format that this program reads."""
    if len(content) > MAX_BODY - 1:
        raise FrameError(f"hello has {len(content)} bytes, format {FORMAT} allows {MAX_BODY - 1}")
    try:
        fields = json.loads(content.decode("utf-8"), object_pairs_hook=_unique_keys)
    except (ValueError, RecursionError) as error:
        raise FrameError(f"hello is not readable JSON: {error}") from error
    if not isinstance(fields, dict):
        raise FrameError("hello is not a JSON object")
    if fields.get("format") != FORMAT:
        raise FrameError(
            f"hello speaks format {_told(fields.get('format'))}, this program reads format {FORMAT}: update one of them"
        )
    return fields


def _channel(entry: dict[str, Any]) -> WireChannel:
    name, kind = _get(entry, "name", str), _get(entry, "type", str)
    return WireChannel(name, kind, _get(entry, "min", int), _get(entry, "max", int))


def _line(entry: dict[str, Any]) -> WireLine:
    return WireLine(_get(entry, "line", int), _get(entry, "name", str))


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise ValueError("a key stands twice")
    return found


def _told(value: object) -> str:
    """Show a value in a sentence; lists and objects are named only, since they may nest without end."""
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "an object"
    text = repr(value)
    return text if len(text) <= MAX_SHOWN else f"{text[:MAX_SHOWN]}..."


def _get(fields: dict[str, Any], key: str, kind: type[_T]) -> _T:
    if key not in fields:
        raise ValueError(f"hello: key {key!r} is missing")
    value = fields[key]
    if not isinstance(value, kind) or isinstance(value, bool):
        wanted = "text" if kind is str else "a whole number"
        raise ValueError(f"hello: {key} is {_told(value)}, must be {wanted}")  # noqa: TRY004 - a fault of content
    return value


def _objects(fields: dict[str, Any], key: str) -> list[dict[str, Any]]:
    entries = fields.get(key)
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        raise ValueError(f"hello: {key} must be a list of objects")
    return entries


def _faults(hello: Hello) -> Iterable[str]:
    """Yield a sentence for each fault, the most basic first."""
    who = f"hello of {hello.device[:MAX_NAME]!r}, stream {hello.name[:MAX_NAME]!r}"
    for key in ("device", "serial", "firmware", "name"):
        yield from _name_faults(f"{who}: {key}", getattr(hello, key))
    if any(mark in hello.name for mark in "/\\"):  # a file will carry it
        yield f"{who}: name is {hello.name[:MAX_NAME]!r}, may not hold / or \\"
    for key, (low, high) in _RANGES.items():
        value = getattr(hello, key)
        if not low <= value <= high:
            yield f"{who}: {key} is {value}, must be {low} to {high}"
    if not (math.isfinite(hello.time_scale) and 0.0 < hello.time_scale <= 1000.0):
        yield f"{who}: time_scale is {hello.time_scale}, must be above 0 and at most 1000"
    if not hello.channels:
        yield f"{who}: no channels"
    for channel in hello.channels:
        yield from _channel_faults(who, channel)
    yield from _doubles(f"{who}: channel", [channel.name for channel in hello.channels])
    if SAMPLES_HEADER_BYTES + hello.row_bytes > MAX_BODY:
        yield f"{who}: a row of {hello.row_bytes} bytes does not fit a frame of {MAX_BODY}"
    for line in hello.lines:
        yield from _name_faults(f"{who}: name of line {line.line}", line.name)
        if not 0 <= line.line < MAX_LINES:
            yield f"{who}: line {line.name!r} has number {line.line}, must be 0 to {MAX_LINES - 1}"
    yield from _doubles(f"{who}: line", [line.name for line in hello.lines])
    yield from _doubles(f"{who}: line number", [str(line.line) for line in hello.lines])
    if BEAT_HEADER_BYTES + 6 * len(hello.lines) + 5 * hello.streams > MAX_BODY:
        yield f"{who}: a beat of {len(hello.lines)} lines and {hello.streams} streams does not fit a frame"


def _channel_faults(who: str, channel: WireChannel) -> Iterable[str]:
    where = f"{who}: channel {channel.name[:MAX_NAME]!r}"
    yield from _name_faults(f"{who}: channel name", channel.name)
    if any(mark in channel.name for mark in ",:@"):  # they separate the parts of the layout text
        yield f"{where}: a name may not hold a comma, colon or @"
    if channel.type not in TYPE_RANGES:
        yield f"{where}: type is {channel.type[:MAX_NAME]!r}, must be one of {' '.join(TYPE_RANGES)}"
    low, high = TYPE_RANGES.get(channel.type, (0, 0))
    if not low <= channel.minimum < channel.maximum <= high:
        yield (
            f"{where}: min {channel.minimum} and max {channel.maximum} must rise and lie within "
            f"{low} to {high} ({channel.type})"
        )


def _name_faults(what: str, name: str) -> Iterable[str]:
    if not 1 <= len(name) <= MAX_NAME or not name.isprintable() or name != name.strip():
        yield f"{what} is {name[:MAX_NAME]!r}, must be 1 to {MAX_NAME} printable characters with no space around"


def _doubles(what: str, names: list[str]) -> Iterable[str]:
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        yield f"{what} {name!r} stands twice"
