"""Long steps of a board's clock: lost rows, late ones, and those that nothing tells apart."""

import numpy as np
import pytest

from standbook.daq.recovery.late_rows import long_steps
from tests.studies.late_rows import BOARDS, count

MS = 1000


def judged(*steps):
    return long_steps(np.cumsum([0, *([20] * 20), *steps, *([20] * 20)]) * MS, 20 * MS)


@pytest.mark.parametrize(
    ("steps", "lost", "undecided", "repaid"),
    [
        ((33, 7), 0, 0, 1),  # late by 13 ms and repaid
        ((38, 6, 16), 0, 0, 1),  # what is left open is far from a whole row
        ((33, 33, 7, 7), 0, 0, 1),
        ((40,), 1, 0, 0),
        ((80,), 3, 0, 0),
        ((53, 7), 1, 0, 0),  # lost one, and the next was late
        ((36,), 0, 1, 0),  # late for good, or lost
    ],
)
def test_steps_are_told_apart_by_what_repays_them(steps, lost, undecided, repaid):
    found = judged(*steps)
    assert (int(found.lost.sum()), found.undecided) == (lost, undecided)
    assert found.repaid >= repaid


@pytest.mark.parametrize("board", BOARDS, ids=[board.name for board in BOARDS])
def test_simulated_boards_are_judged_about_as_well_as_by_a_prototype(board):
    """In counts of 50,000 rows at most 1.5 times the prototype's, and a few of chance."""
    found = count(board, 50_000, seed=1)
    for mine, theirs in zip((found.false, found.missed, found.undecided), board.prototype, strict=True):
        assert mine <= 1.5 * theirs + 6
    assert found.is_paced_by_delay is not board.on_grid
