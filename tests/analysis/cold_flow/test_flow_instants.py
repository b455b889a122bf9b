"""Both ends of a cold flow from its pressure alone, on curves whose breaks are known.

The curves are closed-form local-law blowdowns; gas breakthrough is a fall that grows steeper within tenths of a
second, as gas takes the liquid's place with a time constant of 0.17 s.
"""

import numpy as np
import pytest

from standbook.analysis.cold_flow.flow_instants import FlowInstants, flow_instants
from standbook.analysis.flow_ends.flow_ends import TankRecord
from standbook.analysis.physics.blowdown import Discharge, discharge_history
from standbook.analysis.signal.valve_events import Event
from standbook.daq.errors import DataError

TRUTH = Discharge(
    start_pressure=35e5,
    ullage_volume=0.020,
    exponent=1.48,
    cda=1.4e-5,
    density=998.2,
    back_pressure=101325.0,
    end_volume=0.033,
    exponent_drift=-0.31,
)
AMBIENT = 101325.0
OPENED, CLOSED, FULL_SCALE = 4.0, 12.0, 50e5
FADE = 0.17  # s


def record(*, noise=0.0, seed=0, close=CLOSED, dry=None, vent=17.0, stroke=0.1, before=0.0):
    """Pressurised, opened, closed or run out, vented; a valve's flow area is linear in time at both ends."""
    time = np.arange(0.0, 20.0, 1e-3)
    after = np.maximum(time - (OPENED - stroke / 2), 0.0)
    flowed = np.where(after < stroke, after**2 / (2 * stroke), after - stroke / 2)
    shut = close - stroke / 2
    left = np.clip((time - shut) / stroke, 0.0, 1.0)
    flowed = np.where(time > shut, shut - OPENED + stroke * (left - left**2 / 2), flowed)
    gas = np.zeros_like(time)
    if dry is not None:
        since = np.clip(time - dry, 0.0, close - dry)
        liquid = FADE * (1.0 - np.exp(-since / FADE))
        gas = since - liquid
        flowed = np.where(time > dry, dry - OPENED + liquid, flowed)
    pressure = discharge_history(flowed, TRUTH).pressure * np.exp(-0.25 * gas)
    pressure = np.where(time < 1.0, AMBIENT, pressure) + before * np.minimum(time - OPENED, 0.0)
    pressure = AMBIENT + (pressure - AMBIENT) * np.exp(-np.maximum(time - vent, 0.0) / 0.5)
    return time, pressure + noise * FULL_SCALE * np.random.default_rng(seed).standard_normal(time.size)


def instants(time, pressure, **how):
    record = TankRecord(time=time, pressure=pressure, drive=pressure - AMBIENT, density=TRUTH.density)
    return flow_instants(record, **{"t_zero_known": False, **how})


@pytest.mark.parametrize(("stroke", "within"), [(0.05, 0.008), (0.15, 0.008), (0.3, 0.05)])
def test_a_noise_free_flow_begins_and_ends_at_mid_stroke(stroke, within):
    """A slow closing may be taken for one that begins later; its u says so."""
    found = instants(*record(stroke=stroke))
    assert not found.ran_dry
    assert found.opening.time == pytest.approx(OPENED, abs=0.004)  # what polynomials leave of the curve
    assert found.end.time == pytest.approx(CLOSED, abs=max(0.008, 2.0 * found.end.u))
    assert found.end.u < within


@pytest.mark.slow
def test_opening_is_within_fifteen_milliseconds_and_both_ends_are_as_sure_as_they_say():
    """Required at 0.1 % of full scale and 1 kHz: opening within 15 ms."""
    found = [instants(*record(noise=1e-3, seed=k)) for k in range(20)]
    for which, true, allowed in (("opening", OPENED, 0.015), ("end", CLOSED, 0.030)):
        error = np.array([getattr(one, which).time for one in found]) - true
        u = np.mean([getattr(one, which).u for one in found])
        assert np.abs(error).max() < allowed
        assert 0.4 < np.sqrt(np.mean(error**2)) / u < 1.5  # 20 runs: the ratio scatters by 16 %


@pytest.mark.slow
@pytest.mark.parametrize("close", [11.35, 12.5, 25.0])
def test_a_tank_that_runs_dry_is_told_from_a_valve_that_closes(close):
    """Liquid's effective end is its last sight plus the time constant of its fading."""
    for seed in range(6):
        found = instants(*record(noise=1e-3, seed=seed, dry=11.0, close=close))
        assert found.ran_dry
        assert abs(found.end.time - (11.0 + FADE)) < 3.0 * found.end.u
        assert found.end.u < 0.15


def test_a_vent_right_after_closing_is_not_taken_for_gas():
    found = instants(*record(noise=1e-3, vent=CLOSED + 1.5))
    assert not found.ran_dry
    assert found.end.time == pytest.approx(CLOSED, abs=0.05)
    # Too short a hold for a curve of its own: one curve that turns tells it, and says how well.
    assert abs(found.end.time - CLOSED) < 2.0 * found.end.u
    assert 0.01 < found.end.u <= 0.35


def test_a_slow_loss_before_the_opening_does_not_hide_it():
    found = instants(*record(noise=1e-3, before=-5e3))
    assert found.opening.time == pytest.approx(OPENED, abs=0.02)


@pytest.mark.parametrize("dry", [None, 10.0])
def test_gas_that_cools_after_pressurising_is_not_the_flow(dry):
    """Compressed gas comes out warm and gives its heat to the wall in seconds, faster at first than later."""
    time, pressure = record(noise=3e-4, dry=dry)
    early = np.arange(-8.0, 1.0, 1e-3)
    time, pressure = np.concatenate([early, time[1000:]]), np.concatenate([early, pressure[1000:]])
    filling = 35e5 * (1.0 - np.exp(-(time + 8.0) / 0.7))
    cooling = 35e5 * (1.0 + 0.16 * (np.exp(-(time + 5.0) / 5.0) - np.exp(-(OPENED + 5.0) / 5.0)))
    fresh = np.minimum(filling * cooling[time >= -5.0][0] / 35e5, cooling)
    pressure = np.where(time < OPENED, fresh, pressure)
    found = instants(time, pressure)
    assert found.opening.time == pytest.approx(OPENED, abs=0.03)
    assert found.ran_dry is (dry is not None)


def test_a_known_command_bounds_the_search():
    time, pressure = record(noise=1e-3)
    found = instants(time - 3.9, pressure, t_zero_known=True)
    assert found.opening.time == pytest.approx(0.1, abs=0.02)


def test_a_tank_that_never_flows_and_a_flow_that_never_ends_are_refused():
    time, pressure = record()
    with pytest.raises(DataError, match="never fell by a tenth"):
        instants(time[:3500], pressure[:3500])
    with pytest.raises(DataError, match="still falls as liquid"):
        instants(time[:11000], pressure[:11000])
    with pytest.raises(DataError, match="nothing ends the flow"):
        instants(time[:5450], pressure[:5450])


def test_an_end_known_no_better_than_a_tenth_of_the_flow_is_called_unsure():
    sure = instants(*record(noise=1e-3))
    assert sure.why_unsure() is None
    end = Event("valve closed", 5.0, 0.2, "line")
    assert (
        "0.20 s (standard uncertainty) only, beyond 10% of it"
        in FlowInstants(Event("valve open", 4.0, 0.01, "line"), end, ran_dry=False).why_unsure()
    )
