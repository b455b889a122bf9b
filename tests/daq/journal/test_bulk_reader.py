"""Records taken by whole stretches are those that reading one by one gives, whatever happened to the file."""

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.errors import RecordError
from standbook.daq.journal import reader, record_format
from standbook.daq.journal.bulk_reader import RecordColumns
from standbook.daq.journal.reader import JournalDecoder, read_journal
from standbook.daq.journal.record_format import Event, Row

START = record_format.schema_message({"device": "cradle-a"}) + record_format.EMPTY_BATCH
TIMES = st.integers(-(2**63), 2**63 - 1)
# Data that could pass for a message: a prefix, a whole other journal's start, a row that stands elsewhere.
DATA = st.one_of(
    st.binary(max_size=60),
    st.sampled_from(
        [b"", record_format.PREFIX * 3, b"\xff" * 40, record_format.END_OF_STREAM, record_format.EMPTY_BATCH, bytes(32)]
    ),
    st.builds(
        lambda at, data: record_format.row_message(at, Row(1, 2, 3, Event.DATA, data)), TIMES, st.binary(max_size=9)
    ),
)
ROWS = st.lists(st.builds(Row, TIMES, TIMES, TIMES, st.sampled_from([Event.DATA] * 6 + list(Event)), DATA), max_size=25)


def written(rows, *, closed=True, between=b""):
    """Lay rows out as the writer does; ``between`` is put before every fifth."""
    content = bytearray(START)
    for number, row in enumerate(rows):
        content += between if number % 5 == 4 else b""
        content += record_format.row_message(len(content), row)
    return content + record_format.END_OF_STREAM if closed else content


def account(decoder):
    return decoder.record, decoder.whole_end, decoder.meta, decoder.damage


def one_by_one(pieces):
    decoder = JournalDecoder()
    rows = [row for piece in pieces for row in decoder.feed(piece)]
    return rows + decoder.finish(), account(decoder)


def by_stretches(pieces):
    decoder, records = JournalDecoder(), RecordColumns()
    for piece in pieces:
        records.add(decoder.feed(piece, records.take))
    records.add(decoder.finish())
    return rows_of(records), account(decoder)


def rows_of(records):
    """Rows again; words that are no UTF-8 come back as they are shown."""
    stops, stream, events = records.offsets.tolist(), records.stream, records.events.tolist()
    return [
        Row(*times, Event(event), stream[a:b] if event == Event.DATA else records.notes[number].encode())
        for number, (times, event, a, b) in enumerate(
            zip(records.times.tolist(), events, stops[:-1], stops[1:], strict=True)
        )
    ]


def shown(rows):
    return [
        row if row.event == Event.DATA else row._replace(data=row.data.decode(errors="replace").encode())
        for row in rows
    ]


def cut(content, places):
    stops = sorted(place % (len(content) + 1) for place in places)
    return [bytes(content[a:b]) for a, b in zip([0, *stops], [*stops, len(content)], strict=True)]


def check(content, places=()):
    pieces = cut(content, (*places, len(START)))  # stretches are taken from a piece's start on, behind the schema
    rows, told = one_by_one(pieces)
    assert by_stretches(pieces) == (shown(rows), told)
    return rows


EDIT = st.one_of(
    st.tuples(st.just("flip"), st.integers(0, 2**20)),
    st.tuples(st.just("cut"), st.integers(0, 2**20)),
    st.tuples(st.just("leave out"), st.integers(0, 2**20)),
    st.tuples(st.just("zeros"), st.integers(0, 2**20)),
    st.tuples(st.just("twice"), st.integers(0, 2**20)),
)


def edited(content, what, number):
    place = number % (8 * len(content))
    byte = place // 8
    if what == "flip":
        content[byte] ^= 1 << place % 8
    elif what == "cut":
        del content[byte + 1 :]
    elif what == "leave out":
        del content[byte : byte + 1 + number % 64]
    elif what == "zeros":
        content[byte : byte + 40] = bytes(len(content[byte : byte + 40]))
    else:  # what stood there comes again, by whole words
        content[byte // 8 * 8 :] = content[byte // 8 * 8 : byte // 8 * 8 + 800] + content[byte // 8 * 8 :]
    return content


@pytest.mark.slow
@settings(max_examples=400, deadline=None)
@given(
    rows=ROWS,
    closed=st.booleans(),
    between=st.sampled_from([b"", b"", record_format.EMPTY_BATCH, record_format.END_OF_STREAM, bytes(8)]),
    edits=st.lists(EDIT, max_size=4),
    places=st.lists(st.integers(0, 2**16), max_size=4),
)
def test_stretches_and_single_records_are_the_same_whatever_is_cut_flipped_or_left_out(
    rows, closed, between, edits, places
):
    content = written(rows, closed=closed, between=between)
    for what, number in edits:
        if content:
            content = edited(content, what, number)
    check(content, places)


PLAIN = tuple(Row(k, 2**60 + k, -k, Event.DATA, bytes(range(k, k + 9 + k % 20))) for k in range(40))


def test_an_undamaged_stretch_is_taken_in_one_go():
    content = written(PLAIN, closed=False)[len(START) :]
    records = RecordColumns()
    assert records.take(content, len(START)) == (len(PLAIN), len(content))
    assert tuple(rows_of(records)) == PLAIN


def test_a_torn_message_at_the_end_waits_for_its_rest():
    content = written(PLAIN, closed=False)
    last = len(record_format.row_message(0, PLAIN[-1]))
    for missing in range(1, last + 1):
        count, length = RecordColumns().take(content[len(START) : -missing], len(START))
        assert (count, length) == (len(PLAIN) - 1, len(content) - len(START) - last)


@pytest.mark.slow
def test_each_bit_of_a_message_counts_as_it_does_one_by_one():
    content = written(PLAIN[:3])
    start = len(START) + len(record_format.row_message(0, PLAIN[0]))
    stop = start + len(record_format.row_message(0, PLAIN[1]))
    kept = set()
    for bit in range(8 * start, 8 * stop):
        content[bit // 8] ^= 1 << bit % 8
        kept.add(len(check(content)))
        content[bit // 8] ^= 1 << bit % 8
    assert kept == {2, 3}  # unused padding costs nothing, all else the message that was hit


@pytest.mark.parametrize("event", [0, 7, 100, 255])
def test_an_event_that_is_none_ends_the_stretch_although_the_checksum_is_right(event):
    content = written(PLAIN[:4])
    start = len(START) + len(record_format.row_message(0, PLAIN[0]))
    row = PLAIN[1]
    signed = event - 256 if event > 127 else event
    checked = struct.pack("<qqqqqq", start, *row[:3], signed, len(row.data))
    content[start + record_format.HEAD_SIZE + 24] = event
    place = start + len(record_format.row_message(0, row)) - 8
    struct.pack_into("<I", content, place, zlib.crc32(row.data, zlib.crc32(checked)))
    assert check(content) == [PLAIN[0], *PLAIN[2:4]]
    assert RecordColumns().take(content[len(START) :], len(START))[0] == 1


@pytest.mark.parametrize("length", [2**63 - 1, 2**63 - 8, -1, -(2**63), record_format.MAX_DATA + 1])
def test_a_length_that_no_record_has_ends_the_stretch(length):
    content = written(PLAIN[:4])
    start = len(START) + len(record_format.row_message(0, PLAIN[0]))
    struct.pack_into("<q", content, start + record_format.LENGTH_AT, length)
    assert check(content) == [PLAIN[0], *PLAIN[2:4]]


def test_a_record_longer_than_any_ends_the_stretch_although_all_else_is_right(monkeypatch):
    with monkeypatch.context() as patched:
        patched.setattr(record_format, "MAX_DATA", 2 * record_format.MAX_DATA)
        content = written([PLAIN[0], PLAIN[1]._replace(data=bytes(record_format.MAX_DATA // 2 + 1)), PLAIN[2]])
    assert check(content) == [PLAIN[0], PLAIN[2]]
    assert RecordColumns().take(content[len(START) :], len(START))[0] == 1


def test_a_stretch_that_stands_elsewhere_in_the_file_is_not_taken():
    content = written(PLAIN, closed=False)[len(START) :]
    assert RecordColumns().take(content, len(START) + 8) == (0, 0)


def test_no_record_is_taken_while_the_reader_is_lost():
    content = written(PLAIN)
    content[len(START) + 4] ^= 1
    decoder, records = JournalDecoder(), RecordColumns()
    places = range(100, len(content), 100)
    for piece in cut(content, places):
        records.add(decoder.feed(piece, records.take))
    records.add(decoder.finish())
    assert tuple(rows_of(records)) == PLAIN[1:]
    assert [(d.offset, d.record) for d in decoder.damage] == [(len(START), 0)]


@pytest.mark.parametrize("block", [8, 56, 1000, 4096])
def test_the_whole_file_reads_the_same_by_any_block(tmp_path, monkeypatch, block):
    path = tmp_path / "a.arrows"
    rows = [PLAIN[0]._replace(event=Event.OPENED, data=b"port \xff"), *PLAIN, Row(1, 2, 3, Event.CLOSED, b"stopped")]
    content = written(rows)
    content[len(content) // 2] ^= 0x10
    path.write_bytes(content)
    monkeypatch.setattr(reader, "_BLOCK", block)
    found = read_journal(path)
    rows, told = one_by_one([bytes(content)])
    assert (found.events.size, found.whole_bytes, dict(found.meta), list(found.damage)) == told
    assert found.arrival_ns.tolist() == [row.arrival_ns for row in rows]
    assert found.wall_ns.tolist() == [row.wall_ns for row in rows]
    assert found.boottime_ns.tolist() == [row.boottime_ns for row in rows]
    assert found.stream == b"".join(row.data for row in rows if row.event == Event.DATA)
    assert dict(found.notes) == {0: "port \ufffd", len(rows) - 1: "stopped"}
    assert found.closed
    assert (found.events.dtype, found.offsets.dtype, found.arrival_ns.dtype) == (np.int8, np.int64, np.int64)
    assert found.arrival_ns.flags.c_contiguous


def test_what_is_no_journal_is_refused_although_its_first_message_claims_a_long_schema(tmp_path):
    path = tmp_path / "a.arrows"
    path.write_bytes(b"\xff\xff\xff\xff" + struct.pack("<i", 60_000) + b"{" * 70_000)
    with pytest.raises(RecordError, match="not a journal"):
        read_journal(path)
