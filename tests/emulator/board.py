"""A sketch on an emulated board: started and stopped by a test, and what the emulator itself knows of the run.

Times are simulated seconds since the firmware first started, voltages are millivolts as the trace states them.
"""

import json
import subprocess
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

HZ = 16_000_000
SUPPLY_MV = 5000
TOP = 1023  # the emulated converter gives floor(TOP * V / supply); silicon has 1024 steps
CONVERSION = np.dtype([("cycle", "<u8"), ("start", "<u4"), ("input", "<u2"), ("millivolt", "<u2")])
PATIENCE = 60.0  # [s] for what takes a moment on an idle computer


@dataclass(frozen=True, slots=True)
class Account:
    """What the emulator says in the end."""

    told: Mapping[str, Any]
    conversions: np.ndarray

    def groups(self, start: int, inputs: Sequence[int], *, for_nothing: int = 1) -> np.ndarray:
        """Return the conversions of one start of the board, one row for each round through its inputs.

        The first conversion of the reference sketch is made for nothing: it switches the converter on.
        """
        of = self.conversions[self.conversions["start"] == start][for_nothing:]
        rounds = of[: of.size // len(inputs) * len(inputs)].reshape(-1, len(inputs))
        assert (rounds["input"] == list(inputs)).all(), "the board does not convert its inputs in turn"
        return rounds


def counts_of(millivolt: np.ndarray) -> np.ndarray:
    """Give the counts of the emulated converter."""
    return np.minimum(millivolt.astype(np.int64) * TOP // SUPPLY_MV, TOP)


def write_trace(path: Path, seconds: float, columns: Mapping[str, Callable[[np.ndarray], np.ndarray]]) -> Path:
    """Write what the board will see, a row each 10 ms; ``columns`` are functions of time, named mvK or pinN."""
    time = np.arange(round(seconds * 100) + 1) / 100
    table = [time, *(np.broadcast_to(column(time), time.shape) for column in columns.values())]
    header = ",".join(("time_s", *columns))
    np.savetxt(path, np.column_stack(table), fmt="%.4f", delimiter=",", header=header, comments="")
    return path


class Board:
    """A running emulator."""

    def __init__(self, process: subprocess.Popen, port: str, conversions: Path, said: Path) -> None:
        self.process = process
        self.port = port  # the first one
        self._conversions, self._said = conversions, said

    def wait_until_told(self) -> None:
        """Wait until the emulator has come to its action "tell"."""
        assert self.process.stdout is not None
        while (line := self.process.stdout.readline()) != "told\n":
            assert line, self._said.read_text()

    def end(self) -> Account:
        """Stop it, unless it has ended by itself, and take its account."""
        if self.process.poll() is None:
            self.process.terminate()
        return self.account()

    def account(self) -> Account:
        """Wait until it ends by itself and take its account."""
        assert self.process.stdout is not None
        out = self.process.stdout.read()
        assert self.process.wait(PATIENCE) == 0, self._said.read_text()
        return Account(json.loads(out.splitlines()[-1]), np.fromfile(self._conversions, CONVERSION))


@contextmanager
def emulated(
    runner: Path,
    elf: Path,
    folder: Path,
    trace: Path,
    *,
    link: Path | None = None,
    output: Path | None = None,
    pace: float = 1.0,
    stop: float = 3600.0,
    actions: Sequence[tuple[float, str]] = (),
) -> Iterator[Board]:
    """Start a board with a memory of its own in ``folder``; it waits until its port is opened."""
    conversions = folder / "conversions.bin"
    command = [runner, elf, "--trace", trace, "--eeprom", folder / "eeprom.bin", "--conversions", conversions]
    command += ["--pace", pace, "--stop", stop]
    command += ["--link", link] if link is not None else []
    command += ["--output", output] if output is not None else []
    for at, action in actions:
        command += ["--at", at, action]
    words, said = [str(word) for word in command], folder / "runner.txt"
    with said.open("w") as errors:
        process = subprocess.Popen(words, stdout=subprocess.PIPE, stderr=errors, text=True)
    try:
        assert process.stdout is not None
        port = process.stdout.readline().strip() if output is None else ""
        assert output is not None or port.startswith("/dev/"), said.read_text()
        yield Board(process, port, conversions, said)
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()
