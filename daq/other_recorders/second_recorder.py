"""Decode a second recorder's card file: the bytes of one device, each start of the device with its rows.

A card file is the bytes of wire format 1 as the device wrote them: it may begin amid a frame, be damaged or cut.
A journal (``.arrows``) will do as well. The whole file is held in memory while it is decoded. What is believed of it
is decided in ``daq.other_recorders.fill_gaps``.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.errors import ConfigError, DataError, RecordError
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.writer import SUFFIX
from standbook.daq.recovery.decode_wire import assemble_all, decode_all, full_boots
from standbook.daq.regular_file import CARD_BYTES, read_regular
from standbook.daq.storage.durable_file import reason
from standbook.daq.wire.hello import Hello
from standbook.daq.wire.line_edges import PlacedEdge


@dataclass(frozen=True, slots=True, eq=False)
class CardStart:
    """Rows of one stream between two starts of the device, in order and each once."""

    boot: int  # whole counter, as hello says it
    sequence: Ints  # (N,)
    ticks: Ints  # (N,) unwrapped from the first row of the card
    counts: NDArray[np.int32]  # (N, C)


@dataclass(frozen=True, slots=True, eq=False)
class CardStream:
    """One stream and layout."""

    hello: Hello
    starts: tuple[CardStart, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Card:
    """One card file, decoded."""

    path: Path
    devices: tuple[tuple[str, str], ...]  # name and serial number, of every hello
    streams: tuple[CardStream, ...]
    edges: tuple[tuple[int, str, PlacedEdge], ...]  # boot, name of the line, edge with ticks as in ``streams``
    damaged_frames: int


def card_bytes(path: Path) -> bytes:
    """Read the bytes that a device wrote to its card.

    Raises
    ------
    ConfigError
        There is no such file.
    DataError
        It is empty.
    RecordError
        It cannot be read.
    """
    if path.is_dir():
        raise ConfigError(f"{path}: is a folder; give the file that the second recorder wrote")
    if not path.exists():
        raise ConfigError(f"{path}: no such file")
    try:
        stream = read_journal(path).stream if path.suffix == SUFFIX else read_regular(path, at_most=CARD_BYTES)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {reason(error)}") from error
    if not stream:
        raise DataError(f"{path}: holds not one byte of a device; take another copy of the card")
    return stream


def read_card(path: Path, told: Iterable[Hello] = (), saved: Iterable[Hello] = ()) -> Card:
    """Decode a card file.

    Parameters
    ----------
    path : Path
        The file.
    told : iterable of Hello
        What the record's own hellos say, for rows that the card holds no hello for.
    saved : iterable of Hello
        Layouts saved earlier, for rows that neither has a hello for; of boots they know nothing.

    Raises
    ------
    ConfigError, DataError, RecordError
        As for :func:`card_bytes`, or no row of wire format 1 is in it, or its starts cannot be told apart.
    """
    known, earlier = tuple(told), tuple(saved)
    pieces = list(decode_all(card_bytes(path), [*known, *earlier]))
    hellos = [hello for piece in pieces for hello, _ in piece.hellos]
    assemblies = assemble_all(pieces, [*hellos, *known, *earlier])
    if not any(assembly.rows for assembly in assemblies):
        raise DataError(f"{path}: holds no row of wire format 1 that a hello describes; is it the right file?")
    boots = full_boots([*known, *hellos])
    for low in {hello.boot & 0xFF for hello in hellos}:
        whole = {hello.boot for hello in hellos if hello.boot & 0xFF == low}
        if len(whole) > 1:
            alike = " and ".join(str(boot) for boot in sorted(whole))
            raise DataError(f"{path}: frames of boots {alike} look alike; cut the card file to the starts of this run")
    streams = tuple(
        CardStream(
            assembly.hello,
            tuple(
                CardStart(boots.get(s.boot, s.boot), s.sequence, s.ticks, s.counts)
                for s in assembly.segments
                if s.sequence.size
            ),
        )
        for assembly in assemblies
        if assembly.rows
    )
    names = {line.line: line.name for line in assemblies[0].hello.lines}
    edges = tuple(
        (boots.get(segment.boot, segment.boot), names.get(edge.line, f"line {edge.line}"), edge)
        for segment in assemblies[0].segments
        for edge in segment.edges
    )
    return Card(
        path=path,
        devices=tuple(dict.fromkeys((hello.device, hello.serial) for hello in hellos)),
        streams=streams,
        edges=edges,
        damaged_frames=sum(piece.damaged_frames for piece in pieces),
    )
