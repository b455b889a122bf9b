"""Performance numbers with their uncertainty."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.analysis.dataset.channel import PairU
from standbook.analysis.physics.performance import (
    TAP_UNSTATED,
    THROAT_UNSTATED,
    cstar,
    face_over_reading,
    least_stiffness,
    mean_thrust_coefficient,
    mixture_ratio,
    scaled,
    throat_area,
    throat_in_burn,
    total_over_reading,
    unstated_share,
)
from standbook.analysis.results.quantities import Measured
from standbook.daq.config.plan import Engine


def test_cstar_is_pressure_integral_times_throat_over_mass():
    found = cstar(Measured(3.0e7, 0.0, "Pa*s"), Measured(8.0e-4, 8.0e-6, "m2"), Measured(16.0, 0.16, "kg"))
    assert (found.value, found.u) == (pytest.approx(1500.0), pytest.approx(1500.0 * math.hypot(0.01, 0.01)))


@given(st.floats(1e3, 1e5), st.floats(5.0, 50.0), st.floats(1e6, 1e8), st.floats(1e-4, 1e-2))
def test_impulse_is_cstar_times_thrust_coefficient_times_mass(impulse, mass, integral, throat):
    i, m = Measured(impulse, 1.0, "N*s"), Measured(mass, 0.1, "kg")
    p, a = Measured(integral, 1.0, "Pa*s"), Measured(throat, 1e-6, "m2")
    product = cstar(p, a, m).value * mean_thrust_coefficient(i, a, p).value * mass
    assert product == pytest.approx(impulse, rel=1e-12)


def test_mixture_ratio_adds_relative_uncertainties_in_square():
    found = mixture_ratio(Measured(9.68, 0.0968, "kg"), Measured(6.78, 0.0678, "kg"))
    assert found.u / found.value == pytest.approx(math.sqrt(2.0) * 0.01)


def test_least_stiffness_is_found_where_it_is():
    time = np.arange(0.0, 20.0, 1e-3)
    chamber = 2.3e6 - 5.0e4 * time
    upstream = chamber * (1.0 + 0.38 - 0.009 * time)
    u_of = PairU(1e4, 1e4).of
    least, at = least_stiffness(time, upstream, chamber, start=0.0, end=19.9, span=0.2, u_of=u_of)
    assert at == pytest.approx(19.8, abs=0.05)
    assert least.value == pytest.approx(0.38 - 0.009 * at, abs=1e-4)
    # both sensors 0.1 bar, upstream stands 1.2 times as high: 1e4 hypot(1, 1.2) / Pc
    assert least.u == pytest.approx(1e4 * math.hypot(1.0, 1.0 + least.value) / (2.3e6 - 5.0e4 * at), rel=1e-3)


def engine(**facts):
    return Engine.model_validate(
        {
            "throat_diameter": "32.00 +/- 0.02 mm",
            "expansion_ratio": "3.4",
            "cstar_table": ((1.0, "1500 m/s"), (1.4, "1600 m/s")),
            "cstar_efficiency": "0.92",
            "vacuum_thrust_coefficient": "1.6",
            "thrust_coefficient_efficiency": "0.96",
            **facts,
        }
    )


@pytest.mark.parametrize(
    ("tap", "reading"),
    # reading over total pressure of gas with heat capacity ratio 1.2 at contraction 3, computed elsewhere
    [("injector face", 1.0236), ("before the nozzle", 0.9759)],
)
def test_a_stated_tap_turns_the_reading_into_total_pressure(tap, reading):
    found = total_over_reading(engine(contraction_ratio="3.0", chamber_tap=tap))
    assert found.value * reading == pytest.approx(1.0, abs=1e-4)
    assert found.u < 0.003
    total = scaled(Measured(2e7 * reading, 0.0, "Pa*s"), found)
    assert total.value == pytest.approx(2e7, rel=1.5e-3)


@pytest.mark.parametrize("contraction", ["3.5", "5.0", "8.0"])
def test_a_tap_that_is_not_stated_is_one_of_both(contraction):
    ends = [
        total_over_reading(engine(contraction_ratio=contraction, chamber_tap=tap)).value
        for tap in ("injector face", "before the nozzle")
    ]
    found = total_over_reading(engine(contraction_ratio=contraction))
    assert all(abs(end - found.value) < 2.0 * found.u for end in ends)


def reading_over_total(mach):
    """What a sensor at nozzle and face reads over total pressure; heat capacity ratio 1.2. [Sutton] ch. 3."""
    static = (1.0 + 0.1 * mach**2) ** -6.0
    return np.array([static, static * (1.0 + 1.2 * mach**2)])


def area_over_throat(mach):
    """The area over the throat's. [Sutton] ch. 3."""
    return ((1.0 + 0.1 * mach**2) / 1.1) ** 5.5 / mach


def test_a_tap_of_which_nothing_is_stated_is_at_either_end_of_a_chamber_of_ratio_3_to_10():
    mach = np.linspace(0.04, 0.5, 20_000)
    ratios = np.geomspace(3.0, 10.0, 500)  # area falls with the Mach number
    read = reading_over_total(np.interp(-ratios, -area_over_throat(mach), mach))
    nothing = total_over_reading(engine())
    assert nothing.value == 1.0
    assert nothing.u == pytest.approx(float(np.sqrt(np.mean((1.0 / read - 1.0) ** 2))), rel=0.05)
    assert pytest.approx(float(np.max(1.0 / read - 1.0)), abs=1e-3) == TAP_UNSTATED
    face = np.concatenate([read[1] / read[0], np.ones_like(read[0])])
    assert face_over_reading(engine()).value == 1.0
    assert face_over_reading(engine()).u == pytest.approx(float(np.sqrt(np.mean((face - 1.0) ** 2))), abs=1e-4)


@pytest.mark.parametrize(
    ("facts", "share"),
    [
        ({}, TAP_UNSTATED + THROAT_UNSTATED),
        ({"throat_material": "copper"}, TAP_UNSTATED),
        # at ratio 3, nozzle and face are 0.0236 below and above the total pressure
        ({"throat_material": "copper", "contraction_ratio": "3.0"}, 0.0238),
        ({"contraction_ratio": "3.0", "chamber_tap": "injector face"}, THROAT_UNSTATED),
        ({"throat_material": "steel", "contraction_ratio": "3.0", "chamber_tap": "injector face"}, 0.0),
    ],
)
def test_what_a_plan_leaves_unsaid_of_the_chamber_can_hide_a_share(facts, share):
    assert unstated_share(engine(**facts)) == pytest.approx(share, abs=3e-4)


def test_a_throat_that_was_gauged_after_the_run_is_the_mean_of_both():
    before = throat_area(engine()).value
    found = throat_in_burn(engine(throat_material="copper"), Measured(32.64e-3, 0.02e-3, "m"))  # 2 % wider
    worn = before * 1.02**2
    # copper, 17e-6 /K, 400 K: 1.36 % of area when hot, of which half is taken
    assert found.value == pytest.approx((before + worn) / 2.0 * 1.00682, rel=1e-4)
    assert found.u > (worn - before) / 2.0 / math.sqrt(3.0)


def test_a_throat_whose_material_is_not_stated_may_have_grown_by_a_percent():
    found, cold = throat_in_burn(engine()), throat_area(engine())
    assert found.value == cold.value
    assert found.u == pytest.approx(math.hypot(cold.u, 0.01 * cold.value / math.sqrt(3.0)))
