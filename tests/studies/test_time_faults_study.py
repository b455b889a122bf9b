"""A small version of the study of clocks that lie."""

import numpy as np
import pytest

from tests.studies.time_faults import FAULTS, Outcome, judged, trial


@pytest.mark.slow
@pytest.mark.parametrize("name", FAULTS)
def test_a_clock_that_lies_is_told_and_time_goes_on(name):
    fault, word = FAULTS[name]
    assert judged(trial(np.random.default_rng([7, 31]), fault), word) == ""


@pytest.mark.slow
def test_a_clean_board_is_met_with_silence():
    assert judged(trial(np.random.default_rng([8, 31]), None), "") == ""


@pytest.mark.parametrize(
    ("changes", "word", "wrong"),
    [
        ({"steady": False}, "stepped back", "time does not go on"),
        ({"said": ()}, "stepped back", "not told"),
        ({"live": ""}, "stepped back", "not told live"),
        ({"whole": True}, "stepped back", "called whole"),
        ({"error": -3e-4}, "stepped back", "off by"),
        ({}, "", "said of a clean board"),
    ],
)
def test_the_study_can_fail(changes, word, wrong):
    told = "fast: clock stepped back"
    good = {"said": (told,), "error": 1e-5, "unseen": 0.0, "steady": True, "whole": False, "unchecked": False}
    assert judged(Outcome(**{**good, "live": told}), "stepped back") == ""
    assert judged(Outcome(**{**good, "live": told, **changes}), word).startswith(wrong)
