"""Inject faults into the bytes between a simulated device and its reader.

Pure: what a device says (``daq.rehearsal.script``) goes in, in order of time, and what the link carries comes out.
Damage is done to a stretch of bytes, frames or not; a stretch ends at a delimiter, so that frames behind it are as
they were. Which bytes are hit is drawn from the fault itself: the same fault does the same damage. What arrives whole
is not claimed here but read back from the bytes (``daq.rehearsal.ground_truth``).
"""

import heapq
import zlib
from collections.abc import Iterable, Iterator, Sequence
from functools import partial

import numpy as np

from standbook.daq.rehearsal.fault_catalogue import (
    PACKET,
    DoubledChunks,
    DroppedBytes,
    FlippedBits,
    HalfFrameFirst,
    NoiseFirst,
    ReorderedChunks,
    Stall,
    Unplug,
)
from standbook.daq.rehearsal.script import Event, Said
from standbook.daq.rehearsal.sensor_faults import Fault

QUIET = 0.05  # s of device time after which the link has nothing left under way: no damage spans a silence
_DAMAGING = (DroppedBytes, FlippedBits, DoubledChunks, ReorderedChunks)


def on_the_link(said: Iterator[Said], faults: Sequence[Fault]) -> Iterator[Said]:
    """Yield the bytes that the link carries, faults included.

    Parameters
    ----------
    said : iterator of Said
        In order of time.
    faults : sequence of Fault
        Those of the link and the port are played, in order of time. The rest is others' business.
    """
    first = [Said(0.0, noise) for fault in faults if isinstance(fault, NoiseFirst) for noise in (_noise(fault),)]
    if any(isinstance(fault, HalfFrameFirst) for fault in faults):
        said = _half_first(said)
    said = _chained(first, said)
    for fault in sorted((f for f in faults if isinstance(f, _DAMAGING)), key=lambda f: f.at):
        said = _damaged(said, fault)
    events = sorted((event for fault in faults for event in _events(fault)), key=lambda event: event.at)
    return heapq.merge(events, said, key=lambda item: item.at)


def damage(data: bytes, fault: Fault, start: int) -> bytes:
    """Apply a fault to a stretch of the link, from one of its bytes on."""
    if isinstance(fault, DroppedBytes):
        return data[:start] + data[start + fault.count :]
    if isinstance(fault, FlippedBits):
        changed = bytearray(data)
        bits = 8 * min(fault.spread, len(data) - start)
        for bit in _random(fault).choice(bits, min(fault.count, bits), replace=False).tolist():
            changed[start + bit // 8] ^= 1 << bit % 8
        return bytes(changed)
    if isinstance(fault, DoubledChunks):
        end = start + fault.count * PACKET
        return data[:end] + data[start:end] + data[end:]
    if isinstance(fault, ReorderedChunks):
        middle, end = start + fault.count * PACKET, start + 2 * fault.count * PACKET
        return data[:start] + data[middle:end] + data[start:middle] + data[end:]
    raise TypeError(f"{type(fault).__name__} does nothing to bytes")


def _reach(fault: Fault) -> int:
    """Return how many bytes of the link a fault touches."""
    if isinstance(fault, DroppedBytes):
        return fault.count
    if isinstance(fault, FlippedBits):
        return fault.spread
    if isinstance(fault, DoubledChunks):
        return fault.count * PACKET
    assert isinstance(fault, ReorderedChunks)  # noqa: S101 - the last of those that damage
    return 2 * fault.count * PACKET


def _damaged(said: Iterator[Said], fault: Fault) -> Iterator[Said]:
    items: list[Said] = []
    after: list[Said] = []
    start = 0
    for item in said:
        if item.at < fault.at:
            yield item
            continue
        if not items:  # from the midst of a frame
            start = int(_random(fault).integers(0, len(item.frame))) if item.frame else 0
        if items and item.at > items[-1].at + QUIET:
            after.append(item)
            break
        items.append(item)
        if sum(len(each.frame) for each in items) >= start + _reach(fault):
            break
    if not items:
        return
    data = damage(b"".join(item.frame for item in items), fault, start)
    said = _chained(after, said)
    for item in _until_delimiter(data, said):
        items.append(item)
        data += item.frame
    yield Said(items[-1].at, data, tuple(part for item in items for part in item.parts))
    yield from said


def _until_delimiter(data: bytes, said: Iterator[Said]) -> Iterator[Said]:
    """Take what follows until a frame ends as it was: what comes after is untouched."""
    while not data.endswith(b"\0"):
        item = next(said, None)
        if item is None:
            return
        data = item.frame
        yield item


def _chained(first: Iterable[Said], said: Iterator[Said]) -> Iterator[Said]:
    yield from first
    yield from said


def _half_first(said: Iterator[Said]) -> Iterator[Said]:
    """Begin with the second half of a frame that was sent before the first row."""
    first = next(said, None)
    if first is not None:
        yield Said(0.0, first.frame[len(first.frame) // 2 :])
        yield first
    yield from said


def _noise(fault: NoiseFirst) -> bytes:
    return _random(fault).bytes(fault.count)


def _events(fault: Fault) -> Iterator[Said]:
    event = partial(Said, frame=b"", parts=())
    if isinstance(fault, Unplug):
        yield event(fault.at, event=Event.UNPLUGGED)
        yield event(fault.at + fault.seconds, event=Event.PLUGGED)
    elif isinstance(fault, Stall):
        yield event(fault.at, event=Event.STALLED)
        yield event(fault.at + fault.seconds, event=Event.RUNNING)


def _random(fault: Fault) -> np.random.Generator:
    return np.random.default_rng(zlib.crc32(repr(fault).encode()))
