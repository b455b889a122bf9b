"""What the live picture costs: share of one core for one device at about 1 MB/s, ten pictures a second.

``python -m tests.benchmarks.bench_live`` plays a simulated firing of 11 channels at 40,000 rows a second from memory
through the decoder and ``daq.live.live_model``; drawing is not in it. The decoder's share alone stands beside it.
"""

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np

from standbook.daq.config.campaign import read_campaign
from standbook.daq.wire.decoder import Decoder
from tests.campaign_fixture import TODAY, campaign
from tests.live_play import Played, said_of, table_of


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=8.0)
    parser.add_argument("--rate", type=int, default=40_000, help="rows a second")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        stand = read_campaign(campaign(Path(folder)) / "plans" / "HF-02.toml", today=TODAY)
    time_axis = np.arange(round(given.seconds * given.rate)) / given.rate
    burn = np.clip((time_axis - 3.0) / max(1.0, given.seconds - 3.0), 0.0, 1.0)
    tank, chamber = 30e5 - 15e5 * burn, np.where(time_axis < 3.2, 0.0, 22e5 - 11e5 * burn)
    courses = dict.fromkeys(("PT-11", "PT-12", "PT-21", "PT-22"), tank)
    courses |= dict.fromkeys(("PT-31", "PT-32"), chamber)
    courses |= dict.fromkeys(("PT-13", "PT-23"), np.minimum(tank, chamber * 1.3))
    table = table_of(stand, given.seconds, courses, edges=[(3.0, "fire", 1)], rate=given.rate)
    pieces = list(said_of(table))
    size = sum(len(piece) for _, piece in pieces)
    decoder = Decoder()
    start = time.process_time()
    for _, piece in pieces:
        decoder.feed(piece)
    decoding = time.process_time() - start
    start = time.process_time()
    Played(stand, "cradle-a").play(pieces)
    whole = time.process_time() - start
    print(f"{size / given.seconds / 1e6:.2f} MB/s, {len(table.streams[0].channels)} channels, {given.rate} rows/s")
    print(f"decoder alone: {decoding / given.seconds:.1%} of one core")
    print(f"decoder and live picture: {whole / given.seconds:.1%} of one core")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
