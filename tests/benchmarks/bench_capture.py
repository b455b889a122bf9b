"""What capture costs and what it misses: a stream of fixed rate on a pseudo-terminal that never waits.

Run: ``python tests/benchmarks/bench_capture.py [--rate BYTES_PER_SECOND] [--seconds S] [--piece BYTES]``.
The device hands a piece over at each tick of its clock, as a board's interrupt would; what does not fit the
pseudo-terminal at that moment is dropped and counted. Prints one line per figure.
"""

import argparse
import os
import resource
import tempfile
import time
import tty
from pathlib import Path

import numpy as np

from daq.envelope import Event
from daq.journal import read_journal
from daq.launch import start_capture


def play(master: int, rate: int, seconds: float, piece: int) -> tuple[int, int, float]:
    """Send for ``seconds``; return bytes taken, bytes dropped and the longest lateness of a tick in seconds."""
    block = bytes(range(256)) * (piece // 256 + 1)
    taken = dropped = 0
    late = 0.0
    start = time.perf_counter()
    for tick in range(round(rate * seconds / piece)):
        due = start + tick * piece / rate
        while (left := due - time.perf_counter()) > 0:
            time.sleep(left)
        late = max(late, -left)
        try:
            done = os.write(master, block[:piece])
        except BlockingIOError:
            done = 0
        taken += done
        dropped += piece - done
    return taken, dropped, late


# A late tick sends its pieces in a burst, so drops beside a large "tick lateness" are this computer's doing: it is
# as late for the capture as for the device. What the pseudo-terminal took must be in the journal in any case.
def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rate", type=int, default=1_000_000)
    parser.add_argument("--seconds", type=float, default=10.0)
    parser.add_argument("--piece", type=int, default=1000)
    told = parser.parse_args()
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        handle = start_capture("bench", os.ttyname(slave), 2_000_000, folder)
        handle.wait_until_recording()
        before = time.perf_counter()
        taken, dropped, late = play(master, told.rate, told.seconds, told.piece)
        wall = time.perf_counter() - before
        time.sleep(0.3)  # the last record is on its way
        code = handle.stop()
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        journal = read_journal(folder / "bench_001.arrows")
        size = (folder / "bench_001.arrows").stat().st_size
    os.close(master)
    os.close(slave)
    data = journal.events == Event.DATA
    lengths = np.diff(journal.offsets)[data]
    gaps = np.diff(journal.arrival_ns[data]) / 1e6
    print(f"exit code {code}, closed {journal.closed}, damage {len(journal.damage)}")
    print(f"sent {taken + dropped} bytes in {wall:.2f} s; longest tick lateness {late * 1e3:.1f} ms")
    print(f"dropped by the full pseudo-terminal {dropped} bytes")
    print(f"taken and not journalled {taken - len(journal.stream)} bytes")
    print(f"records {data.sum()}, mean {lengths.mean():.0f} bytes, largest {lengths.max()}")
    print(f"time between records: median {np.median(gaps):.1f} ms, largest {gaps.max():.1f} ms")
    overhead = (size - len(journal.stream)) / journal.events.size
    share = size / max(1, len(journal.stream)) - 1
    print(f"journal {size} bytes, overhead {overhead:.0f} bytes per record, {share:.1%}")
    cpu = used.ru_utime + used.ru_stime
    print(f"capture processor time {cpu:.2f} s, {cpu / wall:.1%} of one core, start-up included")
    print(f"capture memory {used.ru_maxrss // 1024} MB")


if __name__ == "__main__":
    main()
