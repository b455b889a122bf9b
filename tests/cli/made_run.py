"""A rehearsal of a starter plan, played and recorded by two real processes; tests share the run that comes of it."""

import datetime as dt
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from standbook.cli.main import run
from standbook.cli.starter import write_campaign
from tests.repository import ROOT

PATIENCE = 60.0  # [s] for what takes a few on an idle computer


@dataclass(frozen=True)
class MadeRun:
    """A sealed rehearsal in its campaign, and what was said on the way."""

    campaign: Path
    folder: Path
    weighings: Path
    recorder: subprocess.CompletedProcess
    stand: subprocess.CompletedProcess


def today():
    return dt.datetime.now().astimezone().date()


def small_campaign(folder):
    """The starter campaign of today, its recordings small enough for any disk."""
    campaign = write_campaign(folder, today=today())
    for plan in (campaign / "plans").iterdir():
        text = plan.read_text(encoding="utf-8")
        plan.write_text(text.replace('"60 min"', '"1 min"').replace('"30 min"', '"1 min"'), encoding="utf-8")
    return campaign


def standbook(*arguments, **more):
    """Start the command as a process of its own."""
    command = [sys.executable, "-m", "standbook.cli", *(str(argument) for argument in arguments)]
    return subprocess.Popen(command, **{"cwd": ROOT, "text": True, **more})


def until(condition, what):
    """Wait for something that another process does."""
    deadline = time.monotonic() + PATIENCE
    while not (found := condition()):
        assert time.monotonic() < deadline, f"{what}: not within {PATIENCE:g} s"
        time.sleep(0.01)
    return found


@contextmanager
def ended(*processes):
    """Leave no process behind, whatever a test finds."""
    try:
        yield
    finally:
        for process in processes:
            if process.poll() is None:
                process.kill()
            process.communicate()


def make_run(folder, number, *, time_scale):
    """Lock a plan, serve it through a link, record it by that link."""
    campaign = small_campaign(folder)
    plan, link, weighings = campaign / f"plans/{number}.toml", folder / "port", folder / "weighings.toml"
    link.symlink_to("/dev/pts/left-behind")  # by an earlier device that was killed
    stand = standbook(
        "rehearse",
        plan,
        "--time-scale",
        time_scale,
        "--link",
        link,
        "--weighings",
        weighings,
        stdout=subprocess.PIPE,
    )
    with ended(stand):
        assert run(["lock", str(plan)]) == 0
        until(lambda: link.exists(), "the simulated stand's port")
        assert str(link.readlink()).startswith("/dev/")
        recorder = standbook(
            "record",
            plan,
            "--rehearsal",
            "--no-analysis",
            "--port",
            f"cradle-a={link}",
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        with ended(recorder):
            said = recorder.communicate(timeout=PATIENCE)
            told = stand.communicate(timeout=PATIENCE)
    assert not link.is_symlink()
    (made,) = (campaign / "runs").iterdir()
    return MadeRun(
        campaign,
        made,
        weighings,
        subprocess.CompletedProcess(recorder.args, recorder.returncode, *said),
        subprocess.CompletedProcess(stand.args, stand.returncode, *told),
    )
