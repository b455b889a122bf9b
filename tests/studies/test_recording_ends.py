"""Two of the study's ways to end a recording: what record, recover and verify say of it, and every row."""

import os
import sys

import pytest

from tests.studies.recording_ends import WAYS, run_trial

pytestmark = [
    pytest.mark.xdist_group("real_time"),
    pytest.mark.slow,
    pytest.mark.skipif(not sys.platform.startswith("linux") or not hasattr(os, "openpty"), reason="pseudo-terminals"),
]


@pytest.mark.parametrize("name", ["SIGTERM to capture", "boards exchanged"])
def test_all_three_say_the_same_end_and_no_row_is_lost(tmp_path, name):
    trial = run_trial(next(way for way in WAYS if way.name == name), 250, tmp_path)
    assert (trial.disagreements, trial.lost, trial.other) == ([], 0, 0)
    assert trial.codes == (10, 10, 10, 10)
    assert trial.rows >= 200
