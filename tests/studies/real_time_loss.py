"""Record a simulated device in real time through two processes and compare every count with the table it played.

``python -m tests.studies.real_time_loss`` plays 60 s of 8 channels at 1 kHz into ``standbook record``. With
``--stop-ms 100`` the capture process is stopped by SIGSTOP in the middle; a small board (``--board-bytes``) then
loses rows, and the record must state exactly those. Prints what was lost, what was stated, and differing counts.
"""

import argparse
import datetime as dt
import json
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from standbook.cli.starter import write_campaign
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.rehearsal.script import PlayedEdge, PlayedStream, Table
from standbook.daq.wire.decoder import MAX_ENCODED
from standbook.daq.wire.hello import WireChannel, WireLine

CHANNELS, RATE, TICK_HZ = 8, 1000, 1_000_000


@dataclass(frozen=True, slots=True)
class Loss:
    """What came of one play."""

    played_rows: int
    dropped: tuple[tuple[int, int], ...]  # first row, rows: as the device counted them
    stated: tuple[tuple[int, int], ...]  # as the record states them
    recorded_rows: int
    wrong_counts: int  # recorded counts that differ from the table
    seconds: float  # wall

    def __str__(self) -> str:
        lost, said = (sum(rows for _, rows in gaps) for gaps in (self.dropped, self.stated))
        return (
            f"played {self.played_rows} rows, recorded {self.recorded_rows}, "
            f"device dropped {lost} {list(self.dropped)}, "
            f"record states {said} {list(self.stated)}, counts that differ {self.wrong_counts}, {self.seconds:.1f} s"
        )


def made_up_table(seconds: float, seed: int = 1) -> Table:
    """Counts that no two channels and no two rows share by chance."""
    rows = round(seconds * RATE)
    counts = np.random.default_rng(seed).integers(-32768, 32768, (rows, CHANNELS), dtype=np.int32)
    channels = tuple(WireChannel(f"adc{k}", "i16", -32768, 32767) for k in range(CHANNELS))
    stream = PlayedStream(number=1, name="fast", interval_ticks=TICK_HZ // RATE, channels=channels, counts=counts)
    edges = (PlayedEdge(rows * 500, 1, 1),)
    return Table(
        device="cradle-a",
        serial="0007",
        firmware="1",
        boot=3,
        tick_hz=TICK_HZ,
        start_ticks=0,
        streams=(stream,),
        lines=(WireLine(0, "fire"), WireLine(1, "valve")),
        edges=edges,
    )


def play_and_record(folder: Path, seconds: float, *, stop_ms: float = 0.0, board_bytes: int | None = None) -> Loss:
    """Play a table in this process, record it with the command line in others, compare."""
    table = made_up_table(seconds)
    campaign = write_campaign(folder, today=dt.datetime.now().astimezone().date())
    plan = campaign / "plans/WF-03.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace('"30 min"', '"2 min"'), encoding="utf-8")
    buffers = {}
    if board_bytes is not None:
        buffers = {"ring_bytes": max(board_bytes, MAX_ENCODED + 1), "port_buffer": board_bytes}
    start = time.monotonic()
    with RehearsalDevice(table, linger=2.0, **buffers) as device:
        command = [
            sys.executable,
            "-m",
            "standbook.cli",
            "record",
            str(plan),
            "--postdiction",
            "--rehearsal",
            "--no-analysis",
        ]
        recorder = subprocess.Popen([*command, "--port", f"cradle-a={device.port}"], stdout=subprocess.DEVNULL)
        stopper = _stop_later(campaign, seconds / 2, stop_ms / 1000) if stop_ms else None
        sent = device.run(wait=30.0)
        recorder.wait(60.0)
        if stopper is not None:
            stopper.wait(60.0)
    (run,) = (campaign / "runs").iterdir()
    return _compare(run, table, tuple((first, rows) for _, first, rows in sent.dropped), time.monotonic() - start)


def _stop_later(campaign: Path, after: float, pause: float) -> "subprocess.Popen[bytes]":
    """Stop the capture process for a moment, from a process of its own: the device must not be held up."""
    code = (
        "import json,os,pathlib,signal,sys,time\n"
        f"time.sleep({after})\n"
        f"status = next(pathlib.Path({str(campaign)!r}).glob('runs/*/raw/*_capture.json'))\n"
        "pid = json.loads(status.read_text())['pid']\n"
        f"os.kill(pid, signal.SIGSTOP); time.sleep({pause}); os.kill(pid, signal.SIGCONT)\n"
    )
    return subprocess.Popen([sys.executable, "-c", code])


def _compare(run: Path, table: Table, dropped: tuple[tuple[int, int], ...], seconds: float) -> Loss:
    stream = table.streams[0]
    frame = pd.read_parquet(next((run / "samples").glob("*.parquet")))
    names = [c for c in frame.columns if c.endswith(".counts")]
    wires = _wires(run)
    order = [names[wires.index(channel.name)] for channel in stream.channels]
    truth = stream.counts[frame["sequence"].to_numpy()]
    wrong = int(np.count_nonzero(frame[order].to_numpy() != truth))
    record = json.loads((run / "record.json").read_text(encoding="utf-8"))
    gaps = record["devices"]["cradle-a"]["streams"]["fast"]["gaps"]
    stated = tuple((gap["first_sequence"], gap["rows"]) for gap in gaps)
    return Loss(stream.rows, _joined(dropped), _joined(stated), len(frame), wrong, seconds)


def _wires(run: Path) -> list[str]:
    record = json.loads((run / "record.json").read_text(encoding="utf-8"))
    return [channel["wire"] for channel in record["devices"]["cradle-a"]["streams"]["fast"]["channels"]]


def _joined(gaps: tuple[tuple[int, int], ...]) -> tuple[tuple[int, int], ...]:
    """Join ranges that touch."""
    found: list[tuple[int, int]] = []
    for first, rows in sorted(gaps):
        if found and sum(found[-1]) == first:
            found[-1] = (found[-1][0], found[-1][1] + rows)
        else:
            found.append((first, rows))
    return tuple(found)


def main() -> None:
    """Print the figure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0)
    parser.add_argument("--stop-ms", type=float, default=0.0)
    parser.add_argument("--board-bytes", type=int, default=None)
    told = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(play_and_record(Path(folder), told.seconds, stop_ms=told.stop_ms, board_bytes=told.board_bytes))


if __name__ == "__main__":
    main()
