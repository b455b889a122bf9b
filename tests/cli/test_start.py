"""The first instants of the command: a signal ends it in one sentence, whatever is being loaded."""

import os
import signal
import subprocess
import sys

import pytest

from tests.repository import ROOT

# Stops this process with a signal at the import of one module, wherever in the loading that is.
PROGRAM = """
import os, sys

class Stopper:
    def find_spec(self, name, path=None, target=None):
        if name == {module!r}:
            exec("os.kill(os.getpid(), {number})")
        return None

sys.meta_path.insert(0, Stopper())
sys.argv = ["standbook", "guide", "cautions"]
import runpy
runpy.run_module("standbook.cli", run_name="__main__")
"""
# As above, run as a module of its own: only then does the interpreter remember what was interrupted in ``exec``.


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
@pytest.mark.parametrize("module", ["standbook.cli.main", "typer", "standbook.cli.guide", "rich.markdown"])
def test_a_signal_while_modules_are_loading_ends_in_one_sentence(module, number, tmp_path):
    (tmp_path / "program.py").write_text(PROGRAM.format(module=module, number=int(number)), encoding="utf-8")
    done = subprocess.run(
        [sys.executable, "-m", "program"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{ROOT}"},
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stdout, done.stderr) == (128 + number, "", "standbook: stopped\n")


def test_without_a_signal_it_runs_the_command():
    done = subprocess.run(
        [sys.executable, "-m", "standbook.cli", "guide"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0
    assert "cautions" in done.stdout


# Sends itself a signal when all is done, while the interpreter is wound up.
LATE = """
import atexit, os, sys
atexit.register(lambda: os.kill(os.getpid(), {number}))
sys.argv = ["standbook", "guide"]
import runpy
runpy.run_module("standbook.cli", run_name="__main__")
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_after_the_work_is_done_spoils_no_exit_code(number):
    done = subprocess.run(
        [sys.executable, "-c", LATE.format(number=int(number))],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert "cautions" in done.stdout


def test_libraries_compute_in_one_thread_unless_somebody_asks_for_more(tmp_path):
    program = "import os, sys; sys.argv = ['standbook', '--version']\n"
    program += "from standbook.cli.start import main, THREADS\ntry:\n    main()\nexcept SystemExit:\n"
    program += "    print([os.environ[name] for name in THREADS])"
    env = {name: value for name, value in os.environ.items() if not name.endswith("_THREADS")}
    for asked, there in (({}, "1"), ({"OMP_NUM_THREADS": "3"}, "3")):
        done = subprocess.run(
            [sys.executable, "-c", program],
            cwd=tmp_path,
            env={**env, **asked, "PYTHONPATH": str(ROOT / ".dev")},
            capture_output=True,
            text=True,
            check=True,
        )
        assert done.stdout.splitlines()[-1] == str(["1", there, "1", "1"])
