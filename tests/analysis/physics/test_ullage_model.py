"""A lump of gas over leaving liquid: limits with a closed form, and that a slow valve is seen where theory has it."""

import math
from dataclasses import replace

import numpy as np
import pytest

from standbook.analysis.diagnosis.flow_evidence import shape
from standbook.analysis.physics import fluids
from standbook.analysis.physics.blowdown import blowdown
from standbook.analysis.physics.ullage_model import Faults, Vessel, courses, gas_at, middle_after_seen

VESSEL = Vessel(
    ullage_volume=0.020,
    section=math.pi / 4.0 * 0.23**2,
    density=998.2,
    back_pressure=1e5,
    start_pressure=35e5,
    expelled_mass=9.5,
    length=10.0,
    head=None,
    load=9.98,
    reads_zero_at=1e5,
)
TIMES = np.linspace(0.05, 9.95, 120)


@pytest.fixture(scope="module")
def gas():
    return gas_at("nitrogen", start_pressure=35e5, end_pressure=21e5, temperature=293.15)


def run(gas, **faults):
    healthy = Faults.none(1, heat=0.0, stroke=1e-3)
    changed = replace(healthy, **{name: np.array([value]) for name, value in faults.items()})
    return courses(VESSEL, gas, changed)


def exponents(found):
    still = found.time < -0.2
    start = np.polyfit(found.time[still], found.reading[0, still], 1)[1]
    pressure = np.interp(TIMES, found.time, found.reading[0])[np.newaxis]
    return shape(TIMES, pressure, np.array([start]), VESSEL)[0, :2]


def test_without_heat_the_exponents_are_those_of_the_real_gas(gas):
    """The library's isentrope of nitrogen at 293 K from 35 bar: 1.459 at the start."""
    start, chord = exponents(run(gas))
    end = 35e5 * math.exp(-chord * math.log1p(9.5 / 998.2 / 0.020))
    known = fluids.chord_isentropic_exponent("nitrogen", start_pressure=35e5, end_pressure=end, temperature=293.15)
    assert chord == pytest.approx(known, abs=0.004)
    assert start == pytest.approx(1.459, abs=0.006)


def test_the_course_is_that_of_the_forward_model(gas):
    found = run(gas)
    start, chord = exponents(found)
    length = math.log1p(9.5 / 998.2 / 0.020)
    other = blowdown(
        TIMES,
        start_pressure=35e5,
        ullage_volume=0.020,
        exponent=start,
        exponent_drift=(chord - start) / length,
        cda=float(found.cda[0]),
        density=998.2,
        back_pressure=1e5,
        end_volume=0.032,
    )
    # The step of 0.075 s is what is left.
    assert np.interp(TIMES, found.time, found.reading[0]) == pytest.approx(other.pressure, rel=1.5e-3)


def test_a_regulator_that_makes_all_good_leaves_nothing_to_see(gas):
    assert exponents(run(gas, held=1.0)) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_a_leak_empties_a_shut_tank_as_its_share_says(gas):
    """Choked without heat: ln p falls by n times the share of the mass that is lost."""
    found = run(gas, leak=0.01)
    still = found.time < -0.2
    slope = np.polyfit(found.time[still], np.log(found.reading[0, still]), 1)[0]
    assert slope == pytest.approx(-1.459 * 0.01, rel=0.03)


def test_the_weighed_mass_leaves_whatever_is_wrong(gas):
    """CdA is that of mass and pressure, also where the gas is fed, heated or noted wrong."""
    for faults in ({"leak": 0.01}, {"feed": 0.005}, {"heat": 3.0}, {"volume": 0.2}, {"creep": -0.03}):
        found = run(gas, **faults)
        flow = (found.time >= 0.0) & (found.time <= 10.0)
        at = np.linspace(0.0, 10.0, 2001)
        opening = 1.0 + faults.get("creep", 0.0) * at
        root = np.sqrt(2.0 * (np.interp(at, found.time[flow], found.reading[0, flow]) - 1e5) / 998.2)
        left = 998.2 * float(found.cda[0]) * np.trapezoid(opening * root, at)
        assert left == pytest.approx(9.5, rel=0.01), faults


def test_the_middle_of_a_quick_stroke_is_where_it_is_seen():
    late = middle_after_seen(np.array([0.05, 0.3, 1.0, 1.5, 2.0]))
    assert late[:2] == pytest.approx([0.0, 0.0], abs=2e-3)
    assert np.all(np.diff(late) >= 0.0)
    assert late[-1] < 1.0
