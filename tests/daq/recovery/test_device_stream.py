"""The openings of a port, joined to one stream of bytes."""

import numpy as np

from standbook.daq.recovery.device_stream import SEPARATOR, PortOpening, join_openings


def opening(stream, chunk_end, arrival_ns):
    return PortOpening(stream, np.array(chunk_end, np.int64), np.array(arrival_ns, np.int64))


def test_openings_are_joined_with_a_separator_and_their_chunks_move_along():
    joined = join_openings([opening(b"abc", [1, 3], [10, 20]), opening(b"de", [2], [30])])
    assert joined.stream == b"abc" + SEPARATOR + b"de"
    assert joined.chunk_end.tolist() == [1, 3, 6]
    assert joined.arrival_ns.tolist() == [10, 20, 30]


def test_a_device_without_a_readable_journal_has_no_bytes():
    joined = join_openings([])
    assert joined.stream == b""
    assert joined.chunk_end.size == joined.arrival_ns.size == 0
