"""Total impulse of a measured record: closed forms of a trapezoid pulse and of a half-sine in N steps.

Derived: F (hold + (rise + fall) / 2); trapezoid rule over a half-sine falls short by (pi / 2N) cot(pi / 2N).
Vacuum adds expansion ratio x throat area x ambient pressure x time of flow ([Sutton] ch. 2, confirmed).
"""

import math
from functools import cache

import numpy as np
import pytest

from standbook.analysis.kinds.registry import analyse
from tests.published.closed_form import Ullage
from tests.published.made_records import AMBIENT, PUT_BACK, firing_record, tank_note

THROAT, EXPANSION = 0.032, 3.4
GAS = Ullage(32e5, 0.0147, 1.3, 16.2e-6, 1000.0)


def results_of(time, force):
    """Analyse a firing of which the cell alone was recorded, on its side."""
    notes = tuple(tank_note(name, GAS, 8.0, 0.1) for name in ("oxidiser", "fuel"))
    return analyse(firing_record(time, {"LC-1": force}, notes, nozzle="horizontal", left={}, throat=THROAT)).results


@cache
def trapezoid():
    """5000 N, rise 0.2 s, hold 6.0 s, fall 0.5 s."""
    time = np.arange(-5.0, 15.0, 1e-3)
    return results_of(time, np.interp(time, [1.0, 1.2, 7.2, 7.7], [0.0, 5000.0, 5000.0, 0.0]))


def test_a_trapezoid_pulse_has_31750_newton_seconds():
    # two counts of noise at 24 bits, 2 mN, over 20 s: some 0.1 mN*s
    assert trapezoid().impulse.value == pytest.approx(31_750.0 * PUT_BACK, abs=1e-3)


def test_from_ten_to_ten_percent_it_lasts_6_63_seconds():
    assert trapezoid().burn_time.value == pytest.approx(6.63, abs=2e-5)


def test_vacuum_adds_what_the_air_took_off_the_exit():
    by_hand = 3.4 * 3.14159265 / 4.0 * 0.032**2 * 101_325.0 * 6.63  # 1,836.96 N*s
    added = trapezoid().impulse_vacuum.value - trapezoid().impulse.value
    assert AMBIENT == 101_325.0
    assert added == pytest.approx(by_hand, rel=1e-6)


@pytest.mark.parametrize(("rate", "seconds", "ratio"), [(100.0, 1.0, 0.999917752), (1000.0, 1.0, 0.999999178)])
def test_a_half_sine_falls_short_by_its_steps(rate, seconds, ratio):
    time = np.arange(round(-5 * rate), round(15 * rate)) / rate
    found = results_of(time, 5000.0 * np.sin(math.pi * np.clip(time / seconds, 0.0, 1.0)))
    # noise of 2 mN in 100 steps of 10 ms: 2e-3 * 0.01 * 10 of 3183 N*s is 6e-8; a fifth of what a step too few would do
    assert found.impulse.value / (5000.0 * PUT_BACK * seconds * 2.0 / math.pi) == pytest.approx(ratio, abs=1e-7)
