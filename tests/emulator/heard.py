"""What a stream of bytes says, through the package's own decoder: rows by start of the board, losses, words."""

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from standbook.daq.recovery.decode_wire import decode_all
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.messages import Beat, Edge, Note

OVERRUN = re.compile(r"overrun: (\d+) rows skipped")


@dataclass(frozen=True, slots=True)
class Overrun:
    """A note that rows were skipped since the last such note."""

    rows: int
    ticks: int


@dataclass(frozen=True, slots=True)
class Start:
    """One start of the board."""

    boot: int
    sequence: np.ndarray  # (N,) of the rows that came, in wire order
    ticks: np.ndarray  # (N,) of each of them
    counts: np.ndarray  # (N, C)

    @property
    def lost(self) -> int:
        """Count the rows missing before the last one that came."""
        return int(self.sequence[-1]) + 1 - self.sequence.size


@dataclass(frozen=True, slots=True)
class Heard:
    """All of a stream."""

    hello: Hello  # the last one
    hellos: int
    starts: Mapping[int, Start]  # by the low byte of the boot counter
    edges: tuple[Edge, ...]
    beats: tuple[Beat, ...]
    notes: tuple[Note, ...]
    damaged: int  # frames, refused ones included

    @property
    def overruns(self) -> tuple[Overrun, ...]:
        """Return the notes that tell of skipped rows."""
        found = [(OVERRUN.match(note.text), note.ticks) for note in self.notes]
        return tuple(Overrun(int(words[1]), ticks) for words, ticks in found if words)


def hear(sent: bytes, stream: int = 1) -> Heard:
    """Decode all that was sent; the rows are those of one stream."""
    pieces = list(decode_all(sent))
    hellos = [hello for piece in pieces for hello, _ in piece.hellos]
    blocks = [block for piece in pieces for block in piece.blocks if block.stream == stream]
    starts = {}
    for boot in dict.fromkeys(block.boot for block in blocks):
        mine = [block for block in blocks if block.boot == boot]
        within = [np.arange(block.rows) - np.repeat(block.frame_row, block.frame_count) for block in mine]
        ticks = [
            np.repeat(block.frame_ticks, block.frame_count) + block.interval_ticks * rows
            for block, rows in zip(mine, within, strict=True)
        ]
        starts[boot] = Start(
            boot,
            np.concatenate([block.sequence for block in mine]),
            np.concatenate(ticks),
            np.concatenate([block.counts for block in mine]),
        )
    return Heard(
        hellos[-1],
        len(hellos),
        starts,
        tuple(edge for piece in pieces for edge in piece.edges),
        tuple(beat for piece in pieces for beat in piece.beats),
        tuple(note for piece in pieces for note in piece.notes),
        sum(piece.damaged_frames + piece.refused_frames for piece in pieces),
    )
