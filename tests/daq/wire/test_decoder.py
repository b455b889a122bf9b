"""Bytes to records: published vectors, cuts anywhere, damage anywhere, and a plain decoder as judge."""

import json
import random
import unicodedata
import zlib
from dataclasses import fields
from itertools import pairwise

import numpy as np
import pytest
from cobs import cobs
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.errors import FrameError
from standbook.daq.wire.decoder import _RESIDUE, BLOCK_BYTES, MAX_ENCODED, MAX_REFUSALS, Decoder
from standbook.daq.wire.encoder import (
    beat_body,
    edge_body,
    encode_frame,
    encode_samples,
    hello_body,
    note_body,
    pack_rows,
    samples_body,
)
from standbook.daq.wire.hello import TYPE_RANGES
from standbook.daq.wire.messages import Beat, Edge, Note, read_beat, read_edge, read_note
from standbook.daq.wire.stream_assembly import assemble
from tests.wire_reference import bodies, crc32, hello, rows_of, sample_rows, uncobs

FULL = bytes(range(1, 255))

# [COBS99]: the rows up to 255 bytes are the usual published examples, recomputed; the IP-header row is
# the paper's, from memory.
COBS_VECTORS = [
    ("", "01"),
    ("00", "0101"),
    ("0000", "010101"),
    ("001100", "01021101"),
    ("11220033", "0311220233"),
    ("11223344", "0511223344"),
    ("11000000", "0211010101"),
    ("4500002c4c79000040064f37", "024501042c4c79010540064f37"),
    (FULL.hex(), "ff" + FULL.hex()),
    ("00" + FULL.hex(), "01ff" + FULL.hex()),
    (FULL.hex() + "ff", "ff" + FULL.hex() + "02ff"),
    (FULL[1:].hex() + "ff00", "ff" + FULL[1:].hex() + "ff0101"),
    (FULL[2:].hex() + "ff0001", "fe" + FULL[2:].hex() + "ff0201"),
]


def feed(stream, pieces=None, layouts=()):
    """Decode a whole stream, cut at the given places; everything found, in one list per kind."""
    decoder = Decoder(layouts)
    cuts = [0, *(pieces or []), len(stream)]
    results = [decoder.feed(stream[a:b]) for a, b in pairwise(cuts)]
    results.append(decoder.finish())
    return results


def summary(results):
    """All that must not depend on how the stream was cut."""
    blocks = [block for result in results for block in result.blocks]
    names = [field.name for field in fields(results[0]) if field.name != "pending_frames"]
    counted = [name for name in names if isinstance(getattr(results[0], name), int)]
    return {
        "rows": sorted(rows_of(blocks)),
        **{name: [x for r in results for x in getattr(r, name)] for name in ("edges", "notes", "beats", "hellos")},
        **{name: sum(getattr(result, name) for result in results) for name in counted},
        "pending_frames": results[-1].pending_frames,
    }


def mixed_stream(fast=None, slow=None):
    """One of everything, two streams interleaved."""
    fast = fast or hello(("i24", "i16", "u8"))
    slow = slow or hello(("i32", "u16"), stream=2, interval=12_500)
    generator = np.random.default_rng(4)
    fast_rows = np.column_stack([generator.integers(*TYPE_RANGES[c.type], 47, endpoint=True) for c in fast.channels])
    slow_rows = np.column_stack([generator.integers(*TYPE_RANGES[c.type], 4, endpoint=True) for c in slow.channels])
    a = encode_samples(fast, 1000, 5_000_000, 1, fast_rows, 10)
    b = encode_samples(slow, 80, 5_000_300, 0, slow_rows, 2)
    return [
        encode_frame(hello_body(fast)),
        encode_frame(hello_body(slow)),
        a[0],
        b[0],
        encode_frame(edge_body(0, 17, 1, 3, 5_003_123)),
        a[1],
        a[2],
        encode_frame(note_body(2, 17, 5_004_000, "overrun of 3 rows, µs late")),
        encode_frame(beat_body(17, 1, 5_030_000, [(3, 5_003_123)], [(1, 1030), (2, 82)])),
        a[3],
        b[1],
        a[4],
    ]


@pytest.mark.parametrize(("decoded", "encoded"), COBS_VECTORS)
def test_cobs_vectors_hold_for_the_judge_and_for_the_package_used(decoded, encoded):
    plain, stuffed = bytes.fromhex(decoded), bytes.fromhex(encoded)
    assert uncobs(stuffed) == plain == cobs.decode(stuffed)
    assert cobs.encode(plain) == stuffed


def test_a_final_01_after_a_full_block_is_accepted_and_not_written():
    assert cobs.encode(FULL) == b"\xff" + FULL
    assert uncobs(b"\xff" + FULL + b"\x01") == FULL == cobs.decode(b"\xff" + FULL + b"\x01")


def test_crc_check_value():
    # [CRCcat]: CRC-32/ISO-HDLC of "123456789" is CBF43926 (published check value, confirmed).
    assert crc32(b"123456789") == zlib.crc32(b"123456789") == 0xCBF43926
    # Residue over message and little-endian CRC (recomputed): the decoder's test for a right frame.
    assert crc32(b"123456789" + (0xCBF43926).to_bytes(4, "little")) == 0x2144DF1C == _RESIDUE


def full_block_frame():
    """A note whose body and CRC hold a block of 254 bytes to the very end, so that both endings exist."""
    generator = random.Random(5)
    while True:
        text = "".join(generator.choices("abcdefgh", k=254 - 4 - 7))
        body = b"\x04\x01\x11\x01\x01\x01\x01" + text.encode()
        whole = body + zlib.crc32(body).to_bytes(4, "little")
        if 0 not in whole:
            return text, b"\xff" + whole


def test_a_frame_is_read_with_and_without_the_optional_ending():
    text, stuffed = full_block_frame()
    assert len(stuffed) == 255
    assert cobs.encode(cobs.decode(stuffed)) == stuffed
    for ending in (b"\0", b"\x01\0"):
        (result, _) = feed(stuffed + ending)
        assert result.notes == (Note(severity=1, boot=17, ticks=0x01010101, text=text, offset=len(stuffed + ending)),)


@pytest.mark.parametrize("index", range(12))
def test_each_message_reads_whole_byte_by_byte_and_with_bytes_behind(index):
    messages = mixed_stream()
    saved = (hello(("i24", "i16", "u8")), hello(("i32", "u16"), stream=2, interval=12_500))
    whole = summary(feed(messages[index], layouts=saved))
    assert whole["frames"] == 1
    assert sum(len(whole[name]) for name in ("rows", "edges", "notes", "beats", "hellos")) >= 1
    assert summary(feed(messages[index], range(1, len(messages[index])), saved)) == whole
    behind = summary(feed(messages[index] + b"\x05\x01\x02", layouts=saved))
    assert behind.pop("torn_bytes") == 3
    assert behind == {name: value for name, value in whole.items() if name != "torn_bytes"}


def test_the_whole_stream_agrees_with_the_plain_decoder():
    stream = b"".join(mixed_stream())
    found = summary(feed(stream))
    expected = [*sample_rows(stream, hello(("i24", "i16", "u8")))]
    expected += sample_rows(stream, hello(("i32", "u16"), stream=2, interval=12_500))
    assert found["rows"] == sorted(expected)
    assert len(expected) == 51
    assert found["edges"] == [
        Edge(line=0, boot=17, level=1, edges=3, ticks=5_003_123, offset=len(b"".join(mixed_stream()[:5])))
    ]
    assert [note.text for note in found["notes"]] == ["overrun of 3 rows, µs late"]
    (beat,) = found["beats"]
    assert (beat.edges, beat.next_sequence) == (((3, 5_003_123),), ((1, 1030), (2, 82)))
    assert [said.stream for said, _ in found["hellos"]] == [1, 2]
    assert found["frames"] == 12
    assert found["damaged_frames"] == found["refused_frames"] == found["torn_bytes"] == 0


@pytest.mark.slow
@settings(max_examples=60)
@given(st.lists(st.integers(0, 800), max_size=12))
def test_a_stream_may_be_cut_anywhere(cuts):
    stream = b"".join(mixed_stream())
    assert summary(feed(stream, sorted(cuts))) == summary(feed(stream))


@settings(max_examples=60)
@given(st.binary(max_size=60), st.binary(max_size=60), st.lists(st.integers(0, 900), max_size=5))
def test_damage_counts_do_not_depend_on_cuts_and_every_byte_is_accounted_for(before, within, cuts):
    messages = mixed_stream()
    stream = before + messages[0] + messages[1] + within + b"\0" + b"".join(messages[2:])
    found = summary(feed(stream))
    assert summary(feed(stream, sorted(cuts))) == found
    right = sum(len(piece) for piece in stream.split(b"\0")[:-1] if [*bodies(piece + b"\0")])
    lost = found["damaged_bytes"] + found["leading_bytes"] + found["torn_bytes"]
    assert right + lost + stream.count(0) == len(stream)


@pytest.mark.parametrize("length", [1030, 1031, 5000, 70_000, 600_000])
@pytest.mark.parametrize("step", [None, 700])
def test_a_piece_too_long_for_a_frame_is_one_damaged_piece(length, step):
    note = encode_frame(note_body(1, 17, 0, "after"))
    stream = note + b"\x03" * length + b"\0" + note
    cuts = range(step, len(stream), step) if step else None
    found = summary(feed(stream, cuts))
    assert (found["damaged_frames"], found["damaged_bytes"], len(found["notes"])) == (1, length, 2)
    assert summary(feed(b"\x03" * length + b"\0" + note, cuts))["leading_bytes"] == length
    assert summary(feed(note + b"\x03" * length, cuts))["torn_bytes"] == length


def test_memory_stays_bounded_without_any_delimiter():
    decoder = Decoder()
    for _ in range(100):
        decoder.feed(b"\x07" * 5000)
    assert len(decoder._tail) <= MAX_ENCODED
    assert decoder.finish().torn_bytes == 500_000


def test_half_a_frame_at_the_start_is_leading_not_damaged():
    messages = mixed_stream()
    found = summary(feed(messages[4][3:] + b"".join(messages)))
    assert found["leading_bytes"] == len(messages[4]) - 4
    assert found["damaged_frames"] == 0
    assert found["frames"] == 12


def test_a_frame_whole_from_the_first_byte_is_read():
    assert feed(encode_frame(note_body(1, 17, 0, "first")))[0].notes[0].text == "first"


def test_two_delimiters_in_a_row_are_no_damage():
    found = summary(feed(b"\0\0" + b"\0".join(mixed_stream()) + b"\0"))
    assert (found["frames"], found["damaged_frames"], found["leading_bytes"]) == (12, 0, 0)


def test_a_longest_body_travels_and_a_longer_one_is_not_made():
    text = "x" * (1020 - 7)
    assert feed(encode_frame(note_body(1, 2, 3, text)))[0].notes[0].text == text
    longest = hello(["u8"] * 5)
    rows = np.full((longest.max_rows, 5), 200)
    (frame,) = encode_samples(longest, 0, 0, 0, rows, longest.max_rows)
    assert summary(feed(frame, layouts=[longest]))["frames"] == 1
    with pytest.raises(ValueError, match="1 to 1020 bytes"):
        encode_frame(b"\x04" * 1021)
    with pytest.raises(ValueError, match="1 to 1020 bytes"):
        encode_frame(b"")
    assert len(note_body(1, 2, 3, "µ" * 1000)) == 1019  # cut at a whole character


def test_a_right_frame_longer_than_the_format_allows_is_damage():
    body = b"\x04\x01\x11\x01\x01\x01\x01" + b"y" * 1014
    frame = cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0"
    found = summary(feed(encode_frame(edge_body(0, 1, 1, 1, 1)) + frame))
    assert (found["frames"], found["damaged_frames"], found["notes"]) == (1, 1, [])


@pytest.mark.slow
def test_every_single_flipped_bit_loses_at_most_what_it_hits():
    messages = mixed_stream()
    stream = b"".join(messages)
    saved = (hello(("i24", "i16", "u8")), hello(("i32", "u16"), stream=2, interval=12_500))
    ends = np.cumsum([len(message) for message in messages]).tolist()

    def found_at(data):
        decoder = Decoder(saved)
        result = decoder.feed(data)
        records = {message.offset: message for message in (*result.edges, *result.notes, *result.beats)}
        records |= {offset: said for said, offset in result.hellos}
        for row in rows_of(result.blocks):
            records.setdefault(row[4], []).append(row)
        return records

    clean = found_at(stream)
    assert sorted(clean) == ends
    # Every bit of the short messages; every 23rd elsewhere, which meets each bit of a byte.
    short = {index for index, message in enumerate(messages) if len(message) < 50}
    assert len(short) == 5
    for bit in range(8 * len(stream)):
        hit = next(index for index, end in enumerate(ends) if bit // 8 < end)
        if bit % 23 and hit not in short:
            continue
        data = bytearray(stream)
        data[bit // 8] ^= 1 << bit % 8
        damaged = {ends[hit]}
        if bit // 8 == ends[hit] - 1 and hit + 1 < len(ends):
            damaged.add(ends[hit + 1])  # the delimiter itself: it belonged to both
        assert found_at(bytes(data)) == {end: value for end, value in clean.items() if end not in damaged}


@pytest.mark.slow
@pytest.mark.parametrize("share", [0.01, 0.1])
@pytest.mark.parametrize("seed", range(3))
def test_random_damage_yields_no_wrong_value_and_loses_only_frames_it_touches(share, seed):
    said = hello(("i16",) * 3)
    generator = np.random.default_rng(seed)
    counts = generator.integers(-3000, 3000, (12_000, 3))
    frames = encode_samples(said, 500, 70_000, 0, counts, 4)
    stream = np.frombuffer(b"".join(frames), np.uint8).copy()
    clean = stream.copy()
    hit = generator.random(stream.size) < share
    stream[hit] = generator.integers(0, 256, int(hit.sum()))
    touched = stream != clean
    ends = np.cumsum([len(frame) for frame in frames])
    starts = np.concatenate(([0], ends[:-1]))
    # A frame survives when its own bytes, its delimiter and the delimiter before it are as sent.
    intact = [not touched[max(0, a - 1) : b].any() for a, b in zip(starts, ends, strict=True)]
    assert 0 < sum(intact) < len(intact)
    cuts = np.sort(generator.integers(0, stream.size, 20)).tolist()
    results = feed(stream.tobytes(), cuts, [said])
    rows = list(rows_of(block for result in results for block in result.blocks))
    sequence = np.array([row[1] for row in rows]) - 500
    assert (np.array([row[3] for row in rows]) == counts[sequence]).all()
    assert (np.array([row[2] for row in rows]) == 70_000 + sequence * 1000).all()
    assert sorted(set(sequence // 4)) == np.flatnonzero(intact).tolist()
    assert len(rows) == 4 * sum(intact)
    (segment,) = assemble([block for result in results for block in result.blocks], (), (), said).segments
    assert segment.lost_rows == sequence.max() - sequence.min() + 1 - len(rows)
    assert segment.duplicates == segment.reordered == 0


@settings(max_examples=30)
@given(st.integers(0, 2**32), st.floats(0.001, 0.05))
def test_lost_and_inserted_bytes_yield_no_wrong_value_either(seed, share):
    generator = random.Random(seed)
    stream = b"".join(mixed_stream())
    damaged = bytearray()
    for byte in stream:
        lot = generator.random()
        if lot < share / 2:
            continue
        if lot < share:
            damaged.append(generator.randrange(256))
        damaged.append(byte)
    saved = (hello(("i24", "i16", "u8")), hello(("i32", "u16"), stream=2, interval=12_500))
    truth = {row[:4] for row in rows_of(feed(stream, layouts=saved)[0].blocks)}
    found = {row[:4] for row in rows_of(feed(bytes(damaged), layouts=saved)[0].blocks)}
    assert found <= truth


@given(st.binary(max_size=3000))
def test_any_bytes_are_taken_without_a_fault(data):
    found = summary(feed(data))
    assert found["frames"] == len(list(bodies(data)))
    assert found["rows"] == []


@settings(max_examples=50)
@given(
    st.lists(st.sampled_from(sorted(TYPE_RANGES)), min_size=1, max_size=9),
    st.integers(0, 2**34),
    st.integers(0, 2**34),
    st.integers(1, 20),
    st.integers(1, 70),
    st.integers(0, 2**32),
)
def test_rows_of_every_type_come_back_as_they_were(types, sequence, ticks, per_frame, rows, seed):
    said = hello(types)
    generator = np.random.default_rng(seed)
    counts = np.column_stack([generator.integers(*TYPE_RANGES[kind], rows, endpoint=True) for kind in types])
    counts[0], counts[-1] = ([TYPE_RANGES[kind][end] for kind in types] for end in (0, 1))
    per_frame = min(per_frame, said.max_rows)
    stream = b"".join(encode_samples(said, sequence, ticks, 3, counts, per_frame))
    found = summary(feed(stream, layouts=[said]))["rows"]
    assert found == sorted(sample_rows(stream, said))
    by_sequence = {row[1]: row for row in found}
    for index in range(rows):
        row = by_sequence[(sequence + index) % 2**32]
        assert row[2] == (ticks + index * 1000) % 2**32
        assert row[3] == tuple(counts[index].tolist())


@given(st.integers(0, 7), st.integers(0, 255), st.integers(0, 1), st.integers(0, 2**17), st.integers(0, 2**33))
def test_edges_come_back_as_they_were(line, boot, level, edges, ticks):
    assert read_edge(edge_body(line, boot, level, edges, ticks), 9) == Edge(
        line=line, boot=boot, level=level, edges=edges % 2**16, ticks=ticks % 2**32, offset=9
    )


@pytest.mark.slow
@given(st.integers(0, 255), st.integers(0, 2**32 - 1), st.text(max_size=200))
def test_notes_come_back_as_they_were_or_printable(severity, ticks, text):
    read = read_note(note_body(severity, 5, ticks, text), 9)
    harmless = all(mark.isprintable() or unicodedata.category(mark) == "Zs" for mark in text)  # spaces of all kinds
    assert read == Note(severity=severity, boot=5, ticks=ticks, text=text if harmless else read.text, offset=9)
    assert all(mark.isprintable() or unicodedata.category(mark) == "Zs" for mark in read.text)


def test_a_note_cannot_move_the_cursor_or_break_a_line():
    assert read_note(note_body(1, 2, 3, "\x1b[2Jhot\r\n\0\u202e"), 0).text == r"\x1b[2Jhot\r\n\x00\u202e"


@given(
    st.lists(st.tuples(st.integers(0, 2**16 - 1), st.integers(0, 2**32 - 1)), max_size=8),
    st.lists(st.tuples(st.integers(0, 255), st.integers(0, 2**32 - 1)), max_size=8),
)
def test_beats_come_back_as_they_were(edges, streams):
    body = beat_body(300, 5, 77, edges, streams)
    assert read_beat(body, 9, len(edges), len(streams)) == Beat(
        boot=44, lines=5, ticks=77, edges=tuple(edges), next_sequence=tuple(streams), offset=9
    )


def test_a_note_with_broken_text_is_still_shown():
    assert read_note(note_body(1, 2, 3, "ok") + b"\xff", 0).text == "ok\ufffd"


@pytest.mark.parametrize(
    ("read", "body"),
    [
        (lambda body: read_edge(body, 0), edge_body(0, 1, 1, 1, 1) + b"\0"),
        (lambda body: read_note(body, 0), b"\x04\x01"),
        (lambda body: read_beat(body, 0, 1, 2), beat_body(1, 0, 0, [(1, 1)], [(1, 1)])),
    ],
)
def test_a_message_of_another_length_is_refused(read, body):
    with pytest.raises(FrameError, match="frame has"):
        read(body)


def test_rows_wait_for_their_hello_and_then_come_in_order():
    messages = mixed_stream()
    decoder = Decoder()
    early = decoder.feed(b"".join(messages[2:]))
    assert (early.blocks, early.beats, early.pending_frames) == ((), (), 8)
    assert len(early.edges) == len(early.notes) == 1  # they need no hello
    late = decoder.feed(messages[1])
    assert [block.stream for block in late.blocks] == [2]
    assert late.blocks[0].sequence.tolist() == [80, 81, 82, 83]
    assert late.pending_frames == 5
    assert len(late.beats) == 1
    last = decoder.feed(messages[0])
    assert [block.sequence.tolist() for block in last.blocks] == [list(range(1000, 1047))]
    assert last.pending_frames == 0
    assert last.frames == 1


def test_a_hello_of_another_boot_or_layout_releases_nothing():
    rows = encode_samples(hello(boot=17), 0, 0, 0, np.zeros((4, 2), int), 4)[0]
    decoder = Decoder()
    decoder.feed(rows)
    for other in (hello(boot=18), hello(("i24",)), hello(interval=999), hello(stream=3)):
        result = decoder.feed(encode_frame(hello_body(other)))
        assert (result.blocks, result.pending_frames) == ((), 1)
    assert decoder.feed(encode_frame(hello_body(hello(boot=17 + 256)))).pending_frames == 0


def test_a_saved_layout_serves_any_boot_but_no_other_layout():
    frames = [encode_samples(hello(boot=boot), 0, 0, 0, np.ones((1, 2), int), 1)[0] for boot in (3, 4)]
    other = encode_samples(hello(("i16",)), 0, 0, 0, np.ones((1, 1), int), 1)[0]
    result = Decoder([hello(boot=99)]).feed(b"".join(frames) + other)
    assert [block.boot for block in result.blocks] == [3, 4]
    assert result.pending_frames == 1


def colliding():
    """Two descriptions with the same 16-bit layout number."""
    seen = {}
    generator = random.Random(1)
    for _ in range(5000):
        said = hello(("i16",), interval=generator.randrange(1, 2**31))
        if said.layout in seen:
            return seen[said.layout], said
        seen[said.layout] = said
    raise AssertionError("a 16-bit number must collide within 5000 draws")


def test_two_saved_layouts_with_one_number_settle_nothing():
    one, two = colliding()
    rows = encode_samples(one, 0, 0, 0, np.zeros((1, 1), int), 1)[0]
    assert Decoder([one]).feed(rows).pending_frames == 0
    assert Decoder([one, two]).feed(rows).pending_frames == 1


def test_a_hello_that_changes_within_a_boot_is_refused_and_the_first_kept():
    one, two = colliding()
    rows = encode_samples(one, 0, 0, 0, np.zeros((2, 1), int), 2)[0]
    result = Decoder().feed(encode_frame(hello_body(one)) + encode_frame(hello_body(two)) + rows)
    assert result.refused_frames == 1
    assert "changed within boot 17" in result.refusals[0]
    assert [said for said, _ in result.hellos] == [one]
    assert result.blocks[0].ticks.tolist() == [0, one.interval_ticks]


def test_a_device_that_says_hello_in_ever_new_ways_fills_no_memory(monkeypatch):
    monkeypatch.setattr("standbook.daq.wire.decoder.KNOWN_HELLOS", 8)
    decoder = Decoder()
    for boot in range(40):
        assert len(decoder.feed(encode_frame(hello_body(hello(boot=boot)))).hellos) == 1
    counts = np.zeros((1, 2), np.int64)
    frames = {boot: b"".join(encode_samples(hello(boot=boot), 0, 0, 0, counts, 1)) for boot in (31, 32, 39)}
    assert {boot: len(decoder.feed(frame).blocks) for boot, frame in frames.items()} == {31: 0, 32: 1, 39: 1}


def test_a_hello_that_repeats_itself_is_reported_each_time():
    said = encode_frame(hello_body(hello()))
    result = Decoder().feed(said + said)
    assert [offset for _, offset in result.hellos] == [len(said), 2 * len(said)]
    assert result.refused_frames == 0


def test_refusals_are_all_counted_but_not_all_worded():
    frames = b"".join(encode_frame(bytes([kind, 7])) for kind in range(100, 200))
    result = Decoder().feed(frames)
    assert result.refused_frames == 100
    assert len(result.refusals) == MAX_REFUSALS


def test_the_waiting_room_has_a_ceiling_and_spill_is_counted(monkeypatch):
    monkeypatch.setattr("standbook.daq.wire.decoder.WAITING_BYTES", 10 * (15 + 4 * 6 + 4))
    said = hello()
    frames = encode_samples(said, 0, 0, 0, np.arange(50 * 4 * 2).reshape(-1, 2), 4)
    decoder = Decoder()
    result = decoder.feed(b"".join(frames))
    assert (result.pending_frames, result.spilled_frames) == (10, 40)
    rest = decoder.feed(encode_frame(hello_body(said)))
    assert rest.blocks[0].sequence.tolist() == list(range(160, 200))


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (b"", "an empty frame"),
        (b"\x09abc", "kind 0x09"),
        (b"\x02", "kind 0x02"),
        (b"\x05", "kind 0x05"),
        (b"\x03\x00", "edge frame has 2 bytes"),
        (b"\x01{}", "format None"),
        (samples_body(hello(), 0, 0, 0, np.ones((3, 2), int)) + b"\0", "row count and frame length disagree"),
        (samples_body(hello(), 0, 0, 0, np.ones((1, 2), int))[:-6], "disagree"),
    ],
)
def test_a_right_frame_with_unreadable_content_is_refused_and_said(body, says):
    frame = cobs.encode(body + zlib.crc32(body).to_bytes(4, "little")) + b"\0"
    result = Decoder([hello()]).feed(frame)
    assert (result.frames, result.refused_frames, result.damaged_frames) == (1, 1, 0)
    assert says in result.refusals[0]
    assert result.blocks == ()


def test_a_frame_that_says_zero_rows_is_refused():
    body = bytearray(samples_body(hello(), 0, 0, 0, np.ones((1, 2), int))[:15])
    body[6] = 0
    assert Decoder([hello()]).feed(encode_frame(bytes(body))).refused_frames == 1


def test_blocks_tell_frames_lines_and_offsets():
    said = hello()
    frames = encode_samples(said, 2**32 - 3, 2**32 - 1500, [0, 1, 0], np.arange(14).reshape(7, 2), 3)
    (block,) = Decoder([said]).feed(b"".join(frames)).blocks
    assert block.sequence.tolist() == [2**32 - 3, 2**32 - 2, 2**32 - 1, 0, 1, 2, 3]
    assert block.ticks.tolist() == [2**32 - 1500, 2**32 - 500, 500, 1500, 2500, 3500, 4500]
    assert block.frame_row.tolist() == [0, 3, 6]
    assert block.frame_lines.tolist() == [0, 1, 0]
    assert block.frame_end.tolist() == np.cumsum([len(frame) for frame in frames]).tolist()


def test_offsets_count_from_the_first_byte_ever_fed():
    note = encode_frame(note_body(1, 17, 0, "a"))
    decoder = Decoder()
    offsets = [decoder.feed(piece).notes for piece in (note[:4], note[4:] + note, note)]
    assert [[item.offset for item in found] for found in offsets] == [
        [],
        [len(note), 2 * len(note)],
        [3 * len(note)],
    ]


def test_counts_that_do_not_fit_their_type_are_refused_by_the_encoder():
    said = hello(("u8", "i16"))
    with pytest.raises(ValueError, match="channel 'adc0': count 256 does not fit u8"):
        encode_samples(said, 0, 0, 0, np.array([[255, 0], [256, 0]]), 2)
    with pytest.raises(ValueError, match="'adc1': count -32769"):
        pack_rows(said, np.array([[0, -32769]]))
    with pytest.raises(ValueError, match="has 2 channels"):
        pack_rows(said, np.zeros((4, 3), int))
    with pytest.raises(ValueError, match="takes 1 to 255 rows, not 256"):
        encode_samples(said, 0, 0, 0, np.zeros((300, 2), int), 256)
    with pytest.raises(ValueError, match="rows, not 0"):
        samples_body(said, 0, 0, 0, np.zeros((0, 2), int))


def test_a_hello_frame_is_the_json_behind_its_kind():
    body = hello_body(hello())
    assert body[0] == 1
    assert json.loads(body[1:])["device"] == "cradle-a"


def test_a_large_stream_is_decoded_in_blocks_and_nothing_is_lost():
    said = hello(("i24",) * 8)
    counts = np.random.default_rng(1).integers(-(2**23), 2**23, (90_000, 8))
    stream = encode_frame(hello_body(said)) + b"".join(encode_samples(said, 0, 0, 1, counts, 10))
    assert len(stream) > 2 * BLOCK_BYTES
    result = Decoder().feed(stream)
    assert (np.concatenate([block.counts for block in result.blocks]) == counts).all()
    assert (np.concatenate([block.sequence for block in result.blocks]) == np.arange(90_000)).all()
    assert result.frames == 9001
