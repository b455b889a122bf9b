"""Three geometries and their zeros."""

import numpy as np
import pytest

from standbook.analysis.physics.impulse import integrate
from standbook.analysis.physics.load_cell import (
    SHAPE_U,
    drift_of,
    expelled_share,
    unloaded,
    weight_sign,
    zero_of,
)
from standbook.analysis.results.quantities import Measured
from tests.analysis.weight_record import AFTER, BEFORE, END, START, G, firing


def test_sign_of_the_three_geometries():
    assert weight_sign("down", True) == 1
    assert weight_sign("up", True) == -1
    assert weight_sign("horizontal", True) == 0
    assert weight_sign("down", False) == 0


def between_zeros(time, reading, flow, **more):
    """The reading without thrust of a stand whose hoses carry nothing, both zeros seen."""
    return unloaded(
        before=zero_of(time, reading, BEFORE),
        after=zero_of(time, reading, AFTER),
        share=expelled_share(time, flow, start=START, end=END),
        line_load=np.zeros(time.size),
        line_load_after=0.0,
        expected_step=Measured(0.0, 0.0, "N"),
        **more,
    )


@pytest.mark.parametrize("sign", [1, -1, 0])
def test_thrust_is_recovered_whichever_way_the_nozzle_points(sign):
    time, thrust, flow, _, reading = firing(sign)
    zero = between_zeros(time, reading, flow)
    assert zero.step == pytest.approx(sign * 17.2 * G, abs=0.3)
    true = integrate(time, thrust).between(-0.5, 20.5)
    found = integrate(time, reading - zero.reading).between(-0.5, 20.5)
    # Zeros of 2000 samples with 2 N noise are good to 0.045 N, the sum itself to 0.3 N*s: 1 N*s and a reserve.
    assert found == pytest.approx(true, abs=4.0)


def test_weight_left_in_would_have_been_five_percent():
    time, thrust, _, _, reading = firing(1)
    true = integrate(time, thrust).between(-0.5, 20.5)
    found = integrate(time, reading - zero_of(time, reading, BEFORE).value).between(-0.5, 19.5)
    assert (found - true) / true == pytest.approx(0.05, abs=0.01)


def test_without_a_zero_after_the_step_comes_from_the_masses():
    time, thrust, flow, _, reading = firing(1)
    zero = unloaded(
        before=zero_of(time, reading, BEFORE),
        after=None,
        share=expelled_share(time, flow, start=START, end=END),
        line_load=np.zeros(time.size),
        line_load_after=0.0,
        expected_step=Measured(17.2 * G, 1.0, "N"),
    )
    assert zero.step_u == 1.0
    assert drift_of(zero, Measured(17.2 * G, 1.0, "N")) is None
    true = integrate(time, thrust).between(-0.5, 20.5)
    assert integrate(time, reading - zero.reading).between(-0.5, 20.5) == pytest.approx(true, abs=4.0)


@pytest.mark.parametrize("sign", [1, -1])
def test_weight_that_left_after_the_burn_is_no_part_of_its_correction(sign):
    gas = 0.48 * G * sign
    time, thrust, flow, _, reading = firing(sign)
    reading = reading + gas * (time > 0.5 * (20.5 + AFTER.start))
    true = integrate(time, thrust).between(-0.5, 20.5)
    off = {}
    for told in (0.0, 1.0):
        zero = between_zeros(time, reading, flow, left_later=Measured(told * gas, 0.1 * abs(told * gas), "N"))
        off[told] = integrate(time, reading - zero.reading).between(-0.5, 20.5) - true
    assert off[1.0] == pytest.approx(0.0, abs=4.0)  # as without gas
    assert sign * off[0.0] == pytest.approx(-51.0, abs=6.0)  # 4.7 N over more than half of 20 s
    assert zero.step_u == pytest.approx(0.1 * abs(gas))


def test_share_follows_the_flow_and_is_straight_without_one():
    time = np.linspace(0.0, 10.0, 1001)
    share = expelled_share(time, 10.0 - time, start=0.0, end=10.0)
    # Closed form for a flow that falls in a straight line to zero: 1 - (1 - t/T)².
    assert share == pytest.approx(1.0 - (1.0 - time / 10.0) ** 2, abs=1e-12)
    straight = expelled_share(time, np.full(time.size, np.nan), start=2.0, end=4.0)
    assert straight[[0, 300, 1000]] == pytest.approx([0.0, 0.5, 1.0])


def test_shape_allowance_covers_a_flow_that_is_two_percent_off_at_its_ends():
    time = np.linspace(0.0, 20.0, 20001)
    flow = 1.23 - 0.028 * time
    bent = flow * (1.0 + 0.02 * (time / 20.0 - 0.5))
    shares = [expelled_share(time, f, start=0.0, end=20.0).mean() for f in (flow, bent)]
    assert abs(shares[1] / shares[0] - 1.0) < SHAPE_U
