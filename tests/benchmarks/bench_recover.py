"""Print how fast journals become rows and Parquet, against a plain loop; what a value costs on the disk.

Run ``python -m tests.benchmarks.bench_recover``. The plain loop reads the journal with Arrow's own reader, then does
what a straightforward script would: split on zero, C cobs, zlib.crc32, struct, frame by frame, and keeps the values in
a list. ``decode`` compares bytes to rows alone. ``file`` compares journal to Parquet, counts only, where the plain one
writes its list with the library's defaults; it has no account of lost rows, no clock, no sync. ``to rows`` is the
plain one's journal to list against our whole way to the file. Readings come on top, in ours only.
``--long`` adds ten minutes of six channels at 10 kHz: seconds and peak memory of a process that recovers them.
"""

import argparse
import re
import subprocess
import sys
import tempfile
import time
from fractions import Fraction
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from daq.encode import encode_frame, encode_samples, hello_body
from daq.envelope import Event
from daq.hello import TYPE_RANGES
from daq.journal import JournalWriter
from daq.recover import Recovered, recover_wire
from daq.samples import ROW_GROUP, Column, Piece, SamplesHeader, coarsened, write_samples
from daq.tape import read_tapes
from daq.wire import Decoder
from tests.benchmarks.bench_wire import plain_loop, seconds
from tests.wire_reference import hello

JOINED_NS = 15_000_000  # capture joins reads for so long
# type, channels, rows in a frame, rows a second
CASES = (("i16", 8, 20, 1000), ("i24", 10, 20, 1000), ("i32", 4, 20, 1000), ("i32", 10, 20, 1000), ("i16", 8, 1, 1000))
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
    per_record = max(1, round(rate * JOINED_NS / 1e9 / per_frame))
    writer = JournalWriter(folder / "cradle-a_001.arrows", {"device": "cradle-a", "host_boot": "1"})
    frames[0] = encode_frame(hello_body(said)) + frames[0]
    for start in range(0, len(frames), per_record):
        last = min(start + per_record, len(frames)) * per_frame
        at = round(last * 1e9 / rate) + 5_000_000_000
        writer.append(at, 1_900_000_000_000_000_000 + at, at, Event.DATA, b"".join(frames[start : start + per_record]))
    writer.append(at, 1_900_000_000_000_000_000 + at, at, Event.CLOSED, b"")
    writer.close()
    return said, counts, stream


def plain(folder, kind, values):
    """From the journal to rows in lists."""
    with pa.OSFile(str(folder / "cradle-a_001.arrows")) as file, pa.ipc.open_stream(file) as reader:
        table = reader.read_all()
    data = [b for event, b in zip(table["event"].to_pylist(), table["bytes"].to_pylist(), strict=True) if event == 2]
    return plain_loop(b"".join(data), kind, values)


def plain_to_parquet(folder, path, kind, channels, values):
    """The same, and a Parquet file of the library's defaults."""
    frames = plain(folder, kind, values)
    table = np.array([row for _, row in frames], np.int32).reshape(-1, channels)
    pq.write_table(pa.table({f"T-{n}.counts": table[:, n] for n in range(channels)}), path)


def to_rows(folder) -> Recovered:
    """From the journal to ordered rows with everything missing named, on the computer's clock."""
    return recover_wire(read_tapes(folder)["cradle-a"], origin_ns=0, tolerance=1e-4)


def to_parquet(folder, path, *, readings=True):
    """From the journal to a samples file."""
    found = to_rows(folder)
    (stream,) = found.streams
    columns = tuple(
        Column(c.wire, f"T-{n}", c.type, c.minimum, c.maximum, reading_unit="N" if readings else None)
        for n, c in enumerate(stream.channels)
    )
    header = SamplesHeader("run", True, "cradle-a", stream.name, 1.0, float(Fraction(stream.tick_hz)), 1, columns)
    write_samples(path, header, pieces(found, columns, readings=readings))


def pieces(found, columns, *, readings):
    for rows in found.streams[0].segments:
        host = found.clock.to_host_ns(rows.key, rows.ticks)
        for start in range(0, rows.sequence.size, ROW_GROUP):
            part = slice(start, start + ROW_GROUP)
            counts = rows.counts[part]
            told = {c.name: coarsened(counts[:, n] * SCALE - 40.0, SCALE) for n, c in enumerate(columns) if readings}
            yield Piece(rows.sequence[part], rows.boot, rows.ticks[part], host[part], counts, told)


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
    print(f"{'type':5}{'ch':>3}{'rows/frame':>11} | {'decode':>7} plain  ratio | {'file':>7} plain  ratio to rows |"
          f" {'readings too':>12} | bytes a value: counts, readings, sequence, ticks, host_time")
    for kind, channels, per_frame, rate in CASES:
        with tempfile.TemporaryDirectory() as name:
            folder, path, other = Path(name), Path(name) / "samples.parquet", Path(name) / "plain.parquet"
            _, counts, stream = make_journal(folder, kind, channels, per_frame, rate, length)
            values = per_frame * channels
            decode = seconds(lambda: Decoder().feed(stream), 5)  # noqa: B023 - called at once
            loop = seconds(lambda: plain_loop(stream, kind, values), 5)  # noqa: B023
            rows = seconds(lambda: plain(folder, kind, values), 3)  # noqa: B023
            script = seconds(lambda: plain_to_parquet(folder, other, kind, channels, values), 3)  # noqa: B023
            bare = seconds(lambda: to_parquet(folder, path, readings=False), 3)  # noqa: B023
            full = seconds(lambda: to_parquet(folder, path), 3)  # noqa: B023
            for file in (path, other):
                table = pq.read_table(file)
                for place in range(channels):
                    assert (table[f"T-{place}.counts"].to_numpy() == counts[:, place]).all()
            cost = bytes_per_value(path)
            told = ", ".join(f"{cost[kind]:.2f}" for kind in ("counts", "readings", "sequence", "ticks", "host_time"))
            print(f"{kind:5}{channels:3}{per_frame:11} | {decode:7.3f} {loop:5.2f} {loop / decode:6.1f} | {bare:7.3f} "
                  f"{script:5.2f} {script / bare:6.1f} {rows / bare:7.1f} | {full:12.3f} | {told}", flush=True)


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
