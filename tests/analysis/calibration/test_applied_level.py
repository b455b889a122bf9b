"""Gravity, buoyancy, column and scale limits against printed values."""

import math

import numpy as np
import pytest
from scipy import constants

from standbook.analysis.calibration.applied_level import at_sensor, gravity_at, hung_force, scale_limit
from standbook.analysis.calibration.readings_sheet import WEIGHT_CLASSES


# World Geodetic System 1984: pole confirmed from printed copies; heights derived, second-order free air from memory.
@pytest.mark.parametrize(
    ("latitude", "height", "gravity", "within"),
    [
        (90.0, 0.0, 9.8321849378, 1e-9),
        (0.0, 0.0, 9.7803253359, 1e-9),
        (45.0, 0.0, 9.806198, 6e-7),
        (45.0, 500.0, 9.804655, 6e-7),
        (35.0, 1000.0, 9.794250, 6e-7),
    ],
)
def test_normal_gravity_at_a_height(latitude, height, gravity, within):
    assert gravity_at(math.radians(latitude), height) == pytest.approx(gravity, abs=within)


# Conditions of a conventional mass, 8000 and 1.2 kg/m3: OIML D 28, confirmed; the force is derived.
def test_a_jug_of_20_kg_at_45_degrees():
    g = gravity_at(math.radians(45.0), 0.0)
    assert float(hung_force(np.array([20.0]), g)[0]) == pytest.approx(196.0945, abs=5e-5)


def test_air_of_another_density_lifts_water_more_than_steel():
    of_water = hung_force(np.ones(1), 1.0, density=1000.0, air=1.1) / hung_force(np.ones(1), 1.0, density=1000.0)
    assert float(of_water[0]) - 1.0 == pytest.approx(1e-4, rel=0.01)
    of_steel = hung_force(np.ones(1), 1.0, air=1.1) / hung_force(np.ones(1), 1.0)
    assert float(of_steel[0]) - 1.0 == pytest.approx(1.25e-5, rel=0.01)


def test_a_column_of_30_cm_of_water():
    found = at_sensor(np.array([31e5]), 998.2, constants.g, 0.30)
    assert 31e5 - float(found[0]) == pytest.approx(2940.0, abs=5.0)  # 29.4 mbar


# Trade scale of class III in service, OIML R 76 table 6 twice over: confirmed, "twice" seen in a secondary text.
@pytest.mark.parametrize(("mass", "limit"), [(5.0, 10e-3), (20.0, 20e-3), (25.0, 30e-3)])
def test_limits_of_a_scale_in_steps_of_10_g(mass, limit):
    assert scale_limit(mass, 10e-3) == pytest.approx(limit)


# OIML R 111, mg at 1, 2, 5, 10, 20 and 50 kg, as a national regulation prints them: confirmed.
@pytest.mark.parametrize(
    ("of_class", "limits"),
    [
        ("M1", (50, 100, 250, 500, 1000, 2500)),
        ("M2", (160, 300, 800, 1600, 3000, 8000)),
        ("M3", (500, 1000, 2500, 5000, 10000, 25000)),
    ],
)
def test_classes_of_weights(of_class, limits):
    for mass, limit in zip((1, 2, 5, 10, 20, 50), limits, strict=True):
        assert 1e6 * WEIGHT_CLASSES[of_class] * mass == pytest.approx(limit, rel=0.07)  # M2 is printed rounded
        assert 1e6 * WEIGHT_CLASSES[of_class] * mass >= limit * (1.0 - 1e-12)
