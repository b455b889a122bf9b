"""Geometry and ringing: what the cell feels of thrust and weight."""

import math

import numpy as np
import pytest

from standbook.analysis.simulation.structure import applied_force, cell_force, ring
from standbook.daq.config.stand import Stand
from standbook.daq.config.toml_document import parse_document
from tests.analysis.scenario_fixture import COLD

TIME = np.arange(0.0, 3.0, 1.0 / 4000.0)
WEIGHT = 75.0 * 9.80665


def stand(nozzle, tanks_on_cell):
    text = f"""
name = "simulated"
nozzle = "{nozzle}"
tanks_on_cell = {str(tanks_on_cell).lower()}
moving_mass = "75 kg"
[[device]]
name = "box"
[[input]]
device = "box"
wire = "a"
tag = "LC-1"
measures = "thrust"
kind = "counts"
"""
    return parse_document(text, Stand, "stand.toml")


@pytest.mark.parametrize(
    ("nozzle", "tanks_on_cell", "before", "after"),
    [
        ("down", True, -WEIGHT, 2000.0 - WEIGHT + 17.0 * 9.80665),
        ("up", True, WEIGHT, 2000.0 + WEIGHT - 17.0 * 9.80665),
        ("horizontal", True, 0.0, 2000.0),
        ("down", False, -WEIGHT, 2000.0 - WEIGHT),
        ("up", False, WEIGHT, 2000.0 + WEIGHT),
    ],
)
def test_weight_enters_by_geometry(nozzle, tanks_on_cell, before, after):
    force = applied_force(stand(nozzle, tanks_on_cell), COLD, np.array([0.0, 2000.0]), np.array([0.0, 17.0]))
    assert force == pytest.approx([before, after])


def test_a_steady_force_passes_unchanged():
    force = np.full(TIME.size, 1234.5)
    assert ring(TIME, force, np.full(TIME.size, 41.0), 0.02) == pytest.approx(force, rel=1e-12)


def test_a_step_answers_with_the_closed_form():
    # 1 - exp(-zeta w t) (cos wd t + zeta/sqrt(1-zeta²) sin wd t): step response of the oscillator.
    zeta, omega = 0.02, 2.0 * math.pi * 41.0
    damped = omega * math.sqrt(1.0 - zeta**2)
    force = np.where(TIME > 0.0, 1000.0, 0.0)
    start = TIME[1] / 2.0  # between samples the force is straight: the step is a ramp about its middle
    t = np.clip(TIME - start, 0.0, None)
    exact = 1000.0 * (
        1.0 - np.exp(-zeta * omega * t) * (np.cos(damped * t) + zeta / math.sqrt(1.0 - zeta**2) * np.sin(damped * t))
    )
    found = ring(TIME, force, np.full(TIME.size, 41.0), zeta)
    assert np.max(np.abs(found - exact)[4:]) < 2.0  # the ramp's own smoothing: (w dt)²/24 of the step
    assert found.max() == pytest.approx(1000.0 * (1.0 + math.exp(-math.pi * zeta / math.sqrt(1.0 - zeta**2))), rel=1e-3)


def test_ringing_has_no_impulse():
    thrust = np.where((TIME > 0.5) & (TIME < 1.5), 2000.0, 0.0)
    felt = ring(TIME, thrust, np.full(TIME.size, 41.0), 0.03)
    assert np.trapezoid(felt, TIME) == pytest.approx(np.trapezoid(thrust, TIME), rel=1e-5)


def test_frequency_rises_as_mass_leaves_without_a_jump():
    expelled = np.linspace(0.0, 17.0, TIME.size)
    force = applied_force(stand("down", True), COLD, np.zeros(TIME.size), expelled)
    felt = cell_force(stand("down", True), COLD, TIME, force, expelled)
    # Nothing excites it but a slowly leaving weight, so the cell follows the weight.
    assert np.max(np.abs(felt - force)) < 0.01 * (force[-1] - force[0])
    kicked = force + np.where(TIME > 2.5, 1000.0, 0.0)
    rest = (cell_force(stand("down", True), COLD, TIME, kicked, expelled) - kicked)[TIME > 2.51]
    crossings = np.flatnonzero(np.diff(np.sign(rest)))
    period = 2.0 * (crossings[-1] - crossings[0]) / (crossings.size - 1) / 4000.0
    assert 1.0 / period == pytest.approx(41.0 * math.sqrt(75.0 / (75.0 - 15.6)), rel=0.01)
