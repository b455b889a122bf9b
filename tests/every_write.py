"""Every command that writes, and what must hold whichever of its writes the disk refuses.

``walk`` runs a command once to count its writes, then again and again on a fresh copy, each time with another write
refused and all after it, as a full disk and a disk that may only be read do. ``record`` runs with its capture
process's own main program, in a thread and on a simulated port.
"""

import io
import os
import shutil
import signal
import threading
import time
from collections.abc import Callable
from contextlib import contextmanager, nullcontext, redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import pyarrow.parquet as pq
import pytest

from standbook.analysis.simulation import story
from standbook.cli import rehearse
from standbook.cli.main import run
from standbook.daq.capture import process, serial_port
from standbook.daq.capture.launcher import CaptureHandle
from standbook.daq.capture.process_status import status_path
from standbook.daq.config.campaign import read_campaign
from standbook.daq.journal.reader import read_journal
from standbook.daq.recording import recorder, run_recording
from standbook.daq.run.new_run import create_run
from standbook.daq.run.run_folder import ASIDE, RUN_FILE
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import MANIFEST, verify
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from tests.cli.made_run import small_campaign, today
from tests.pull_sheets import pull_sheet
from tests.readings_sheets import pressure_sheet, write_sheet
from tests.recorded_run import NOW, Player, fast_hello, new_run, plausible_counts, plenty
from tests.refusing_disk import REFUSALS, Disk
from tests.wire_reference import sample_rows

REFUSED = 6  # a folder or disk cannot be used
FINE = (0, 10)
SENTENCES = 3  # what the system refused, what ended the recording, how to go on
ROWS = 300
MAPPING = """start = 2026-06-14T09:58:00Z
clock = "t"
clock_unit = "us"
t_zero = "FIRE rising 0.5"
[columns]
"P_ox" = "PT-11 bar(g)"
"""


@dataclass(frozen=True)
class Command:
    """One command line, in a folder that ``prepare`` makes once; ``{}`` stands for that folder."""

    prepare: Callable[[Path], None]
    arguments: tuple[str, ...]
    around: Callable[[pytest.MonkeyPatch], None] = lambda _: None  # what stands in for ports and time
    after: Callable[[Path], None] = lambda _: None  # what must hold besides


# --- folders ---------------------------------------------------------------------------------------------


def a_campaign(place):
    small_campaign(place)


def a_readings_sheet(place):
    write_sheet(small_campaign(place), pressure_sheet(runs=1), day="2025-11-02")


def a_pull_sheet(place):
    sheet = small_campaign(place) / "readings" / "LC-1_pull_2025-11-02.toml"
    sheet.parent.mkdir()
    sheet.write_text(pull_sheet(), encoding="utf-8")


def an_unsealed_run(place):
    made = new_run(place)
    Player(made, fast_hello()).play(plausible_counts(ROWS)).write()
    moved(made, place)


def moved(made, place):
    made.rename(place / "run")
    shutil.rmtree(place / "teasel-2")


def a_sealed_run_with_a_gap(place):
    made = new_run(place)
    Player(made, fast_hello()).play(plausible_counts(ROWS), drop=(7,)).write()
    whole = Player(made, fast_hello()).play(plausible_counts(ROWS))
    (place / "card.bin").write_bytes(b"".join(data for _, _, data in whole.records))
    (place / "notes.txt").write_text("wind from the west\n")
    moved(made, place)
    seal(place / "run")


def a_csv(place):
    small_campaign(place)
    (place / "map.toml").write_text(MAPPING)
    rows = "".join(f"{k * 10_000},{31 - 0.05 * k:.3f},{int(k >= 20)}\n" for k in range(60))
    (place / "log.csv").write_text("t,P_ox,FIRE\n" + rows)


def nothing(place):
    place.mkdir(parents=True)


def a_campaign_with_a_run(place):
    """Beside an older run, which no later one may touch."""
    campaign = small_campaign(place)
    plan = read_campaign(campaign / "plans" / "WF-04.toml", today=today())
    older = create_run(plan, None, rehearsal=True, now=NOW, software="standbook test", free=plenty)
    Player(older, fast_hello()).play(plausible_counts(ROWS)).write()
    seal(older)


# --- stand-ins for ports and time ------------------------------------------------------------------------


def pieces():
    """What a board sends: its hello, then rows."""
    hello = fast_hello()
    return [encode_frame(hello_body(hello)), *encode_samples(hello, 0, 0, 0, plausible_counts(ROWS), 10)]


class MadeUpPort:
    """A port whose bytes are there at once; then it is silent."""

    path, is_pseudo = "/dev/simulated", True

    def __init__(self):
        self._left = pieces()
        self.is_drained = threading.Event()

    def read(self, timeout):
        if self._left:
            return self._left.pop(0)
        self.is_drained.set()
        time.sleep(min(timeout, 0.001))
        return b""

    def close(self):
        pass

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass


class ThreadedCapture:
    """Looks like the process of a capture; its main program runs in a thread of this one."""

    def __init__(self, arguments):
        self.pid = os.getpid()
        self.stderr = io.BytesIO()
        self._port, self._stop, self._code = MadeUpPort(), {}, None
        self._thread = threading.Thread(target=self._run, args=(arguments,), daemon=True)
        self._thread.start()

    def _run(self, arguments):
        words = io.StringIO()
        own_signals = SimpleNamespace(SIGINT=signal.SIGINT, SIGTERM=signal.SIGTERM, signal=self._stop.__setitem__)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(process, "open_port", lambda *_: self._port)
            patch.setattr(process, "list_ports", tuple)
            patch.setattr(process, "_come_first", lambda: None)
            patch.setattr(process, "signal", own_signals)
            patch.setattr(process, "sys", SimpleNamespace(stderr=words))
            code = process.main(arguments)
        self.stderr = io.BytesIO(words.getvalue().encode())
        self._code = code

    def until_all_is_written(self, raw):
        """Wait until the journal holds the bytes of the port, or capture has ended."""
        sent = sum(map(len, pieces()))
        self._wait(self._port.is_drained.is_set, 5.0)
        self._wait(lambda: any(path.stat().st_size > sent for path in raw.glob("*.arrows")), 0.2)

    def _wait(self, condition, seconds):
        deadline = time.monotonic() + seconds
        while self._thread.is_alive() and not condition() and time.monotonic() < deadline:
            time.sleep(0.001)

    def poll(self):
        return self._code

    def send_signal(self, number):
        self._stop[number](number, None)

    def wait(self, timeout=None):
        self._thread.join(timeout)
        return self._code

    def kill(self):
        raise AssertionError("capture did not end when it was asked to")


def started(device, port, baud, folder):
    """Start a capture as ``start_capture`` does, and let it take all that the board sends."""
    status = status_path(folder, device)
    told = ["--device", device, "--port", port, "--baud", str(baud), "--folder", str(folder), "--status", str(status)]
    capture = ThreadedCapture(told)
    capture.until_all_is_written(folder)
    return CaptureHandle(capture, device, folder, status)


def recorded_at_once(patch):
    """Give ``record`` captures in threads, and time that only passes when it waits."""
    now = [0.0]
    means = run_recording.record_run_into.__kwdefaults__
    patch.setitem(means, "start", started)
    patch.setitem(means, "clock", lambda: now[0])
    patch.setitem(means, "pause", lambda seconds: now.__setitem__(0, now[0] + seconds))
    patch.setattr(recorder, "inhibit_sleep", lambda _: nullcontext())


def listened_at_once(patch):
    patch.setattr(serial_port, "open_port", lambda *_: MadeUpPort())


def listened_and_recorded_at_once(patch):
    listened_at_once(patch)
    recorded_at_once(patch)


def played_at_once(patch):
    """Let a rehearsal end as soon as its ports and files are there; its physics is solved once."""

    @contextmanager
    def stopped():
        stop = threading.Event()
        stop.set()
        yield stop

    patch.setattr(rehearse, "stopping", stopped)
    patch.setattr(story, "rehearse", made_up)


_REHEARSE = story.rehearse
_SOLVED = {}


def made_up(campaign, draw):
    number = campaign.plan.test.number
    if number not in _SOLVED:
        _SOLVED[number] = _REHEARSE(campaign, draw)
    return _SOLVED[number]


# --- what must hold --------------------------------------------------------------------------------------


def recovered(place):
    """Make what reached a journal into a run, and find every row that the journal holds."""
    for journal in sorted(place.glob("teasel-2/runs/2*/raw/*.arrows")):
        folder = journal.parents[1]
        rows = sum(1 for _ in sample_rows(read_journal(journal).stream, fast_hello()))
        if not (folder / MANIFEST).exists():
            code, _, err = said("recover", str(folder), "--no-analysis")
            assert code in FINE, err
        kept = sum(pq.read_metadata(path).num_rows for path in folder.glob("samples/*.parquet"))
        assert kept == rows
        is_whole(folder)


COMMANDS = {
    "record": Command(
        a_campaign_with_a_run,
        (
            "record",
            "{}/teasel-2/plans/WF-03.toml",
            "--postdiction",
            "--no-analysis",
            "--port",
            "cradle-a=/dev/simulated",
            "--for",
            "0.05",
        ),
        recorded_at_once,
        after=recovered,
    ),
    "recover": Command(an_unsealed_run, ("recover", "{}/run", "--no-analysis")),
    "recover --into": Command(a_sealed_run_with_a_gap, ("recover", "{}/run", "--into", "{}/again")),
    "fill": Command(a_sealed_run_with_a_gap, ("fill", "{}/run", "{}/card.bin")),
    "add": Command(a_sealed_run_with_a_gap, ("add", "{}/run", "{}/notes.txt")),
    "import": Command(a_csv, ("import", "{}/log.csv", "{}/map.toml", "{}/teasel-2/plans/HF-02.toml")),
    "calibrate": Command(a_readings_sheet, ("calibrate", "{}/teasel-2/readings/PT-11_2025-11-02.toml")),
    "pull": Command(a_pull_sheet, ("pull", "{}/teasel-2/readings/LC-1_pull_2025-11-02.toml")),
    "ready": Command(a_campaign, ("ready", "{}/teasel-2/plans/HF-02.toml")),
    "predict --card": Command(a_campaign, ("predict", "{}/teasel-2/plans/WF-03.toml", "--card")),
    "lock": Command(a_campaign, ("lock", "{}/teasel-2/plans/WF-03.toml")),
    "export": Command(
        a_sealed_run_with_a_gap,
        ("export", "{}/run", "--channel", "PT-11", "--from", "0", "--until", "0.1", "--to", "{}/exports"),
    ),
    "export --redacted": Command(
        a_sealed_run_with_a_gap,
        ("export", "{}/run", "--redacted", "--channel", "PT-11", "--until", "0.1", "--to", "{}/exports"),
    ),
    "archive": Command(a_sealed_run_with_a_gap, ("archive", "{}/run", "--to", "{}/run.zip")),
    "campaign": Command(a_campaign_with_a_run, ("campaign", "{}/teasel-2")),
    "firmware": Command(nothing, ("firmware", "{}/teasel-2")),
    "guide --html": Command(nothing, ("guide", "--html", "{}/pages")),
    "new": Command(nothing, ("new", "{}/teasel-2")),
    "new --from": Command(a_sealed_run_with_a_gap, ("new", "{}/campaigns/mine", "--from", "{}/run")),
    "ports --save": Command(
        a_campaign,
        ("ports", "--listen", "/dev/simulated", "--seconds", "0.1", "--save", "{}/teasel-2"),
        listened_at_once,
    ),
    "ports --write": Command(
        nothing,
        ("ports", "--listen", "/dev/simulated", "--seconds", "0.1", "--write", "{}/stand.toml"),
        listened_at_once,
    ),
    "bench": Command(
        nothing,
        ("bench", "/dev/simulated", "--to", "{}/teasel-2", "--listen", "0.1", "--for", "1"),
        listened_and_recorded_at_once,
    ),
    "rehearse": Command(
        a_campaign,
        ("rehearse", "{}/teasel-2/plans/WF-03.toml", "--weighings", "{}/weighings.toml", "--link", "{}/port"),
        played_at_once,
    ),
}


def said(*arguments):
    """Run a command; return its exit code and what it said."""
    out, err = io.StringIO(), io.StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = run(list(arguments))
    return code, out.getvalue(), err.getvalue()


def seen(folder):
    """Every file that a person sees in a folder, with its content; what is half made has a hidden name."""
    found = {}
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if path.is_file() and not any(part.startswith(".") for part in parts):
            found["/".join(parts)] = path.read_bytes()
    return found


def is_whole(folder):
    """Hold every seal in a folder to what it covers, and every campaign to what a campaign is."""
    for manifest in folder.rglob(MANIFEST):
        if not any(part.startswith(".") for part in manifest.relative_to(folder).parts):
            verify(manifest.parent, leave_out=ASIDE if (manifest.parent / RUN_FILE).exists() else ())
    for campaign in folder.glob("*/stand.toml"):
        for plan in campaign.parent.glob("plans/*.toml"):
            read_campaign(plan, today=today())


def asked(command, place, **refusal):
    """Run a command on a disk; return the disk, and what came of it."""
    line = [word.replace("{}", str(place)) for word in command.arguments]
    with pytest.MonkeyPatch.context() as patch:
        command.around(patch)
        disk = Disk(patch, place, unseen=(".json.new", "_capture.json"), **refusal)
        outcome = said(*line)
    return disk, *outcome


def walk(command, folder, *, step=1, refusals=REFUSALS):
    """Refuse every ``step``-th write of a command, for one reason after the other; return how many writes there are."""
    made = folder / "made"
    command.prepare(made)
    clean = folder / "clean"
    shutil.copytree(made, clean, symlinks=True)
    disk, code, _, err = asked(command, clean)
    assert code in FINE, err
    is_whole(clean)
    for turn, number in enumerate(range(1, disk.asked + 1, step)):
        check(command, made, folder / "refused", number, refusals[turn % len(refusals)])
        shutil.rmtree(folder / "refused")
    return disk.asked


def check(command, made, place, number, why):
    """Refuse one write and all after it, and hold what comes of it to what is promised."""
    shutil.copytree(made, place, symlinks=True)
    before = seen(place)
    disk, code, out, err = asked(command, place, refuses_from=number, why=why)
    told = f"{command.arguments[0]}, write {number} ({disk.names[-1]}, {why}): {code} {out} {err}"
    if disk.refused:
        assert code == REFUSED, told
        lines = [line for line in err.splitlines() if not line.startswith("Listening on")]
        assert 1 <= len(lines) <= SENTENCES, told
        assert all(line.startswith("standbook: ") for line in lines), told
    after = seen(place)
    assert {name: after.get(name) for name in before} == before, told
    is_whole(place)
    command.after(place)
