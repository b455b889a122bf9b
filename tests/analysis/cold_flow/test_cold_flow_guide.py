"""The worked numbers of the guide's page on cold flows are those of the code."""

import math
import tomllib

import numpy as np
import pytest

from standbook.analysis.blowdown.record import undithered
from standbook.analysis.blowdown.weighed_amounts import DISAGREE, balance
from standbook.analysis.cold_flow.flow_instants import DETECTION
from standbook.analysis.cold_flow.observed_amounts import FILM, UNSTATED_RESIDUAL
from standbook.analysis.flow_ends.departures import Detection
from standbook.analysis.physics import fluids
from standbook.daq.config.stand import Input
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
