"""Search for bytes that make a reader fail: seven targets, behind the checksums, with bounded memory and time.

``python -m tests.studies.fuzz`` changes valid inputs a little, ten million times in all, and holds each reader to what
``tests/any_bytes.py`` and ``tests/any_documents.py`` say of it; ``--target hello --runs 1000000`` runs one. Prints
executions, failures, inputs that took over a second, the slowest, and how memory grew once warm. Inputs that failed
are kept under ``--work``. ``tests/daq/test_any_bytes.py`` holds the same for random bytes on every day.

With ``--guided`` coverage guides the search, which finds more in a hundred times as long; its engine is no dependency
of the project: ``pip install atheris`` into an environment of its own. What it learned is kept under ``--work``.
"""

import argparse
import importlib.util
import re
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests import mutations

RUNS = {
    "hello": 4_000_000,
    "lines": 1_200_000,
    "manifest": 2_500_000,
    "toml": 1_000_000,
    "csv": 700_000,
    "journal": 400_000,
    "frames": 200_000,
}
LONGEST = {"hello": 1019, "lines": 600, "journal": 1500, "frames": 2000}  # bytes of an input
DOCUMENT = 6000  # bytes of any other
MEMORY_MB, GUIDED_SECONDS = 1024, 10  # one guided input, whose every branch is counted, may take no more
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


def run_apart(target: str, runs: int, work: Path, *, seed: int, guided: bool) -> int:
    """Run one target in a process of its own and print its figures; returns 0 when nothing failed."""
    command = [sys.executable, "-m", "tests.studies.fuzz", "--inside", target, "--runs", str(runs), "--work", str(work)]
    command += ["--seed", str(seed), *(["--guided"] if guided else [])]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    log = done.stdout + done.stderr
    (work / f"{target}.log").write_text(log, encoding="utf-8")
    if not guided:
        print(log.strip(), flush=True)
        return done.returncode
    reached = [int(cov) for cov in re.findall(r"cov: (\d+)", log)]
    count = re.search(r"Done (\d+) runs in (\d+) second", log)
    if done.returncode or count is None or not reached:
        print(f"{target}: FAILED, exit {done.returncode}, see {work / target}.log\n{log[-2000:]}", flush=True)
        return 1
    executed, seconds = int(count[1]), max(1, int(count[2]))
    peak = max(map(int, re.findall(r"rss: (\d+)Mb", log)))
    print(
        f"{target}: {executed} executions in {seconds} s ({executed / seconds:.0f}/s), coverage {reached[0]} -> "
        f"{reached[-1]}, failures 0, peak memory {peak} MB",
        flush=True,
    )
    return 0


def inside(target: str, runs: int, work: Path, seed: int) -> int:
    """Run one target here."""
    from tests.any_bytes import CHECKS, seeds
    from tests.any_documents import DOCUMENT_CHECKS, document_seeds

    checks, valid = CHECKS | DOCUMENT_CHECKS, seeds() | document_seeds()
    began = time.monotonic()
    found = mutations.search(checks[target], valid[target], LONGEST.get(target, DOCUMENT), runs, seed=seed)
    print(found.sentence(target, time.monotonic() - began))
    for number, (where, data) in enumerate(found.failures.items(), start=1):
        kept = work / f"{target}-failed-{number}"
        kept.write_bytes(data)
        print(f"  {where}: {kept}")
    if found.slowest > mutations.LIMIT:
        (work / f"{target}-slow").write_bytes(found.slowest_input)
    return 0 if found.is_clean else 1


def guided_inside(target: str, runs: int, work: Path) -> None:
    """Hand one target to the engine, which ends the process."""
    import atheris

    with atheris.instrument_imports(include=["standbook.daq"]):
        from tests.any_bytes import CHECKS, seeds
        from tests.any_documents import DOCUMENT_CHECKS, document_seeds
    folder = work / target
    folder.mkdir(parents=True, exist_ok=True)
    for number, seed in enumerate((seeds() | document_seeds())[target]):
        (folder / f"seed-{number}").write_bytes(seed)
    words = work / "words"
    words.write_text("".join(f'"{word}"\n' for word in (w.replace('"', '\\"') for w in WORDS)), encoding="utf-8")
    options = [
        f"-runs={runs}",
        f"-rss_limit_mb={MEMORY_MB}",
        f"-timeout={GUIDED_SECONDS}",
        f"-max_len={LONGEST.get(target, DOCUMENT)}",
        f"-artifact_prefix={folder}-failed-",
        *([f"-dict={words}"] if target in ("hello", "manifest") else []),
        str(folder),
    ]
    atheris.Setup([sys.argv[0], *options], (CHECKS | DOCUMENT_CHECKS)[target])
    atheris.Fuzz()


def main() -> int:
    """Print the figures; exit 1 when an input made a reader fail."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--target", choices=sorted(RUNS), help="only this one")
    parser.add_argument("--runs", type=int, help="executions of each target, instead of those of a full study")
    parser.add_argument("--share", type=float, default=1.0, help="of a full study's executions")
    parser.add_argument("--seed", type=int, default=1, help="other inputs")
    parser.add_argument("--work", type=Path, help="keeps inputs that failed; else a folder that goes away")
    parser.add_argument("--guided", action="store_true", help="by coverage")
    parser.add_argument("--inside", choices=sorted(RUNS), help=argparse.SUPPRESS)
    told = parser.parse_args()
    if told.guided and importlib.util.find_spec("atheris") is None:
        print("atheris is not installed here: pip install atheris, into an environment of its own")
        return 0
    if told.inside and told.guided:
        guided_inside(told.inside, told.runs, told.work)
    if told.inside:
        return inside(told.inside, told.runs, told.work, told.seed)
    with tempfile.TemporaryDirectory() as gone:
        work = told.work or Path(gone)
        work.mkdir(parents=True, exist_ok=True)
        targets = [told.target] if told.target else list(RUNS)
        runs = {target: told.runs or max(1, round(told.share * RUNS[target])) for target in targets}
        failed = [run_apart(t, n, work, seed=told.seed, guided=told.guided) for t, n in runs.items()]
    return max(failed)


if __name__ == "__main__":
    sys.exit(main())
