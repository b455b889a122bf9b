"""Forward model against closed forms.

Derived, not published: closed forms of an ullage P V^n = P0 V0^n that drives a liquid through a fixed CdA
(to vacuum; to ambient as an incomplete beta function; n = 1 by arcsine), each checked against an adaptive
integration at 1e-12 where they were derived. Printed digits of the table: same derivation.
"""

from dataclasses import replace
from math import asin, sqrt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import beta, betainc, betaincinv

from standbook.analysis.physics.blowdown import (
    PARAMETERS,
    Discharge,
    Head,
    blowdown,
    discharge_history,
    discharge_sensitivity,
)
from standbook.daq.errors import DataError

DENSITY, CDA, START, VOLUME, END = 998.207, 2e-5, 35e5, 0.01, 0.02
AMBIENT = 101325.0
FORWARD = 1e-8  # relative, required of the forward model
JACOBIAN = 1e-5  # relative, required of its derivatives


def case(exponent: float, back_pressure: float, **changes) -> Discharge:
    basis = Discharge(
        start_pressure=START,
        ullage_volume=VOLUME,
        exponent=exponent,
        cda=CDA,
        density=DENSITY,
        back_pressure=back_pressure,
        end_volume=END,
    )
    return replace(basis, **changes)


def time_scale(volume: float = VOLUME) -> float:
    """tau = V0 / (K sqrt(P0))."""
    return volume / (CDA * sqrt(2.0 / DENSITY) * sqrt(START))


def vacuum_pressure(time, exponent):
    return START * (1 + (1 + exponent / 2) * time / time_scale()) ** (-2 * exponent / (exponent + 2))


def vacuum_empty(exponent):
    power = 1 + exponent / 2
    return time_scale() / power * ((END / VOLUME) ** power - 1)


def ambient_constants(exponent):
    whole = VOLUME * (START / AMBIENT) ** (1 / exponent)
    rate = exponent * CDA * sqrt(2.0 / DENSITY) * sqrt(AMBIENT)
    return whole / rate, 0.5 + 1 / exponent, 0.5


def ambient_pressure(time, exponent):
    scale, a, b = ambient_constants(exponent)
    return AMBIENT / betaincinv(a, b, time / scale / beta(a, b) + betainc(a, b, AMBIENT / START))


def ambient_empty(exponent):
    scale, a, b = ambient_constants(exponent)
    end = START * (VOLUME / END) ** exponent
    return scale * beta(a, b) * (betainc(a, b, AMBIENT / end) - betainc(a, b, AMBIENT / START))


@pytest.mark.parametrize("exponent", [0.3, 0.9, 1.0, 1.2, 1.4, 1.7, 2.5])
def test_pressure_follows_the_closed_form_to_vacuum(exponent):
    time = np.linspace(0.0, vacuum_empty(exponent) * (1 - 1e-12), 977)
    got = discharge_history(time, case(exponent, 0.0))
    np.testing.assert_allclose(got.pressure, vacuum_pressure(time, exponent), rtol=FORWARD)
    growth = (1 + (1 + exponent / 2) * time / time_scale()) ** (2 / (exponent + 2))
    np.testing.assert_allclose(got.volume, VOLUME * growth, rtol=FORWARD)


@pytest.mark.parametrize("exponent", [0.9, 1.0, 1.2, 1.4, 1.7, 2.5])
def test_pressure_follows_the_incomplete_beta_form_to_ambient(exponent):
    time = np.linspace(0.0, ambient_empty(exponent) * (1 - 1e-12), 977)
    got = discharge_history(time, case(exponent, AMBIENT))
    np.testing.assert_allclose(got.pressure, ambient_pressure(time, exponent), rtol=FORWARD)


def test_an_isothermal_discharge_to_ambient_takes_the_arcsine_time():
    got = discharge_history(np.linspace(0.0, 7.0, 200), case(1.0, AMBIENT))

    def primitive(pressure):
        share = AMBIENT / pressure
        return asin(sqrt(share)) - sqrt(share * (1 - share))

    scale = START * VOLUME / AMBIENT / (CDA * sqrt(2 * AMBIENT / DENSITY))
    expected = [scale * (primitive(p) - primitive(START)) for p in got.pressure]
    np.testing.assert_allclose(got.time, expected, rtol=1e-7, atol=1e-9)


# P at 2 s and 4 s [bar abs] and seconds to empty, printed digits of the derivation.
TABLE = [
    (1.0, 0.0, 7.278094433, 26.680994, 22.012728),
    (1.2, 0.0, 7.580779049, 25.368027, 20.267194),
    (1.4, 0.0, 7.899028393, 24.147191, 18.713282),
    (1.0, AMBIENT, 7.444842769, 26.781940, 22.153750),
    (1.2, AMBIENT, 7.772245350, 25.484024, 20.425952),
    (1.4, AMBIENT, 8.119690012, 24.276955, 18.887579),
]


@pytest.mark.parametrize(("exponent", "back", "empty", "at_2", "at_4"), TABLE)
def test_the_table_is_met_to_its_printed_digits(exponent, back, empty, at_2, at_4):
    discharge = case(exponent, back)
    got = discharge_history(np.array([2.0, 4.0, empty - 1e-8, empty + 1e-8]), discharge)
    np.testing.assert_allclose(got.pressure[:2] / 1e5, [at_2, at_4], rtol=0.0, atol=6e-7)
    assert np.isfinite(got.pressure[2])
    assert np.isnan(got.pressure[3]), "after the liquid is out nothing is said"
    assert np.isnan(got.flow[3])
    assert got.pressure[2] == pytest.approx(START * 0.5**exponent, rel=1e-7)


def test_the_first_flow_is_that_of_the_start_pressure():
    got = blowdown(
        np.array([-1.0, 1e-9]),
        start_pressure=START,
        ullage_volume=VOLUME,
        exponent=1.2,
        cda=CDA,
        density=DENSITY,
        back_pressure=0.0,
        end_volume=END,
    )
    assert got.flow[0] == 0.0
    assert got.pressure[0] == START
    assert got.flow[1] == pytest.approx(1.674822205e-3, rel=1e-8)  # printed Q0, derived


@given(drift=st.floats(-0.6, 0.3), exponent=st.floats(0.8, 2.0), share=st.floats(0.0, 1.0))
def test_pressure_and_volume_obey_the_local_law(drift, exponent, share):
    got = discharge_history(np.array([share * 5.0]), case(exponent, AMBIENT, exponent_drift=drift))
    L = np.log(got.volume / VOLUME)
    np.testing.assert_allclose(np.log(got.pressure / START), -(exponent * L + drift * L**2), atol=1e-12)


@given(scale=st.floats(0.2, 8.0))
def test_scaling_pressures_with_the_density_leaves_the_times(scale):
    discharge = case(1.3, AMBIENT)
    time = np.linspace(0.0, 6.0, 40)
    changed = replace(discharge, start_pressure=START * scale, back_pressure=AMBIENT * scale, density=DENSITY * scale)
    np.testing.assert_allclose(
        discharge_history(time, changed).pressure,
        scale * discharge_history(time, discharge).pressure,
        rtol=1e-10,
    )


@given(shift=st.floats(-1e3, 1e3))
def test_a_later_opening_shifts_the_whole_curve(shift):
    time = np.linspace(0.0, 6.0, 40)
    base = discharge_history(time, case(1.3, AMBIENT, stroke=0.2))
    moved = discharge_history(time + shift, case(1.3, AMBIENT, stroke=0.2, opening_time=shift))
    np.testing.assert_allclose(moved.pressure, base.pressure, rtol=1e-9)


def test_a_slow_valve_is_late_by_half_its_stroke_and_nothing_else():
    time = np.linspace(0.5, 6.0, 50)
    sharp = discharge_history(time, case(1.3, AMBIENT, opening_time=0.2))
    slow = discharge_history(time, case(1.3, AMBIENT, opening_time=0.2, stroke=0.4))
    np.testing.assert_allclose(slow.pressure, sharp.pressure, rtol=1e-12)


def test_the_liquid_expelled_while_the_valve_opens_is_the_integral_of_its_flow():
    time = np.linspace(0.0, 0.5, 20001)
    got = discharge_history(time, case(1.3, AMBIENT, opening_time=0.25, stroke=0.4))
    assert np.trapezoid(got.flow, time) == pytest.approx(got.volume[-1] - VOLUME, rel=1e-7)


def test_head_adds_to_the_drive_and_fades_as_the_liquid_falls():
    head = Head(start_height=2.0, area=0.02)
    time = np.linspace(0.0, 6.0, 30001)
    got = discharge_history(time, case(1.3, AMBIENT, head=head))
    height = 2.0 - (got.volume - VOLUME) / 0.02
    drive = got.pressure - AMBIENT + DENSITY * 9.80665 * height
    np.testing.assert_allclose(got.flow[1:], CDA * np.sqrt(2 * drive[1:] / DENSITY), rtol=1e-12)
    # the volume is the integral of that flow: trapezoid error h²/12 Q' is 1e-10 of it here
    assert np.trapezoid(got.flow[1:], time[1:]) == pytest.approx(got.volume[-1] - got.volume[1], rel=1e-8)


FIELDS = {name: "cda" if name == "log_cda" else name for name in PARAMETERS}


@pytest.mark.parametrize("name", PARAMETERS)
@pytest.mark.parametrize("stroke", [0.0, 0.2])
def test_every_sensitivity_agrees_with_a_fourth_order_difference(name, stroke):
    discharge = case(1.4, AMBIENT, exponent_drift=-0.3, head=Head(0.5, 0.03), opening_time=0.3, stroke=stroke)
    time = np.linspace(0.05, 6.5, 130)
    time = time[np.abs(np.abs(time - 0.3) - stroke / 2) > 0.02]  # a difference across a corner has no limit
    value = getattr(discharge, FIELDS[name])
    step = 1e-3 if name in ("opening_time", "log_cda", "exponent", "exponent_drift") else 1e-3 * value

    def shifted(by):
        changed = value * np.exp(by) if name == "log_cda" else value + by
        moved = replace(discharge, **{FIELDS[name]: changed})
        moved = replace(moved, end_volume=moved.ullage_volume + END - VOLUME)
        return discharge_sensitivity(time, moved)[:2]

    plus2, plus, minus, minus2 = (shifted(k * step) for k in (2, 1, -1, -2))
    pressure, expelled, jacobian = discharge_sensitivity(time, discharge)
    assert pressure[-1] == pytest.approx(discharge_history(time[-1:], discharge).pressure[0], rel=1e-14)
    assert expelled[-1] == pytest.approx(discharge_history(time[-1:], discharge).volume[0] - VOLUME, rel=1e-12)
    column = PARAMETERS.index(name)
    for got, which in ((jacobian.pressure, 0), (jacobian.expelled_volume, 1)):
        expected = (minus2[which] - 8 * minus[which] + 8 * plus[which] - plus2[which]) / (12 * step)
        np.testing.assert_allclose(got[:, column], expected, atol=JACOBIAN * np.abs(expected).max())


def test_start_pressure_cda_and_opening_are_one_curve_without_a_static_reading():
    """P0' with CdA' = CdA (P0'/P0)^(1/n) and an earlier opening draws the same curve (no head)."""
    discharge = case(1.3, AMBIENT)
    time = np.linspace(0.0, 5.0, 60)
    higher = START * 1.1
    ratio = (higher / START) ** (1 / 1.3)
    # the gas first falls from P0' to P0: the volume there is V0 r, that of the old start scaled by r
    twin = replace(discharge, start_pressure=higher, cda=CDA * ratio, end_volume=END * ratio)
    fine = np.linspace(0.0, 2.0, 200001)
    early = np.interp(-START, -discharge_history(fine, twin).pressure, fine)
    got = discharge_history(time + early, twin)
    np.testing.assert_allclose(got.pressure, discharge_history(time, discharge).pressure, rtol=1e-8)


def test_a_drive_that_ends_before_the_end_volume_is_refused():
    with pytest.raises(DataError, match="driving pressure is gone"):
        discharge_history(np.array([1.0]), case(1.4, 20e5))


@pytest.mark.parametrize("name", ["start_pressure", "ullage_volume", "cda", "density"])
def test_values_that_must_be_positive_are_checked(name):
    with pytest.raises(ValueError, match=f"{name} = 0.0 must be positive"):
        discharge_history(np.array([1.0]), replace(case(1.4, 0.0), **{name: 0.0}))


def test_an_end_volume_below_the_ullage_is_refused():
    with pytest.raises(ValueError, match="must be above the ullage volume"):
        discharge_history(np.array([1.0]), case(1.4, 0.0, end_volume=VOLUME))
