"""Three geometries, zeros, and the sentences about a weight that does not fit."""

import re

import numpy as np
import pytest

from standbook.analysis.physics.impulse import integrate
from standbook.analysis.physics.load_cell import (
    SHAPE_U,
    drift_of,
    expelled_share,
    unloaded,
    weight_findings,
    weight_sign,
    zero_of,
)
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import Window

G = 9.80665
START, END = 0.0, 19.5
BEFORE, AFTER = Window(-2.3, -0.3), Window(21.0, 23.0)


def firing(sign, *, zero=12.0, noise=2.0, seed=3):
    """Thrust falling from 2600 to 1300 N while 17.2 kg leave in proportion; cell reading with its weight."""
    time = np.arange(-5.0, 26.0, 1e-3)
    burning = (time >= START) & (time <= END)
    thrust = np.where(burning, 2600.0 - 1300.0 * (time - START) / (END - START), 0.0)
    flow = np.where(burning, thrust + 260.0, 0.0)
    gone = 17.2 * np.cumsum(flow) / flow.sum()
    rng = np.random.default_rng(seed)
    reading = thrust + sign * G * (gone - 74.0) + zero + rng.normal(0.0, noise, time.size)
    return time, thrust, flow, gone, reading


def test_sign_of_the_three_geometries():
    assert weight_sign("down", True) == 1
    assert weight_sign("up", True) == -1
    assert weight_sign("horizontal", True) == 0
    assert weight_sign("down", False) == 0


@pytest.mark.parametrize("sign", [1, -1, 0])
def test_thrust_is_recovered_whichever_way_the_nozzle_points(sign):
    time, thrust, flow, _, reading = firing(sign)
    zero = unloaded(
        before=zero_of(time, reading, BEFORE),
        after=zero_of(time, reading, AFTER),
        share=expelled_share(time, flow, start=START, end=END),
        line_load=np.zeros(time.size),
        line_load_after=0.0,
        expected_step=Measured(0.0, 0.0, "N"),
    )
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
    findings = weight_findings("LC-1", zero, sign=1, factor=1.0, weight=None, relative_gain_u=0.0)
    assert [f.code for f in findings] == ["one-zero"]
    true = integrate(time, thrust).between(-0.5, 20.5)
    assert integrate(time, reading - zero.reading).between(-0.5, 20.5) == pytest.approx(true, abs=4.0)


def test_share_follows_the_flow_and_is_straight_without_one():
    time = np.linspace(0.0, 10.0, 1001)
    share = expelled_share(time, 10.0 - time, start=0.0, end=10.0)
    # Closed form for a flow that falls in a straight line to nought: 1 - (1 - t/T)².
    assert share == pytest.approx(1.0 - (1.0 - time / 10.0) ** 2, abs=1e-12)
    straight = expelled_share(time, np.full(time.size, np.nan), start=2.0, end=4.0)
    assert straight[[0, 300, 1000]] == pytest.approx([0.0, 0.5, 1.0])


def test_shape_allowance_covers_a_flow_that_is_two_percent_off_at_its_ends():
    time = np.linspace(0.0, 20.0, 20001)
    flow = 1.23 - 0.028 * time
    bent = flow * (1.0 + 0.02 * (time / 20.0 - 0.5))
    shares = [expelled_share(time, f, start=0.0, end=20.0).mean() for f in (flow, bent)]
    assert abs(shares[1] / shares[0] - 1.0) < SHAPE_U


def judged(sign_in_file, sign_in_truth, *, mass=17.2, after=AFTER):
    time, _, flow, _, reading = firing(sign_in_truth)
    zero = unloaded(
        before=zero_of(time, reading, BEFORE),
        after=zero_of(time, reading, after),
        share=expelled_share(time, flow, start=START, end=END),
        line_load=np.zeros(time.size),
        line_load_after=0.0,
        expected_step=Measured(0.0, 0.0, "N"),
    )
    weight = Measured(mass * G, 0.04 * G, "N")
    return weight_findings("LC-1", zero, sign=sign_in_file, factor=1.0, weight=weight, relative_gain_u=0.006)


@pytest.mark.parametrize("sign", [1, 0, -1])
def test_a_stand_file_that_tells_the_truth_is_met_with_silence(sign):
    assert judged(sign, sign) == []


def test_tanks_on_the_cell_that_the_stand_file_denies_are_asked_about():
    (finding,) = judged(0, 1)
    assert (finding.code, finding.severity) == ("weight-felt", "serious")
    assert "zero moved +169 N; expelled propellant weighs 169 N. Are the tanks on the cell?" in finding.text


def test_tanks_off_the_cell_that_the_stand_file_has_on_it_are_asked_about():
    assert [f.code for f in judged(1, 0)] == ["weight-not-felt"]


def test_a_zero_that_moves_the_wrong_way_is_named():
    assert [f.code for f in judged(1, -1)] == ["weight-sign"]


def test_a_kilogram_that_does_not_add_up_is_a_caution_with_its_size():
    (finding,) = judged(1, 1, mass=16.2)
    assert (finding.code, finding.severity) == ("weight-mismatch", "caution")
    apart = float(re.search(r"That is ([\d.]+) N apart", finding.text)[1])
    assert apart == pytest.approx(1.0 * G, abs=0.2)  # two zeros at 0.06 N each, one printed decimal
