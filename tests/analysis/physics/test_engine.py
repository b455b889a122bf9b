"""Chamber equilibrium and performance relations against closed forms and invariances."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import constants

from standbook.analysis.physics.engine import (
    Chamber,
    CstarTable,
    Side,
    chamber_equilibrium,
    critical_pressure_ratio,
)

RATIOS = np.array([0.9, 1.0, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 2.0])
CSTAR = np.array([1493.6, 1554.2, 1600.6, 1633.2, 1650.3, 1652.9, 1646.9, 1636.8, 1624.9, 1612.2, 1586.4])
PSI, LB = constants.psi, constants.lb


def chamber(**changes):
    values = {
        "throat_area": math.pi / 4.0 * 0.032**2,
        "expansion_ratio": 3.4,
        "mixture_ratios": RATIOS,
        "characteristic_velocities": CSTAR,
        "cstar_efficiency": 0.92,
        "vacuum_thrust_coefficient": 1.595,
        "thrust_coefficient_efficiency": 0.96,
        "ambient_pressure": 97.8e3,
    } | changes
    arrays = {k: np.asarray(v, dtype=float) for k, v in values.items()}
    table = CstarTable.of(arrays.pop("mixture_ratios"), arrays.pop("characteristic_velocities"))
    return Chamber(ideal_cstar=table, **arrays)


def side(**changes):
    values = {
        "volume": 24e-3,
        "load": 10.66,
        "residual": 0.1,
        "density": 1139.0,
        "start_pressure": 32e5,
        "exponent": 1.45,
        "cda": 16.2e-6,
    } | changes
    return Side(**{k: np.asarray(v, dtype=float) for k, v in values.items()})


# --- nozzle -----------------------------------------------------------------------------------------------------------


# 0.5283 at 1.4 confirmed in stored tests, the others recomputed.
@pytest.mark.parametrize(
    ("gamma", "ratio"), [(1.4, 0.528281788), (1.3, 0.545727734), (1.2, 0.564473930), (5.0 / 3.0, 0.487139290)]
)
def test_the_critical_ratio_of_an_ideal_gas(gamma, ratio):
    assert critical_pressure_ratio(gamma) == pytest.approx(ratio, abs=5e-10)


# --- tank -----------------------------------------------------------------------------------------------------------


def test_ullage_pressure_falls_as_the_filled_share_to_the_exponent():
    # A tank filled to fraction f and run empty expands its gas by 1/(1-f).
    tank = side()
    filled = 10.66 / 1139.0 / 24e-3
    assert tank.ullage_pressure(np.array(10.66)) == pytest.approx(32e5, rel=1e-15)
    assert tank.ullage_pressure(np.array(0.0)) == pytest.approx(32e5 * (1.0 - filled) ** 1.45, rel=1e-13)


def test_the_liquid_column_adds_its_weight_over_the_area():
    tank = side(surface_area=0.04, outlet_drop=0.25)
    mass = np.array(5.0)
    height = 5.0 / 1139.0 / 0.04 + 0.25
    assert tank.feed_pressure(mass) - tank.ullage_pressure(mass) == pytest.approx(1139.0 * 9.80665 * height, rel=1e-9)
    assert side().feed_pressure(mass) == side().ullage_pressure(mass)


# --- chamber --------------------------------------------------------------------------------------------------------


def test_the_table_is_straight_lines_and_held_outside():
    ratios = np.array([0.0, 0.5, 0.9, 0.95, 1.4, 1.43, 1.999, 2.0, 3.0, np.inf])
    speeds, slopes = chamber().ideal_cstar.at(ratios)
    np.testing.assert_allclose(speeds, np.interp(ratios, RATIOS, CSTAR), rtol=1e-15)
    np.testing.assert_allclose(slopes[[0, 1, 8, 9]], 0.0)
    assert slopes[3] == pytest.approx((1554.2 - 1493.6) / 0.1)


def test_thrust_at_site_lacks_the_air_on_the_exit():
    engine, pressure = chamber(), np.array(20e5)
    lost = 3.4 * math.pi / 4.0 * 0.032**2 * 97.8e3
    assert engine.vacuum_thrust(pressure) - engine.thrust(pressure) == pytest.approx(lost, rel=1e-12)
    # 20 bar, 8.042 cm2, 0.96 x 1.595
    assert engine.vacuum_thrust(pressure) == pytest.approx(2462.9, abs=0.1)


def conductance(cda, density):
    return np.atleast_1d(cda * math.sqrt(2.0 * density))


def balance(engine, oxidiser, fuel, *, factor=1.0):
    return chamber_equilibrium(
        engine,
        np.atleast_1d(oxidiser),
        np.atleast_1d(fuel),
        factor * conductance(16.2e-6, 1139.0),
        factor * conductance(13.0e-6, 858.0),
    )


@given(oxidiser=st.floats(1.5e5, 60e5), fuel=st.floats(1.5e5, 60e5))
@settings(deadline=None)
def test_the_throat_passes_what_the_lines_deliver(oxidiser, fuel):
    engine = chamber()
    found = balance(engine, oxidiser, fuel)
    pressure, flows = found.chamber_pressure[0], (found.oxidiser_flow[0], found.fuel_flow[0])
    assert 0.0 < pressure < max(oxidiser, fuel)
    ratio = flows[0] / flows[1] if flows[1] else math.inf
    passed = pressure * engine.throat_area / (0.92 * np.interp(ratio, RATIOS, CSTAR))
    # 1e-7: near a tank's own pressure the flow turns on the last digits of the drop.
    assert passed == pytest.approx(sum(flows), rel=1e-7)
    for feed, flow in zip((oxidiser, fuel), flows, strict=True):
        assert (flow > 0.0) == (feed > pressure)


@given(oxidiser=st.floats(5e5, 60e5), ratio=st.floats(0.8, 1.2), scale=st.floats(0.05, 20.0))
@settings(deadline=None)
def test_scaling_all_pressures_scales_the_chamber(oxidiser, ratio, scale):
    # With conductances times sqrt(k), pressures times k is the same engine.
    one = balance(chamber(), oxidiser, ratio * oxidiser)
    other = balance(chamber(), scale * oxidiser, scale * ratio * oxidiser, factor=math.sqrt(scale))
    assert other.chamber_pressure[0] == pytest.approx(scale * one.chamber_pressure[0], rel=1e-9)


def test_many_samples_at_once_equal_one_at_a_time():
    random = np.random.default_rng(5)
    feeds = random.uniform(10e5, 40e5, (2, 50))
    g = random.uniform(5e-4, 9e-4, (2, 50))
    together = chamber_equilibrium(chamber(), *feeds, *g)
    for index in range(50):
        alone = chamber_equilibrium(chamber(), *feeds[:, index : index + 1], *g[:, index : index + 1])
        # Neighbours may cause one more Newton step: the tolerance of the solver squared.
        assert alone.chamber_pressure[0] == pytest.approx(together.chamber_pressure[index], rel=1e-12)


def test_a_line_below_chamber_pressure_delivers_nothing_and_does_not_flow_back():
    found = balance(chamber(), 40e5, 3e5)
    assert found.fuel_flow[0] == 0.0
    assert found.chamber_pressure[0] > 3e5
    assert found.oxidiser_flow[0] == pytest.approx(
        found.chamber_pressure[0] * chamber().throat_area / (0.92 * CSTAR[-1]), rel=1e-9
    )


def test_the_iteration_stays_in_its_bracket_where_the_table_is_steep():
    # A saw-tooth table defeats plain Newton steps; the halving still brings balance.
    engine = chamber(
        mixture_ratios=[1.30, 1.43, 1.435, 1.44, 1.60], characteristic_velocities=[900.0, 2400.0, 900.0, 2400.0, 900.0]
    )
    feeds = np.linspace(30e5, 34e5, 401)
    found = chamber_equilibrium(
        engine, feeds, np.full(401, 32e5), conductance(16.2e-6, 1139.0), conductance(13.0e-6, 858.0)
    )
    cstar, _ = engine.ideal_cstar.at(found.oxidiser_flow / found.fuel_flow)
    passed = found.chamber_pressure * engine.throat_area / (0.92 * cstar)
    np.testing.assert_allclose(passed, found.oxidiser_flow + found.fuel_flow, rtol=1e-6)


def test_a_feed_that_is_not_a_number_ends_as_one_and_leaves_its_neighbour_alone():
    found = balance(chamber(), np.array([32e5, np.nan]), np.array([32e5, 32e5]))
    assert np.isnan(found.chamber_pressure[1])
    assert found.chamber_pressure[0] == pytest.approx(balance(chamber(), 32e5, 32e5).chamber_pressure[0], rel=1e-12)
