"""A few of the drawn stands of the honesty study: numbers come out, near the truth by their own u and the bound."""

import numpy as np
import pytest

from tests.studies.flow_honesty import AMOUNTS, GASES, draw_spec, pooled, run


@pytest.fixture(scope="module")
def outcomes():
    return [run(seed) for seed in (4, 5, 8, 9, 11, 16)]


@pytest.mark.slow
def test_u_is_neither_narrow_nor_bloated(outcomes):
    """Chi-square of six lies between 0.38 and 22.5 in 998 of 1000 cases."""
    for found in pooled(outcomes):
        assert found.count == 6
        assert np.sqrt(0.38 / 6) < found.spread < np.sqrt(22.5 / 6)
        assert 0.8 < found.over_bound < 1.3


def test_the_drawn_stands_span_what_they_should():
    specs = [draw_spec(seed) for seed in range(300)]
    assert {s.gas for s in specs} == set(GASES)
    assert {kind for s in specs for kind in s.amounts} == set(AMOUNTS)
    for name, low, high in (
        ("volume", 5e-3, 60e-3),
        ("ratio", 1.2, 3.5),
        ("start_pressure", 10e5, 60e5),
        ("duration", 2.0, 60.0),
        ("rate", 50.0, 10e3),
        ("bits", 10, 24),
    ):
        values = np.array([getattr(s, name) for s in specs])
        assert low <= values.min() < low + 0.1 * (high - low)
        assert high - 0.1 * (high - low) < values.max() <= high
    assert 0.4 < np.mean([s.correlated > 0.0 for s in specs]) < 0.6
