"""Emptying tanks against closed forms, conservation laws and the quadrature of the blowdown model."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import beta, betainc

from standbook.analysis.physics.blowdown import Discharge, Head, discharge_history
from standbook.analysis.physics.engine import Chamber, CstarTable, Side
from standbook.analysis.physics.tank_emptying import fire, flow_out

# The closed-form case: rho 998.207, CdA 2e-5 m2, 35 bar, 10 L of gas, 10 L of liquid, ambient 101 325 Pa.
RHO, CDA, P0, V0, AMBIENT = 998.207, 2e-5, 35e5, 10e-3, 101325.0


def tank(exponent, **changes):
    values = {
        "volume": 2.0 * V0,
        "load": RHO * V0,
        "residual": 0.0,
        "density": RHO,
        "start_pressure": P0,
        "exponent": exponent,
        "cda": CDA,
    } | changes
    return Side(**{k: np.atleast_1d(np.asarray(v, dtype=float)) for k, v in values.items()})


def engine(**changes):
    values = {
        "throat_area": math.pi / 4.0 * 0.032**2,
        "expansion_ratio": 3.4,
        "mixture_ratios": [0.9, 1.4, 2.0],
        "characteristic_velocities": [1493.6, 1652.9, 1586.4],
        "cstar_efficiency": 0.92,
        "vacuum_thrust_coefficient": 1.595,
        "thrust_coefficient_efficiency": 0.96,
        "ambient_pressure": 97.8e3,
    } | changes
    arrays = {k: np.asarray(v, dtype=float) for k, v in values.items()}
    table = CstarTable.of(arrays.pop("mixture_ratios"), arrays.pop("characteristic_velocities"))
    return Chamber(ideal_cstar=table, **arrays)


def oxidiser(**changes):
    return tank(
        **{
            "exponent": 1.45,
            "volume": 24e-3,
            "load": 10.66,
            "residual": 0.1,
            "density": 1139.0,
            "start_pressure": 32e5,
            "cda": 16.2e-6,
        }
        | changes
    )


def fuel(**changes):
    return tank(
        **{
            "exponent": 1.30,
            "volume": 18e-3,
            "load": 7.03,
            "residual": 0.25,
            "density": 858.0,
            "start_pressure": 32e5,
            "cda": 13.0e-6,
        }
        | changes
    )


# Derived from the closed forms below and checked with an independent integrator to 1e-12; times in s.
@pytest.mark.parametrize(
    ("exponent", "to_vacuum", "to_ambient"),
    [(1.0, 7.278094433, 7.444842769), (1.2, 7.580779049, 7.772245350), (1.4, 7.899028393, 8.119690012)],
)
def test_run_out_times_are_those_of_the_closed_forms(exponent, to_vacuum, to_ambient):
    for back, expected in ((0.0, to_vacuum), (AMBIENT, to_ambient)):
        emptying, _ = flow_out(tank(exponent), np.array([back]), step=0.02, most_steps=1000)
        assert emptying.end_time[0] == pytest.approx(expected, abs=2e-9)  # printed digits and a little rounding
        assert emptying.end_state[0, 0] == pytest.approx(0.0, abs=1e-9)
        assert emptying.first_out[0] == 0


@pytest.mark.slow
@given(exponent=st.floats(0.8, 1.9), start=st.floats(8e5, 60e5), fill=st.floats(0.2, 0.7))
@settings(max_examples=25, deadline=None)
def test_run_out_against_ambient_follows_the_incomplete_beta_function(exponent, start, fill):
    # t = Vm/(n K sqrt(Pa)) [B(Pa/P; 1/2 + 1/n, 1/2) - B(Pa/P0; ...)], Vm = V0 (P0/Pa)^(1/n). Derived.
    volume = 20e-3
    gas = (1.0 - fill) * volume
    end = start * (gas / volume) ** exponent
    if end < 1.2 * AMBIENT:
        return
    a, k = 0.5 + 1.0 / exponent, CDA * math.sqrt(2.0 / RHO)

    def partial(u):
        return betainc(a, 0.5, u) * beta(a, 0.5)

    scale = gas * (start / AMBIENT) ** (1.0 / exponent) / (exponent * k * math.sqrt(AMBIENT))
    expected = scale * (partial(AMBIENT / end) - partial(AMBIENT / start))
    side = tank(exponent, volume=volume, load=RHO * fill * volume, start_pressure=start)
    emptying, _ = flow_out(side, np.array([AMBIENT]), step=expected / 300.0, most_steps=400)
    assert emptying.end_time[0] == pytest.approx(expected, rel=1e-8)


def test_a_cold_flow_agrees_with_the_quadrature_of_the_blowdown_model_head_included():
    side = tank(1.3, volume=24e-3, load=9.34, start_pressure=9.978e5, cda=16.2e-6, residual=0.08)
    side = dataclasses.replace(side, surface_area=np.array([0.0415]), outlet_drop=0.25)
    emptying, observe = flow_out(side, np.array([97.8e3]), step=0.1, most_steps=400)
    history = observe(emptying.states)
    discharge = Discharge(
        start_pressure=9.978e5,
        ullage_volume=24e-3 - 9.34 / RHO,
        exponent=1.3,
        cda=16.2e-6,
        density=RHO,
        back_pressure=97.8e3,
        end_volume=24e-3 - 0.05 / RHO,
        head=Head(start_height=0.25 + 9.34 / RHO / 0.0415, area=0.0415),
    )
    inside = emptying.time < emptying.end_time[0]
    other = discharge_history(emptying.time[inside], discharge)
    # Two independent methods: steps in time here, quadrature in volume there.
    np.testing.assert_allclose(history.pressure[inside, 0], other.pressure, rtol=1e-8)
    # At the very opening the blowdown model has no flow yet.
    np.testing.assert_allclose(history.flow[inside, 0][1:], RHO * other.flow[1:], rtol=1e-8)


def test_constant_performance_gives_impulse_from_mass_alone():
    # I = CF c* m, whatever the decay; vacuum, so that CF is constant. Derived.
    fixed = engine(characteristic_velocities=[1600.0, 1600.0, 1600.0], ambient_pressure=0.0)
    for left, right in ((oxidiser(), fuel()), (oxidiser(exponent=1.9), fuel(exponent=1.0))):
        emptying, observe = fire(left, right, fixed, step=0.1, most_steps=1000)
        end = observe(emptying.end_state)
        expelled = 10.66 + 7.03 - end.oxidiser_mass - end.fuel_mass
        assert end.impulse[0] == pytest.approx(0.96 * 1.595 * 0.92 * 1600.0 * expelled[0], rel=1e-9)


def test_mass_is_conserved():
    emptying, observe = fire(oxidiser(), fuel(), engine(), step=0.05, most_steps=1000)
    history, end = observe(emptying.states), observe(emptying.end_state)
    time = np.append(emptying.time[:-1], emptying.end_time[0])
    for flow, first, last in (
        (history.oxidiser_flow, 10.66, end.oxidiser_mass[0]),
        (history.fuel_flow, 7.03, end.fuel_mass[0]),
    ):
        # The trapezoid rule on 50 ms steps errs by a few 1e-6 of the mass.
        assert np.trapezoid(flow[:, 0], time) == pytest.approx(first - last, rel=1e-5)
    assert np.trapezoid(history.thrust[:, 0], time) == pytest.approx(end.impulse[0], rel=1e-5)


def test_the_first_liquid_out_ends_the_run_exactly_at_its_residual():
    for left, right, row in ((oxidiser(), fuel(), 0), (oxidiser(exponent=1.7), fuel(), 1)):
        emptying, observe = fire(left, right, engine(), step=0.15, most_steps=400)
        end = observe(emptying.end_state)
        assert emptying.first_out[0] == row
        out, rest = ((end.oxidiser_mass, 0.1), (end.fuel_mass, 0.25))[:: 1 if row == 0 else -1]
        assert out[0][0] == pytest.approx(out[1], abs=1e-9)
        assert rest[0][0] > rest[1]


@pytest.mark.slow
def test_shorter_steps_converge_with_the_fourth_power():
    # One smooth table, so that no kink lowers the order.
    smooth = engine(mixture_ratios=[0.1, 9.0], characteristic_velocities=[1500.0, 1700.0])

    def impulse(step):
        emptying, _ = fire(oxidiser(), fuel(), smooth, step=step, most_steps=5000)
        return emptying.end_state[2, 0]

    fine = impulse(0.05)
    coarse, half = abs(impulse(1.6) - fine), abs(impulse(0.8) - fine)
    assert coarse / half == pytest.approx(16.0, rel=0.5)
    assert abs(impulse(0.12) - fine) < 1e-7 * fine


@pytest.mark.slow
def test_many_samples_at_once_equal_one_at_a_time():
    random = np.random.default_rng(3)
    exponents, loads = random.normal(1.45, 0.12, 4), random.normal(10.66, 0.2, 4)
    together, _ = fire(oxidiser(exponent=exponents, load=loads), fuel(), engine(), step=0.15, most_steps=400)
    for index in range(4):
        alone, _ = fire(
            oxidiser(exponent=exponents[index], load=loads[index]), fuel(), engine(), step=0.15, most_steps=400
        )
        assert alone.end_time[0] == pytest.approx(together.end_time[index], rel=1e-10)
        assert alone.end_state[:, 0] == pytest.approx(together.end_state[:, index], rel=1e-10)
        assert alone.first_out[0] == together.first_out[index]


def test_a_larger_engine_of_the_same_shape_burns_as_long_and_gives_more_in_proportion():
    scale = np.geomspace(0.1, 10.0, 30)

    def grown(side):
        sized = {name: scale * getattr(side, name) for name in ("volume", "load", "residual", "cda")}
        return dataclasses.replace(side, **sized)

    large = engine(throat_area=scale * math.pi / 4.0 * 0.032**2)
    one, _ = fire(oxidiser(), fuel(), engine(), step=0.2, most_steps=400)
    many, _ = fire(grown(oxidiser()), grown(fuel()), large, step=0.2, most_steps=400)
    np.testing.assert_allclose(many.end_time, one.end_time[0], rtol=1e-9)
    np.testing.assert_allclose(many.end_state, scale * one.end_state, rtol=1e-9)


@pytest.mark.slow
def test_a_burn_taken_up_again_anywhere_adds_up_to_the_whole():
    whole, observe = fire(oxidiser(), fuel(), engine(), step=0.2, most_steps=400)
    cuts = np.arange(whole.time.size - 2)
    middle = observe(whole.states[cuts, :, 0].T)
    rest, _ = fire(
        oxidiser(load=middle.oxidiser_mass, start_pressure=middle.oxidiser_pressure),
        fuel(load=middle.fuel_mass, start_pressure=middle.fuel_pressure),
        engine(),
        step=0.2,
        most_steps=400,
    )
    np.testing.assert_allclose(0.2 * cuts + rest.end_time, whole.end_time[0], rtol=1e-9)
    np.testing.assert_allclose(middle.impulse + rest.end_state[2], whole.end_state[2, 0], rtol=1e-9)


def test_what_does_not_run_out_in_time_is_left_unfinished():
    emptying, _ = flow_out(tank(1.4), np.array([AMBIENT]), step=0.1, most_steps=20)
    assert math.isinf(emptying.end_time[0])
    assert emptying.first_out[0] == -1
    assert emptying.time[-1] == pytest.approx(2.0)
    assert emptying.states[-1, 0, 0] > 0.0


def test_gas_that_expands_to_the_back_pressure_stops_flowing():
    emptying, observe = flow_out(tank(1.4, start_pressure=1.5e5), np.array([AMBIENT]), step=1.0, most_steps=200)
    last = observe(emptying.states[-1])
    assert last.pressure[0] == pytest.approx(AMBIENT, rel=1e-3)
    assert last.flow[0] < 0.02 * observe(emptying.states[0]).flow[0]
