"""Curves of two runs over each other: shifted by their own instants, subtracted only where both are."""

import numpy as np
import pytest

from standbook.analysis.campaign_page.curve_pairs import curve_pairs
from standbook.analysis.results.curves import Curve


def curve(start, end, level, unit="N"):
    time = np.linspace(start, end, 201)
    return Curve(time, {"mean": level + 10.0 * time}, unit)


def test_the_second_run_is_moved_by_its_own_instant_and_subtracted_where_both_are():
    first = {"thrust": curve(0.0, 10.0, 100.0), "ullage/fuel": curve(0.0, 1.0, 0.0, "1")}
    second = {"thrust": curve(2.0, 8.0, 85.0), "ullage/fuel": curve(0.0, 1.0, 0.0, "1"), "load cell": curve(0, 1, 0.0)}
    (pair,) = curve_pairs((first, 0.0), (second, 1.5))
    assert pair.name == "thrust"
    at, moved = pair.difference
    assert (at[0], at[-1]) == (pytest.approx(0.5), pytest.approx(6.5))
    # both rise by 10 a second; 1.5 s later the second has 15 more, from a level 15 lower
    np.testing.assert_allclose(moved, 0.0, atol=1e-9)
    (plain,) = curve_pairs((first, 0.0), (second, 0.0))
    np.testing.assert_allclose(plain.difference[1], -15.0, atol=1e-9)
