"""Encode wire format 1 as a device sends it, for rehearsals and tests.

Values are as on the wire: raw counts, ticks, numbers of rows; ticks and sequences are taken modulo 2**32,
so a caller may count on. COBS is written without the optional final ``01`` after a full block. This module
makes bytes and sends none.
"""

import zlib
from collections.abc import Sequence

import numpy as np
from cobs import cobs
from numpy.typing import NDArray

from standbook.daq.wire.hello import MAX_BODY, TYPE_BYTES, TYPE_RANGES, Hello
from standbook.daq.wire.messages import (
    BEAT_HEADER,
    BEAT_LINE,
    BEAT_STREAM,
    CRC_BYTES,
    EDGE,
    KIND_BEAT,
    KIND_EDGE,
    KIND_HELLO,
    KIND_NOTE,
    KIND_SAMPLES,
    MODULUS,
    NOTE_HEADER,
    SAMPLES_HEADER,
)


def encode_frame(body: bytes) -> bytes:
    """Wrap a body as it travels: COBS of body and CRC, then the delimiter.

    Raises
    ------
    ValueError
        The body is empty or longer than a frame may be.
    """
    if not 1 <= len(body) <= MAX_BODY:
        raise ValueError(f"a body has 1 to {MAX_BODY} bytes, this one {len(body)}")
    return bytes(cobs.encode(body + zlib.crc32(body).to_bytes(CRC_BYTES, "little"))) + b"\0"


def hello_body(hello: Hello) -> bytes:
    """Make the body that describes a stream."""
    return bytes([KIND_HELLO]) + hello.to_json()


def samples_body(hello: Hello, sequence: int, ticks: int, lines: int, counts: NDArray[np.integer]) -> bytes:
    """Make the body of one samples frame from ``counts`` of shape (rows, channels)."""
    rows = pack_rows(hello, counts)
    if not 1 <= len(rows) <= hello.max_rows:
        raise ValueError(f"a frame of stream {hello.name!r} takes 1 to {hello.max_rows} rows, not {len(rows)}")
    return _samples_header(hello, hello.layout, sequence, ticks, lines, len(rows)) + rows.tobytes()


def edge_body(line: int, boot: int, level: int, edges: int, ticks: int) -> bytes:
    """Make the body of an edge; ``edges`` counts this one too."""
    return EDGE.pack(KIND_EDGE, line, boot & 0xFF, level, edges & 0xFFFF, ticks % MODULUS)


def note_body(severity: int, boot: int, ticks: int, text: str) -> bytes:
    """Make the body of a note; text too long for a frame is cut at a whole character."""
    content = text.encode()[: MAX_BODY - NOTE_HEADER.size].decode("utf-8", "ignore").encode()
    return NOTE_HEADER.pack(KIND_NOTE, severity, boot & 0xFF, ticks % MODULUS) + content


def beat_body(
    boot: int,
    lines: int,
    ticks: int,
    edges: Sequence[tuple[int, int]],
    next_sequence: Sequence[tuple[int, int]],
) -> bytes:
    """Make the body of a beat.

    Parameters
    ----------
    edges
        Per line, in the order of hello's lines: edge count and ticks of the last edge.
    next_sequence
        Per stream: its number, and the first row of the samples frame that comes next on the wire.
    """
    body = BEAT_HEADER.pack(KIND_BEAT, boot & 0xFF, lines, ticks % MODULUS)
    body += b"".join(BEAT_LINE.pack(count & 0xFFFF, last % MODULUS) for count, last in edges)
    return body + b"".join(BEAT_STREAM.pack(stream, row % MODULUS) for stream, row in next_sequence)


def encode_samples(
    hello: Hello,
    sequence: int,
    ticks: int,
    lines_per_frame: int | Sequence[int] | NDArray[np.integer],
    counts: NDArray[np.integer],
    rows_per_frame: int,
) -> list[bytes]:
    """Make whole samples frames, delimiters included, from a table of counts.

    Parameters
    ----------
    sequence, ticks
        Number of the table's first row since boot, and the device clock at that row; the following rows
        come ``interval_ticks`` apart.
    lines_per_frame
        Levels at the first row of each frame, or one value for all.
    counts : (N, C) integers
        The last frame is shorter when ``rows_per_frame`` does not divide N.

    Raises
    ------
    ValueError
        A count does not fit its channel's type, or so many rows do not fit a frame.
    """
    if not 1 <= rows_per_frame <= hello.max_rows:
        raise ValueError(f"a frame of stream {hello.name!r} takes 1 to {hello.max_rows} rows, not {rows_per_frame}")
    rows = pack_rows(hello, counts)
    starts = range(0, len(rows), rows_per_frame)
    lines = np.broadcast_to(np.asarray(lines_per_frame), (len(starts),)).tolist()
    content = memoryview(rows.tobytes())
    size, layout, interval = hello.row_bytes, hello.layout, hello.interval_ticks
    frames = []
    for start, levels in zip(starts, lines, strict=True):
        stop = min(start + rows_per_frame, len(rows))
        header = _samples_header(hello, layout, sequence + start, ticks + start * interval, levels, stop - start)
        body = header + content[start * size : stop * size]
        frames.append(cobs.encode(body + zlib.crc32(body).to_bytes(CRC_BYTES, "little")) + b"\0")
    return frames


def pack_rows(hello: Hello, counts: NDArray[np.integer]) -> NDArray[np.uint8]:
    """Pack counts (N, C) into bytes (N, row_bytes) as hello declares them.

    Raises
    ------
    ValueError
        The table has another number of columns, or a count does not fit its type.
    """
    if counts.ndim != 2 or counts.shape[1] != len(hello.channels):
        raise ValueError(f"stream {hello.name!r} has {len(hello.channels)} channels, counts have {counts.shape}")
    rows = np.empty((len(counts), hello.row_bytes), np.uint8)
    at = 0
    for index, channel in enumerate(hello.channels):
        column = counts[:, index]
        low, high = TYPE_RANGES[channel.type]
        if len(column) and not (low <= column.min() and column.max() <= high):
            worst = column.min() if column.min() < low else column.max()
            raise ValueError(f"channel {channel.name!r}: count {worst} does not fit {channel.type}")
        size = TYPE_BYTES[channel.type]
        # The low bytes of the two's complement are the packed value, whatever the type.
        wide = np.ascontiguousarray(column.astype("<i8")).view(np.uint8).reshape(-1, 8)
        rows[:, at : at + size] = wide[:, :size]
        at += size
    return rows


def _samples_header(hello: Hello, layout: int, sequence: int, ticks: int, lines: int, count: int) -> bytes:
    place = (hello.stream, hello.boot & 0xFF, layout, lines, count)
    return SAMPLES_HEADER.pack(KIND_SAMPLES, *place, sequence % MODULUS, ticks % MODULUS)
