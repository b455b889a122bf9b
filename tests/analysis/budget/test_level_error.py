"""What a standard is off by from level to level: one at every level, alike near by, by the law that it stands for."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.budget.level_error import LevelError

GAUGE = LevelError(u=0.087, near=24.0)  # bar, class 0.25 of 60 bar; 40 % of its span


@given(st.floats(-60.0, 60.0))
def test_at_one_level_the_parts_combine_to_the_whole(level):
    assert math.hypot(*GAUGE.parts(np.array([level]))[:, 0]) == pytest.approx(GAUGE.u, rel=1e-12)


@pytest.mark.parametrize(("apart", "within"), [(0.0, 1e-12), (11.0, 1e-3), (24.0, 0.01), (36.0, 0.06)])
@pytest.mark.parametrize("level", [0.0, 9.0, 20.0])
def test_two_levels_are_off_alike_as_a_bell_of_their_distance(apart, within, level):
    one, other = GAUGE.parts(np.array([level, level + apart])).T
    assert one @ other / GAUGE.u**2 == pytest.approx(math.exp(-0.5 * (apart / 24.0) ** 2), abs=within)
