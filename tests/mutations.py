"""Inputs made from valid ones by a few small changes, and a watch on what a reader does with each: time and memory.

No coverage guides the search, so that an execution costs little more than the reader itself. A seed gives the same
inputs again.
"""

import faulthandler
import os
import random
import signal
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

LIMIT = 1.0  # s of the processor that one input may take
STUCK = 120.0  # s of real time after which a reader that never comes back is shown and ended
WARM = 0.2  # of the executions, after which memory must not grow
PIECES = (
    *(b"", b"\x00", b"\xff", b"\xff\xff\xff\xff", b"\x80", b"\n", b"\r", b",", b'"', b"[", b"{", b"}", b"=", b"-"),
    *(b"NaN", b"-Infinity", b"1e999", b"-1", b"0", b"9223372036854775808", b"1" * 5000, b"[" * 2000, b"null", b"true"),
    *(b'{"', b'":', b"\\u001b", b"\\ud800", b"\xef\xbb\xbf", b"\xff\xfe", b"+/-", b" bar(g)", b"[[", b"]]", b"1e-320"),
)


@dataclass(slots=True)
class Search:
    """What came of a search."""

    executions: int = 0
    slowest: float = 0.0  # s of the processor
    slowest_input: bytes = b""
    warm_memory: int = 0  # bytes
    memory: int = 0  # bytes
    failures: dict[str, bytes] = field(default_factory=dict)  # where it failed, and one input that does

    def sentence(self, target: str, seconds: float) -> str:
        """Say it in one line."""
        hung = self.slowest > LIMIT
        return (
            f"{target}: {self.executions:,} executions in {seconds:.0f} s, failures {len(self.failures)}, over "
            f"{LIMIT:g} s {int(hung)}, slowest {1e3 * self.slowest:.0f} ms, memory "
            f"{(self.memory - self.warm_memory) / 2**20:+.1f} MiB of {self.memory / 2**20:.0f} MiB"
        )

    @property
    def is_clean(self) -> bool:
        """Tell whether nothing failed or hung."""
        return not self.failures and self.slowest <= LIMIT


def mutations(seeds: Sequence[bytes], longest: int, seed: int = 1) -> Iterator[bytes]:
    """Yield changed inputs without end."""
    chance = random.Random(seed)
    while True:
        data = bytearray(chance.choice(seeds))
        for _ in range(chance.choice((1, 1, 1, 2, 2, 3, 4, 6, 10))):
            _change(data, seeds, chance)
        yield bytes(data[:longest])


def _change(data: bytearray, seeds: Sequence[bytes], chance: random.Random) -> None:
    at = chance.randrange(len(data) + 1)
    span = chance.choice((1, 1, 2, 3, 4, 8, 16, 64))
    match chance.randrange(9):
        case 0 | 1 if at < len(data):
            data[at] ^= 1 << chance.randrange(8)
        case 2 if at < len(data):
            data[at] = chance.randrange(256)
        case 3:
            data[at : at + span] = b""
        case 4:
            data[at:at] = data[at : at + span]
        case 5:
            data[at : at + chance.choice((0, 1, span))] = chance.choice(PIECES)
        case 6:
            other = chance.choice(seeds)
            start = chance.randrange(len(other) + 1)
            data[at : at + span] = other[start : start + span]
        case 7:
            data[at:at] = chance.randbytes(span)
        case 8:
            first, second = sorted((at, chance.randrange(len(data) + 1)))
            data[first:second] = (
                data[first:second][::-1] if chance.random() < 0.1 else data[second : 2 * second - first]
            )


class HangError(Exception):
    """One input took longer than it may."""


@contextmanager
def _limited() -> Iterator[None]:
    def hang(_number: int, _frame: object) -> None:
        raise HangError

    before = signal.signal(signal.SIGPROF, hang)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)


def search(check: Callable[[bytes], None], seeds: Sequence[bytes], longest: int, runs: int, *, seed: int = 1) -> Search:
    """Give a reader many changed inputs, and watch."""
    found = Search()
    inputs = mutations(seeds, longest, seed)
    with _limited():
        for number in range(runs):
            if number % 1000 == 0:
                faulthandler.dump_traceback_later(STUCK, exit=True)
            if number == int(WARM * runs):
                found.warm_memory = memory()
            _one(check, next(inputs), found)
    faulthandler.cancel_dump_traceback_later()
    found.memory = memory()
    return found


def _one(check: Callable[[bytes], None], data: bytes, found: Search) -> None:
    began = time.process_time()
    try:
        signal.setitimer(signal.ITIMER_PROF, 2.0 * LIMIT)  # a reader in C is seen when it comes back
        check(data)
    except Exception as error:  # noqa: BLE001 - whatever it is, it is what is looked for
        where = traceback.extract_tb(error.__traceback__)[-1]
        found.failures.setdefault(f"{type(error).__name__} at {Path(where.filename).name}:{where.lineno}", data)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0.0)
    taken = time.process_time() - began
    if taken > found.slowest:
        found.slowest, found.slowest_input = taken, data
    found.executions += 1


def memory() -> int:
    """Return what this process holds in memory now, or where the system does not say, what it held at most. [byte]."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except OSError:
        import resource  # not on Windows

        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return pages * os.sysconf("SC_PAGE_SIZE")
