"""Print how fast journals become rows and Parquet, against a plain loop; what a value costs on the disk.

Run ``python -m tests.benchmarks.bench_recover``. Three comparisons, each with its plain one and the ratio:

``decode``: bytes to rows alone; the plain loop splits on zero, then C cobs, zlib.crc32 and struct, frame by frame.
``file``: journal to a Parquet file with the same columns (sequence, boot, ticks, host_time, counts of each channel).
The plain script reads the journal with Arrow's own reader, checks each record's CRC, runs the loop, appends row by row
to lists and writes them with the library's defaults. It leaves out, and ours does: reading on behind damage in the
journal; hello (the layout is built into it); order, duplicates, gaps and restarts; rollover of the 32-bit ticks; the
clock fit (it counts on from the first arrival at the nominal rate); edges, notes and every account; what the columns
are (units, rails); a file that is there whole or not at all, and synced.
``counts``: the same, ours, against the least that gives any Parquet file: Arrow reads the journal in one go, its CRC is
not looked at, and only counts are written.

Readings come on top, in ours only. ``--long`` adds ten minutes of six channels at 10 kHz: seconds and peak memory of a
process that recovers them.
"""

import argparse
import re
import struct
import subprocess
import sys
import tempfile
import time
import zlib
from fractions import Fraction
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter
from standbook.daq.recovery.decode_wire import DecodedDevice, recover_wire
from standbook.daq.recovery.device_stream import read_tapes
from standbook.daq.run.samples_file import ROW_GROUP, Column, Piece, SamplesHeader, write_samples
from standbook.daq.sealing.calibrated_columns import coarsened
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import TYPE_RANGES
from tests.benchmarks.bench_wire import plain_loop, seconds
from tests.wire_reference import hello

JOINED_NS = 15_000_000  # capture joins reads for so long
# type, channels, rows in a frame, rows a second
CASES = (
    ("i16", 8, 20, 1000),  # a row each ms, a frame in each record
    ("i24", 10, 20, 1000),
    ("i32", 4, 20, 1000),
    ("i32", 10, 20, 1000),
    ("i16", 8, 1, 1000),  # a frame a row: 15 frames in a record
    ("i16", 6, 50, 10_000),  # a fast board: 3 frames in a record
    ("i32", 1, 1, 1000),  # the least frame there is
    ("i16", 8, 1, 100),  # a slow board: a row a record, so the journal is nearly all there is to read
)
TOLD = ("arrival_ns", "wall_ns", "boottime_ns", "event")
RECORD = struct.Struct("<qqqqqq")  # what a record's CRC covers before its bytes
LONG = ("i24", 6, 50, 10_000)
SCALE = 1.7e-3  # reading of one count


def signal(kind, channels, rows, seed=1):
    """Counts of slow sensors with a few counts of noise, as most channels of a stand give."""
    generator = np.random.default_rng(seed)
    top = TYPE_RANGES[kind][1]
    slow = np.cumsum(generator.normal(0, 0.05, (rows, channels)), axis=0) + top / 8
    return np.rint(slow + generator.normal(0, 2.0, (rows, channels))).astype(np.int64)


def make_journal(folder, kind, channels, per_frame, rate, length):
    """Write what capture would have written; returns the hello, the counts and the device's bytes."""
    said = hello([kind] * channels, interval=1_000_000 // rate, streams=1)
    counts = signal(kind, channels, round(rate * length))
    frames = encode_samples(said, 0, 0, 0, counts, per_frame)
    stream = encode_frame(hello_body(said)) + b"".join(frames)
    per_record = joined(per_frame, rate)
    writer = JournalWriter(folder / "cradle-a_001.arrows", {"device": "cradle-a", "host_boot": "1"})
    frames[0] = encode_frame(hello_body(said)) + frames[0]
    for start in range(0, len(frames), per_record):
        last = min(start + per_record, len(frames)) * per_frame
        at = round(last * 1e9 / rate) + 5_000_000_000
        writer.append(
            Row(at, 1_900_000_000_000_000_000 + at, at, Event.DATA, b"".join(frames[start : start + per_record]))
        )
    writer.append(Row(at, 1_900_000_000_000_000_000 + at, at, Event.CLOSED, b""))
    writer.close()
    return said, counts, stream


def plain_to_parquet(folder, path, kind, channels, values, interval):
    """From the journal to all columns of a samples file, as a straightforward script would write it."""
    stream, arrival = plain_journal(folder / "cradle-a_001.arrows")
    frames = plain_loop(stream, kind, values)
    origin = frames[0][0][7]
    rows = []
    for (_, _, boot, _, _, count, sequence, ticks), row in frames:
        for k in range(count):
            at = ticks + k * interval
            host = arrival + (at - origin) * 1000
            rows.append((sequence + k, boot, at, host, *row[k * channels : (k + 1) * channels]))
    names = ("sequence", "boot", "ticks", "host_time", *(f"T-{n}.counts" for n in range(channels)))
    of_counts = pa.int16() if kind == "i16" else pa.int32()
    types = (pa.int64(), pa.int32(), pa.int64(), pa.timestamp("ns", tz="UTC"), *[of_counts] * channels)
    columns = [pa.array(column, told) for column, told in zip(zip(*rows, strict=True), types, strict=True)]
    pq.write_table(pa.Table.from_arrays(columns, names), path)


def plain_journal(path):
    """Read the bytes of a journal and the first arrival with Arrow's reader, each record's CRC checked."""
    stream, arrival = bytearray(), None
    with pa.OSFile(str(path)) as file, pa.ipc.open_stream(file) as reader:
        while True:
            place = file.tell()
            try:
                batch = reader.read_next_batch()
            except StopIteration:
                return bytes(stream), arrival
            for record in batch.to_pylist():
                data, told = record["bytes"], [record[name] for name in TOLD]
                if zlib.crc32(data, zlib.crc32(RECORD.pack(place, *told, len(data)))) != record["crc32"]:
                    raise ValueError(f"damaged record at {place}")
                if record["event"] == Event.DATA:
                    stream += data
                    arrival = record["wall_ns"] if arrival is None else arrival


def plain_counts_to_parquet(folder, path, kind, channels, values):
    """From the journal to a Parquet file by the shortest way, counts only."""
    with pa.OSFile(str(folder / "cradle-a_001.arrows")) as file, pa.ipc.open_stream(file) as reader:
        table = reader.read_all()
    data = [b for event, b in zip(table["event"].to_pylist(), table["bytes"].to_pylist(), strict=True) if event == 2]
    frames = plain_loop(b"".join(data), kind, values)
    counts = np.array([row for _, row in frames], np.int32).reshape(-1, channels)
    pq.write_table(pa.table({f"T-{n}.counts": counts[:, n] for n in range(channels)}), path)


def to_rows(folder) -> DecodedDevice:
    """From the journal to ordered rows with everything missing named, on the computer's clock."""
    return recover_wire(read_tapes(folder)["cradle-a"], origin_ns=0, tolerance=1e-4)


def to_parquet(folder, path, *, readings=True):
    """From the journal to a samples file."""
    found = to_rows(folder)
    (stream,) = found.streams
    columns = tuple(
        Column(
            wire=c.wire,
            tag=f"T-{n}",
            type=c.type,
            minimum=c.minimum,
            maximum=c.maximum,
            reading_unit="N" if readings else None,
        )
        for n, c in enumerate(stream.channels)
    )
    header = SamplesHeader(
        run="run",
        rehearsal=True,
        device="cradle-a",
        stream=stream.name,
        time_scale=1.0,
        tick_hz=float(Fraction(stream.tick_hz)),
        interval_ticks=1,
        columns=columns,
    )
    write_samples(path, header, pieces(found, columns, readings=readings))


def pieces(found, columns, *, readings):
    for rows in found.streams[0].segments:
        host = found.clock.to_host_ns(rows.key, rows.ticks)
        for start in range(0, rows.sequence.size, ROW_GROUP):
            part = slice(start, start + ROW_GROUP)
            counts = rows.counts[part]
            told = {c.name: coarsened(counts[:, n] * SCALE - 40.0, SCALE) for n, c in enumerate(columns) if readings}
            yield Piece(
                sequence=rows.sequence[part],
                boot=rows.boot,
                ticks=rows.ticks[part],
                host_ns=host[part],
                counts=counts,
                readings=told,
            )


def bytes_per_value(path):
    """Compressed bytes of a value, by kind of column."""
    found = {}
    with path.open("rb") as file:
        meta = pq.ParquetFile(file).metadata
        for group in range(meta.num_row_groups):
            for place in range(meta.num_columns):
                column = meta.row_group(group).column(place)
                name = column.path_in_schema
                kind = "counts" if name.endswith(".counts") else "readings" if name.startswith("T-") else name
                size, values = found.get(kind, (0, 0))
                found[kind] = (size + column.total_compressed_size, values + column.num_values)
    return {kind: size / values for kind, (size, values) in found.items()}


def speed(length=120.0):
    print(f"{length:g} s each; processor seconds, ratio to the plain one; bytes on the disk for a value")
    print(
        f"{'type':5}{'ch':>3}{'rows':>5}{'frame':>6}{'record':>7} |{'decode':>8}{'plain':>7}{'ratio':>6} |{'file':>7}"
        f"{'plain':>7}{'ratio':>6} |{'counts':>7}{'ratio':>6} |{'readings too':>13} |{'counts':>7}{'reading':>8}"
        f"{'sequence':>9}{'ticks':>7}{'host':>6}"
    )
    for kind, channels, per_frame, rate in CASES:
        with tempfile.TemporaryDirectory() as name:
            folder, path = Path(name), Path(name) / "samples.parquet"
            plain, least = Path(name) / "plain.parquet", Path(name) / "least.parquet"
            _, counts, stream = make_journal(folder, kind, channels, per_frame, rate, length)
            told = kind, channels, per_frame * channels
            decode = seconds(lambda: Decoder().feed(stream), 5)  # noqa: B023 - called at once
            loop = seconds(lambda: plain_loop(stream, kind, told[2]), 3)  # noqa: B023
            bare = seconds(lambda: to_parquet(folder, path, readings=False), 5)  # noqa: B023
            script = seconds(lambda: plain_to_parquet(folder, plain, *told, 1_000_000 // rate), 3)  # noqa: B023
            short = seconds(lambda: plain_counts_to_parquet(folder, least, *told), 3)  # noqa: B023
            full = seconds(lambda: to_parquet(folder, path), 3)  # noqa: B023
            same(counts, path, plain, least)
            frame, record = len(stream) * per_frame / len(counts), joined(per_frame, rate)
            cost = bytes_per_value(path)
            print(
                f"{kind:5}{channels:3}{per_frame:5}{frame:6.0f}{record:7} |{decode:8.3f}{loop:7.3f}"
                f"{loop / decode:6.1f} |{bare:7.3f}{script:7.3f}{script / bare:6.1f} |{short:7.3f}"
                f"{short / bare:6.1f} |{full:13.3f} |{cost['counts']:7.2f}{cost['readings']:8.2f}"
                f"{cost['sequence']:9.2f}{cost['ticks']:7.2f}{cost['host_time']:6.2f}",
                flush=True,
            )


def same(counts, ours, plain, least):
    """All files must hold what was played; the two whole ones the same columns."""
    one, other = pq.read_table(ours), pq.read_table(plain)
    assert [name for name in one.column_names if name.endswith("counts") or "-" not in name] == other.column_names
    for name in ("sequence", "boot", "ticks"):
        assert (one[name].to_numpy() == other[name].to_numpy()).all()
    for table in (one, other, pq.read_table(least)):
        for place in range(counts.shape[1]):
            assert (table[f"T-{place}.counts"].to_numpy() == counts[:, place]).all()


def joined(per_frame, rate):
    """Give the frames in a record of the journal."""
    return max(1, round(rate * JOINED_NS / 1e9 / per_frame))


def long(minutes=10.0):
    """Recover a long recording in a process of its own, so that its memory is its own."""
    kind, channels, per_frame, rate = LONG
    with tempfile.TemporaryDirectory() as name:
        make_journal(Path(name), kind, channels, per_frame, rate, minutes * 60)
        size = (Path(name) / "cradle-a_001.arrows").stat().st_size / 1e6
        print(f"{minutes:g} min of {channels} x {kind} at {rate} Hz, a journal of {size:.0f} MB:", flush=True)
        subprocess.run([sys.executable, "-m", "tests.benchmarks.bench_recover", "--recover", name], check=True)


def recover(folder):
    start = time.perf_counter()
    to_parquet(folder, folder / "samples.parquet")
    elapsed = time.perf_counter() - start
    size = (folder / "samples.parquet").stat().st_size / 1e6
    print(f"{elapsed:.1f} s, peak memory {peak_mb()} MB, samples {size:.0f} MB")
    print({kind: round(cost, 3) for kind, cost in bytes_per_value(folder / "samples.parquet").items()})


def peak_mb():
    """Most memory that this process has had, its parent's not counted (as ``getrusage`` does); Linux only."""
    status = Path("/proc/self/status")
    told = re.search(r"VmHWM:\s+(\d+)", status.read_text(encoding="ascii") if status.exists() else "")
    return int(told[1]) // 1024 if told else None


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--long", action="store_true", help="ten minutes at 10 kHz as well")
    parser.add_argument("--recover", type=Path, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.recover:
        recover(chosen.recover)
    else:
        speed()
        if chosen.long:
            long()
