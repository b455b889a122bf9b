"""The simulated stand's equations are solved once for each simulated world, and kept for the next run of the tests.

They take seconds, and dozens of tests stand on the same few worlds. A solution is a value of what the world is and of
the sources that solve it, so it is kept under a hash of both, in pytest's own cache; when a source changes, all go.
Tests of the solver itself call it by its own name and always solve.

What each analysis of a firing asks of its plan, the impulse by load, is a third of its time; dozens of tests analyse
firings of one plan, and each process fires that plan's loads once.
"""

import contextlib
import hashlib
import os
import pickle
import platform
import shutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path

import pytest

from tests.repository import ROOT

FOLDER = "simulated worlds"  # in pytest's cache
SOURCES = ROOT / "analysis" / "simulation"
LIBRARIES = ("numpy", "scipy", "CoolProp")
STAGE = "standbook.analysis.simulation.stage"  # by whose name the equations are solved
RESERVE = "standbook.analysis.firing.class_reserve"  # by whose name a plan's loads are fired


def sources() -> str:
    """Return a hash of everything that a solution depends on but the world."""
    there = (platform.python_version(), platform.machine(), *map(version, LIBRARIES))
    found = hashlib.sha256(repr(there).encode())
    for path in sorted(SOURCES.glob("*.py")):
        found.update(path.name.encode() + b"\0" + path.read_bytes())
    return found.hexdigest()[:16]


@dataclass(frozen=True)
class SolvedOnce:
    """A function of values whose results are kept in a folder."""

    solve: Callable
    folder: Path

    def __call__(self, *asked):
        """Return what the function returns; arguments are frozen values that print what they are."""
        path = self.folder / f"{hashlib.sha256(repr(asked).encode()).hexdigest()[:32]}.pickle"
        with contextlib.suppress(FileNotFoundError):
            return pickle.loads(path.read_bytes())
        solved = self.solve(*asked)
        # Named after the process and then renamed: two workers may write it at once, nobody reads half of it.
        half = path.with_suffix(f".{os.getpid()}")
        half.write_bytes(pickle.dumps(solved, protocol=pickle.HIGHEST_PROTOCOL))
        half.replace(path)
        return solved


def once_a_process(fire: Callable) -> Callable:
    """Return the function of a plan and of shares of its loads that keeps what it returned."""
    kept = {}

    def fired(plan, shares):
        asked = repr(plan), shares.tobytes()
        if asked not in kept:
            kept[asked] = fire(plan, shares)
        return kept[asked]

    return fired


def folder_in(cache: Path) -> Path:
    """Return the folder of the present sources; those of earlier ones go."""
    present = cache / sources()
    for old in cache.iterdir():
        if old != present:
            shutil.rmtree(old, ignore_errors=True)
    present.mkdir(exist_ok=True)
    return present


def pytest_collection_finish(session: pytest.Session) -> None:
    """Let rehearsals ask what is kept first, once the tests have loaded them: not earlier, for coverage's sake."""
    cache, stage = getattr(session.config, "cache", None), sys.modules.get(STAGE)
    if cache is not None and stage is not None and session.items:
        stage.simulate = SolvedOnce(stage.simulate, folder_in(cache.mkdir(FOLDER)))
    reserve = sys.modules.get(RESERVE)
    if reserve is not None:
        reserve.impulses_by_load = once_a_process(reserve.impulses_by_load)
