"""Asking the system to stay awake: held while the block lasts, let go after it, and never in the way."""

import subprocess
import sys
import time
from pathlib import Path

import pytest

from standbook.daq.capture.sleep_inhibitor import ADVICE, inhibit_sleep

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no way is known to prevent sleep there")

# Leaves a file while it holds, as an inhibitor does with its lock.
HOLDER = (
    "import pathlib, sys; p = pathlib.Path({path!r}); p.touch();print('held', flush=True); sys.stdin.read(); p.unlink()"
)


def command(program: str) -> tuple[str, ...]:
    return (sys.executable, "-c", program)


def test_it_is_held_while_the_block_lasts_and_not_longer(tmp_path: Path) -> None:
    told: list[str] = []
    with inhibit_sleep(told.append, command=command(HOLDER.format(path=str(tmp_path / "held"))), patience=20.0):
        assert (tmp_path / "held").exists()
    assert not (tmp_path / "held").exists()
    assert told == []


def test_it_is_let_go_when_this_process_is_killed(tmp_path: Path) -> None:
    holder = HOLDER.format(path=str(tmp_path / "held"))
    program = (
        "import os, sys; from standbook.daq.capture.sleep_inhibitor import inhibit_sleep\n"
        f"with inhibit_sleep(print, command=(sys.executable, '-c', {holder!r}), patience=20.0): os.kill(os.getpid(), 9)"
    )
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == -9
    deadline = time.monotonic() + 20.0
    while (tmp_path / "held").exists():
        assert time.monotonic() < deadline
        time.sleep(0.005)


@pytest.mark.parametrize(
    ("helper", "why"),
    [
        (command("import sys; sys.exit('Failed to connect to bus')"), "Failed to connect to bus"),
        (command("print('something else')"), "no answer"),
        (command("import time; time.sleep(60)"), "no answer"),
        (("an-inhibitor-nobody-has",), "an-inhibitor-nobody-has is not installed"),
    ],
)
def test_a_system_that_does_not_agree_is_told_in_one_sentence_and_work_goes_on(
    helper: tuple[str, ...], why: str
) -> None:
    told: list[str] = []
    did = False
    with inhibit_sleep(told.append, command=helper, patience=0.3 if "sleep" in helper[-1] else 20.0):
        did = True
    assert did
    (sentence,) = told
    assert sentence.startswith("this computer may fall asleep while it records (")
    assert why in sentence
    assert sentence.endswith(ADVICE)


def test_a_system_without_a_known_way_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.platform", "plan9")
    told: list[str] = []
    with inhibit_sleep(told.append):
        pass
    assert "no way is known" in told[0]
