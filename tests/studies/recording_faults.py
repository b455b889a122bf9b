"""Record a simulated device live while things go wrong, and hold the sealed record to what the device really sent.

``python -m tests.studies.recording_faults`` plays each fault alone and 20 drawn combinations through a pseudo-terminal
into capture processes, seals, and compares: every recorded row with the table, every missing row with the declared
gaps, the time across restarts with the true one, repeats with the true ones. One line a case, and a total that must be
zero. Across a restart no row counts the time; it is bounded by the arrivals and held to ``RESTART`` of real time.
"""

import argparse
import dataclasses
import datetime as dt
import json
import random
import tempfile
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq

from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign
from standbook.daq.recording.recorder import record_devices
from standbook.daq.rehearsal import fault_catalogue as known
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.rehearsal.ground_truth import GroundTruth
from standbook.daq.rehearsal.script import PlayedEdge, PlayedStream, Table, boots
from standbook.daq.rehearsal.sensor_fault_injection import faulty_table
from standbook.daq.rehearsal.sensor_faults import Fault
from standbook.daq.run.new_run import create_run
from standbook.daq.run.record_summary import DeviceRecord
from standbook.daq.run.run_folder import samples_path
from standbook.daq.sealing.seal import seal
from standbook.daq.wire.hello import WireChannel, WireLine
from standbook.daq.wire.saved_layouts import load_layouts, write_layouts
from tests.record_truth import Judgement, RecordedStream, judge

HZ, RATE, SECONDS, SCALE = 1_000_000, 1000, 8.0, 4.0
RESTART = 0.1  # [s] of real time: how late a busy computer may see the first row of a start
SINGLE: Mapping[str, Fault] = {
    "dropped-bytes": known.DroppedBytes(at=2.0, count=700),
    "flipped-bits": known.FlippedBits(at=2.0),
    "doubled-chunks": known.DoubledChunks(at=2.0, count=24),
    "reordered-chunks": known.ReorderedChunks(at=2.0, count=16),
    "brown-out": known.BrownOut(at=2.5, seconds=1.3),
    "rollover": known.Rollover(at=3.0),
    "clock-off": known.ClockOff(),
    "unplug": known.Unplug(at=2.0, seconds=2.0),
    "stall": known.Stall(at=2.0, seconds=1.5),
    "noise-first": known.NoiseFirst(),
    "half-frame-first": known.HalfFrameFirst(),
    "no-hello": known.NoHello(),
    "layout-change": known.LayoutChange(at=3.0),
    "frozen-line": known.FrozenLine(tag="PT-11", at=2.0),
    "clip": known.Clip(tag="LC-1", at=2.0, seconds=2.0),
    "open-wire": known.OpenWire(tag="PT-11", at=2.0),
}


def made_up_table(seconds: float = SECONDS, seed: int = 1) -> Table:
    """Counts that no two rows share by chance, on the starter stand's device."""
    generator = np.random.default_rng(seed)
    rows = round(seconds * RATE)
    fast = tuple(WireChannel(f"adc{k}", "i16", -32768, 32767) for k in range(6))
    slow = tuple(WireChannel(f"tc{k}", "i16", -32768, 32767) for k in range(2))
    streams = (
        PlayedStream(
            number=1,
            name="fast",
            interval_ticks=HZ // RATE,
            channels=fast,
            counts=generator.integers(-32768, 32768, (rows, 6), dtype=np.int32),
        ),
        PlayedStream(
            number=2,
            name="slow",
            interval_ticks=100_000,
            channels=slow,
            counts=generator.integers(-99, 99, (rows // 100, 2), dtype=np.int32),
        ),
    )
    lines = (WireLine(0, "fire"), WireLine(1, "valve"))
    return Table(
        device="cradle-a",
        serial="0007",
        firmware="1",
        boot=3,
        tick_hz=HZ,
        start_ticks=20_000_000,
        streams=streams,
        lines=lines,
        edges=(PlayedEdge(rows * 250, 0, 1),),
    )


def combination(seed: int, seconds: float = SECONDS) -> list[Fault]:
    """Draw two to four faults of different kinds, at drawn instants."""
    draw = random.Random(seed)
    found = []
    for name in draw.sample(list(SINGLE), draw.randint(2, 4)):
        fault = SINGLE[name]
        at = round(draw.uniform(0.2, 0.75 * seconds), 3)
        found.append(fault if isinstance(fault, known.TIMELESS) else dataclasses.replace(fault, at=at))
    return found


def played_live(
    folder: Path, faults: Sequence[Fault], *, scale: float = SCALE, seed: int = 1, seconds: float = SECONDS
) -> tuple[Judgement, DeviceRecord, GroundTruth]:
    """Play, record, seal and judge one case."""
    plain = write_campaign(folder, today=dt.datetime.now().astimezone().date())
    plan = plain / "plans/WF-03.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace('"30 min"', '"1 min"'), encoding="utf-8")
    table = made_up_table(seconds, seed)
    campaign = read_campaign(plan, today=dt.datetime.now().astimezone().date())
    table = faulty_table(table, faults, campaign.stand.input)
    if any(isinstance(fault, known.NoHello) for fault in faults):
        hellos = [
            table.hello(layout, scale)
            for boot in boots(table, faults)
            for stream in boot.table.streams
            for _, layout in boot.layouts(stream)
        ]
        write_layouts(plain, "cradle-a", hellos, "2031-06-14T09:00:00Z")
    now = dt.datetime.now().astimezone()
    run = create_run(campaign, None, rehearsal=True, now=now, software="standbook study")
    link = folder / "port"

    def moved(port: str) -> None:
        link.unlink(missing_ok=True)
        if port:
            link.symlink_to(port)

    sent: list[GroundTruth] = []
    over = threading.Event()
    with RehearsalDevice(
        table, time_scale=scale, faults=faults, linger=0.5, ring_bytes=round(4096 * scale), moved=moved
    ) as device:
        moved(device.port)
        player = threading.Thread(target=lambda: (sent.append(device.run(over, wait=60.0)), over.set()))
        player.start()
        try:
            record_devices(
                campaign.stand,
                {"cradle-a": str(link)},
                run / "raw",
                stop=_a_moment_after(over),
                report=lambda _watch: None,
                tell=lambda _sentence: None,
                layouts={"cradle-a": load_layouts(run, "cradle-a")},
            )
        finally:
            over.set()
            player.join()
    record = seal(run).devices["cradle-a"]
    return judge(table, faults, sent[0], _streams(run, record), record.undecoded_frames), record, sent[0]


def _a_moment_after(over: threading.Event, moment: float = 0.3) -> Callable[[object], bool]:
    """Stop when the device has been done for a moment, so that what waits in the port is taken."""
    since: list[float] = []

    def stop(_watch: object) -> bool:
        if over.is_set():
            since.append(time.monotonic())
        return bool(since) and time.monotonic() - since[0] > moment

    return stop


def _streams(run: Path, record: DeviceRecord) -> list[RecordedStream]:
    found = []
    for name, stream in record.streams.items():
        if not stream.rows:
            continue
        table = pq.read_table(samples_path(run, "cradle-a", name))
        header = json.loads(table.schema.metadata[b"standbook"])
        assert header["rehearsal"] is True
        names = [column for column in table.column_names if column.endswith(".counts")]
        assert len(names) == len(stream.channels)
        sequence, boot, ticks = (table[column].to_numpy() for column in ("sequence", "boot", "ticks"))
        counts = np.column_stack([table[column].to_numpy() for column in names])
        told = name.removesuffix("-2")
        found.append(RecordedStream(told, boot, sequence, ticks, counts, stream.gaps, stream.duplicates))
    return found


def cases(combinations: int) -> list[tuple[str, list[Fault]]]:
    """Name what is played."""
    single = [(name, [fault]) for name, fault in SINGLE.items()]
    drawn = [combination(seed) for seed in range(1, combinations + 1)]
    return [*single, *((" + ".join(_name(fault) for fault in found), found) for found in drawn)]


def _name(fault: Fault) -> str:
    name = next(name for name, kind in known.FAULTS.items() if kind is type(fault))
    return name if isinstance(fault, known.TIMELESS) else f"{name}@{fault.at:g}"


def main() -> None:
    """Print a line a case; exit 1 when a record differs from the truth."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--combinations", type=int, default=20)
    parser.add_argument("--only", default="", help="cases whose name holds this")
    told = parser.parse_args()
    begin, wrong, count, worst = time.monotonic(), 0, 0, 0.0
    for number, (name, faults) in enumerate(cases(told.combinations)):
        if told.only not in name:
            continue
        with tempfile.TemporaryDirectory() as folder:
            judgement, _, _ = played_live(Path(folder), faults, seed=number)
        differs = judgement.faults + (judgement.worst_restart > RESTART * SCALE)
        wrong, count, worst = wrong + bool(differs), count + 1, max(worst, judgement.worst_restart)
        print(f"{'DIFFERS' if differs else 'equal  '} {name}: {judgement}", flush=True)
    print(
        f"{count} cases, {wrong} differ from the truth; across restarts at most {worst:.3f} s off (device time, "
        f"{SCALE:g} x); {time.monotonic() - begin:.0f} s"
    )
    if wrong:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
