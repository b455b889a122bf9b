"""A gap at an end or a long one is found; short ones in mid-flow, rows lost one by one and a slow logger are none."""

import numpy as np
import pytest

from standbook.analysis.record_faults.gaps_at_ends import hiding_gap

TIME = np.arange(-5.0, 15.0, 2e-3)


def gap(start, seconds, *, time=TIME, until=6.0):
    kept = time[(time < start) | (time >= start + seconds)]
    return hiding_gap(kept, opening=0.0, end=6.0, until=until)


@pytest.mark.parametrize(
    ("start", "seconds"), [(5.8, 0.5), (6.1, 0.3), (-0.2, 0.3), (5.7, 0.2), (3.0, 1.0), (8.0, 1.5)]
)
def test_a_gap_that_may_hide_an_end_is_found_where_it_begins(start, seconds):
    found = gap(start, seconds)
    assert found.time == pytest.approx(start, abs=5e-3)
    assert found.seconds == pytest.approx(seconds, abs=5e-3)


@pytest.mark.parametrize(
    ("start", "seconds"), [(3.0, 0.4), (2.0, 0.8), (6.5, 0.5), (-3.0, 1.5), (12.0, 2.0), (5.9, 0.03)]
)
def test_a_gap_away_from_the_ends_is_bridged(start, seconds):
    assert gap(start, seconds) is None


def test_a_gap_before_the_planned_end_may_be_the_end_that_was_found():
    assert gap(10.5, 1.5) is None
    assert gap(10.5, 1.5, until=12.0) is not None


def test_rows_lost_one_by_one_and_a_slow_logger_hide_nothing():
    kept = np.random.default_rng(0).random(TIME.size) > 0.1
    assert hiding_gap(TIME[kept], opening=0.0, end=6.0, until=6.0) is None
    assert hiding_gap(TIME[::50], opening=0.0, end=6.0, until=6.0) is None
    assert hiding_gap(TIME[:1], opening=0.0, end=6.0, until=6.0) is None
