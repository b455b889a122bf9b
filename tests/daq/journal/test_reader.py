"""What was written is read back through cuts, flipped bits, zeros and rubbish."""

import random
import struct
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.ipc
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.errors import RecordError
from standbook.daq.journal import record_format
from standbook.daq.journal.reader import JournalFollower, read_journal
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter
from tests.journal_rows import META, ROWS, rows_of, write


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
