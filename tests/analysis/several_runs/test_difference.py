"""Two runs apart: what made both errors cancels, and sameness is shown or not said."""

import math

import pytest

from standbook.analysis.several_runs.difference import compared, difference_u

PARTS = {"own": 0.15, "cell": 0.40}  # %


def test_what_made_both_errors_cancels():
    assert difference_u(PARTS, PARTS, frozenset({"cell"})) == pytest.approx(0.15 * math.sqrt(2.0))  # 0.21 %
    assert difference_u(PARTS, PARTS, frozenset()) == pytest.approx(0.6042, abs=5e-5)  # 0.60 %


def test_an_impulse_of_independent_and_common_parts():
    # 9.1 and 166.9 N*s: U of a difference is 26 N*s with and 473 without what cancels
    parts = {"own": 9.1, "cell": 166.9}
    assert 2.0 * difference_u(parts, parts, frozenset({"cell"})) == pytest.approx(26.0, abs=0.5)
    assert 2.0 * difference_u(parts, parts, frozenset()) == pytest.approx(473.0, abs=0.5)


def test_a_common_source_leaves_by_how_much_it_differs():
    common = frozenset({"reference"})
    assert difference_u({"reference": 3.0}, {"reference": 3.5}, common) == pytest.approx(0.5)
    assert difference_u({"reference": 3.0}, {"reference": -3.0}, common) == pytest.approx(6.0)  # it moves them apart
    assert difference_u({"reference": 3.0}, {}, common) == pytest.approx(3.0)
    assert difference_u({"a": 3.0}, {"b": 4.0}, frozenset()) == pytest.approx(5.0)


@pytest.mark.parametrize(
    ("difference", "u", "word"),
    [
        (0.0, 0.2, "same"),
        (0.67, 0.2, "same"),  # 0.67 + 1.645 x 0.2 = 0.999
        (0.68, 0.2, "changed"),  # no longer inside the margin, and beyond 1.96 u
        (-0.68, 0.2, "changed"),
        (0.0, 0.7, "not told apart"),  # 1.645 x 0.7 passes the margin
        (1.3, 0.7, "not told apart"),  # 1.372 are asked for
        (1.4, 0.7, "changed"),
        (0.99, 0.01, "changed"),
    ],
)
def test_words(difference, u, word):
    found = compared(100.0, 100.0 + difference, u)
    assert found.says == word
    assert (found.value, found.u) == (pytest.approx(difference), u)


def test_the_margin_is_a_share_of_the_first():
    assert compared(32_573.0, 32_163.0, 13.0).says == "changed"
    assert compared(16.32, 16.37, 0.205).says == "not told apart"  # 0.05 mm2 of U 0.41
    assert compared(-100.0, -100.2, 0.1).says == "same"
    assert compared(100.0, 103.0, 0.5, margin=0.05).says == "same"
    assert compared(100.0, 103.0, 0.5).says == "changed"
