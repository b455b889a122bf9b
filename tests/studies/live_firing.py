"""Drive the live screen through a whole firing in a terminal of 80 x 24, and look at it as a person would.

``python -m tests.studies.live_firing`` plays the starter campaign's HF-02 in real time into ``standbook record``
inside tmux: once clean, then with three faults and two more redlines. Prints the screens at T-5, T+2, T+10 and in
safing, each alarm with how long after its fault it stood on the screen, and the order of the redlines beside that of
the sealed samples. A screen is looked at every 0.05 s, and T-0 is known as well as
the screen says it, to 0.1 s: so are the delays.
"""

import argparse
import datetime as dt
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd

from standbook.cli.starter import write_campaign
from tests.repository import ROOT

WIDTH, HEIGHT = 80, 24
LOOK = 0.05  # [s]
GRAIN = 0.1  # [s] of T+ on the screen, by which times after T-0 are known here
PATIENCE = 180.0  # [s]
# Fault, seconds after T-0, what its alarm says, how soon it must stand there [s].
FAULTS = (
    ("frozen-line=PT-11", 4.0, r"PT-11 withdrawn: not responding", 0.5),
    ("open-wire=PT-22", 7.0, r"PT-22", 0.5),
    ("unplug", 14.0, r"PORT LOST|no fresh data", 0.5),
)
# Both are crossed as the tanks empty, the chamber's first.
REDLINES = """
[[redline]]
name = "fuel low"
phase = "burn"
tag = "PT-21"
below = "22 bar(g)"
after = "0.8 s"
persist = [40, 50]
call = "FUEL TANK LOW"

[[redline]]
name = "chamber low"
phase = "burn"
tag = "PT-31"
below = "18 bar(g)"
after = "0.8 s"
persist = [40, 50]
call = "CHAMBER LOW"
"""
MISSING = "tmux is not installed; install it with: sudo apt-get install tmux"


@dataclass(slots=True)
class Firing:
    """What was seen of one firing."""

    screens: list[tuple[float, str]] = field(default_factory=list)  # seconds after T-0 as played, screen
    alarms: dict[str, float] = field(default_factory=dict)  # sentence, seconds after T-0 when it first stood there
    run: Path | None = None
    said: str = ""  # what stands on the terminal in the end

    def at(self, second: float) -> str:
        """Give the screen nearest a time after T-0."""
        return min(self.screens, key=lambda seen: abs(seen[0] - second))[1]

    def in_phase(self, phase: str, later: float = 0.0) -> str:
        """Give the first screen of a phase, or the one so much later."""
        begun = next((at for at, screen in self.screens if f" {phase} " in screen), None)
        return f"never in {phase}" if begun is None else self.at(begun + later)


def fire(folder: Path, *, faults: tuple[str, ...] = (), more_redlines: bool = False, time_scale: float = 1.0) -> Firing:
    """Rehearse and record HF-02 in a terminal; look at it until the run is sealed."""
    folder.mkdir()
    campaign = write_campaign(folder, today=dt.datetime.now().astimezone().date())
    plan, link = campaign / "plans/HF-02.toml", folder / "port"
    text = plan.read_text(encoding="utf-8").replace('"60 min"', '"1 min"')
    plan.write_text(text + (REDLINES if more_redlines else ""), encoding="utf-8")
    command = [sys.executable, "-m", "standbook.cli"]
    subprocess.run([*command, "lock", plan], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    options = [word for fault in faults for word in ("--fault", fault)]
    stand = subprocess.Popen(
        [*command, "rehearse", plan, "--time-scale", str(time_scale), "--link", link, *options],
        cwd=ROOT,
        stdout=subprocess.DEVNULL,
    )
    try:
        _until(lambda: link.is_symlink() or stand.poll() is not None, "the simulated stand")
        record = [*command, "record", plan, "--rehearsal", "--no-analysis", "--port", f"cradle-a={link}"]
        with Terminal([str(word) for word in record], folder) as terminal:
            firing = _look(terminal, time_scale)
            firing.run = next((campaign / "runs").glob("*"), None)
    finally:
        stand.send_signal(signal.SIGINT)
        stand.wait(PATIENCE)
    return firing


class Terminal:
    """A terminal of its own server, so that nobody else's is touched."""

    def __init__(self, command: list[str], folder: Path) -> None:
        self._command, self._ended = command, folder / "ended"
        self._socket = folder / "tmux"

    def __enter__(self) -> "Terminal":
        words = " ".join(f"'{word}'" for word in self._command)
        shell = f"cd '{ROOT}'; {words}; touch '{self._ended}'; sleep {PATIENCE:.0f}"
        self._tmux("-f", "/dev/null", "new-session", "-d", "-x", str(WIDTH), "-y", str(HEIGHT), "sh", "-c", shell)
        return self

    def __exit__(self, *_: object) -> None:
        self._tmux("kill-server")

    @property
    def has_ended(self) -> bool:
        """Tell whether the command has."""
        return self._ended.exists()

    def screen(self) -> str:
        """Give what is on it."""
        return self._tmux("capture-pane", "-p")

    def press(self, *keys: str) -> None:
        """Type."""
        self._tmux("send-keys", *keys)

    def _tmux(self, *words: str) -> str:
        environment = {**os.environ, "LC_ALL": "C.UTF-8"}
        done = subprocess.run(
            ["tmux", "-S", str(self._socket), "-u", *words], check=True, capture_output=True, text=True, env=environment
        )
        return done.stdout


def _look(terminal: Terminal, time_scale: float) -> Firing:
    seen: list[tuple[float, str]] = []
    zero: float | None = None
    deadline = time.monotonic() + PATIENCE
    pressed = False
    while not terminal.has_ended:
        assert time.monotonic() < deadline, f"the recording did not end in {PATIENCE:g} s"
        screen, now = terminal.screen(), time.monotonic()
        if not seen or seen[-1][1] != screen:
            seen.append((now, screen))
        if not pressed and "STANDBY 5" in screen:
            terminal.press("p", "Space")
            pressed = True
        if zero is None and (found := re.search(r"T\+(\d+\.\d) s", screen)):
            zero = now - float(found[1]) / time_scale
        time.sleep(LOOK)
    said = terminal.screen()
    assert zero is not None, f"no T-0 on the screen:\n{seen[-1][1]}"
    screens = [((now - zero) * time_scale, screen) for now, screen in seen]
    alarms: dict[str, float] = {}
    for at, screen in screens:
        for line in re.findall(r"^!! (?:\(.*?\)\s+)?(.*?)\s*$", screen, re.MULTILINE):
            alarms.setdefault(line, at)
    return Firing(screens, alarms, said=said)


def crossing_order(run: Path) -> list[tuple[str, float]]:
    """Say from the sealed samples when 40 of 50 samples of each redline's channel lay below its limit."""
    frame = pd.read_parquet(run / "samples/cradle-a_fast.parquet")
    record = pd.read_json(run / "record.json", typ="series")
    zero = pd.Timestamp(record["t_zero"]["host_ns"], unit="ns", tz="UTC")
    after = (frame["host_time"] - zero).dt.total_seconds().to_numpy()
    found = []
    for call, tag, limit in (("FUEL TANK LOW", "PT-21", 22.0), ("CHAMBER LOW", "PT-31", 18.0)):
        below = (frame[tag].to_numpy() < limit) & (after > 0.8)
        many = np.convolve(below, np.ones(50), "full")[: below.size] >= 40
        found.append((call, float(after[many.argmax()])))
    return sorted(found, key=lambda one: one[1])


def _until(condition: object, what: str) -> None:
    deadline = time.monotonic() + PATIENCE
    while not condition():  # type: ignore[operator]
        assert time.monotonic() < deadline, f"{what}: not within {PATIENCE:g} s"
        time.sleep(0.02)


def _print(title: str, screen: str) -> None:
    print(f"\n{title}\n+{'-' * WIDTH}+")
    for line in screen.rstrip("\n").split("\n"):
        print(f"|{line:<{WIDTH}}|")
    print(f"+{'-' * WIDTH}+")


def main() -> None:
    """Print screens and figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--time-scale", type=float, default=1.0)
    parser.add_argument("--only", choices=("clean", "faults"))
    told = parser.parse_args()
    if shutil.which("tmux") is None:
        print(MISSING)
        return
    with tempfile.TemporaryDirectory() as folder:
        if told.only != "faults":
            clean = fire(Path(folder) / "clean", time_scale=told.time_scale)
            for second in (-5.0, 2.0, 10.0):
                _print(f"clean, T{second:+g} s", clean.at(second))
            _print("clean, safing", clean.in_phase("SAFING", 6.0))
            _print("clean, in the end", clean.said)
            print(f"alarms of the clean run: {len(clean.alarms)} {sorted(clean.alarms)}")
        if told.only != "clean":
            faults = tuple(f"{name}@{second:g}" for name, second, _, _ in FAULTS)
            hurt = fire(Path(folder) / "hurt", faults=faults, more_redlines=True, time_scale=told.time_scale)
            for _, second, _, limit in FAULTS:
                _print(f"faults, T{second + limit:+g} s", hurt.at(second + limit))
            _print("faults, safing", hurt.in_phase("SAFING", 6.0))
            for name, second, words, limit in FAULTS:
                stood = [at for line, at in hurt.alarms.items() if re.search(words, line) and at > second - GRAIN]
                late = f"{min(stood) - second:.2f} s after it" if stood else "NEVER"
                print(f"{name} at T+{second:g} s: alarm on the screen {late} (limit {limit:g} s)")
            for line, at in sorted(hurt.alarms.items(), key=lambda one: one[1]):
                print(f"  on the screen at T{at:+.2f} s: {line}")
            print(f"order in the sealed samples: {crossing_order(hurt.run) if hurt.run else None}")


if __name__ == "__main__":
    main()
