"""Whatever bytes come: no reader fails, invents, or keeps more than it may; also behind right checksums."""

import dataclasses
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.recovery.decode_wire import recover_wire
from standbook.daq.recovery.device_stream import DeviceStream, PortOpening
from standbook.daq.wire.encoder import beat_body, edge_body, encode_frame, hello_body, samples_body
from tests.any_bytes import CHECKS as BYTE_CHECKS
from tests.any_bytes import SCHEMA, seeds
from tests.any_documents import DOCUMENT_CHECKS, document_seeds
from tests.mutations import search
from tests.wire_reference import hello

SEEDS = seeds() | document_seeds()
CHECKS = BYTE_CHECKS | DOCUMENT_CHECKS
TARGETS = sorted(CHECKS)


@pytest.mark.parametrize("target", TARGETS)
def test_what_our_encoders_make_keeps_the_promises(target):
    for seed in SEEDS[target]:
        CHECKS[target](seed)


@pytest.mark.parametrize("target", TARGETS)
@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=1200))
def test_arbitrary_bytes_keep_the_promises(target, data):
    CHECKS[target](data)


@pytest.mark.parametrize("target", TARGETS)
@settings(max_examples=100, deadline=None)
@given(
    number=st.integers(0, 9),
    edits=st.lists(st.tuples(st.integers(0, 5000), st.binary(max_size=6), st.integers(0, 6)), max_size=4),
)
def test_valid_input_with_parts_replaced_put_in_or_left_out_keeps_the_promises(target, number, edits):
    data = SEEDS[target][number % len(SEEDS[target])]
    for at, put, left_out in edits:
        place = at % (len(data) + 1)
        data = data[:place] + put + data[place + left_out :]
    CHECKS[target](data)


def test_the_promises_can_be_broken(monkeypatch):
    """A check that cannot fail proves nothing: readers that drop, repeat or shift are found out."""
    monkeypatch.setattr("standbook.daq.journal.reader.JournalDecoder.finish", lambda self: [])
    all_of_it = lambda self, count: self._pass(len(self._pending) - self._start)  # noqa: E731
    monkeypatch.setattr("standbook.daq.journal.reader.JournalDecoder._skip", all_of_it)
    damaged = b"\x21" + (len(SCHEMA) + 20).to_bytes(2, "little") + SEEDS["journal"][1][3:]
    with pytest.raises(AssertionError):
        CHECKS["journal"](damaged)
    monkeypatch.setattr("standbook.daq.wire.decoder.Decoder._wait", lambda *_: None)
    with pytest.raises(AssertionError):
        CHECKS["frames"](SEEDS["frames"][2])
    monkeypatch.setattr("standbook.daq.wire.text_lines.LineDecoder._account", lambda self, row, found: -1)
    with pytest.raises(AssertionError):
        CHECKS["lines"](SEEDS["lines"][0])


def test_a_search_keeps_count_of_what_fails_and_of_what_takes_long():
    def check(data):
        if data[:1] == b"b":
            raise LookupError(data)

    found = search(check, [b"a", b"b"], 8, 200)
    (where,) = found.failures
    assert where.startswith("LookupError at test_any_bytes.py:")
    assert (found.executions, found.is_clean) == (200, False)
    assert search(lambda _: None, [b"a"], 8, 50).is_clean


# Found by search, each once a traceback.
WORDS_AND_NUMBERS = [
    ("toml", b"\x00number = " + b"1" * 5000),
    ("toml", b"\x02zero_uncertainty = nan\ncoefficients = [inf, 1.0]"),
    ("toml", b'\x04by = "x"\nscale_u = "' + b"1" * 200_000 + b' a b"'),
    ("toml", b"\x04" + b"[ " * 100_000),
    ("manifest", b"\x03" + b"[" * 5000),
    ("manifest", b'\x03{"n": Infinity, "text": "", "monotonic_ns": 1, "boottime_ns": 1, "wall_ns": 1}'),
    ("manifest", b'\x03{"n": 1, "text": "", "monotonic_ns": 1, "boottime_ns": 1, "wall_ns": 99999999999999999999}'),
    ("manifest", b"\x05" + b"[" * 5000),
    ("manifest", b'\x05{"device": "a", "pid": 1, "port": "p", "journal": 5}'),
    ("manifest", b'\x05{"device": "a", "pid": 1, "port": "p", "journal": "' + b"j" * 300 + b'"}'),
    ("csv", b"\x00t,P\n" + b"".join(b"0.%013d,1\n" % (k * 10**11 + 7 * k) for k in range(20))),
]


@pytest.mark.parametrize(("target", "data"), WORDS_AND_NUMBERS)
def test_what_search_found_stays_mended(target, data):
    began = time.process_time()
    CHECKS[target](data)
    assert time.process_time() - began < 1.0


SEQUENCES = {
    "in order": np.arange(40) * 2,
    "anyhow": np.random.default_rng(1).integers(0, 2**32, 40),
    "standing still": np.zeros(40, np.int64),
    "by leaps": np.arange(40) * 2**30,
}
ARRIVALS = {
    "as usual": 1_900_000_000_000_000_000 + np.arange(100) * 10**7,
    "at once": np.zeros(100, np.int64),
    "backwards": 10**18 - np.arange(100) * 10**15,
}


@pytest.mark.parametrize("sequence", SEQUENCES)
@pytest.mark.parametrize("arrival", ARRIVALS)
@pytest.mark.parametrize("time_scale", [5e-324, 1.0, 1000.0])
@pytest.mark.parametrize("tick_hz", [1, 10**6, 10**9])
@pytest.mark.parametrize("interval", [1, 1000, 2**31 - 1])
def test_a_device_that_tells_nonsense_behind_right_checksums_loses_no_row(
    sequence, arrival, time_scale, tick_hz, interval
):
    """Found by search: spans of thousands of years overflowed, and one such device stopped the whole recovery."""
    said = hello(("i16", "i16"), interval=interval, streams=1)
    said = dataclasses.replace(said, tick_hz=tick_hz, time_scale=time_scale, rehearsal=True)
    generator = np.random.default_rng(5)
    counts = generator.integers(-9, 9, (80, 2))
    frames = [encode_frame(hello_body(said))]
    for number, first in enumerate(SEQUENCES[sequence].tolist()):
        ticks = first * interval if number % 3 else int(generator.integers(0, 2**32))
        frames.append(encode_frame(samples_body(said, first, ticks, 0, counts[2 * number : 2 * number + 2])))
        if number % 5 == 0:
            level = int(generator.integers(0, 256))
            frames.append(encode_frame(edge_body(level, 17, level, level * 200, level * 2**24)))
            frames.append(encode_frame(beat_body(17, 255, level * 2**24, [(level, level)], [(level, level * 2**24)])))
    ends = np.cumsum([len(frame) for frame in frames])
    opening = PortOpening(b"".join(frames), ends, ARRIVALS[arrival][: ends.size])
    found = recover_wire(
        DeviceStream(device="cradle-a", openings=(opening,), joined=opening, notes=(), torn_bytes=0),
        origin_ns=0,
        tolerance=1e-4,
    )
    rows = [(rows.counts, found.clock.to_host_ns(rows.key, rows.ticks)) for rows in found.streams[0].segments]
    assert sum(host.size for _, host in rows) == 80
    assert np.array_equal(np.sort(np.concatenate([c for c, _ in rows]), axis=0), np.sort(counts, axis=0))
