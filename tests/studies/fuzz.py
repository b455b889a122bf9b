"""Search for bytes that make a reader fail: coverage-guided, behind the checksums, with bounded memory and time.

``python -m tests.studies.fuzz`` runs each reader's target in turn; ``--target hello --runs 1000000`` runs one.
The search engine is no dependency of the project: ``pip install atheris`` into an environment of its own that has
the project's dependencies; where it is missing the study says so and ends. What must hold is in
``tests/any_bytes.py``, and ``tests/daq/test_any_bytes.py`` holds it for random bytes on every day.

Prints executions, executions a second, branches reached at the start and at the end, and what failed. Inputs that
failed are kept under ``--work``, and so is what the search learned, so that the next run goes on from there.
"""

import argparse
import importlib.util
import re
import subprocess
import sys
import tempfile
from pathlib import Path

RUNS = {"hello": 6_000_000, "lines": 2_000_000, "journal": 1_200_000, "frames": 1_000_000}
LONGEST = {"hello": 1019, "lines": 600, "journal": 1500, "frames": 2000}  # bytes of an input
MEMORY_MB, SECONDS = 1024, 10  # a single input may take no more
WORDS = (
    '"format":1',
    '"boot":',
    '"min":',
    '"type":"',
    '"time_scale":',
    '"rehearsal":true',
    "NaN",
    "Infinity",
    "1e999",
    "\\\\u001b",
    "\\\\ud800",
    "null",
    "true",
    "[[",
    "{}",
    "i24",
    "u16",
)


def search(target: str, runs: int, work: Path) -> int:
    """Run one target in a process of its own and print its figures; returns 0 when nothing failed."""
    command = [sys.executable, "-m", "tests.studies.fuzz", "--inside", target, "--runs", str(runs), "--work", str(work)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    log = done.stdout + done.stderr
    (work / f"{target}.log").write_text(log, encoding="utf-8")
    reached = [int(cov) for cov in re.findall(r"cov: (\d+)", log)]
    count = re.search(r"Done (\d+) runs in (\d+) second", log)
    if done.returncode or count is None or not reached:
        print(f"{target}: FAILED, exit {done.returncode}, see {work / target}.log\n{log[-2000:]}", flush=True)
        return 1
    executed, seconds = int(count[1]), max(1, int(count[2]))
    memory = max(map(int, re.findall(r"rss: (\d+)Mb", log)))
    print(
        f"{target}: {executed} executions in {seconds} s ({executed / seconds:.0f}/s), coverage {reached[0]} -> "
        f"{reached[-1]}, failures 0, peak memory {memory} MB",
        flush=True,
    )
    return 0


def inside(target: str, runs: int, work: Path) -> None:
    """Hand one target to the engine, which ends the process."""
    import atheris

    with atheris.instrument_imports(include=["standbook.daq"]):
        from tests.any_bytes import CHECKS, seeds
    folder = work / target
    folder.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate(seeds()[target]):
        (folder / f"seed-{number}").write_bytes(seed)
    words = work / "words"
    words.write_text("".join(f'"{word}"\n' for word in (w.replace('"', '\\"') for w in WORDS)), encoding="utf-8")
    options = [
        f"-runs={runs}",
        f"-rss_limit_mb={MEMORY_MB}",
        f"-timeout={SECONDS}",
        f"-max_len={LONGEST[target]}",
        f"-artifact_prefix={folder}-failed-",
        *([f"-dict={words}"] if target == "hello" else []),
        str(folder),
    ]
    atheris.Setup([sys.argv[0], *options], CHECKS[target])
    atheris.Fuzz()


def main() -> int:
    """Print the figures; exit 1 when an input made a reader fail."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--target", choices=sorted(RUNS), help="only this one")
    parser.add_argument("--runs", type=int, help="executions, instead of those of a full study")
    parser.add_argument("--work", type=Path, help="keeps what the search learned; else a folder that goes away")
    parser.add_argument("--inside", choices=sorted(RUNS), help=argparse.SUPPRESS)
    told = parser.parse_args()
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed here: pip install atheris, into an environment of its own")
        return 0
    if told.inside:
        inside(told.inside, told.runs, told.work)
        return 0
    with tempfile.TemporaryDirectory() as gone:
        work = told.work or Path(gone)
        work.mkdir(parents=True, exist_ok=True)
        targets = [told.target] if told.target else list(RUNS)
        return max(search(target, told.runs or RUNS[target], work) for target in targets)


if __name__ == "__main__":
    sys.exit(main())
