"""Cut the journal of a 2 s recording at every byte, flip one random bit 3,000 times, and read what is left.

``python -m tests.studies.journal_damage`` (some minutes). Every cut file and every flipped file is really
written, and read three ways: whole, by a follower, and through to rows of counts. A reader may refuse only a file in
which no record is left; it may lose only what lies behind the cut, or the one message that was hit; every record that
it gives is one that was written, in order, and every row of counts is one that was played.
"""

import argparse
import os
import random
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standbook.daq.errors import RecordError
from standbook.daq.journal.reader import JournalFollower, read_journal
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter
from standbook.daq.recovery.decode_wire import DecodedDevice, recover_wire
from standbook.daq.recovery.device_stream import read_tapes
from standbook.daq.rehearsal.script import PlayedEdge, PlayedStream, Table, script
from standbook.daq.wire.hello import WireChannel, WireLine

JOINED = 0.015  # capture joins reads for so long [s]
CHANNELS, RATE, TICK_HZ = 4, 500, 1_000_000
SEED = 11


@dataclass(frozen=True, slots=True)
class Recording:
    """A journal as it was written."""

    table: Table
    rows: tuple[Row, ...]
    ends: tuple[int, ...]  # of each row's message, byte offset in the file
    start: int  # of the first row's message


@dataclass(slots=True)
class Tally:
    """What reading came to, over many damaged files."""

    files: int = 0
    refused: int = 0
    refused_wrongly: int = 0  # although something of the journal was left
    invented: int = 0  # records that were not written so, or not in that order
    lost_wrongly: int = 0  # records that the damage did not touch
    worst_loss: int = 0  # records in one file
    counts_wrong: int = 0  # rows of counts that were not played so
    recovered: int = 0  # files that were taken through to rows of counts

    def __str__(self) -> str:
        return (
            f"{self.files} files, {self.refused} refused ({self.refused_wrongly} wrongly), records invented or altered "
            f"{self.invented}, untouched records lost {self.lost_wrongly}, most records lost in one file "
            f"{self.worst_loss}; {self.recovered} taken through to rows, wrong rows {self.counts_wrong}"
        )

    @property
    def faults(self) -> int:
        """All that must be zero."""
        return self.refused_wrongly + self.invented + self.lost_wrongly + self.counts_wrong


def record(path: Path, seconds: float = 2.0) -> Recording:
    """Write what capture would have written of a board that plays for so long."""
    counts = np.random.default_rng(SEED).integers(-32768, 32768, (round(seconds * RATE), CHANNELS), dtype=np.int32)
    channels = tuple(WireChannel(f"adc{k}", "i16", -32768, 32767) for k in range(CHANNELS))
    stream = PlayedStream(number=1, name="fast", interval_ticks=TICK_HZ // RATE, channels=channels, counts=counts)
    edge = PlayedEdge(round(seconds * TICK_HZ / 2), 0, 1)
    table = Table(
        device="cradle-a",
        serial="0007",
        firmware="1",
        boot=3,
        tick_hz=TICK_HZ,
        start_ticks=0,
        streams=(stream,),
        lines=(WireLine(0, "fire"),),
        edges=(edge,),
    )
    rows = [_row(0.0, Event.OPENED, b"port opened"), *_joined(table), _row(seconds + 0.1, Event.CLOSED, b"stopped")]
    writer = JournalWriter(path, {"device": "cradle-a", "host_boot": "1"})
    start, ends = writer.size, []
    for row in rows:
        writer.append(row)
        ends.append(writer.size)
    writer.close()
    return Recording(table, tuple(rows), tuple(ends), start)


def _joined(table: Table) -> Iterator[Row]:
    data, first = b"", 0.0
    for message in script(table):
        if data and message.at - first > JOINED:
            yield _row(first + JOINED, Event.DATA, data)
            data = b""
        first = first if data else message.at
        data += message.frame
    yield _row(first + JOINED, Event.DATA, data)


def _row(at: float, event: Event, data: bytes) -> Row:
    monotonic = 5_000_000_000 + round(at * 1e9)
    return Row(monotonic, 1_900_000_000_000_000_000 + monotonic, monotonic + 77, event, data)


def cuts(folder: Path, recording: Recording, *, step: int = 1) -> Tally:
    """Cut the file at every byte offset, from its end to nothing."""
    path, tally, kept = folder / "cradle-a_001.arrows", Tally(), -1
    for length in range(path.stat().st_size, -1, -step):
        os.truncate(path, length)
        whole = sum(end <= length for end in recording.ends)
        found = _read(path, tally)
        _judge(tally, found, recording.rows[:whole], recording.rows[:whole])
        if found is not None and len(found) != kept:  # the rows follow from the records
            kept = len(found)
            _through(folder, recording, tally)
    return tally


def grown(folder: Path, recording: Recording, *, step: int = 1) -> int:
    """Let a follower watch the file grow byte by byte; return how often it was behind, ahead or wrong."""
    content = (folder / "cradle-a_001.arrows").read_bytes()
    path, faults, seen = folder / "growing.arrows", 0, 0
    follower = JournalFollower(path)
    with path.open("wb", buffering=0) as file:
        for at in range(0, len(content), step):
            file.write(content[at : at + step])
            new = follower.poll()
            faults += new != recording.rows[seen : seen + len(new)]
            seen += len(new)
            faults += seen != sum(end <= at + step for end in recording.ends)
    path.unlink()
    return faults + (seen != len(recording.rows)) + (not follower.closed)


def flips(folder: Path, recording: Recording, trials: int = 3000, *, first_message_too: int = 200) -> Tally:
    """Flip one bit at random places of the whole file; some more within its first message."""
    path, tally, generator = folder / "cradle-a_001.arrows", Tally(), random.Random(SEED)
    content = path.read_bytes()
    places = [generator.randrange(len(content) * 8) for _ in range(trials)]
    places += [generator.randrange(recording.start * 8) for _ in range(first_message_too)]
    for place in places:
        damaged = bytearray(content)
        damaged[place // 8] ^= 1 << place % 8
        path.write_bytes(damaged)
        hit = sum(end <= place // 8 for end in recording.ends) if place // 8 >= recording.start else None
        found = _read(path, tally)
        untouched = tuple(row for number, row in enumerate(recording.rows) if number != hit)
        _judge(tally, found, untouched, recording.rows)
        _through(folder, recording, tally)
    path.write_bytes(content)
    return tally


def _read(path: Path, tally: Tally) -> tuple[Row, ...] | None:
    """Read a file whole and by following; the two must agree."""
    tally.files += 1
    followed = JournalFollower(path).poll()
    try:
        journal = read_journal(path)
    except RecordError:
        return None
    stops = journal.offsets.tolist()
    read = tuple(
        Row(*times, Event(event), journal.stream[a:b] if event == Event.DATA else journal.notes[number].encode())
        for number, (times, event, a, b) in enumerate(
            zip(
                zip(*(c.tolist() for c in (journal.arrival_ns, journal.wall_ns, journal.boottime_ns)), strict=True),
                journal.events.tolist(),
                stops[:-1],
                stops[1:],
                strict=True,
            )
        )
    )
    tally.invented += read != followed
    return read


def _judge(tally: Tally, found: tuple[Row, ...] | None, untouched: tuple[Row, ...], written: tuple[Row, ...]) -> None:
    """Hold what was read to what was written; without records there is nothing that must be readable."""
    if found is None:
        tally.refused += 1
        tally.refused_wrongly += bool(untouched)
        return
    left, kept = iter(written), iter(found)
    tally.invented += sum(not any(row == other for other in left) for row in found)
    tally.lost_wrongly += sum(not any(row == other for other in kept) for row in untouched)
    tally.worst_loss = max(tally.worst_loss, len(written) - len(found))


def _through(folder: Path, recording: Recording, tally: Tally) -> None:
    """Take what is left to rows of counts, as recovering does."""
    device_stream = read_tapes(folder)["cradle-a"]
    tally.recovered += 1
    tally.counts_wrong += wrong_rows(recover_wire(device_stream, origin_ns=0, tolerance=1e-4), recording.table)


def wrong_rows(recovered: DecodedDevice, table: Table) -> int:
    """Count rows that were not played so."""
    played, wrong = table.streams[0], 0
    for stream in recovered.streams:
        for rows in stream.segments:
            wrong += int((rows.counts != played.counts[rows.sequence]).any(axis=1).sum())
            wrong += int((rows.ticks != rows.sequence * played.interval_ticks).sum())
    return wrong


def main() -> None:
    """Print the figures; exit 1 when one that must be zero is not."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--step", type=int, default=1, help="cut only at every so many bytes")
    parser.add_argument("--flips", type=int, default=3000)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = folder / "cradle-a_001.arrows"
        recording = record(path)
        print(f"journal of {path.stat().st_size} bytes, {len(recording.rows)} records")
        behind = grown(folder, recording, step=told.step)
        print(f"followed while it grew by {told.step} byte: {behind} looks at which it gave other than what was whole")
        flipped = flips(folder, recording, told.flips)
        print(f"one bit flipped: {flipped}")
        cut = cuts(folder, recording, step=told.step)
        print(f"cut: {cut}")
    if behind + flipped.faults + cut.faults:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
