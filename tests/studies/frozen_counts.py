"""How soon a channel that stands still is called, and how far a live one is from being called so.

``python -m tests.studies.frozen_counts --runs 20`` draws rehearsals of all three plans of the starter campaign. Of
every channel that is judged by its counts it prints the longest run of equal counts while nothing was wrong with it,
against the run that would have called it. Then it freezes one channel after another at random instants of the burn
and of standby, plays them into the live picture in pieces of 20 ms, and prints after how long each was withdrawn.
"""

import argparse
import datetime as dt
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.simulation.story import draw_for, rehearse
from standbook.cli.starter import PLAN_FILES, write_campaign
from standbook.daq.config.campaign import Campaign, read_campaign
from standbook.daq.config.signal_conversion import Rails
from standbook.daq.live.channel_monitor import FROZEN_IN_FLOW, FROZEN_NOISE, ChannelMonitor, Ring, rows_needed
from standbook.daq.live.live_clock import TimeBase
from standbook.daq.live.live_state import Validity
from standbook.daq.rehearsal.script import Table

PIECE = 20  # rows
LOOK = 0.05  # [s] between two judgements while something flows; 0.1 s else, as the live picture does
CHANNELS = ("PT-11", "PT-12", "PT-13", "PT-21", "PT-22", "PT-31", "LC-1")


@dataclass(frozen=True, slots=True)
class Quiet:
    """One channel of one clean rehearsal."""

    tag: str
    noise: float  # quietest second [count]
    longest: int  # equal counts in a row
    needed: int  # equal counts in a row that call it while something flows


def longest_run(counts: NDArray[np.int32]) -> int:
    """Count the longest run of equal values."""
    ends = np.flatnonzero(np.append(np.diff(counts) != 0, True))
    return int(np.diff(ends, prepend=-1).max())


def quiet_of(campaign: Campaign, seed: int) -> list[Quiet]:
    """Look at every channel of one rehearsal that is judged by its counts."""
    (stream,) = rehearse(campaign, draw_for(campaign.plan.test.number, seed)).table.streams
    rate = round(1.0 / FROZEN_IN_FLOW)
    rows = round(1_000_000 / stream.interval_ticks)
    found = []
    for place, wire in enumerate(stream.channels):
        tag = next(item.tag for item in campaign.stand.input if item.wire == wire.name)
        counts = stream.counts[:, place]
        seconds = counts[: counts.size // rows * rows].reshape(-1, rows)
        noise = float((np.diff(seconds, axis=1).std(axis=1) / np.sqrt(2.0)).min())
        if noise >= FROZEN_NOISE:
            found.append(Quiet(tag, noise, longest_run(counts), max(rows_needed(noise), rows // rate)))
    return found


def delay(campaign: Campaign, table: Table, tag: str, random: np.random.Generator, *, in_flow: bool) -> float | None:
    """Freeze a channel at a random instant; say after how many seconds it was withdrawn, if it was."""
    (stream,) = table.streams
    zero = min(edge.ticks for edge in table.edges) / 1e6
    at = zero + random.uniform(1.0, 15.0) if in_flow else random.uniform(3.0, zero - 1.5)
    start = round(at * 1000)
    item = campaign.stand.input_tagged(tag)
    place = [channel.name for channel in stream.channels].index(item.wire)
    counts = stream.counts.copy()
    counts[start:, place] = counts[start - 1, place]
    base = TimeBase(1_000_000)
    names = tuple(channel.name for channel in stream.channels)
    ring = Ring(base, names, tuple(Rails(c.minimum, c.maximum) for c in stream.channels), 0.001)
    supply = ChannelMonitor(campaign.stand.input_tagged("VS-1"), campaign.calibrations["VS-1"])
    monitor = ChannelMonitor(item, campaign.calibrations[tag], supply if item.supply == "VS-1" else None)
    looked, every = -1.0, LOOK if in_flow else 2 * LOOK
    for first in range(0, min(start + 2000, len(counts)), PIECE):
        ticks = np.arange(first, min(first + PIECE, len(counts))) * 1000
        ring.add(ticks, counts[ticks // 1000])
        now = int(ticks[-1]) * 1000
        base.heard(int(ticks[-1]), now)
        monitor.attach(ring)
        supply.attach(ring)
        if first >= start - 100 and now / 1e9 - looked >= every:
            looked = now / 1e9
            if monitor.evaluate(now, in_flow=in_flow).standing is Validity.NOT_RESPONDING:
                return looked - at
    return None


def main() -> None:
    """Print both."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=20, help="rehearsals of each plan")
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as folder:
        root = write_campaign(Path(folder), today=dt.date(2031, 6, 14))
        campaigns = [read_campaign(root / "plans" / name, today=dt.date(2031, 6, 14)) for name in PLAN_FILES]
        for campaign in campaigns:
            seen = [one for seed in range(runs) for one in quiet_of(campaign, seed)]
            number = campaign.plan.test.number
            for tag in dict.fromkeys(one.tag for one in seen):
                own = [one for one in seen if one.tag == tag]
                print(
                    f"{number} {tag}: noise {min(one.noise for one in own):.1f} counts, longest run of equal counts "
                    f"{max(one.longest for one in own)}, called from {min(one.needed for one in own)} on"
                )
        firing, random = campaigns[-1], np.random.default_rng(1)
        tables = [rehearse(firing, draw_for(firing.plan.test.number, seed)).table for seed in range(runs)]
        for in_flow in (True, False):
            late = [delay(firing, table, tag, random, in_flow=in_flow) for table in tables for tag in CHANNELS]
            called = np.array([one for one in late if one is not None])
            print(
                f"{'burn' if in_flow else 'standby'}: {called.size} of {len(late)} frozen channels withdrawn after "
                f"{np.median(called):.2f} s, at most {called.max():.2f} s"
            )


if __name__ == "__main__":
    main()
