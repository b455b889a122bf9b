"""Holds tests to their word: what is not marked ``slow`` takes less than a second of a quiet machine's processor.

Seconds here are those of a reference machine: processor time of this process and of its ended children, over that of a
short loop timed here at the start, times what the loop takes there. So neither a machine's make nor its load decides.
What a fixture takes that several tests share is charged to none of them. Unmarked tests above the limit are listed at
the end of a run; one above three times the limit fails, so that no verdict hangs on how well the loop stands for it.
"""

import sys
import time
from collections.abc import Callable
from contextlib import contextmanager
from dataclasses import dataclass

import pytest

if sys.platform != "win32":
    import resource

LIMIT = 1.0  # [s] of the reference machine
FAILS_AT = 3.0  # times the limit
LOOP_STEPS = 100_000
LOOP_SECONDS = 12.5e-3  # of the loop on the reference machine, a quiet server core of 2 GHz
LOOP_TRIES = 9  # of which the quickest counts: whatever else happens can only lengthen one
PROPERTY = "processor_seconds"  # of a test's last report


def spent() -> float:
    """Return the processor time of this process and of its ended children. [s]; Windows does not tell of children."""
    if sys.platform == "win32":
        return time.process_time()
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    return time.process_time() + children.ru_utime + children.ru_stime


def loop_seconds(clock: Callable[[], float] = time.process_time, tries: int = LOOP_TRIES) -> float:
    """Time the reference loop. [s] of processor; a tracer, as that of coverage, slows it as it slows the tests."""
    taken = []
    for _ in range(tries):
        begin, total = clock(), 0.0
        for k in range(LOOP_STEPS):
            total += (k % 7) * 0.5
        taken.append(clock() - begin)
    return min(taken)


@dataclass
class Meter:
    """Adds up what one test takes by itself, in seconds of the clock that it is given."""

    clock: Callable[[], float]
    own: float = 0.0
    _shared: int = 0  # shared fixtures in work, one may ask for another

    @contextmanager
    def running(self):
        """Charge the test with what happens inside."""
        begin = self.clock()
        try:
            yield
        finally:
            self.own += self.clock() - begin

    @contextmanager
    def sharing(self):
        """Take back what happens inside: it is done once for several tests."""
        begin, self._shared = self.clock(), self._shared + 1
        try:
            yield
        finally:
            self._shared -= 1
            if not self._shared:
                self.own -= self.clock() - begin


class ProcessorTime:
    """The plugin: measures where tests run, reports with their results, lists where the run ends."""

    def __init__(self, *, clock: Callable[[], float], scale: float) -> None:
        self.clock, self.scale = clock, scale  # seconds of the reference machine in one of the clock
        self.meter = Meter(clock)
        self.long: dict[str, float] = {}  # seconds by test

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_setup(self, item):
        self.meter = Meter(self.clock)
        with self.meter.running():
            return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_call(self, item):
        with self.meter.running():
            return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_teardown(self, item, nextitem):
        """Children are counted when they end; what ends with the file may be shared, and is left out."""
        if nextitem is None or nextitem.path != item.path:
            return (yield)
        with self.meter.running():
            return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef, request):
        if fixturedef.scope == "function":
            return (yield)
        with self.meter.sharing():
            return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_makereport(self, item, call):
        """Hand the time over with the last report, which also travels from a worker to the process that asked."""
        report = yield
        if call.when != "teardown":
            return report
        seconds = self.scale * self.meter.own
        report.user_properties.append((PROPERTY, round(seconds, 3)))
        if seconds > FAILS_AT * LIMIT and "slow" not in report.keywords and report.passed:
            report.outcome = "failed"
            report.longrepr = f"{sentence(item.nodeid, seconds)}: make it quick, or mark it slow"
        return report

    def pytest_runtest_logreport(self, report):
        seconds = dict(report.user_properties).get(PROPERTY, 0.0)
        if report.when == "teardown" and seconds > LIMIT and "slow" not in report.keywords:
            self.long[report.nodeid] = seconds

    def pytest_terminal_summary(self, terminalreporter):
        if self.long:
            terminalreporter.section(f"not marked slow, and over {LIMIT:g} s of a quiet machine's processor")
            for test, seconds in sorted(self.long.items(), key=lambda item: -item[1]):
                terminalreporter.line(sentence(test, seconds))


def sentence(test: str, seconds: float) -> str:
    """Say what a test takes."""
    return f"{test} takes {seconds:.1f} s of a quiet machine's processor"


def pytest_configure(config: pytest.Config) -> None:
    """Start measuring."""
    config.pluginmanager.register(ProcessorTime(clock=spent, scale=LOOP_SECONDS / loop_seconds()), "processor time")
