"""Engine numbers and weight correction of a whole firing whose tanks, chamber and thrust are a closed form.

Two tanks against a fixed share of their own pressure empty as into a vacuum with K sqrt(1 - share); derived. c*, Isp
and O/F by their definitions (c*: [ECSS-E-ST-35C], confirmed; Isp: [Sutton] ch. 2, confirmed) from that form over the
very interval that the analysis names. Weight: the liquid's course is known, so thrust is put back to a known integral.
"""

import numpy as np
import pytest

from tests.published.fixed_share_firing import (
    AREA,
    CF,
    EXPANSION,
    EXPONENT,
    TANKS,
    course,
    results_of,
)
from tests.published.fixed_share_firing import G as GRAVITY
from tests.published.made_records import AMBIENT, PUT_BACK

NOZZLES = ("down", "up", "horizontal")


@pytest.mark.slow
def test_engine_numbers_are_those_of_the_interval():
    true, engine = course(), results_of("horizontal").engine
    start, end = engine.window
    assert 0.5 < start < 1.5
    assert 8.0 < end < 9.0
    masses, pressure = true.mass_between(start, end), true.chamber_integral(start, end)
    impulse = PUT_BACK * AREA * (CF * pressure - EXPANSION * AMBIENT * (end - start))
    total = sum(masses.values())
    # instants good to some milliseconds of nine seconds: 0.05 % of what left
    assert engine.cstar.value == pytest.approx(AREA * pressure / total, rel=1e-3)
    assert engine.isp.value == pytest.approx(impulse / total / GRAVITY, rel=1e-3)
    # no mass in it: quadrature alone, and one row at either end
    assert engine.thrust_coefficient.value == pytest.approx(impulse / (AREA * pressure), rel=2e-4)
    # one clock for both tanks: their ratio is that of K rho
    rates = {name: gas.rate * gas.density for name, gas in TANKS.items()}
    assert masses["oxidiser"] / masses["fuel"] == pytest.approx(rates["oxidiser"] / rates["fuel"], rel=1e-12)
    assert engine.mixture_ratio.value == pytest.approx(rates["oxidiser"] / rates["fuel"], rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("side", TANKS)
def test_area_and_exponent_of_both_tanks_come_back(side):
    found, gas = results_of("horizontal").tanks[side], TANKS[side]
    assert found.cda.value == pytest.approx(gas.cda, rel=2e-3)
    assert found.exponent.chord.value == pytest.approx(EXPONENT, abs=0.01)


@pytest.mark.slow
@pytest.mark.parametrize("nozzle", NOZZLES)
def test_thrust_is_put_back_to_what_it_was(nozzle):
    true, found = course(), results_of(nozzle)
    impulse = PUT_BACK * float(np.trapezoid(true.thrust, true.time))
    # weight moved by 101 N, 495 N*s in all; the share that has left follows flows that are good to 0.4 %
    assert found.impulse.value == pytest.approx(impulse, rel=1e-4)
    assert found.weight_correction.applied is (nozzle != "horizontal")


@pytest.mark.slow
def test_the_correction_is_the_weight_that_had_not_left():
    """Linear between the zeros it would be half the step; what is taken off is the integral of the leaving weight."""
    true = course()
    gone = sum(true.gone.values()) * GRAVITY
    inside = (true.time >= results_of("down").window.start) & (true.time <= results_of("down").window.end)
    leaving = float(np.trapezoid(gone[inside], true.time[inside]))
    for nozzle, sign in (("down", -1.0), ("up", 1.0)):
        assert results_of(nozzle).weight_correction.impulse == pytest.approx(sign * leaving, rel=2e-3)


@pytest.mark.slow
def test_without_air_outside_thrust_is_the_coefficient_times_chamber_pressure():
    true = course()
    chamber = float(np.trapezoid(true.chamber * (true.open_share > 0.0), true.time))
    # thrust stands above zero only where it exceeds the air's push: some 10 ms of either stroke, 0.07 % of the burn
    assert results_of("down").impulse_vacuum.value == pytest.approx(AREA * CF * chamber, rel=1e-3)
