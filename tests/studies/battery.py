"""A battery of hostile and broken cases: each must end in a documented code and a sentence, with nothing torn.

``python -m tests.studies.battery`` generates its cases from families and variations: damaged bytes on the wire, files
of a record tampered with, typed files and tables of other loggers with faults, ports that are none, disks that refuse,
terminals that have gone, processes that die. Prints cases and failures of each family; ``--only import`` plays one, and
``--every 10`` every tenth case. Most cases run in this process; what is about processes starts them.
"""

import argparse
import dataclasses
import re
import tempfile
import time
import traceback
from collections.abc import Callable, Iterable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

from standbook.cli.main import run as command

PATIENCE = 20.0  # s of the processor that a case may take, two commands on a file of 2 GB among them
REFUSED = frozenset(range(2, 10))
LONGEST_LINE = 1500  # characters; longer is no sentence


@dataclass(frozen=True, slots=True)
class Said:
    """What a command answered."""

    code: int
    out: str
    err: str


@dataclass(frozen=True, slots=True)
class Case:
    """One case: ``play`` works in a new folder and returns what is wrong, or nothing."""

    family: str
    name: str
    play: Callable[[Path], str]


def told(*arguments: object) -> Said:
    """Run a command in this process; what nobody foresaw passes through."""
    out, err = StringIO(), StringIO()
    with redirect_stdout(out), redirect_stderr(err):
        code = command([str(argument) for argument in arguments])
    return Said(code, out.getvalue(), err.getvalue())


def fault(said: Said, codes: Iterable[int]) -> str:
    """Say what is wrong with an answer; nothing where it is a code that may be, with its sentence."""
    if said.code not in set(codes):
        return f"code {said.code}, expected {sorted(set(codes))}: {(said.err or said.out)[-300:]!r}"
    if "Traceback" in said.err + said.out:
        return "a traceback"
    lines = [line for line in said.err.splitlines() if line.strip()]
    if said.code in REFUSED and not lines and "CHANGED: " not in said.out:
        return f"code {said.code} without a word"
    if said.code in REFUSED and lines and not any(re.match("standbook: |Usage|.*Error", line) for line in lines):
        return f"no sentence of ours: {lines[0]!r}"
    return next((f"no sentence: {line[:80]!r}..." for line in lines if len(line) > LONGEST_LINE), "")


def contents(folder: Path) -> dict[str, bytes | None]:
    """Every regular file of a folder, hidden ones too, with its bytes, small ones only; others with nothing."""
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() and path.stat().st_size < 1 << 24 else None
        for path in sorted(folder.rglob("*"))
    }


def cases() -> Iterator[Case]:
    """Yield all cases."""
    from tests import battery_files, battery_links

    yield from battery_files.cases()
    yield from battery_links.cases()


def play(case: Case) -> str:
    """Play one case; return what is wrong, or nothing."""
    began = time.process_time()
    with tempfile.TemporaryDirectory() as folder:
        try:
            wrong = case.play(Path(folder))
        except BaseException as error:  # whatever comes out, it is what is looked for
            if isinstance(error, KeyboardInterrupt) and not error.args:
                raise
            at = traceback.extract_tb(error.__traceback__)[-1]
            wrong = f"{type(error).__name__}: {str(error)[:200]} ({Path(at.filename).name}:{at.lineno})"
    taken = time.process_time() - began
    return wrong or (f"took {taken:.1f} s" if taken > PATIENCE else "")


@dataclass(slots=True)
class Count:
    """Of one family."""

    cases: int = 0
    failures: int = 0
    seconds: float = 0.0


def main() -> None:
    """Print cases and failures of each family; exit 1 when one failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="families whose name holds this")
    parser.add_argument("--named", default="", help="cases whose name holds this")
    parser.add_argument("--every", type=int, default=1, help="play every n-th case")
    asked = parser.parse_args()
    counts: dict[str, Count] = {}
    for number, case in enumerate(cases()):
        if asked.only not in case.family or asked.named not in case.name or number % asked.every:
            continue
        count, began = counts.setdefault(case.family, Count()), time.monotonic()
        wrong = play(case)
        count.cases += 1
        count.seconds += time.monotonic() - began
        if wrong:
            count.failures += 1
            print(f"  {case.family}: {case.name}: {wrong}", flush=True)
    print(f"{'family':<12}{'cases':>7}{'failures':>10}{'seconds':>9}")
    for family, count in counts.items():
        print(f"{family:<12}{count.cases:>7}{count.failures:>10}{count.seconds:>9.0f}")
    total = Count(*(sum(dataclasses.astuple(count)[k] for count in counts.values()) for k in range(3)))
    print(f"{'all':<12}{total.cases:>7}{total.failures:>10}{total.seconds:>9.0f}")
    if total.failures:
        raise SystemExit(1)


if __name__ == "__main__":
    main()
