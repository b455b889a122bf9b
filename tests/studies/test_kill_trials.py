"""A few of the study's trials: every process of a recording killed at a random moment."""

import os
import sys

import pytest

from tests.studies.kill_trials import run_trials

pytestmark = [
    pytest.mark.xdist_group("real_time"),
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux") or not hasattr(os, "openpty"), reason="looks into /proc"),
]


def test_nothing_past_the_last_completed_write_is_lost_and_all_of_it_is_what_was_played():
    found = list(run_trials(3, seed=4))
    assert [trial for trial in found if not trial.is_good] == []
    assert sum(trial.recovered_rows for trial in found) > 500
