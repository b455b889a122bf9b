"""Specific impulse against two printed examples of a textbook.

[Sutton] example 2-1, from memory: 200 kg become 130 kg in 3.0 s at 240 s, with g = 9.81 m/s²: 240 x 9.81 x 70 = 164,808
N*s. The standard 9.80665 (confirmed: [AMS55]) makes 240.082 s of the same impulse. Example 3-2, from memory: 1827 N for
each kg/s are printed as 186 s.
"""

import pytest

from standbook.analysis.physics.performance import isp
from standbook.analysis.results.quantities import Measured


def test_example_2_1_is_exact_once_its_gravity_is_known():
    found = isp(Measured(240.0 * 9.81 * (200.0 - 130.0), 1648.08, "N*s"), Measured(70.0, 0.7, "kg"))
    assert found.value == pytest.approx(240.0 * 9.81 / 9.80665, rel=1e-14)
    assert found.value == pytest.approx(240.082, abs=5e-4)
    assert found.u / found.value == pytest.approx(0.01 * 2.0**0.5, rel=1e-12)


def test_example_3_2_is_met_to_its_printed_digits():
    assert round(isp(Measured(1827.0, 1.0, "N*s"), Measured(1.0, 1e-3, "kg")).value) == 186
