"""Print how fast wire format 1 is decoded and encoded.

Run ``python -m tests.benchmarks.bench_wire``. Figures depend on the machine; the ratio to the plain loop less so.
The plain loop does what a straightforward script would: split on zero, C cobs, zlib.crc32, struct, one frame at a
time.
"""

import statistics
import struct
import time
import zlib

import numpy as np
from cobs import cobs

from standbook.daq.wire.decoder import BLOCK_BYTES, Decoder
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import TYPE_RANGES
from tests.wire_reference import hello

HEADER = struct.Struct("<BBBHBBII")
CASES = (("i16", 8, 10), ("i24", 8, 10), ("i32", 8, 10), ("i24", 2, 20), ("i16", 4, 4), ("i16", 8, 1), ("i24", 10, 30))


def plain_loop(stream, kind, values):
    """Decode frame by frame; returns the frames as (header, values)."""
    unpack = struct.Struct(f"<{values}{'h' if kind == 'i16' else 'i'}").unpack_from
    frames = []
    for piece in stream.split(b"\0"):
        try:
            framed = cobs.decode(piece)
        except cobs.DecodeError:
            continue
        if len(framed) < 19:
            continue
        body = framed[:-4]
        if zlib.crc32(body) != int.from_bytes(framed[-4:], "little"):
            continue
        header = HEADER.unpack_from(body)
        if header[0] != 2:
            continue
        if kind == "i24":
            rows = [int.from_bytes(body[at : at + 3], "little", signed=True) for at in range(15, len(body), 3)]
        else:
            rows = unpack(body, 15)
        frames.append((header, rows))
    return frames


def seconds(action, repeats=7):
    """Median processor time of an action (one thread; other programs of the machine do not count)."""
    times = []
    for _ in range(repeats):
        start = time.process_time()
        action()
        times.append(time.process_time() - start)
    return statistics.median(times)


def speed():
    print(f"{'type':5}{'channels':>9}{'rows':>5}{'bytes':>7}{'decode MB/s':>13}{'x plain loop':>13}{'encode MB/s':>13}")
    generator = np.random.default_rng(1)
    for kind, channels, rows in CASES:
        said = hello([kind] * channels)
        frames = 2_000_000 // (rows * channels * 3)
        spread = TYPE_RANGES[kind][1] / 40
        counts = generator.normal(spread * 4, spread, (frames * rows, channels)).astype(np.int64)
        made = encode_samples(said, 0, 0, 0, counts, rows)
        stream = encode_frame(hello_body(said)) + b"".join(made)
        fast = seconds(lambda: Decoder().feed(stream))  # noqa: B023 - called at once
        plain = seconds(lambda: plain_loop(stream, kind, rows * channels), 5)  # noqa: B023
        encode = seconds(lambda: encode_samples(said, 0, 0, 0, counts, rows), 3)  # noqa: B023
        check = np.concatenate([block.counts for block in Decoder().feed(stream).blocks])
        assert (check == counts).all()
        looped = np.array([values for _, values in plain_loop(stream, kind, rows * channels)])
        assert (looped.reshape(counts.shape) == counts).all()
        size = len(stream) / 1e6
        print(
            f"{kind:5}{channels:9}{rows:5}{len(made[0]):7}{size / fast:13.0f}{plain / fast:13.1f}{size / encode:13.0f}"
        )


def alternatives():
    """Time the ways to undo COBS and to check CRCs that were weighed against each other, per frame."""
    said = hello(["i16"] * 8)
    counts = np.random.default_rng(1).normal(3000, 200, (200_000, 8)).astype(np.int64)
    stream = b"".join(encode_samples(said, 0, 0, 0, counts, 10))[:BLOCK_BYTES]
    stream = stream[: stream.rindex(b"\0") + 1]
    pieces = stream.split(b"\0")[:-1]
    common = max(map(len, pieces), key=[len(piece) for piece in pieces].count)
    equal = [piece for piece in pieces if len(piece) == common]
    matrix = np.frombuffer(b"".join(equal), np.uint8).reshape(len(equal), common)
    bodies = [cobs.decode(piece) for piece in equal]
    flat = np.frombuffer(b"".join(bodies), np.uint8).reshape(len(equal), -1)
    assert (by_columns(matrix)[:, 1:] == flat).all()
    assert crc_by_columns(flat).tolist() == [zlib.crc32(body) for body in bodies]
    for name, action in (
        ("COBS, C package mapped over frames", lambda: list(map(cobs.decode, equal))),
        ("COBS, numpy column by column", lambda: by_columns(matrix)),
        ("CRC, zlib mapped over frames", lambda: list(map(zlib.crc32, bodies))),
        ("CRC, numpy table column by column", lambda: crc_by_columns(flat)),
    ):
        print(f"{name:38}{seconds(action, 15) / len(equal) * 1e6:8.3f} us a frame of {common} bytes")


def by_columns(matrix):
    """Undo COBS on frames of equal length: follow all code chains one column at a time."""
    columns = np.ascontiguousarray(matrix.T)
    following = np.zeros(columns.shape[1], np.uint8)
    for index, column in enumerate(columns):
        code = (following == index % 256).view(np.uint8) * column
        following += code
        column -= code
    return columns.T


def crc_by_columns(matrix):
    """CRC-32 of rows of equal length, one column at a time."""
    table = np.arange(256, dtype=np.uint32)
    for _ in range(8):
        table = (table >> 1) ^ np.where(table & 1, np.uint32(0xEDB88320), np.uint32(0))
    register = np.full(matrix.shape[0], 0xFFFFFFFF, np.uint32)
    for column in np.ascontiguousarray(matrix.T):
        register = (register >> 8) ^ table[(register ^ column) & 0xFF]
    return ~register


if __name__ == "__main__":
    speed()
    alternatives()
