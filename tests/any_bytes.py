"""What must hold of the readers whatever bytes they are given; one function a reader, for tests and for fuzzing.

Each takes raw bytes, of which the first few choose how the rest is used: as they are, or as the content of frames
and records whose checksums are right, so that a search gets behind the checksum. A broken promise is an
AssertionError, an unexpected exception passes through.
"""

from itertools import pairwise

import numpy as np

from standbook.daq.errors import FrameError, StandError
from standbook.daq.journal.bulk_reader import RecordColumns
from standbook.daq.journal.reader import JournalDecoder
from standbook.daq.journal.record_format import (
    EMPTY_BATCH,
    MAX_DATA,
    ROW_OVERHEAD,
    Event,
    Row,
    row_message,
    schema_message,
)
from standbook.daq.recovery.decode_wire import recover_wire
from standbook.daq.recovery.device_stream import DeviceStream, PortOpening
from standbook.daq.recovery.streams_together import align_tick_epochs
from standbook.daq.wire.decoder import KNOWN_HELLOS, MAX_ENCODED, WAITING_BYTES, Decoder
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import MAX_BODY, Hello
from standbook.daq.wire.stream_assembly import assemble
from standbook.daq.wire.text_lines import MAX_LINE, LineDecoder, LineLayout
from tests.wire_reference import hello

SAVED = (hello(("i24", "i16", "u8")), hello(("i32", "u16"), stream=2, interval=12_500))
LAYOUTS = (
    LineLayout(columns=("a", "b", "c")),
    LineLayout(columns=("us", "a"), clock="us", clock_modulus=2**32, clock_hz=1e6),
    LineLayout(columns=("us", "n", "a"), clock="us", clock_hz=1e3, counter="n"),
    LineLayout(columns=("n", "b", "ms", "a"), clock="ms", clock_modulus=1000, clock_hz=1e3, counter="n", boot="b"),
)
SCHEMA = schema_message({"device": "cradle-a", "host_boot": "1"}) + EMPTY_BATCH


# --- frames ----------------------------------------------------------------------------------------------


def check_frames(data):
    """Every frame ends in one place, however the stream is cut; rows are in order; buffers are bounded."""
    if len(data) < 2:
        return
    how, stream = data[0], data[2:]
    if how & 1:
        stream = b"".join(encode_frame(body) for body in parts(stream) if body)
    saved = SAVED if how & 2 else ()
    cut = data[1] * len(stream) >> 8
    whole = _decode([stream], saved)
    halves = _decode([stream[:cut], stream[cut:]], saved)
    assert _counts(whole) == _counts(halves)
    if how & 4:
        _recover(stream)
    blocks, edges, beats = ([x for r in halves for x in getattr(r, name)] for name in ("blocks", "edges", "beats"))
    described = {(h.stream, h.layout): h for h in (*saved, *(h for r in halves for h, _ in r.hellos))}
    told = [assemble([b for b in blocks if b.layout == key[1]], beats, edges, h) for key, h in described.items()]
    for assembly in align_tick_epochs(told):
        for segment in assembly.segments:
            assert (np.diff(segment.sequence) > 0).all()
            assert (segment.gaps[:, 1] > 0).all()


def _decode(pieces, saved):
    decoder = Decoder(saved)
    results = []
    for piece in pieces:
        results.append(decoder.feed(piece))
        assert len(decoder._tail) <= MAX_ENCODED
        assert decoder._waiting_bytes <= WAITING_BYTES
        assert len(decoder._known) <= KNOWN_HELLOS
    results.append(decoder.finish())
    ended = sum(
        sum(block.frame_row.size for block in r.blocks)
        + sum(map(len, (r.edges, r.notes, r.beats, r.hellos)))
        + r.spilled_frames
        + r.refused_frames
        for r in results
    )
    assert sum(r.frames for r in results) == ended + results[-1].pending_frames
    return results


def _counts(results):
    names = ("frames", "damaged_frames", "damaged_bytes", "leading_bytes", "torn_bytes")
    return [sum(getattr(result, name) for result in results) for name in names]


def _recover(stream):
    ends = np.arange(0, len(stream) + 64, 64).clip(max=len(stream))
    opening = PortOpening(stream, ends, 1_900_000_000_000_000_000 + np.arange(ends.size) * 3_000_000)
    try:
        recover_wire(
            DeviceStream(device="cradle-a", openings=(opening,), joined=opening, notes=(), torn_bytes=0),
            origin_ns=0,
            tolerance=1e-4,
        )
    except StandError:
        return


def parts(data):
    """Cut bytes into parts that each say how long they are, by two bytes."""
    found = []
    while len(data) >= 2:
        size = int.from_bytes(data[:2], "little") % (MAX_BODY + 1)
        found.append(data[2 : 2 + size])
        data = data[2 + size :]
    return found


def _joined(contents):
    return b"".join(len(content).to_bytes(2, "little") + content for content in contents)


# --- hello -----------------------------------------------------------------------------------------------


def check_hello(data):
    """A hello is refused in one printable sentence, or reads back as it was."""
    try:
        read = Hello.from_json(data)
    except FrameError as refusal:
        sentence = str(refusal)
        assert sentence.isprintable()
        assert len(sentence) < 2 * MAX_BODY
        return
    if len(data) < MAX_BODY - 200:  # ours may be longer than theirs by what their JSON leaves out
        assert Hello.from_json(read.to_json()) == read


# --- text lines ------------------------------------------------------------------------------------------


def check_lines(data):
    """Rows, counts and clocks do not depend on the cuts; buffers are bounded; no row holds what is no number."""
    if len(data) < 2:
        return
    layout, text = LAYOUTS[data[0] % len(LAYOUTS)], data[2:]
    cut = data[1] * len(text) >> 8
    whole, halves = _read(layout, [text]), _read(layout, [text[:cut], text[cut:]])
    for name in ("values", "line_end", "segment", "clock", "lost_before"):
        one, other = (np.concatenate([getattr(r, name) for r in results]) for results in (whole, halves))
        assert np.array_equal(one, other, equal_nan=name in ("values", "clock"))
    for name in ("rollovers", "damaged_lines", "damaged_bytes", "comment_lines", "leading_bytes", "torn_bytes"):
        assert len({sum(getattr(r, name) for r in results) for results in (whole, halves)}) == 1
    assert not np.isinf(np.concatenate([r.values for r in whole])).any()
    assert all((r.lost_before >= 0).all() for r in whole)


def _read(layout, pieces):
    decoder = LineDecoder(layout)
    results = []
    for piece in pieces:
        results.append(decoder.feed(piece))
        assert len(decoder._tail) <= MAX_LINE
    return [*results, decoder.finish()]


# --- journal ---------------------------------------------------------------------------------------------


def check_journal(data):
    """Rows that come out went in, in order; a message that nothing touched is found."""
    if len(data) < 3:
        return
    if not data[0] & 1:
        rows = _journal([data[3:]])
        assert all(isinstance(row, Row) for row in rows)
        return
    file, written = bytearray(SCHEMA), []
    for number, content in enumerate(parts(data[3:])):
        row = Row(number * 10**7, number * 2**40, number, Event.DATA if number % 5 else Event.LOST, content)
        start = len(file)
        file += row_message(start, row)
        written.append((start, len(file), row))
    touched = set()
    for number in range(data[0] >> 5):  # edits that the data itself places
        at, value = int.from_bytes(data[1:3], "little") * (number + 1) % len(file), data[-1 - number % len(data)]
        if file[at] != value:
            file[at] = value
            touched.add(at)
    cut = data[1] * len(file) >> 8
    found = _journal([bytes(file[:cut]), bytes(file[cut:])])
    rows = iter(row for _, _, row in written)
    assert all(any(row == other for other in rows) for row in found), "a row that was not written, or out of order"
    untouched = [row for start, stop, row in written if not any(start <= at < stop for at in touched)]
    rows = iter(found)
    assert all(any(row == other for other in rows) for row in untouched), "a row lost that nothing touched"


def _journal(pieces):
    decoder, other, records = JournalDecoder(), JournalDecoder(), RecordColumns()
    rows = []
    for piece in pieces:
        rows += decoder.feed(piece)
        records.add(other.feed(piece, records.take))
        assert len(decoder._pending) <= MAX_DATA + ROW_OVERHEAD + len(piece)
    rows += decoder.finish()
    records.add(other.finish())
    assert records.times.tolist() == [list(row[:3]) for row in rows], "whole stretches give other records"
    assert records.stream == b"".join(row.data for row in rows if row.event == Event.DATA)
    assert (other.record, other.whole_end, other.damage) == (decoder.record, decoder.whole_end, decoder.damage)
    assert all(a.offset + a.length <= b.offset for a, b in pairwise(decoder.damage))
    return rows


# --- where a search starts -------------------------------------------------------------------------------


def seeds():
    """Give for each reader a few valid inputs, made by our own encoders."""
    fast, slow = SAVED
    counts = np.arange(12).reshape(4, 3)
    frames = [
        hello_body(fast),
        *(cut_frame(frame) for frame in encode_samples(fast, 2**32 - 3, 5_000_000, 1, counts, 2)),
        b"\x03\x00\x11\x01" + bytes([3, 0, 1, 2, 3, 4]),
        b"\x04\x02\x11\x00\x00\x01\x00overrun",
        b"\x05\x11\x01" + bytes(4) + bytes([3, 0, 1, 2, 3, 4]) + b"\x01\x05\0\0\0\x02\x02\0\0\0",
        hello_body(slow),
        *(cut_frame(frame) for frame in encode_samples(slow, 0, 70, 0, counts[:, :2], 1)),
    ]
    stream = b"".join(encode_frame(body) for body in frames)
    text = b"x\n# board\r\n1,2,3\n17,-4.5e2,nan\n4294967290,5\n14,6\n1,2,3*2C\n1,2,3,4\n2,2,999,4\n4,2,3,4\n"
    journal = SCHEMA + row_message(len(SCHEMA), Row(1, 2, 3, Event.OPENED, b"port"))
    journal += row_message(len(journal), Row(4, 5, 6, Event.DATA, stream[:60]))
    return {
        "frames": [bytes([0, 90]) + stream, bytes([7, 90]) + _joined(frames), bytes([5, 9]) + _joined(frames[1:])],
        "hello": [said.to_json() for said in SAVED],
        "lines": [bytes([kind, 90]) + text for kind in range(len(LAYOUTS))],
        "journal": [b"\0\0\0" + journal, b"\xe1\x55\x07" + _joined([b"", b"ab", stream[:80], b"\xff" * 9])],
    }


def cut_frame(frame):
    """Return the body of a frame that the encoder made."""
    from tests.wire_reference import uncobs

    return uncobs(frame[:-1])[:-4]


CHECKS = {"frames": check_frames, "hello": check_hello, "lines": check_lines, "journal": check_journal}
