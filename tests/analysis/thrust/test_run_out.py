"""A chamber's fading tells when all of the liquid that ended would have gone at full flow.

The chambers here burn two liquids whose flows are given, with a characteristic velocity that may fall as one of them
fails: their pressure is made forward, so that the end is known by summing the liquid's flow.
"""

from types import SimpleNamespace

import numpy as np
import pytest

from standbook.analysis.thrust.run_out import FILLING, fading_of
from tests.repository import ROOT

PAGE = (ROOT / "cli" / "guide" / "analysis.md").read_text(encoding="utf-8")
TIME = np.arange(0.0, 12.0, 2e-3)
FULL, AIR = 20e5, 1e5  # Pa
FIRST_GAS, SHARE = 8.0, 0.4  # s; of the liquid that ends in all that flows


def flow_left(lasting, exponent):
    """Share of its full flow that a liquid keeps: all until the first gas, nothing ``lasting`` later."""
    return np.clip(1.0 - (TIME - FIRST_GAS) / lasting, 0.0, 1.0) ** exponent * (TIME > FIRST_GAS) + (TIME <= FIRST_GAS)


def chamber(left, *, worse=0.0, out=0.15):
    """A chamber that burns the worse the less of one liquid it gets, and goes out where hardly any comes."""
    burns = (1.0 - worse * (1.0 - left)) * (left > out)
    pressure = FULL * (1.0 - 0.02 * TIME) * (1.0 - SHARE + SHARE * left) * burns
    pressure = np.maximum(pressure, AIR)
    return SimpleNamespace(known=lambda: (TIME, pressure))


def end_of(left):
    return FIRST_GAS + float(np.trapezoid(left[TIME > FIRST_GAS], TIME[TIME > FIRST_GAS]))


def seen(left, *, u=0.02, first_gas=FIRST_GAS, **burning):
    return fading_of(chamber(left, **burning), first_gas, u, opened=0.0, share=SHARE)


@pytest.mark.parametrize("worse", [0.0, 0.3, 0.6])
@pytest.mark.parametrize("exponent", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("lasting", [0.1, 0.4, 1.2])
def test_the_end_lies_within_two_u_of_the_sum_of_what_flowed(lasting, exponent, worse):
    left = flow_left(lasting, exponent)
    found = seen(left, worse=worse)
    assert abs(found.time - end_of(left)) < 2.0 * found.u
    assert FILLING <= found.u < 0.3 * lasting + FILLING


def test_the_guide_s_example_comes_out():
    even = np.clip(1.0 - (TIME - FIRST_GAS) / 0.5, 0.0, 1.0)  # what the chamber holds
    found = fading_of(SimpleNamespace(known=lambda: (TIME, FULL * even)), FIRST_GAS, 0.02, opened=0.0, share=SHARE)
    assert (found.time - FIRST_GAS, found.u) == (pytest.approx(0.175, abs=2e-3), pytest.approx(0.078, abs=1e-3))
    assert "lies 0.175 s after" in PAGE
    assert "= 0.078 s" in PAGE


def test_it_begins_with_the_fall_and_is_out_with_the_last_of_it():
    found = seen(flow_left(0.5, 1.0))
    assert FIRST_GAS <= found.begun < FIRST_GAS + 0.2
    assert found.out == pytest.approx(FIRST_GAS + 0.85 * 0.5, abs=0.03)  # where it goes out above


def test_a_first_gas_that_was_placed_late_is_found_all_the_same():
    left = flow_left(0.8, 1.0)
    late = seen(left, first_gas=FIRST_GAS + 0.3, u=0.15)
    assert late.time == pytest.approx(seen(left).time, abs=0.02)


def test_a_chamber_that_burns_on_tells_nothing():
    assert seen(np.ones(TIME.size)) is None
    assert seen(flow_left(0.4, 1.0), first_gas=TIME[-1]) is None
