"""A few rows of a journal, written and read back as rows."""

from pathlib import Path

from standbook.daq.journal.reader import Journal
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter

META = {"device": "cradle-a", "port": "/dev/ttyACM0", "opening": "1"}
ROWS = (
    Row(10, 1_000, 20, Event.OPENED, b"/dev/ttyACM0"),
    Row(11, 1_001, 21, Event.DATA, b"abc"),
    Row(12, 1_002, 22, Event.DATA, bytes(range(256))),
    Row(13, 999, 23, Event.CLOCK_STEP, b"wall clock stepped -1.000 s"),
    Row(14, 1_000, 24, Event.DATA, b"\xff\xff\xff\xff" * 9),
    Row(15, 1_001, 25, Event.CLOSED, b"stopped"),
)


def write(path: Path, rows: tuple[Row, ...] = ROWS, **options: object) -> JournalWriter:
    writer = JournalWriter(path, META, **options)  # type: ignore[arg-type]
    for row in rows:
        writer.append(row)
    return writer


def rows_of(journal: Journal) -> tuple[Row, ...]:
    found = []
    for k, event in enumerate(journal.events):
        data = journal.stream[journal.offsets[k] : journal.offsets[k + 1]]
        data = data if event == Event.DATA else journal.notes[k].encode()
        times = (journal.arrival_ns[k], journal.wall_ns[k], journal.boottime_ns[k])
        found.append(Row(*(int(t) for t in times), Event(event), data))
    return tuple(found)
