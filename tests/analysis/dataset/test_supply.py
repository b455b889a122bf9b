"""What a supply that is not as taken makes of readings, of their differences and of ratios."""

import dataclasses
import math

import numpy as np
import pytest

from standbook.analysis.blowdown.record import NoteUncertainties, SensorUncertainties
from standbook.analysis.blowdown.shifted_flows import changes
from standbook.analysis.dataset.channel import Channel, pair_u
from standbook.daq.config.calibration import Calibration
from standbook.daq.quantity import parse_quantity
from tests.analysis.budget.steady_flow import steady_flow

AIR = parse_quantity("1.0 bar(a)", "pressure")
FULL = 60.0
BAR = 1e5


def calibration(**more):
    """A 0.5-4.5 V sensor of 0 to 60 bar(g), without any other doubt."""
    typed = {
        "tag": "PT-1",
        "revision": "r01",
        "sensor": "transducer",
        "sensor_serial": "PT-0001",
        "date": "2031-01-01",
        "valid_until": "2032-01-01",
        "signal_unit": "V/V",
        "reading_unit": "bar(g)",
        "lowest": 0.0,
        "highest": FULL,
        "coefficients": [-0.1 * FULL / 0.8, FULL / 0.8],
        "covariance": [[1e-18, 0.0], [0.0, 1e-18]],
    }
    return Calibration.model_validate({**typed, **more})


def channel(tag="PT-1", supply="supply 5.000 V of board", supply_u=0.001):
    empty = np.empty(0)
    return Channel(
        tag=tag,
        measures="tank pressure",
        tank="fuel",
        calibration=calibration(tag=tag),
        time=empty,
        signal=empty,
        reading=empty,
        counts=empty.astype(int),
        clipped=empty.astype(bool),
        open_wire=empty.astype(bool),
        stream="board/fast",
        supply=supply,
        supply_u=supply_u,
    )


@pytest.mark.parametrize(("gauge", "times"), [(16.0, 1.47), (9.0, 1.83)])
def test_a_sensor_with_live_zero_turns_about_its_reading_of_no_signal(gauge, times):
    # (p - p0) / p with p0 = -60/8 bar(g), worked by hand.
    effect = channel().supply_effect(gauge * BAR + AIR.value, AIR)
    assert effect / (gauge * BAR) == pytest.approx(times * 0.001, abs=0.005 * 0.001)


def test_the_difference_of_two_sensors_on_one_supply_loses_its_own_share_and_no_more():
    one, other = channel(), channel("PT-2")
    alike = pair_u(one, 31e5, other, 16e5, AIR).of(1.0, -1.0)
    assert alike == pytest.approx(0.001 * 15e5, rel=1e-3)  # the live zero cancels
    elsewhere = dataclasses.replace(other, supply="supply 5.000 V of another")
    assert pair_u(one, 31e5, elsewhere, 16e5, AIR).of(1.0, -1.0) == pytest.approx(
        0.001 * math.hypot(31e5 - 1e5 + 7.5e5, 16e5 - 1e5 + 7.5e5), rel=1e-3
    )


def test_without_a_supply_nothing_is_added():
    plain = channel(supply="", supply_u=0.0)
    assert plain.reading_u(20e5, AIR) == plain.calibration_u(20e5, AIR)
    assert plain.supply_effect(20e5, AIR) == 0.0


def cda_share(back_pressure, **downstream):
    sensor = SensorUncertainties(supply="5 V", supply_u=0.001, no_signal_at=-6.5e5)
    notes = NoteUncertainties(back=SensorUncertainties(**downstream))
    found = changes(lambda of: np.array([of.cda()]), steady_flow(back_pressure), sensor, notes)
    cda = steady_flow(back_pressure).cda()
    return {source: float(change[0]) / cda for source, change in found.items()}


def test_a_flow_into_air_feels_nine_tenths_of_the_supply_and_one_into_a_chamber_half():
    # (p - p0) / 2 (p - pa) = 16.5 / 18 at 9 bar(g) into air; half where both sensors turn together: by hand.
    assert abs(cda_share(1e5)["sensor supply"]) == pytest.approx(0.917e-3, rel=0.01)
    behind = {"supply_u": 0.001, "no_signal_at": -6.5e5}
    together = cda_share(4e5, supply="5 V", **behind)
    assert abs(together["sensor supply"]) == pytest.approx(0.5e-3, rel=0.01)
    assert "back pressure supply" not in together
    apart = cda_share(4e5, supply="another", **behind)
    # 16.5/12 and 10.5/12 of it, each on its own supply
    assert abs(apart["sensor supply"]) == pytest.approx(1.375e-3, rel=0.01)
    assert abs(apart["back pressure supply"]) == pytest.approx(0.875e-3, rel=0.01)
