"""The journal keeps what was written through cuts, flipped bits, short writes and full disks."""

import errno
import os
import random
import resource
import signal
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.errors import RecordError
from standbook.daq.journal import record_format
from standbook.daq.journal.reader import (
    Journal,
    JournalFollower,
    JournalWriteError,
    JournalWriter,
    journals_of,
    next_journal,
    read_journal,
)
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.storage.durable_file import DiskFile

META = {"device": "cradle-a", "port": "/dev/ttyACM0", "opening": "1"}
ROWS = (
    Row(10, 1_000, 20, Event.OPENED, b"/dev/ttyACM0"),
    Row(11, 1_001, 21, Event.DATA, b"abc"),
    Row(12, 1_002, 22, Event.DATA, bytes(range(256))),
    Row(13, 999, 23, Event.CLOCK_STEP, b"wall clock stepped -1.000 s"),
    Row(14, 1_000, 24, Event.DATA, b"\xff\xff\xff\xff" * 9),
    Row(15, 1_001, 25, Event.CLOSED, b"stopped"),
)


class FakeFile:
    """A file in memory that takes at most ``step`` bytes at a time and is full at ``room`` bytes."""

    def __init__(self, *, step: int = 1 << 20, room: int = 1 << 40, sync_fails: bool = False) -> None:
        self.content = bytearray()
        self.step, self.room, self.sync_fails = step, room, sync_fails
        self.syncs = 0
        self.is_closed = False

    def write(self, data: memoryview) -> int:
        count = min(len(data), self.step, self.room - len(self.content))
        if count == 0:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        self.content += data[:count]
        return count

    def truncate(self, size: int) -> None:
        del self.content[size:]

    def sync(self) -> None:
        if self.sync_fails:
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        self.syncs += 1

    def close(self) -> None:
        self.is_closed = True


def write(path: Path, rows: tuple[Row, ...] = ROWS, **options: object) -> JournalWriter:
    writer = JournalWriter(path, META, **options)  # type: ignore[arg-type]
    for row in rows:
        writer.append(row.arrival_ns, row.wall_ns, row.boottime_ns, row.event, row.data)
    return writer


@pytest.fixture
def whole(tmp_path: Path) -> bytes:
    path = tmp_path / "whole.arrows"
    write(path).close()
    return path.read_bytes()


def boundaries(content: bytes) -> list[int]:
    """Where each message ends, found by Arrow's own lengths and not by the code under test."""
    ends, at = [], 0
    while at < len(content):
        (size,) = struct.unpack_from("<i", content, at + 4)
        if size == 0:
            ends.append(at + 8)
            break
        message = pa.ipc.read_message(pa.BufferReader(content[at:]))
        at += 8 + size + (message.body.size if message.body is not None else 0)
        ends.append(at)
    return ends


def rows_of(journal: Journal) -> tuple[Row, ...]:
    found = []
    for k, event in enumerate(journal.events):
        data = journal.stream[journal.offsets[k] : journal.offsets[k + 1]]
        data = data if event == Event.DATA else journal.notes[k].encode()
        times = (journal.arrival_ns[k], journal.wall_ns[k], journal.boottime_ns[k])
        found.append(Row(*(int(t) for t in times), Event(event), data))
    return tuple(found)


def test_what_was_written_is_read(tmp_path: Path) -> None:
    write(tmp_path / "a.arrows").close()
    journal = read_journal(tmp_path / "a.arrows")
    assert rows_of(journal) == ROWS
    assert dict(journal.meta) == META
    assert journal.closed
    assert journal.damage == ()
    assert journal.torn_bytes == 0
    assert journal.whole_bytes == (tmp_path / "a.arrows").stat().st_size
    assert journal.arrival_ns.dtype == np.int64


def test_a_journal_is_a_plain_arrow_stream(tmp_path: Path) -> None:
    write(tmp_path / "a.arrows").close()
    with pa.ipc.open_stream(tmp_path / "a.arrows") as stream:
        assert stream.schema.names == ["arrival_ns", "wall_ns", "boottime_ns", "event", "bytes", "crc32"]
        assert b'"2":"data"' in stream.schema.metadata[b"standbook"]
        batches = list(stream)
    for batch in batches:
        batch.validate(full=True)
    assert batches[0].num_rows == 0
    table = pa.Table.from_batches(batches)
    assert table.column("bytes").to_pylist() == [row.data for row in ROWS]
    assert table.column("arrival_ns").to_pylist() == [row.arrival_ns for row in ROWS]
    assert table.column("event").to_pylist() == [row.event.value for row in ROWS]


def test_the_hand_made_schema_is_what_arrow_itself_would_say(tmp_path: Path) -> None:
    write(tmp_path / "a.arrows").close()
    with pa.ipc.open_stream(tmp_path / "a.arrows") as stream:
        found = stream.schema
    types = [pa.int64(), pa.int64(), pa.int64(), pa.int8(), pa.large_binary(), pa.uint32()]
    expected = [pa.field(n, t, nullable=False) for n, t in zip(found.names, types, strict=True)]
    assert found.remove_metadata().equals(pa.schema(expected))


def test_a_journal_without_records_is_readable_at_once(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "a.arrows", META)
    journal = read_journal(tmp_path / "a.arrows")
    with pa.ipc.open_stream(tmp_path / "a.arrows") as stream:
        assert stream.read_all().num_rows == 0
    writer.close()
    assert journal.events.size == 0
    assert dict(journal.meta) == META
    assert not journal.closed


@given(
    data=st.lists(st.binary(max_size=400), max_size=6),
    times=st.tuples(*[st.integers(-(2**63), 2**63 - 1)] * 3),
)
def test_any_bytes_and_times_survive_both_readers(
    tmp_path_factory: pytest.TempPathFactory, data: list[bytes], times: tuple[int, int, int]
) -> None:
    path = tmp_path_factory.mktemp("journal") / "a.arrows"
    rows = tuple(Row(*times, Event.DATA, piece) for piece in data)
    write(path, rows).close()
    assert rows_of(read_journal(path)) == rows
    with pa.ipc.open_stream(path) as stream:
        table = stream.read_all()
    table.validate(full=True)
    assert table.column("bytes").to_pylist() == data


@pytest.mark.slow
def test_cut_at_any_byte_it_keeps_every_message_before_the_cut(tmp_path: Path, whole: bytes) -> None:
    ends = boundaries(whole)
    path = tmp_path / "cut.arrows"
    for cut in range(len(whole) + 1):
        path.write_bytes(whole[:cut])
        journal = read_journal(path)
        messages = sum(end <= cut for end in ends)
        expected = max(0, min(messages - 2, len(ROWS)))  # schema and empty batch come first
        assert rows_of(journal) == ROWS[:expected]
        assert journal.closed == (expected == len(ROWS))
        assert journal.whole_bytes == max([0, *(end for end in ends if end <= cut)])
        assert journal.torn_bytes == cut - journal.whole_bytes
        assert journal.damage == ()


@pytest.mark.slow
def test_one_flipped_bit_never_raises_never_invents_and_costs_at_most_the_message_hit(
    tmp_path: Path, whole: bytes
) -> None:
    ends = boundaries(whole)
    path = tmp_path / "flipped.arrows"
    chance = random.Random(20310614)
    lossless = 0
    for _ in range(500):
        content = bytearray(whole)
        bit = chance.randrange(8 * len(content))
        content[bit // 8] ^= 1 << bit % 8
        path.write_bytes(content)
        journal = read_journal(path)
        hit = sum(end <= bit // 8 for end in ends) - 2  # number of the row hit; negative before the first
        found = rows_of(journal)
        without = tuple(row for k, row in enumerate(ROWS) if k != hit)
        assert found in (ROWS, without)
        lossless += found == ROWS
    # Rows are most of the file, so most hits must cost one; only hits before, after or on padding do not.
    assert 0 < lossless < 250


def test_damage_is_placed_and_counted(tmp_path: Path, whole: bytes) -> None:
    ends = boundaries(whole)
    content = bytearray(whole)
    content[ends[2] + 100] ^= 1  # in the second row
    path = tmp_path / "damaged.arrows"
    path.write_bytes(content)
    journal = read_journal(path)
    (damage,) = journal.damage
    assert (damage.offset, damage.length, damage.record) == (ends[2], ends[3] - ends[2], 1)
    assert journal.closed


def test_damaged_metadata_costs_no_record(tmp_path: Path, whole: bytes) -> None:
    content = bytearray(whole)
    content[5] ^= 0x40  # the schema now claims to be longer than the file
    path = tmp_path / "damaged.arrows"
    path.write_bytes(content)
    journal = read_journal(path)
    assert rows_of(journal) == ROWS
    assert dict(journal.meta) == {}
    assert journal.damage[0].offset == 0


@pytest.mark.parametrize("tail", [bytes(5000), b"\xff" * 5000, b"\0" * 3, b"text\r\n" * 50, record_format.PREFIX])
def test_zeros_or_rubbish_after_the_last_message_are_the_end_so_far(tmp_path: Path, whole: bytes, tail: bytes) -> None:
    end = boundaries(whole)[-3]  # before `closed` and the end of the stream
    path = tmp_path / "tail.arrows"
    path.write_bytes(whole[:end] + tail)
    journal = read_journal(path)
    assert rows_of(journal) == ROWS[:-1]
    assert not journal.closed
    assert (journal.whole_bytes, journal.torn_bytes) == (end, len(tail))


def test_a_journal_streamed_through_a_port_is_data_and_never_records(tmp_path: Path, whole: bytes) -> None:
    outer = tmp_path / "outer.arrows"
    write(outer, (Row(1, 2, 3, Event.DATA, whole), Row(4, 5, 6, Event.CLOSED, b""))).close()
    content = bytearray(outer.read_bytes())
    content[boundaries(bytes(content))[1] + 20] ^= 1  # the head of the row that holds the other journal
    outer.write_bytes(content)
    assert rows_of(read_journal(outer)) == (Row(4, 5, 6, Event.CLOSED, b""),)


@pytest.mark.parametrize("content", [b"time,thrust\n0.0,1.2\n" * 20, bytes(4096), b"PAR1" + bytes(100), b"\0"])
def test_what_is_no_journal_is_refused_in_one_sentence(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "notes.csv"
    path.write_bytes(content)
    with pytest.raises(RecordError, match=r"notes\.csv: not a journal; give a file that capture wrote"):
        read_journal(path)


def test_a_missing_journal_is_a_record_error(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot read the journal: No such file"):
        read_journal(tmp_path / "none.arrows")


def test_another_arrow_stream_is_not_a_journal(tmp_path: Path) -> None:
    path = tmp_path / "other.arrows"
    with pa.ipc.new_stream(path, pa.schema([("x", pa.int64())])) as stream:
        stream.write_batch(pa.record_batch([pa.array([1, 2])], names=["x"]))
    with pytest.raises(RecordError, match="not a journal"):
        read_journal(path)


def test_an_existing_file_is_never_replaced(tmp_path: Path) -> None:
    path = tmp_path / "a.arrows"
    path.write_bytes(b"evidence")
    with pytest.raises(RecordError, match="already exists"):
        JournalWriter(path, META)
    assert path.read_bytes() == b"evidence"


def test_a_missing_folder_is_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(RecordError, match="cannot create the journal: No such file or directory"):
        JournalWriter(tmp_path / "none" / "a.arrows", META)


@pytest.mark.parametrize("step", [1, 7, 64])
def test_short_writes_are_gone_on_with_until_the_message_is_whole(tmp_path: Path, step: int) -> None:
    file = FakeFile(step=step)
    (tmp_path / "a.arrows").touch()
    write(tmp_path / "a.arrows", create=lambda _: file).close()
    (tmp_path / "b.arrows").write_bytes(file.content)
    assert rows_of(read_journal(tmp_path / "b.arrows")) == ROWS
    assert file.is_closed


def test_a_full_disk_keeps_whole_messages_only_and_the_writer_can_go_on_when_there_is_room(
    tmp_path: Path,
) -> None:
    file = FakeFile(step=100)
    writer = write(tmp_path / "a.arrows", ROWS[:2], create=lambda _: file)
    before = bytes(file.content)
    file.room = len(before) + 250
    with pytest.raises(JournalWriteError, match="disk full; free some space"):
        writer.append(1, 2, 3, Event.DATA, b"x" * 1000)
    assert bytes(file.content) == before
    file.room = 1 << 30
    last = ROWS[-1]
    writer.append(last.arrival_ns, last.wall_ns, last.boottime_ns, last.event, last.data)
    writer.close()
    (tmp_path / "b.arrows").write_bytes(file.content)
    assert rows_of(read_journal(tmp_path / "b.arrows")) == (*ROWS[:2], ROWS[-1])


def test_a_disk_full_at_the_start_is_one_sentence_and_leaves_nothing(tmp_path: Path) -> None:
    file = FakeFile(room=100)

    def create(path: Path) -> FakeFile:
        path.touch()
        return file

    with pytest.raises(RecordError, match=r"a\.arrows: cannot start the journal: disk full") as caught:
        JournalWriter(tmp_path / "a.arrows", META, create=create)
    assert not isinstance(caught.value, JournalWriteError)
    assert list(tmp_path.iterdir()) == []
    assert file.is_closed


def test_a_sync_that_fails_is_told(tmp_path: Path) -> None:
    file = FakeFile()
    writer = write(tmp_path / "a.arrows", create=lambda _: file)
    file.sync_fails = True
    with pytest.raises(JournalWriteError, match="cannot sync the journal: Input/output error"):
        writer.sync()
    with pytest.raises(JournalWriteError):
        writer.close()
    assert file.is_closed


def test_a_closed_journal_takes_no_more_and_closing_again_does_nothing(tmp_path: Path) -> None:
    writer = write(tmp_path / "a.arrows")
    writer.close()
    writer.close()
    with pytest.raises(ValueError, match="closed"):
        writer.append(1, 2, 3, Event.DATA, b"x")


def test_a_record_too_long_is_the_callers_bug(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "a.arrows", META)
    writer.append(1, 2, 3, Event.DATA, bytes(record_format.MAX_DATA))
    with pytest.raises(ValueError, match="at most 1048576 fit"):
        writer.append(1, 2, 3, Event.DATA, bytes(record_format.MAX_DATA + 1))
    writer.close()
    with pytest.raises(ValueError, match="journal metadata needs"):
        JournalWriter(tmp_path / "b.arrows", {"device": "x" * 70_000})
    assert not (tmp_path / "b.arrows").exists()


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no device that is always full")
def test_the_device_that_is_always_full_reads_as_disk_full() -> None:
    class Full(DiskFile):
        def __init__(self, _: Path) -> None:
            self._fd = os.open("/dev/full", os.O_WRONLY)

    with pytest.raises(RecordError, match="disk full"):
        JournalWriter(Path("/nonexistent/a.arrows"), META, create=Full)


def test_a_real_file_that_may_grow_no_further_keeps_every_whole_message(tmp_path: Path) -> None:
    limit = 64 * 1024
    program = f"""
import sys
from pathlib import Path
from standbook.daq.journal.record_format import Event
from standbook.daq.journal.reader import JournalWriteError, JournalWriter
writer = JournalWriter(Path({str(tmp_path / "a.arrows")!r}), {{}})
count = 0
try:
    while True:
        writer.append(count, 0, 0, Event.DATA, b"x" * 1000)
        count += 1
except JournalWriteError as error:
    sys.stdout.write(f"{{count}} {{error}}")
"""

    def restrict() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True, preexec_fn=restrict
    )
    count, _, sentence = done.stdout.partition(" ")
    journal = read_journal(tmp_path / "a.arrows")
    assert "disk full" in sentence
    assert list(journal.arrival_ns) == list(range(int(count)))
    assert journal.torn_bytes == 0
    assert journal.whole_bytes > limit - 2000


def test_the_follower_sees_each_record_once_however_the_file_grows(tmp_path: Path, whole: bytes) -> None:
    for step in (1, 13, 500, len(whole)):
        path = tmp_path / f"{step}.arrows"
        follower = JournalFollower(path)
        assert follower.poll() == ()  # not there yet
        seen: list[Row] = []
        path.touch()
        for start in range(0, len(whole), step):
            with path.open("ab") as file:
                file.write(whole[start : start + step])
            seen += follower.poll()
        assert tuple(seen) == ROWS
        assert follower.closed
        assert dict(follower.meta) == META
        assert follower.damage == ()


def test_the_follower_takes_zeros_as_the_end_so_far_and_looks_again(tmp_path: Path, whole: bytes) -> None:
    ends = boundaries(whole)
    path = tmp_path / "a.arrows"
    path.write_bytes(whole[: ends[3]] + bytes(ends[4] - ends[3]))
    follower = JournalFollower(path)
    assert follower.poll() == ROWS[:2]
    assert follower.poll() == ()
    path.write_bytes(whole)
    assert follower.poll() == ROWS[2:]


def test_the_follower_passes_damage_and_says_where(tmp_path: Path, whole: bytes) -> None:
    ends = boundaries(whole)
    content = bytearray(whole)
    content[ends[2] + 8] ^= 4
    path = tmp_path / "a.arrows"
    path.write_bytes(content[: ends[3]])
    follower = JournalFollower(path)
    assert follower.poll() == ROWS[:1]
    path.write_bytes(content)
    assert follower.poll() == ROWS[2:]
    assert [(d.offset, d.record) for d in follower.damage] == [(ends[2], 1)]


def test_a_follower_far_behind_catches_up_in_bounded_steps(tmp_path: Path) -> None:
    path = tmp_path / "a.arrows"
    rows = tuple(Row(k, 0, 0, Event.DATA, bytes(100_000)) for k in range(60))
    write(path, rows).close()
    follower = JournalFollower(path)
    polls = []
    while part := follower.poll(limit=1 << 20):
        polls.append(part)
    assert tuple(row for part in polls for row in part) == rows
    assert max(len(part) for part in polls) <= 21  # two blocks of 1 MiB at most


def test_names_count_openings_of_one_device_only(tmp_path: Path) -> None:
    assert next_journal(tmp_path, "cradle-a").name == "cradle-a_001.arrows"
    for name in ("cradle-a_001.arrows", "cradle-a_1000.arrows", "cradle-a_002.arrows", "cradle-ab_007.arrows"):
        (tmp_path / name).touch()
    names = [path.name for path in journals_of(tmp_path, "cradle-a")]
    assert names == ["cradle-a_001.arrows", "cradle-a_002.arrows", "cradle-a_1000.arrows"]
    assert next_journal(tmp_path, "cradle-a").name == "cradle-a_1001.arrows"
