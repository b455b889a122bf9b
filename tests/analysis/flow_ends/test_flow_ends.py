"""Ends of flows on courses whose ends are known, and the parts that place them."""

import numpy as np
import pytest
from scipy.signal import lfilter

from standbook.analysis.flow_ends.bends import EARLY, EVEN, LATE, onset_of, ramp
from standbook.analysis.flow_ends.flow_ends import Expected, Pressurant, TankRecord, flow_bounds
from standbook.analysis.flow_ends.gas_share import earlier_if_mixed, liquid_of_mixture
from standbook.analysis.flow_ends.line_noise import line_noise, quiet_stretch, settled_hold
from standbook.daq.errors import DataError

START, BACK, GROWTH = 30e5, 1e5, 0.1  # absolute [Pa]; of the ullage, a second at the first drive
NITROGEN = Pressurant(heat_capacity_ratio=1.4, specific_constant=296.8, temperature=291.0)
RATIO = 4.0  # slope of gas over that of liquid


def record(*, ends, shut=np.inf, knee=0.0, noise=0.0, seed=0, hold=5.0, pressurant=None):
    """A tank whose pressure falls as liquid makes it fall, then as gas does, until its valve shuts; opened at zero."""
    time = np.arange(-hold, ends + 5.0, 2e-3)
    gas = np.clip((time - ends) / knee + 0.5, 0.0, 1.0) if knee else (time > ends).astype(float)
    rate = np.where(time < 0.0, 0.0, 1.0 + (RATIO - 1.0) * gas) * (time < shut)
    log, step = np.zeros(time.size), time[1] - time[0]
    volume = 1.0
    for k in range(1, time.size):
        drive = np.sqrt(max(START * np.exp(log[k - 1]) - BACK, 0.0) / (START - BACK))
        log[k] = log[k - 1] - 1.25 * GROWTH * rate[k] * drive / volume * step
        volume += GROWTH * drive * step * (rate[k] > 0.0) * (gas[k] < 1.0)
    pressure = START * np.exp(log) + noise * np.random.default_rng(seed).standard_normal(time.size)
    return TankRecord(time=time, pressure=pressure, drive=pressure - BACK, pressurant=pressurant)


def bounds(made, **how):
    return flow_bounds(made, Expected(opening=(-0.5, 1.0), rest_from=float(made.time[0]), **how))


def test_a_valve_that_shuts_ends_the_flow_where_its_curve_meets_the_hold():
    opening, end = bounds(record(ends=6.0, shut=6.0, noise=1e3))
    assert (opening.kind, end.kind) == ("opened", "closed")
    assert abs(opening.time) < 3.0 * opening.u < 0.1
    assert abs(end.time - 6.0) < 3.0 * end.u < 0.2


@pytest.mark.parametrize("knee", [0.0, 0.2, 0.5])
def test_a_run_out_is_the_middle_of_its_transition_whatever_its_width(knee):
    _, end = bounds(record(ends=6.0, knee=knee, noise=1e3))
    assert end.kind == "run-out"
    assert abs(end.time - 6.0) < 2.0 * end.u
    assert end.u < 0.05 + 0.3 * knee


def test_a_valve_shut_soon_after_the_gas_leaves_a_run_out():
    made = record(ends=6.0, shut=6.3, noise=1e3, pressurant=NITROGEN)
    _, end = bounds(made, dry=True)
    assert end.kind == "gas then closed"
    assert abs(end.time - 6.0) < 2.5 * end.u


def test_a_closing_that_noise_hides_is_not_called_a_flow_that_goes_on():
    """A fiftieth of the flow of the other records, shut 5 s before its record ends, under noise that wanders."""
    time = record(ends=30.0, shut=30.0).time
    keep, said = np.exp(-2e-3 / 0.3), []
    for seed in range(4):
        drive = np.sqrt(1.0 - keep**2) * np.random.default_rng(seed).standard_normal(time.size)
        wander = lfilter([1.0], [1.0, -keep], drive)
        pressure = START * np.exp(-0.002 * np.clip(time, 0.0, 30.0)) + 8e3 * wander
        try:
            bounds(TankRecord(time=time, pressure=pressure, drive=pressure - BACK))
        except DataError as error:
            said.append(str(error))
    assert any("no end of the flow stands out" in text for text in said)
    assert not any("still falls" in text for text in said)


def test_a_record_that_ends_before_the_flow_is_refused():
    made = record(ends=6.0, noise=1e3)
    use = made.time < 4.0
    short = TankRecord(time=made.time[use], pressure=made.pressure[use], drive=made.drive[use])
    with pytest.raises(DataError, match="still falls as liquid"):
        bounds(short)


def test_pressure_without_a_fall_is_refused():
    time = np.arange(-5.0, 5.0, 2e-3)
    still = START + 1e3 * np.random.default_rng(1).standard_normal(time.size)
    with pytest.raises(DataError, match=r"nothing opens|still falls|record ends"):
        bounds(TankRecord(time=time, pressure=still, drive=still - BACK))


@pytest.mark.slow
def test_ends_are_as_sure_as_they_say():
    """Forty records each: error over u scatters by a tenth; u may be generous, since noise here is white."""
    for how, at in (({"shut": 6.0}, 6.0), ({"knee": 0.1}, 6.0)):
        found = [bounds(record(ends=6.0, noise=3e3, seed=k, **how))[1] for k in range(20)]
        pulls = np.array([(end.time - at) / end.u for end in found])
        assert np.mean(np.abs(pulls) < 2.0) > 0.9
        assert np.abs(pulls).max() < 3.0


def test_a_ramp_of_any_shape_has_its_centroid_at_zero_and_begins_at_its_onset():
    x = np.linspace(-10.0, 10.0, 20001)
    for shape in (EVEN, EARLY, LATE):
        lifted = ramp(x, 0.5, shape)
        assert lifted[-1] == pytest.approx(10.0, abs=1e-6)  # as if the slope had changed at once, at zero
        assert lifted[x < onset_of(0.5, shape) - 0.5].max() < 0.01


def test_slow_noise_makes_long_lines_less_sure_than_their_neighbours_say():
    random = np.random.default_rng(3)
    white = 1e3 * random.standard_normal(400)
    slow = white + np.cumsum(200.0 * random.standard_normal(400))
    assert line_noise(white, 0.02, least=1.0).factor(2.0) < 1.6
    assert line_noise(slow, 0.02, least=1.0).factor(2.0) > 1.3 * line_noise(white, 0.02, least=1.0).factor(2.0)


def test_the_end_of_pressurising_is_no_noise_of_the_hold():
    random = np.random.default_rng(4)
    hold = 1e3 * random.standard_normal(300) - 3e4 * np.exp(-np.arange(300) / 20.0)
    assert np.std(settled_hold(hold, 0.02)) < 1.2e3
    flow = START * np.exp(-np.arange(500) / 400.0) + 1e3 * random.standard_normal(500)
    assert np.std(quiet_stretch(flow, 0.02)) == pytest.approx(1e3, rel=0.2)


def test_a_mixture_lets_out_less_liquid_than_its_volume_flow_shows():
    grown = np.linspace(1.0, RATIO, 20)
    beside = (RATIO - grown) / (RATIO - 1.0)
    mixed = liquid_of_mixture(grown, RATIO)
    assert mixed[0] == pytest.approx(1.0)
    assert mixed[-1] == pytest.approx(0.0, abs=0.02)
    assert np.all(mixed[1:-1] < beside[1:-1])
    assert earlier_if_mixed(beside[::-1], 0.01, RATIO) > 0.0
