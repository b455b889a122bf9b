import re

import numpy as np
import pytest

from standbook.daq.config.calibration import from_si
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import ImpulseClass
from standbook.daq.config.signal_conversion import Rails, counts_from_signal
from standbook.daq.live.channel_monitor import ChannelMonitor, Ring
from standbook.daq.live.live_clock import Moment, TimeBase
from standbook.daq.live.live_state import Validity
from standbook.daq.live.running_impulse import RunningImpulse
from tests.campaign_fixture import TODAY, campaign

LIMIT = ImpulseClass.model_validate({"limit": "40960 N*s", "limit_name": "Class 2"})
HZ = 1000
T_ZERO = 2.0  # [s] after the first row


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    return read_campaign(campaign(tmp_path_factory.mktemp("impulse")) / "plans" / "HF-02.toml", today=TODAY)


class Cell:
    """LC-1 fed in pieces of 20 ms."""

    def __init__(self, stand, *, sign=0, expelled_weight=None):
        self.base = TimeBase(1_000_000)
        self.monitor = ChannelMonitor(stand.stand.input_tagged("LC-1"), stand.calibrations["LC-1"])
        self.ring = Ring(self.base, (self.monitor.item.wire,), (Rails(-(2**23), 2**23 - 1),), 1 / HZ)
        self.monitor.attach(self.ring)
        self.impulse = RunningImpulse(self.monitor, LIMIT, weight_sign=sign, expelled_weight=expelled_weight)
        self.t_zero = Moment(self.base, round(T_ZERO * 1e6))

    def run(self, force, seconds, *, until=None, keep=lambda time: True, clip=lambda time: False):
        time = np.arange(round(seconds * HZ)) / HZ
        calibration = self.monitor.calibration
        reading = from_si(np.array([force(t - T_ZERO) for t in time]), calibration)
        counts = np.rint(counts_from_signal(self.monitor.item, calibration.signal(reading), 5.0)).astype(np.int64)
        counts[[clip(t - T_ZERO) for t in time]] = 2**23 - 1
        kept = np.array([keep(t - T_ZERO) for t in time])
        end = Moment(self.base, round((until + T_ZERO) * 1e6)) if until is not None else None
        for start in range(0, time.size, 20):
            part = slice(start, start + 20)
            ticks = np.round(time[part] * 1e6).astype(np.int64)[kept[part]]
            if ticks.size:
                self.ring.add(ticks, counts[part][kept[part]][:, None])
                self.base.heard(int(ticks[-1]), int(ticks[-1]) * 1000)
            seen = start >= T_ZERO * HZ
            past = end if end is not None and start > (until + T_ZERO) * HZ else None
            self.impulse.advance(self.t_zero if seen else None, past)
        return self.impulse.state(Validity.INDICATED)


def test_constant_thrust_over_a_weight_gives_thrust_times_time(stand):
    state = Cell(stand).run(lambda t: -730.0 + (2000.0 if t >= 0 else 0.0), 7.0, until=4.0)
    # Trapezoids and the two half steps at the ends: a millisecond of 2 kN.
    assert state.value == pytest.approx(8000.0, abs=2.5)
    assert (state.sentence, state.at_least) == ("indication only", False)
    assert (state.limit, state.limit_name) == (40960.0, "Class 2")


def test_thrust_after_the_end_is_not_counted(stand):
    state = Cell(stand).run(lambda t: 1000.0 if t >= 0 else 0.0, 8.0, until=2.5)
    assert state.value == pytest.approx(2500.0, abs=1.5)


def test_before_t_zero_there_is_no_value(stand):
    state = Cell(stand).run(lambda t: -730.0, 1.5)
    assert (state.value, state.sentence) == (None, "nothing before T-0")


def test_a_gap_adds_nothing_and_makes_it_at_least(stand):
    state = Cell(stand).run(lambda t: 1000.0 if t >= 0 else 0.0, 8.0, until=4.0, keep=lambda t: not 1.0 <= t < 1.5)
    assert state.value == pytest.approx(3500.0, abs=2.5)
    assert (state.sentence, state.at_least) == ("indication only; 0.501 s of LC-1 missing", True)


@pytest.mark.parametrize("end", [2.0, 9.0])  # in the middle; to the end of thrust and beyond
def test_a_clip_adds_nothing_and_makes_it_at_least(stand, end):
    state = Cell(stand).run(lambda t: 1000.0 if t >= 0 else 0.0, 8.0, until=4.0, clip=lambda t: 1.0 <= t < end)
    assert state.value == pytest.approx(3000.0 if end < 4.0 else 1000.0, abs=2.5)
    assert state.at_least
    assert re.fullmatch(r"indication only; \d\.\d{3} s of LC-1 missing; [\d,]+ samples at its rail", state.sentence)


def test_each_sample_at_the_rail_is_counted_once_however_long_it_stands_there(stand):
    cell = Cell(stand)
    state = cell.run(lambda t: 1000.0 if t >= 0 else 0.0, 6.0, clip=lambda t: 1.0 - 5e-4 <= t < 3.0 - 5e-4)
    assert state.sentence.endswith("; 2,000 samples at its rail")
    lasting = Cell(stand).run(lambda t: 1000.0 if t >= 0 else 0.0, 6.0, clip=lambda t: t >= 1.0 - 5e-4)
    # As far as the sum has come: what lies 0.25 s behind the newest row.
    (count,) = re.findall(r"([\d,]+) samples at its rail", lasting.sentence)
    assert int(count.replace(",", "")) == pytest.approx(2750, abs=25)


def test_a_channel_that_cannot_be_vouched_for_gives_no_value(stand):
    cell = Cell(stand)
    cell.run(lambda t: 1000.0 if t >= 0 else 0.0, 4.0)
    state = cell.impulse.state(Validity.NOT_RESPONDING)
    assert (state.value, state.sentence) == (None, "unknown: LC-1 cannot be vouched for")


def test_without_a_zero_there_is_no_value(stand):
    state = Cell(stand).run(lambda t: 1000.0, 5.0, keep=lambda t: t >= -0.05)
    assert (state.value, state.sentence) == (None, "unknown: LC-1 has no zero from before T-0")


def test_the_weight_that_has_left_is_named_or_taken_out(stand):
    # 100 N of propellant leave evenly in 4 s; with the nozzle down the reading grows by as much: 200 N*s.
    def reading(t):
        return (1000.0 + 25.0 * t) if t >= 0 else 0.0

    plain = Cell(stand, sign=1).run(reading, 7.0, until=4.0)
    assert plain.value == pytest.approx(4200.0, abs=2.5)
    assert plain.sentence == "indication only; lost weight raises it"
    weighed = Cell(stand, sign=1, expelled_weight=lambda t: 25.0 * t).run(reading, 7.0, until=4.0)
    assert weighed.value == pytest.approx(4000.0, abs=2.5)
    assert weighed.sentence == "indication only; lost weight modelled, not weighed"
    other = Cell(stand, sign=-1).run(lambda t: (1000.0 - 25.0 * t) if t >= 0 else 0.0, 7.0, until=4.0)
    assert other.sentence == "indication only; lost weight lowers it"


def test_what_the_running_impulse_cannot_say_fits_in_a_line_of_a_terminal(stand):
    for weight in (None, lambda t: 25.0 * t):
        state = Cell(stand, sign=-1, expelled_weight=weight).run(
            lambda t: 1000.0 if t >= 0 else 0.0, 20.0, until=15.0, keep=lambda t: not 1.0 <= t < 13.0
        )
        assert state.sentence.startswith("indication only; 12.001 s of LC-1 missing; lost weight ")
        assert len(f"  {state.sentence}") <= 80


@pytest.mark.parametrize("samples", [1, 3])
def test_from_the_first_sample_at_the_rail_on_it_is_a_lower_bound(stand, samples):
    end = 1.0 + 1e-3 * samples - 5e-4
    state = Cell(stand).run(lambda t: 1000.0 if t >= 0 else 0.0, 4.0, clip=lambda t: 1.0 - 5e-4 <= t < end)
    samples_word = "sample" if samples == 1 else "samples"
    assert re.fullmatch(rf"indication only; (.* missing; )?{samples} {samples_word} at its rail", state.sentence)
    assert state.at_least


def test_while_the_cell_stands_at_its_rail_what_was_summed_before_is_a_lower_bound(stand):
    cell = Cell(stand)
    cell.run(lambda t: 1000.0 if t >= 0 else 0.0, 2.5, clip=lambda t: t >= 0.4)
    state = cell.impulse.state(Validity.CLIPPED)
    assert state.at_least
    assert 240.0 < state.value <= 400.0
    assert state.sentence.startswith("indication only; LC-1 is at its rail now")
    cell.run(lambda t: 1000.0 if t >= 0 else 0.0, 2.9)
    assert cell.impulse.state(Validity.OPEN_WIRE).value is None


def test_a_predicted_thrust_becomes_what_the_cell_should_read(stand):
    def reading(t):
        return -730.0 + (1000.0 if t >= 0 else 0.0)

    cell = Cell(stand, sign=1, expelled_weight=lambda t: 25.0 * t)
    assert cell.impulse.as_read((900.0, 1100.0), 2.0) is None  # no zero yet
    cell.run(reading, 4.0)
    low, high = cell.impulse.as_read((900.0, 1100.0), 2.0)
    # The cell carries 730 N, and reads 50 N more once these have left; its count is 0.01 N.
    assert (low, high) == (pytest.approx(220.0, abs=0.1), pytest.approx(420.0, abs=0.1))
    upwards = Cell(stand, sign=-1, expelled_weight=lambda t: 25.0 * t)
    upwards.run(reading, 4.0)
    assert upwards.impulse.as_read((900.0, 1100.0), 2.0)[0] == pytest.approx(120.0, abs=0.1)


@pytest.mark.parametrize("sign", [1, -1, 0])
def test_without_a_prediction_of_the_weight_that_left_only_a_cell_that_does_not_carry_it_has_a_band(stand, sign):
    cell = Cell(stand, sign=sign)
    cell.run(lambda t: -730.0 + (1000.0 if t >= 0 else 0.0), 4.0)
    band = cell.impulse.as_read((900.0, 1100.0), 2.0)
    if sign:
        assert band is None
    else:
        assert band == (pytest.approx(170.0, abs=0.1), pytest.approx(370.0, abs=0.1))


def test_a_cell_that_read_further_than_it_was_calibrated_makes_the_sum_at_least_for_good(stand):
    cell = Cell(stand)
    cell.impulse.read_beyond()  # before T-0 it means nothing
    assert cell.run(lambda t: 1000.0 if t >= 0 else 0.0, 4.0).at_least is False
    cell.impulse.read_beyond()
    for standing in (Validity.BEYOND, Validity.INDICATED):
        state = cell.impulse.state(standing)
        assert state.at_least
        assert state.value is not None
        assert "LC-1 read further than it was calibrated" in state.sentence
