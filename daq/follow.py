"""What a growing journal says so far: rows, losses and damage of one device, and the first bytes for a first look.

Reads what capture has written and holds up nothing. Counts are for people to watch by; the sealed record counts
again from the whole journal.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from daq.envelope import Event
from daq.hello import Hello
from daq.journal import JournalFollower, journals_of
from daq.lines import LineDecoder, LineLayout
from daq.script import PLAYED_OUT
from daq.stand import Device
from daq.wire import Decoder

FIRST_BYTES: Final = 4096  # kept to describe a port on which nothing valid came
_MODULUS: Final = 2**32


@dataclass(frozen=True, slots=True)
class Seen:
    """Counts of one device since recording began."""

    device: str
    received_bytes: int
    frames: int  # valid frames, or valid text lines
    rows: int
    lost_rows: int  # rows missing between rows that came
    damaged: int  # frames or lines
    openings: int
    newest_arrival_ns: int | None  # monotonic [ns]


def line_layout(device: Device) -> LineLayout:
    """Turn the stand's description of a text device into the decoder's."""
    text = device.text_lines
    assert text is not None  # noqa: S101 - the stand's validator requires it
    return LineLayout(
        columns=text.columns,
        clock=text.clock,
        clock_modulus=text.clock_modulus,
        clock_hz=text.clock_hz if text.clock else None,
        counter=text.counter,
        boot=text.boot,
    )


class Follower:
    """Follows the journals of one device as capture writes them.

    Parameters
    ----------
    device : Device
        The stand's entry.
    folder : Path
        Where capture puts its journals.
    """

    def __init__(self, device: Device, folder: Path) -> None:
        self.device = device
        self.first_bytes = b""
        self.played_out = False  # a made-up device said that its last row is out
        self.hellos: dict[str, Hello] = {}  # the newest of each stream, by its name
        self._folder = folder
        self._journals: list[JournalFollower] = []
        self._decoder = self._new_decoder()
        self._next: dict[tuple[int, int], int] = {}  # (stream, boot) -> sequence expected
        self._bytes = self._frames = self._rows = self._lost = self._damaged = 0
        self._newest: int | None = None

    def poll(self) -> Seen:
        """Take in what is new and return the counts so far."""
        known = [follower.path for follower in self._journals]
        for path in journals_of(self._folder, self.device.name):
            if path not in known:
                self._take(b"", finish=True)  # an opening ends in half a frame
                self._decoder = self._new_decoder()
                self._journals.append(JournalFollower(path))
        for follower in self._journals[-2:]:  # what an earlier one still held, then the newest
            for row in follower.poll():
                if row.event is Event.DATA:
                    self._newest = row.arrival_ns
                    self._take(row.data)
        return Seen(
            self.device.name,
            self._bytes,
            self._frames,
            self._rows,
            self._lost,
            self._damaged,
            len(self._journals),
            self._newest,
        )

    def _new_decoder(self) -> Decoder | LineDecoder:
        if self.device.format == "text lines":
            return LineDecoder(line_layout(self.device))
        return Decoder(self.hellos.values())

    def _take(self, data: bytes, *, finish: bool = False) -> None:
        self._bytes += len(data)
        if len(self.first_bytes) < FIRST_BYTES:
            self.first_bytes += data[: FIRST_BYTES - len(self.first_bytes)]
        if isinstance(self._decoder, LineDecoder):
            lines = self._decoder.finish() if finish else self._decoder.feed(data)
            self._frames += len(lines.values)
            self._rows += len(lines.values)
            self._lost += int(lines.lost_before.sum())
            self._damaged += lines.damaged_lines
            return
        decoded = self._decoder.finish() if finish else self._decoder.feed(data)
        self._frames += decoded.frames
        self._damaged += decoded.damaged_frames
        for hello, _ in decoded.hellos:
            self.hellos[hello.name] = hello
        self.played_out |= any(note.text == PLAYED_OUT for note in decoded.notes)
        for block in decoded.blocks:
            self._count(block.stream, block.boot, block.sequence.tolist())

    def _count(self, stream: int, boot: int, sequence: list[int]) -> None:
        self._rows += len(sequence)
        expected = self._next.get((stream, boot), sequence[0])
        span = (sequence[-1] - expected) % _MODULUS + 1
        if span < _MODULUS // 2:  # else the rows are older ones that came again
            self._lost += max(0, span - len(sequence))
            self._next[stream, boot] = (sequence[-1] + 1) % _MODULUS
