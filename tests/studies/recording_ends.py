"""End a recording in every way it can end, at drawn rows, and hold what record, recover and verify say to each other.

``python -m tests.studies.recording_ends --each 20``. A simulated board plays into ``standbook record``; once so many
rows have reached the disk, or the board itself has played so many, the recording ends in one way. Then ``verify``,
``recover`` (of a sealed run: into a new folder) and ``verify`` again must say the same end and return the same code as
``record``, where it lived to say one. Every row whose frame stands whole in the journals, found by Arrow and by the
tests' plain decoder, must be in the samples with its boot, ticks and counts, and no other. One line a way; the two
totals must be zero. Linux only; a full disk needs root, for a small one of its own.
"""

import argparse
import dataclasses
import os
import random
import signal
import subprocess
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass, field
from io import StringIO
from pathlib import Path

import pyarrow.parquet as pq

from standbook.cli.main import run as command
from standbook.daq.capture.disk_space import RESERVE
from standbook.daq.capture.process_status import read_status
from standbook.daq.config.stand import read_stand
from standbook.daq.journal.writer import journals_of
from standbook.daq.recording.journal_follower import Follower
from standbook.daq.rehearsal.device import RehearsalDevice
from standbook.daq.rehearsal.fault_catalogue import BrownOut, LayoutChange, Unplug
from standbook.daq.rehearsal.script import Table, boots
from standbook.daq.rehearsal.sensor_faults import Fault
from standbook.daq.storage.folder_lock import is_folder_locked
from tests.cli.made_run import ended, small_campaign, standbook, until
from tests.studies.kill_trials import _arrow_bytes
from tests.studies.real_time_loss import RATE, made_up_table
from tests.wire_reference import sample_rows

SECONDS = 60.0  # longer than any trial
LEAST, MOST = 200, 1500  # rows after which a recording ends
MORE = 300  # rows that are waited for where the recording goes on after what happened
DISK_BYTES = 20 << 20
ENDED = "recording ended"
FOR_EVER = 1000.0  # s
SECOND = '\n[[device]]\nname = "cradle-b"\nserial = "0008"\nclock_tolerance = "50 ppm"\n'


@dataclass(slots=True)
class Scene:
    """A recording in progress, as an outsider sees it."""

    raw: Path
    recorder: "subprocess.Popen[str]"
    disk: Path | None
    devices: tuple[str, ...]
    followers: dict[str, Follower] = field(default_factory=dict)

    def rows(self) -> int:
        """Rows of the first device that stand in its journals."""
        return self.followers[self.devices[0]].poll().rows

    def status(self, device: str):
        """What capture says of itself."""
        return read_status(self.raw / f"{device}_capture.json")

    def kill_capture(self, number: int = signal.SIGKILL) -> None:
        """Send a signal to the first device's capture."""
        os.kill(self.status(self.devices[0]).pid, number)

    def stop(self) -> None:
        """Press Ctrl-C."""
        self.recorder.send_signal(signal.SIGINT)


@dataclass(frozen=True, slots=True)
class Way:
    """How a recording ends."""

    name: str
    act: Callable[[Scene], None]  # once so many rows have come
    faults: Callable[[float], Sequence[Fault]] = lambda _at: ()  # of the board, at so many seconds
    second: bool = False  # another board beside it, and the two are exchanged when both are unplugged
    on_small_disk: bool = False
    lives: bool = True  # the recorder says itself how it ended
    seals: bool = True


def _stop(scene: Scene) -> None:
    scene.stop()


def _kill_all(scene: Scene) -> None:
    victims = [scene.recorder.pid, scene.status(scene.devices[0]).pid]
    for pid in victims if scene.rows() % 2 else reversed(victims):
        os.kill(pid, signal.SIGKILL)


def _kill_recorder(scene: Scene) -> None:
    scene.recorder.kill()
    scene.recorder.wait()
    scene.kill_capture(signal.SIGTERM)


def _stop_when_lost(scene: Scene) -> None:
    until(lambda: scene.status(scene.devices[0]).state == "lost", "the port to be lost")
    scene.stop()


def _stop_when_back(scene: Scene) -> None:
    until(lambda: all(scene.status(d).openings > 1 for d in scene.devices), "the ports to be back")
    written = {device: scene.status(device).written_bytes for device in scene.devices}
    until(lambda: all(scene.status(d).written_bytes > written[d] + 5000 for d in scene.devices), "bytes after it")
    scene.stop()


def _stop_after_reset(scene: Scene) -> None:
    rows = scene.rows()
    until(lambda: scene.rows() > rows + MORE, "rows after the reset")
    scene.stop()


def _fill(leave: int) -> Callable[[Scene], None]:
    def fill(scene: Scene) -> None:
        assert scene.disk is not None
        with (scene.disk / "filler").open("ab", buffering=0) as file, suppress(OSError):
            while (room := _free(scene.disk) - leave) > 0:
                file.write(bytes(min(room, 1 << 16)))

    return fill


def _free(place: Path) -> int:
    found = os.statvfs(place)
    return found.f_bavail * found.f_frsize


WAYS = (
    Way("stop, Ctrl-C", _stop),
    Way("stop, SIGTERM to the recorder", lambda scene: scene.recorder.terminate()),
    Way("SIGTERM to capture", lambda scene: scene.kill_capture(signal.SIGTERM)),
    Way("SIGKILL to capture", lambda scene: scene.kill_capture()),
    Way("SIGKILL to the recorder", _kill_recorder, lives=False, seals=False),
    Way("SIGKILL to both", _kill_all, lives=False, seals=False),
    Way("disk nearly full", _fill(RESERVE - 150_000), on_small_disk=True),
    Way("disk full at once", _fill(0), on_small_disk=True, seals=False),
    Way("unplugged for good", _stop_when_lost, faults=lambda at: (Unplug(at=at, seconds=FOR_EVER),)),
    Way("unplugged and back", _stop_when_back, faults=lambda at: (Unplug(at=at, seconds=0.4),)),
    Way("boards exchanged", _stop_when_back, faults=lambda at: (Unplug(at=at, seconds=0.4),), second=True),
    Way(
        "reset with another layout",
        _stop_after_reset,
        faults=lambda at: (BrownOut(at=at, seconds=0.3), LayoutChange(at=at + 0.1)),
    ),
)


@dataclass(slots=True)
class Trial:
    """What came of one."""

    rows: int = 0  # in the samples
    lost: int = 0  # stand whole in the journals, and not in the samples
    other: int = 0  # in the samples, and not so in the journals
    codes: tuple[int, ...] = ()  # of record, verify, recover, and verify of what was recovered
    disagreements: list[str] = field(default_factory=list)


def run_trial(way: Way, rows: int, folder: Path) -> Trial:
    """Record, end it, and compare."""
    with ExitStack() as stack:
        disk = stack.enter_context(_small_disk(folder / "disk")) if way.on_small_disk else None
        campaign = small_campaign(disk or folder)
        tables, links = _tables(way), _Links(folder)
        if way.second:
            stand = campaign / "stand.toml"
            stand.write_text(stand.read_text(encoding="utf-8") + SECOND, encoding="utf-8")
        faults = way.faults(rows / RATE)
        ports = [stack.enter_context(_playing(t, faults, links, tuple(tables))) for t in tables.values()]
        arguments = ["record", campaign / "plans/WF-03.toml", "--postdiction", "--rehearsal", "--no-analysis"]
        for port in ports:
            arguments += ["--port", port]
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "stdin": subprocess.DEVNULL}
        recorder = standbook(*arguments, **pipes)
        with ended(recorder):
            scene = _scene(campaign, recorder, disk, tuple(tables))
            try:
                until(lambda: scene.rows() >= rows - (RATE // 20 if faults else 0), "the rows")
                before = scene.rows()
                way.act(scene)
                out, err = recorder.communicate(timeout=60.0)
                until(lambda: not is_folder_locked(scene.raw), "the end of capture")
            finally:
                for device in tables:
                    with suppress(ProcessLookupError, AttributeError):
                        os.kill(scene.status(device).pid, signal.SIGKILL)
        if disk is not None:
            (disk / "filler").unlink()
        trial = _agreement(way, scene.raw.parent, recorder.returncode, out, err)
        for device, table in tables.items():
            _compare_rows(trial, scene.raw.parent, device, table, faults)
    if trial.rows < before:
        trial.disagreements.append(f"{trial.rows} rows in the samples, {before} had reached the disk before the end")
    return trial


def _scene(campaign: Path, recorder: "subprocess.Popen[str]", disk: Path | None, devices: tuple[str, ...]) -> Scene:
    def raw() -> Path | None:
        assert recorder.poll() is None, recorder.communicate()
        return next((path.parent for path in campaign.glob("runs/[!.]*/raw/*.arrows")), None)

    scene = Scene(until(raw, "a journal"), recorder, disk, devices)
    stand = {device.name: device for device in read_stand(campaign / "stand.toml").device}
    scene.followers = {name: Follower(stand[name], scene.raw) for name in devices}
    return scene


def _tables(way: Way) -> dict[str, Table]:
    tables = {"cradle-a": made_up_table(SECONDS)}
    if way.second:
        tables["cradle-b"] = dataclasses.replace(
            made_up_table(SECONDS, seed=2), device="cradle-b", serial="0008", boot=9
        )
    return tables


@dataclass(slots=True)
class _Links:
    """Names of ports that stay while what they lead to changes."""

    folder: Path
    replugged: set[str] = field(default_factory=set)

    def moved(self, device: str, devices: tuple[str, ...], port: str) -> None:
        """Lead the device's link to its port; once unplugged, of two devices the other's."""
        if not port:
            self.replugged.add(device)
        swapped = device in self.replugged and len(devices) > 1
        name = devices[1 - devices.index(device)] if swapped else device
        if port:
            beside = self.folder / f".{name}"
            beside.symlink_to(port)
            beside.replace(self.folder / name)


@contextmanager
def _playing(table: Table, faults: Sequence[Fault], links: _Links, devices: tuple[str, ...]) -> Iterator[str]:
    over = threading.Event()
    device = RehearsalDevice(
        table, faults=faults, settle=0.1, moved=lambda port: links.moved(table.device, devices, port)
    )
    with device:
        links.moved(table.device, devices, device.port)
        player = threading.Thread(target=device.run, args=(over,))
        player.start()
        try:
            yield f"{table.device}={links.folder / table.device}"
        finally:
            over.set()
            player.join()


@contextmanager
def _small_disk(place: Path) -> Iterator[Path]:
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={DISK_BYTES}", "tmpfs", str(place)], check=True)
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", str(place)], check=True)


# --- what is said ----------------------------------------------------------------------------------------


def _told(*arguments: object) -> tuple[int, str, str]:
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = command([str(argument) for argument in arguments])
    return code, out.getvalue(), err.getvalue()


def _ends(text: str) -> list[str]:
    """Return the sentences of an end, without what stands before them in a line."""
    return sorted({line[line.index(ENDED) :] for line in text.splitlines() if ENDED in line})


def _agreement(way: Way, run: Path, code: int, out: str, err: str) -> Trial:
    sealed = (run / "manifest.json").exists()
    again = run.with_name("again")
    first = _told("verify", run)
    recovered = _told("recover", run, *(("--into", again) if sealed else ("--no-analysis",)))
    second = _told("verify", again if sealed else run)
    trial, said = Trial(), [first, recovered, second]
    if way.lives and (sealed or way.seals):
        said.insert(0, (code, out.partition("Sealed:")[2], err))
    trial.codes = (code, first[0], recovered[0], second[0])
    if len({told[0] for told in said}) != 1:
        trial.disagreements.append(f"exit codes {[told[0] for told in said]}")
    ends = [_ends(told[1]) for told in said]
    if any(end != ends[0] for end in ends) or sum(":" in end for end in ends[0]) != 1:
        trial.disagreements.append(f"ends {ends}")
    if sealed:
        facts = [
            {line.strip() for line in told[1].splitlines()[1:]}
            for told in (("", out.partition("Sealed:")[2]), recovered)
        ]
        differ = {f for f in facts[0] ^ facts[1] if not f.startswith(("Next:", "whole", "not whole", "rebuilt from"))}
        trial.disagreements += [f"record and recover differ: {sorted(differ)}"] if differ else []
    if way.lives and not sealed:
        if code != 6 or way.seals:
            trial.disagreements.append(f"record ended with {code} unsealed: {_last(err)}")
        reasons = [end.partition("early: ")[2] for end in ends[0] if ":" in end]
        if not any(reason in err for reason in reasons):
            trial.disagreements.append(f"record said {_last(err)!r}, the others {ends[0]}")
    trial.disagreements += [f"traceback: {_last(e)}" for e in (err, *(told[2] for told in said)) if "Traceback" in e]
    return trial


def _last(text: str) -> str:
    return text.strip().rpartition("\n")[2]


# --- rows ------------------------------------------------------------------------------------------------


def _compare_rows(trial: Trial, run: Path, device: str, table: Table, faults: Sequence[Fault]) -> None:
    data = b"\0".join(_arrow_bytes(path)[1] for path in journals_of(run / "raw", device))
    truth: set[tuple[object, ...]] = set()
    for boot in boots(table, faults):
        for stream in boot.table.streams:
            for _, layout in boot.layouts(stream):
                rows = sample_rows(data, boot.table.hello(layout, 1.0))
                truth |= {row[:4] for row in rows if row[0] == boot.table.boot & 0xFF}
    found: set[tuple[object, ...]] = set()
    for path in run.glob(f"samples/{device}_*.parquet"):
        content = pq.read_table(path)
        names = [name for name in content.column_names if name.endswith(".counts")]
        columns = [content[name].to_pylist() for name in ("boot", "sequence", "ticks", *names)]
        for boot, sequence, ticks, *values in zip(*columns, strict=True):
            found.add((boot & 0xFF, sequence, ticks % 2**32, tuple(values)))
        trial.rows += content.num_rows if device == "cradle-a" else 0
    trial.lost += len(truth - found)
    trial.other += len(found - truth)


def main() -> None:
    """Print a line a way; exit 1 when something disagrees or is lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--only", default="", help="ways whose name holds this")
    parser.add_argument("--seed", type=int, default=1)
    told = parser.parse_args()
    start, failures, trials = time.monotonic(), 0, 0
    print(f"{'way':<32}{'n':>4}{'disagree':>10}{'rows':>9}{'lost':>6}{'other':>7}  exit codes")
    for way in WAYS:
        if told.only not in way.name:
            continue
        chance, found = random.Random(told.seed), []
        for _ in range(told.each):
            with tempfile.TemporaryDirectory() as folder:
                found.append(run_trial(way, chance.randint(LEAST, MOST), Path(folder)))
        wrong = [trial for trial in found if trial.disagreements]
        lost, other = sum(t.lost for t in found), sum(t.other for t in found)
        codes = ", ".join(sorted({"/".join(map(str, trial.codes)) for trial in found}))
        rows = sum(t.rows for t in found)
        print(f"{way.name:<32}{len(found):>4}{len(wrong):>10}{rows:>9}{lost:>6}{other:>7}  {codes}", flush=True)
        for trial in wrong:
            print(f"    {'; '.join(trial.disagreements)}", flush=True)
        failures, trials = failures + len(wrong) + lost + other, trials + len(found)
    print(f"{trials} recordings, {failures} failures, {time.monotonic() - start:.0f} s")
    if failures:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
