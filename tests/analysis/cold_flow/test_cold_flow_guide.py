"""The worked numbers of the guide's page on cold flows are those of the code."""

import math
import tomllib

import numpy as np
import pytest

from standbook.analysis.blowdown.amounts import FILM
from standbook.analysis.blowdown.record import undithered
from standbook.analysis.blowdown.weighed_amounts import DISAGREE, balance
from standbook.analysis.cold_flow.flow_instants import DETECTION
from standbook.analysis.cold_flow.observed_amounts import UNSTATED_RESIDUAL
from standbook.analysis.dataset.boil_off import BOILS, BOILS_LOAD, greatest_boil_off
from standbook.analysis.dataset.dataset import Weighing
from standbook.analysis.flow_ends.departures import Detection
from standbook.analysis.physics import fluids
from standbook.analysis.prediction import cavitation
from standbook.analysis.prediction.carry_over import FILL_APART
from standbook.daq.config.stand import Input
from standbook.daq.kinds.registry import kind_named
from tests.repository import ROOT

PAGE = (ROOT / "cli" / "guide" / "cold-flow.md").read_text(encoding="utf-8")
SAID = " ".join(PAGE.split())


def test_the_venturi_and_the_run_out():
    mass = 30e-6 * math.sqrt(2.0 * 998.2 * 0.2e5) * 10.0
    assert f"passes {mass:.3f} kg in 10 s" in SAID
    assert f"is 9.24 kg, u = {math.hypot(0.02, 0.01):.3f} kg" in SAID
    assert f"({100 * UNSTATED_RESIDUAL:g} % of the load, if not stated)" in SAID


def test_two_amounts_weighed():
    values = np.array([16.20, 16.30])
    changes = {"bucket": np.array([0.05, 0.0]), "meter": np.array([0.0, 0.10])}
    found = balance(values, changes)
    assert found.weights == pytest.approx((0.8, 0.2), rel=1e-6)
    u = math.sqrt(sum(float(np.dot(found.weights, change)) ** 2 for change in changes.values()))
    assert f"{np.dot(found.weights, values):.2f} mm², u = {u:.3f}" in SAID
    assert f"{found.birge_ratio:.1f} standard uncertainties of their difference apart" in SAID
    (far,) = balance(np.array([16.20, 16.70]), changes).pairs
    assert f"be {far.apart:.1f} apart" in SAID
    assert DISAGREE == 3.0
    assert "**more than three** apart" in SAID


def test_supply_and_steps():
    no_signal = -0.1 * 60.0 / 0.8  # 0.5 V of 5 V at zero, 0.8 of the supply for 60 bar
    assert f"no signal at {no_signal:.1f} bar(g)" in SAID
    assert f"moves 10 bar(g) by {0.001 * (10.0 - no_signal):.4f} bar" in SAID
    # Deviations as recorded, the steps' own share included.
    low, high = (undithered(0.1, math.hypot(noise, 0.1 / math.sqrt(12.0))) for noise in (0.02, 0.05))
    assert f"leave {low:.3f} bar with noise of 0.02 bar, and {high:.4f} bar with 0.05 bar" in SAID


def test_bounds():
    assert DETECTION.unsure == 0.1
    lines = Detection()
    assert f"Lines of {lines.lines[0]} to {lines.lines[-1]} s" in SAID
    assert lines.stopped == 0.5
    assert f"more than {lines.steeper} times as fast" in SAID
    assert f"{100 * FILM:g} % of the load is in u" in SAID
    chord = fluids.chord_isentropic_exponent("nitrogen", start_pressure=35e5, end_pressure=20e5, temperature=293.15)
    assert f"isentropic mean exponent {chord:.3f}, not 1.40" in SAID


def test_the_input_in_it_is_one():
    typed = tomllib.loads(PAGE.partition("```toml\n")[2].partition("```")[0])
    (row,) = typed["input"]
    assert Input.model_validate(row).venturi_cda.value == pytest.approx(30e-6)


def test_liquid_nitrogen():
    def density(kelvin):
        return fluids.density("nitrogen", pressure=10e5, temperature=kelvin)

    vapour = fluids.vapour_pressure("nitrogen", temperature=80.0)
    u = 0.5 * (density(79.5) - density(80.5))
    assert f"has {density(80.0):.1f} kg/m³, u = {u:.1f}, and boils below {vapour / 1e5:.2f} bar(a)" in SAID
    number = cavitation.cavitation_number(10e5, 4e5, vapour)
    needed = cavitation.back_pressure_needed(10e5, vapour) / 1e5
    assert f"against 4.0 bar(a) K = {number:.2f}, and {needed:.1f} bar(a) makes it 2" in SAID
    (cold, _), (warm, least) = (fluids.boiling_liquid("nitrogen", pressure=p) for p in (101325.0, 10e5))
    middle, wide = (density(cold) + least) / 2.0, (density(cold) - least) / math.sqrt(12.0)
    assert f"has {cold:.1f} to {warm:.1f} K, {middle:.0f} kg/m³ with u = {wide:.0f}" in SAID
    assert f"puts {50.0 * wide / middle:.1f} % into CdA" in SAID
    _, most = greatest_boil_off(5.0, Weighing(vented=900.0))
    assert f"lost {most / 2.0:.3f} kg, u = {most / math.sqrt(12.0):.3f}" in SAID
    assert f"{6e4 * BOILS:.0f} g/min of {BOILS_LOAD:.0f} kg (judgement)" in SAID
    assert f"(within {100.0 * FILL_APART:.0f} % of the volume)" in SAID
    least_u = kind_named("nitrogen flow").least_exponent_u
    assert f"with u of {least_u:g} or more" in SAID
