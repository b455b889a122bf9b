"""Print what starting costs, and what the analysis of one run costs from a cold start.

``python -m tests.benchmarks.bench_startup`` compares ``standbook --help``, and the help of each command, with importing
typer alone, in turns, so that a busy computer slows both. ``--run RUN`` also times ``analyse`` and ``report`` of a
copy of that run folder.
"""

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from standbook.cli.commands import COMMANDS
from tests.repository import ROOT

STANDBOOK = ("-m", "standbook.cli")
FINE = (0, 10)  # 10: done, and something needs eyes


def seconds(*arguments: str) -> float:
    """Run Python with these arguments; return the wall seconds."""
    start = time.perf_counter()
    done = subprocess.run([sys.executable, *arguments], cwd=ROOT, capture_output=True, text=True, check=False)
    took = time.perf_counter() - start
    if done.returncode not in FINE:
        raise SystemExit(done.stderr)
    return took


def start_up(pairs: int, *command: str) -> tuple[float, float, float]:
    """Return the median seconds of a help and of typer alone, and the median of the pairs' ratios."""
    both = [(seconds(*STANDBOOK, *command, "--help"), seconds("-c", "import typer")) for _ in range(pairs + 1)]
    both = both[1:]  # the first pair finds nothing in the disk's cache
    ours, theirs = zip(*both, strict=True)
    return statistics.median(ours), statistics.median(theirs), statistics.median(a / b for a, b in both)


def cold(run: Path, repeats: int) -> tuple[float, float]:
    """Return the median seconds of analyse and of report, each in a new process."""
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(shutil.copytree(run, Path(folder) / "runs" / run.name, ignore=shutil.ignore_patterns("analysis")))
        analyse, report = zip(
            *(
                (seconds(*STANDBOOK, "analyse", str(copy)), seconds(*STANDBOOK, "report", str(copy)))
                for _ in range(repeats)
            ),
            strict=True,
        )
    return statistics.median(analyse), statistics.median(report)


def main() -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=15)
    parser.add_argument("--command-pairs", type=int, default=5)
    parser.add_argument("--run", type=Path, help="a sealed run folder")
    parser.add_argument("--repeats", type=int, default=3)
    told = parser.parse_args()
    ours, theirs, ratio = start_up(told.pairs)
    print(
        f"standbook --help {1e3 * ours:.0f} ms, import typer {1e3 * theirs:.0f} ms, ratio {ratio:.2f} (wanted: <= 2.5)"
    )
    ratios = {command: start_up(told.command_pairs, command)[2] for command in COMMANDS}
    slowest = max(ratios, key=lambda command: ratios[command])
    least, most = min(ratios.values()), ratios[slowest]
    print(f"COMMAND --help, {len(ratios)} of them: ratio {least:.2f} to {most:.2f}, {slowest} (wanted: <= 3)")
    if told.run is not None:
        analyse, report = cold(told.run, told.repeats)
        print(f"analyse {analyse:.1f} s, report {report:.1f} s, both {analyse + report:.1f} s")


if __name__ == "__main__":
    main()
