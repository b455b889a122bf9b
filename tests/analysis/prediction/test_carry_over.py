"""What a flow says of a later run: CdA, exponent, refusals, and the guide's page on them."""

import math
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.physics import fluids
from standbook.analysis.prediction.carry_over import (
    FRICTION_SHARE,
    HEAT_POWER,
    HEAT_SHARE,
    TURBULENT,
    Side,
    Ullage,
    carry_cda,
    carry_exponent,
    equivalent_reynolds,
    exponent_refusal,
    plan_lines,
    reynolds_u,
)
from standbook.analysis.prediction.cavitation import (
    CAVITATES,
    OtherFlow,
    cavitation_number,
    contraction,
    critical_number,
)
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.band_comparison import INSIDE_ENOUGH, departure
from tests.repository import ROOT

PAGE = (ROOT / "cli" / "guide" / "prediction.md").read_text(encoding="utf-8")
SAID = " ".join(PAGE.split())

CDA = Measured(16.12e-6, 0.11e-6, "m2")
WATER = Side(
    liquid="water",
    density=998.6,
    viscosity=1.052e-3,
    vapour_pressure=2.1e3,
    inlet=(9.98e5, 5.7e5),
    outlet=(0.98e5, 0.98e5),
    rounding=0.2,
)
OXYGEN = Side(
    liquid="liquid oxygen",
    density=1139.0,
    viscosity=0.191e-3,
    vapour_pressure=1.22e5,
    inlet=(32.0e5, 15.7e5),
    outlet=(23.2e5, 12.7e5),
)
FUEL = Side(
    liquid="isopropanol 70 % by mass in water",
    density=858.0,
    viscosity=None,
    vapour_pressure=None,
    inlet=(32.0e5, 15.0e5),
    outlet=(23.2e5, 12.7e5),
)
START, DRIFT = Measured(1.464, 0.018, "1"), Measured(-0.334, 0.030, "1")
OVER_WATER = Ullage(
    liquid="water",
    pressurant="nitrogen",
    end_log_ratio=0.544,
    start_pressure=10.07e5,
    duration=16.1,
    isentropic_chord=1.416,
)
OVER_FUEL = Ullage(
    liquid="isopropanol 70 % by mass in water",
    pressurant="nitrogen",
    end_log_ratio=0.591,
    start_pressure=32.0e5,
    duration=19.5,
    isentropic_chord=1.443,
)
OVER_OXYGEN = Ullage(
    liquid="liquid oxygen",
    pressurant="helium",
    end_log_ratio=0.491,
    start_pressure=32.0e5,
    duration=19.5,
    isentropic_chord=1.68,
)


def test_a_reynolds_number_is_diameter_times_speed_over_kinematic_viscosity():
    cda, rho, drop, mu = 4e-6, 1000.0, 5e5, 1e-3
    speed, diameter = math.sqrt(2.0 * drop / rho), 2.0 * math.sqrt(cda / math.pi)
    found = equivalent_reynolds(cda, density=rho, drop=drop, viscosity=mu)
    assert found == pytest.approx(rho * speed * diameter / mu, rel=1e-12)
    assert equivalent_reynolds(cda, density=rho, drop=-drop, viscosity=mu) == 0.0


def test_the_same_flow_carries_to_itself_without_a_wider_u():
    found = carry_cda(CDA, WATER, WATER)
    assert found.carried == CDA


@given(st.floats(0.01, 100.0))
def test_what_reynolds_adds_is_the_same_either_way_and_below_the_whole_friction(ratio):
    assert reynolds_u(ratio) == pytest.approx(reynolds_u(1.0 / ratio), rel=1e-9, abs=1e-15)
    assert 0.0 <= reynolds_u(ratio) < FRICTION_SHARE / 2.0


@given(st.floats(0.3, 3.0))
def test_another_density_alone_moves_no_cda_and_its_u_only_through_reynolds(factor):
    found = carry_cda(CDA, WATER, replace(WATER, density=factor * WATER.density))
    assert found.carried is not None
    assert found.carried.value == CDA.value
    # Re goes as the root of density where viscosity and drop stay
    u = math.hypot(CDA.u, reynolds_u(math.sqrt(factor)) * CDA.value)
    assert found.carried.u == pytest.approx(u, rel=1e-9)


def test_a_creeping_flow_gives_no_cda():
    oil = replace(WATER, liquid="oil", viscosity=0.1)
    found = carry_cda(CDA, oil, OXYGEN)
    assert found.carried is None
    assert "below 10,000" in found.remarks[-1]
    assert carry_cda(CDA, WATER, oil).carried is None
    assert TURBULENT == 1e4


def test_an_unknown_viscosity_is_said_and_allowed_for():
    found = carry_cda(CDA, WATER, FUEL)
    assert found.carried is not None
    assert found.reynolds_there is None
    assert found.carried.u == pytest.approx(math.hypot(CDA.u, reynolds_u(10.0) * CDA.value), rel=1e-12)
    assert "viscosity of isopropanol" in found.remarks[0]


def test_of_an_unknown_liquid_only_the_same_liquid_can_be_reached():
    assert carry_cda(CDA, FUEL, FUEL).carried == CDA
    refused = carry_cda(CDA, FUEL, OXYGEN)
    assert refused.carried is None
    assert "viscosity of isopropanol" in refused.remarks[0]


@pytest.mark.parametrize(("rounding", "stated"), [(None, "does not state"), (0.0, "a sharp inlet"), (0.02, "0.02 d")])
def test_a_flow_into_air_through_holes_that_may_run_on_vapour_is_not_carried(rounding, stated):
    found = carry_cda(CDA, replace(WATER, rounding=rounding), OXYGEN)
    assert found.carried is None
    (said,) = found.remarks
    assert "fell to 1.11" in said
    assert stated in said
    assert "Hold at least 5.0 bar(a)" in said  # K = 2 from 9.98 bar(a)


def test_rounded_holes_and_a_held_back_pressure_are_carried():
    assert carry_cda(CDA, WATER, OXYGEN).carried is not None
    assert any("rounded 0.2 d" in said for said in carry_cda(CDA, WATER, OXYGEN).remarks)
    pressed = replace(WATER, rounding=None, outlet=(5.1e5, 3.0e5))
    assert carry_cda(CDA, pressed, OXYGEN).carried is not None
    assert carry_cda(CDA, pressed, OXYGEN).remarks[1:] == ()


def test_between_full_and_vapour_a_flow_is_carried_with_a_remark():
    near = replace(WATER, rounding=None, inlet=(10.0e5, 10.0e5), outlet=(4.8e5, 4.8e5))
    found = carry_cda(CDA, near, OXYGEN)
    assert found.carried is not None
    assert "Cavitation number 1.92, near the 1.8" in found.remarks[1]


def test_another_flow_at_another_cavitation_number_earns_it():
    sharp = replace(WATER, rounding=0.0)
    agreeing = OtherFlow(number="WF-05", cavitation=1.99, cda=Measured(16.30e-6, 0.12e-6, "m2"))
    found = carry_cda(CDA, sharp, OXYGEN, others=[agreeing])
    assert found.carried is not None
    assert "WF-05 at 1.99 gave 16.30 mm2" in found.remarks[1]
    for other in (replace(agreeing, cavitation=1.5), replace(agreeing, cda=Measured(18.0e-6, 0.12e-6, "m2"))):
        assert carry_cda(CDA, sharp, OXYGEN, others=[other]).carried is None


def test_a_liquid_that_flashes_in_the_firing_is_said():
    warm = replace(OXYGEN, vapour_pressure=18.5e5)  # 131 K
    flashing = carry_cda(CDA, replace(WATER, outlet=(5.1e5, 3.0e5)), warm).remarks[-1]
    assert "flash" in flashing


def test_holes_contract_the_jet_as_remembered():
    # [Nurick1976] from memory: 1/C_c^2 = 1/0.62^2 - 11.4 r/d; by hand at r/d 0.1: 2.6015 - 1.14 = 1.4615
    assert contraction(0.0) == pytest.approx(0.62)
    assert contraction(0.1) == pytest.approx(1.4615**-0.5, rel=1e-4)
    assert contraction(0.2) == 1.0
    assert critical_number(None) == critical_number(0.0) == CAVITATES
    assert critical_number(0.2) < 1.0  # no flow has so low a number


@pytest.mark.parametrize("liquid", ["liquid oxygen", "LOX", "Liquid-Nitrogen", "ln2, saturated", "oxygen", "LNG"])
def test_a_liquefied_gas_is_cryogenic(liquid):
    assert fluids.is_cryogenic(liquid)


@pytest.mark.parametrize("liquid", ["water", "isopropanol 70 % by mass in water", "ethanol", "nitrous oxide", "flox"])
def test_a_liquid_of_the_room_is_not(liquid):
    assert not fluids.is_cryogenic(liquid)


def test_only_a_water_flow_s_exponent_is_refused_for_oxygen():
    assert exponent_refusal("oxidiser", "liquid oxygen", "water flow") is not None
    assert exponent_refusal("oxidiser", "liquid oxygen", "nitrogen flow") is None
    assert exponent_refusal("oxidiser", "liquid oxygen", "assumed") is None
    assert exponent_refusal("fuel", "ethanol", "water flow") is None


def test_an_exponent_over_water_is_not_carried_to_oxygen_unless_a_reason_is_given():
    refused = carry_exponent(
        "oxidiser", start=START, drift=DRIFT, here=OVER_WATER, there=OVER_OXYGEN, basis="water flow"
    )
    assert refused.carried is None
    assert refused.refusal is not None
    assert plan_lines(None, "", refused, "water flow", None) == ()
    reason = 'said "so"\nin a \\ note'
    given_one = carry_exponent(
        "oxidiser", start=START, drift=DRIFT, here=OVER_WATER, there=OVER_OXYGEN, basis="water flow", reason=reason
    )
    assert given_one.carried is not None
    typed = tomllib.loads("\n".join(plan_lines(None, "", given_one, "water flow", reason)))
    assert typed["exponent_override"] == 'said "so" in a \\ note'
    assert typed["exponent_basis"] == "water flow"


def test_another_gas_is_refused_as_well():
    helium = replace(OVER_FUEL, pressurant="helium")
    found = carry_exponent("fuel", start=START, drift=DRIFT, here=OVER_WATER, there=helium, basis="water flow")
    assert found.carried is None
    assert "nitrogen does not carry over to helium" in str(found.refusal)


def test_an_exponent_carried_to_its_own_tank_is_its_own_chord():
    found = carry_exponent("fuel", start=START, drift=DRIFT, here=OVER_WATER, there=OVER_WATER, basis="water flow")
    assert found.carried is not None
    assert found.carried.value == pytest.approx(1.464 - 0.334 * 0.544, abs=1e-12)


def test_lines_are_toml_that_keeps_two_digits_of_u():
    carried = carry_cda(CDA, WATER, OXYGEN).carried
    typed = tomllib.loads("\n".join(plan_lines(carried, "water flow WF-03", None, "water flow", None)))
    assert typed == {"feed_cda": "16.12 +/- 0.29 mm2", "cda_basis": "water flow WF-03"}


# --- worked numbers of the guide's page -----------------------------------------------------------------------------


def test_worked_cda():
    viscosity = fluids.viscosity("water", pressure=9.98e5, temperature=291.15)
    assert f"{1e3 * viscosity:.3f} mPa*s) and 9.0 bar" in SAID
    temperature = fluids.temperature_of("liquid oxygen", pressure=32e5, density=1139.0)
    cold = fluids.viscosity("liquid oxygen", pressure=32e5, temperature=temperature)
    assert f"{1e3 * cold:.3f} mPa*s) at 8.8 bar" in SAID
    here = equivalent_reynolds(16.12e-6, density=998.6, drop=9.0e5, viscosity=viscosity)
    there = equivalent_reynolds(16.12e-6, density=1139.0, drop=8.8e5, viscosity=cold)
    gain = reynolds_u(here / there)
    assert f"Re = {here:.2e}. Liquid" in SAID
    assert f"Re = {there:.2e}. The gain is {100 * gain:.1f} %" in SAID
    assert f"u becomes {math.hypot(0.11, gain * 16.12):.2f} mm²" in SAID
    assert f"s = {100 * FRICTION_SHARE:.0f} %" in SAID


def test_worked_cavitation():
    vapour = fluids.vapour_pressure("water", temperature=291.15)
    assert f"vapour {vapour / 1e5:.2f}: K = {cavitation_number(9.98e5, 0.98e5, vapour):.2f}" in SAID
    temperature = fluids.temperature_of("liquid oxygen", pressure=32e5, density=1139.0)
    cold = fluids.vapour_pressure("liquid oxygen", temperature=temperature)
    assert f"vapour {cold / 1e5:.2f}: K = {cavitation_number(32.0e5, 23.2e5, cold):.2f}" in SAID
    assert f"Below K = {CAVITATES:g} holes with a sharp" in SAID


def test_worked_exponent():
    found = carry_exponent("fuel", start=START, drift=DRIFT, here=OVER_WATER, there=OVER_FUEL, basis="water flow")
    assert found.carried is not None
    heat = 19.5 / 16.1 * math.cbrt(10.07 / 32.0)
    lost = 1.416 - (1.464 - 0.334 * 0.591)
    assert f"ns - n0 - c L = {lost:.3f}" in SAID
    assert f"h = {heat:.2f}" in SAID
    assert f"n = {found.carried.value:.3f}, u = {found.carried.u:.3f}" in SAID
    assert found.carried.value == pytest.approx(1.443 - lost * heat**HEAT_POWER, abs=1e-12)
    assert f"h^{HEAT_POWER:g}" in SAID
    assert f"and {100 * HEAT_SHARE:.0f} % of what heat took" in SAID


def test_worked_agreement_and_departure():
    assert f"0.08 / {math.hypot(0.40, 0.11):.2f} = {0.08 / math.hypot(0.40, 0.11):.1f}, they agree" in SAID
    one = [np.array([value]) for value in (28.85, 30.0, 29.25, 30.75)]
    assert f"{departure(*one)[0]:.2f} band half-widths below" in SAID
    assert f"for at least {100 * INSIDE_ENOUGH:.0f} % of the burn" in SAID
