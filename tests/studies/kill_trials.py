"""Kill every process of a recording at a random moment, recover, and compare with what was played.

``python -m tests.studies.kill_trials --trials 200 --jobs 2`` plays a table of 3 s into ``standbook record`` again and
again. Recorder and capture die by SIGKILL within the same millisecond; the device lives on in this process. What the
journal's file held at that moment is found without our readers (Arrow's own for the journal, the plain decoder of the
tests for the frames): every row of it must be in the sealed record, with the sequence, boot, ticks and counts played.
Prints the trials that fail and the figures. Linux only: children are found in /proc.
"""

import argparse
import datetime as dt
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa

from standbook.cli.starter import write_campaign
from standbook.daq.errors import StandError
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.writer import journals_of
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.rehearsal.script import Table
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.folder_lock import is_folder_locked
from tests.playing import playing
from tests.studies.real_time_loss import made_up_table
from tests.wire_reference import sample_rows

SECONDS, SETTLE = 3.0, 0.3  # the device waits for SETTLE after its port was opened
PATIENCE = 60.0  # [s]
DATA = 2  # the event of a record with bytes
TAGS = ("LC-1", "PT-11", "PT-12", "PT-13", "PT-21", "PT-22", "PT-23", "PT-31")


@dataclass(frozen=True, slots=True)
class Trial:
    """What came of one."""

    at: float  # from the journal's beginning to the kill [s]
    written_rows: int  # rows in frames that were whole in the file
    recovered_rows: int
    missing_rows: int  # of the written ones
    wrong: int  # recovered rows whose sequence, boot, ticks or counts are not those played
    overrun: int  # rows that the device had no room for before the last one
    torn_bytes: int
    unwritten: float | None  # from the newest record to the kill [s]; None: no byte was recorded
    trouble: str = ""

    @property
    def is_good(self) -> bool:
        """Tell whether nothing past the last completed write is lost or altered."""
        return not (self.missing_rows or self.wrong or self.trouble)


def run_trial(folder: Path, table: Table, moment: float, *, parent_first: bool) -> Trial:
    """Record, kill after ``moment`` seconds of journal, recover, compare."""
    campaign = write_campaign(folder, today=dt.datetime.now().astimezone().date())
    plan = campaign / "plans/WF-03.toml"
    plan.write_text(plan.read_text(encoding="utf-8").replace('"30 min"', '"1 min"'), encoding="utf-8")
    with playing(RehearsalDevice(table)) as port:
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
        with (folder / "said.txt").open("wb") as said:
            recorder = subprocess.Popen(
                [*command, "--port", f"cradle-a={port}"],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=said,
            )
        try:
            raw = _begun(campaign, recorder)
            start = time.monotonic()
            time.sleep(moment)
        finally:
            family = [recorder.pid, *_children(recorder.pid)]
            killed_ns = time.monotonic_ns()
            for pid in family if parent_first else reversed(family):
                with suppress(ProcessLookupError):
                    os.kill(pid, signal.SIGKILL)
            recorder.wait(PATIENCE)
        _until(lambda: not is_folder_locked(raw), "the end of capture")
    if len(family) < 2:
        raise SystemExit("no capture process was found beside the recorder")
    at = (killed_ns - start * 1e9) / 1e9
    if not raw.is_dir():  # the recorder outlived its capture for a moment, and keeps no run without a byte
        words = (folder / "said.txt").read_text(encoding="utf-8")
        return Trial(at, 0, 0, 0, 0, 0, 0, None, "" if "not one byte came" in words else f"the run is gone: {words}")
    return _compare(raw, table, at, killed_ns)


def _begun(campaign: Path, recorder: "subprocess.Popen[bytes]") -> Path:
    def raw() -> Path | None:
        if recorder.poll() is not None:
            raise SystemExit(f"the recorder ended by itself with code {recorder.returncode}")
        return next((path.parent for path in campaign.glob("runs/[!.]*/raw/*.arrows")), None)

    found = _until(raw, "a journal")
    assert isinstance(found, Path)
    return found


def _until(condition, what: str) -> object:
    deadline = time.monotonic() + PATIENCE
    while not (found := condition()):
        if time.monotonic() > deadline:
            raise SystemExit(f"{what}: not within {PATIENCE:g} s")
        time.sleep(0.002)
    return found


def _children(pid: int) -> list[int]:
    """Return all descendants of a process."""
    parents = {}
    for stat in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            parents[int(stat.parent.name)] = int(stat.read_text(encoding="ascii").rpartition(")")[2].split()[1])
    found, looking = [], [pid]
    while looking:
        of = looking.pop()
        looking += [child for child, parent in parents.items() if parent == of]
        found += [child for child, parent in parents.items() if parent == of]
    return found


def _compare(raw: Path, table: Table, at: float, killed_ns: int) -> Trial:
    (path,) = journals_of(raw, "cradle-a")
    journal = read_journal(path)
    written, data = _arrow_bytes(path)
    stream = table.streams[0]
    truth = [
        (boot, sequence, ticks, values)
        for boot, sequence, ticks, values, _ in sample_rows(data, table.hello(stream, 1.0))
    ]
    newest = int(journal.arrival_ns[-1]) if data else None
    trouble = "" if data == journal.stream else f"our reader gives {len(journal.stream)} bytes, Arrow's {len(data)}"
    trouble += " damage in the journal" if journal.damage else ""
    trouble += "" if written == journal.arrival_ns.size else " a record more or less"
    trouble += " closed, although it was killed" if journal.closed else ""
    frame = None
    try:
        seal(raw.parent)
        frame = next((pd.read_parquet(path) for path in raw.parent.glob("samples/*.parquet")), None)
    except StandError as error:
        trouble += f" {error}"
    recovered = [] if frame is None else frame["sequence"].tolist()
    wrong = 0 if frame is None else _wrong(frame, table)
    sequence = [row[1] for row in truth]
    overrun = sequence[-1] - sequence[0] + 1 - len(sequence) if sequence else 0
    return Trial(
        at,
        len(truth),
        len(recovered),
        len(set(sequence) - set(recovered)),
        wrong + len(set(recovered) - set(sequence)),
        overrun,
        journal.torn_bytes,
        None if newest is None else (killed_ns - newest) / 1e9,
        trouble.strip(),
    )


def _arrow_bytes(path: Path) -> tuple[int, bytes]:
    """Read what is whole with Arrow's own reader: records, and the bytes of the device."""
    records, data = 0, bytearray()
    with pa.OSFile(str(path)) as file, suppress(pa.ArrowInvalid, OSError):  # it ends in the middle
        reader = pa.ipc.open_stream(file)
        while True:
            try:
                batch = reader.read_next_batch()
            except StopIteration:
                break
            records += batch.num_rows
            for event, piece in zip(batch.column("event").to_pylist(), batch.column("bytes").to_pylist(), strict=True):
                data += piece if event == DATA else b""
    return records, bytes(data)


def _wrong(frame: pd.DataFrame, table: Table) -> int:
    """Count rows that differ from the table in anything."""
    stream = table.streams[0]
    sequence = frame["sequence"].to_numpy()
    same = frame["boot"].to_numpy() == table.boot
    same &= frame["ticks"].to_numpy() == table.start_ticks + sequence * stream.interval_ticks
    same &= (frame[[f"{tag}.counts" for tag in TAGS]].to_numpy() == stream.counts[sequence]).all(axis=1)
    same[1:] &= np.diff(sequence) > 0
    return int(np.count_nonzero(~same))


def run_trials(trials: int, *, jobs: int = 1, seed: int = 1) -> Iterator[Trial]:
    """Yield trials at random moments as they end."""
    chance = random.Random(seed)
    table = made_up_table(SECONDS)
    moments = [(chance.uniform(0.0, SECONDS + SETTLE), chance.random() < 0.5) for _ in range(trials)]

    def one(told: tuple[float, bool]) -> Trial:
        with tempfile.TemporaryDirectory() as folder:
            return run_trial(Path(folder), table, told[0], parent_first=told[1])

    with ThreadPoolExecutor(jobs) as pool:
        yield from pool.map(one, moments)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    start, found = time.monotonic(), []
    for number, trial in enumerate(run_trials(told.trials, jobs=told.jobs, seed=told.seed), start=1):
        found.append(trial)
        if not trial.is_good:
            print(f"trial {number}: {trial}")
    late = sorted(1e3 * trial.unwritten for trial in found if trial.unwritten is not None)
    print(f"{len(found)} trials in {time.monotonic() - start:.0f} s, {sum(t.is_good for t in found)} of them whole")
    written, lost = sum(t.written_rows for t in found), sum(t.missing_rows for t in found)
    print(f"rows in completed writes {written}, of which lost {lost}")
    print(f"recovered rows {sum(t.recovered_rows for t in found)}, that differ {sum(t.wrong for t in found)}")
    early, torn = sum(not t.written_rows for t in found), sum(t.torn_bytes > 0 for t in found)
    print(f"killed before the first row {early}, with a torn message {torn}")
    print(f"rows the device itself had no room for {sum(t.overrun for t in found)}")
    if late:
        print(f"newest record before the kill: median {statistics.median(late):.1f} ms, longest {late[-1]:.1f} ms")


if __name__ == "__main__":
    main()
