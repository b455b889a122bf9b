"""A test that is not quick is found out: by the processor time that is its own, moved by hand here."""

import subprocess
import sys

import pytest

from tests import processor_time

CONFTEST = """
import pytest
from tests.processor_time import ProcessorTime

now = [0.0]

def pytest_configure(config):
    config.addinivalue_line("markers", "slow")
    config.pluginmanager.register(ProcessorTime(clock=lambda: now[0], scale=1.0), "by hand")

@pytest.fixture(scope="session")
def spend():
    def spend(seconds):
        now[0] += seconds
    return spend

@pytest.fixture(scope="module")
def heavy(spend):
    spend(20.0)

@pytest.fixture
def own(spend):
    spend(0.7)
"""


@pytest.fixture
def judged(pytester, monkeypatch):
    """Run tests under a clock that only they move."""
    monkeypatch.setenv("PYTEST_ADDOPTS", "-p no:cacheprovider -p no:cov -p no:hypothesispytest -n0")
    pytester.makeconftest(CONFTEST)

    def run(tests):
        pytester.makepyfile("import pytest\n" + tests)
        return pytester.runpytest_inprocess("--import-mode=importlib")

    return run


def test_a_quick_test_is_not_mentioned(judged):
    done = judged("def test_it(spend): spend(0.9)")
    done.assert_outcomes(passed=1)
    done.stdout.no_fnmatch_line("*quiet machine*")


def test_one_above_the_limit_is_listed_and_passes(judged):
    done = judged("def test_it(spend): spend(2.9)")
    done.assert_outcomes(passed=1)
    assert done.ret == 0
    done.stdout.fnmatch_lines(["*not marked slow*", "*::test_it takes 2.9 s of a quiet machine's processor"])


def test_one_at_more_than_three_times_the_limit_fails_the_run(judged):
    done = judged("def test_it(spend): spend(3.1)")
    done.assert_outcomes(passed=1, errors=1)
    assert done.ret == 1
    done.stdout.fnmatch_lines(["*::test_it takes 3.1 s of a quiet machine's processor: make it quick, or mark it slow"])


def test_one_that_is_marked_may_take_what_it_takes(judged):
    done = judged("@pytest.mark.slow\ndef test_it(spend): spend(30.0)")
    assert done.ret == 0
    done.stdout.no_fnmatch_line("*quiet machine*")


def test_a_shared_fixture_is_charged_to_nobody(judged):
    done = judged("def test_first(heavy, spend): spend(0.5)\ndef test_second(heavy): pass")
    done.assert_outcomes(passed=2)
    done.stdout.no_fnmatch_line("*quiet machine*")


def test_a_fixture_of_its_own_is_charged_to_the_test(judged):
    done = judged("def test_it(own, heavy, spend): spend(0.7)")
    done.stdout.fnmatch_lines(["*::test_it takes 1.4 s*"])


def test_a_failure_stays_the_failure_that_it_is(judged):
    done = judged("def test_it(spend):\n    spend(9.0)\n    assert False, 'wrong'")
    done.stdout.fnmatch_lines(["*AssertionError: wrong*"])
    assert done.ret == 1


def test_the_reference_loop_is_the_quickest_of_its_tries():
    # each try asks twice; load made the second of three take ten times as long
    readings = iter([0.0, 2.0, 10.0, 30.0, 40.0, 43.0])
    assert processor_time.loop_seconds(lambda: next(readings), tries=3) == 2.0


@pytest.mark.skipif(sys.platform == "win32", reason="the system does not tell of ended children")
def test_the_time_of_ended_children_counts():
    before = processor_time.spent()
    program = "import time\nwhile time.process_time() < 0.3: pass"
    subprocess.run([sys.executable, "-c", program], check=True)
    assert processor_time.spent() - before > 0.25
