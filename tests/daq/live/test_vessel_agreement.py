"""What is said of a vessel: a value that two sensors vouch for, or "unknown" with why."""

import re

import pytest

from standbook.daq.config.campaign import read_campaign
from standbook.daq.live.channel_monitor import ChannelMonitor, ChannelReading
from standbook.daq.live.live_state import Phase, Validity
from standbook.daq.live.vessel_agreement import COVERAGE, PARTED_FOR, VesselMonitor, in_reference, reading_u
from standbook.daq.quantity import parse_quantity
from tests.campaign_fixture import TODAY, campaign

BAR = 1e5
AMBIENT = parse_quantity("97.8 kPa(a)", "pressure")
EVERY = 0.05  # [s] between two looks


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    return read_campaign(campaign(tmp_path_factory.mktemp("vessels")) / "plans" / "HF-02.toml", today=TODAY)


class Tank:
    """The oxidiser tank with PT-11 and PT-12, both 0 to 60 bar(g), or as many of them as asked for."""

    def __init__(self, stand, *tags, name="oxidiser tank", vents=True, chosen=None):
        self.monitors = [ChannelMonitor(stand.stand.input_tagged(tag), stand.calibrations[tag]) for tag in tags]
        self.vessel = VesselMonitor(name, self.monitors, AMBIENT, vents=vents, chosen=chosen)
        self.tags = tags
        self.seconds = 0.0
        self.readings = {}

    def see(self, *bars, lasting=EVERY, safing=False, noise=0.0, age=0.1):
        """Let the sensors indicate values for a while; None is a sensor without fresh data."""
        for _ in range(round(lasting / EVERY)):
            self.seconds += EVERY
            self.readings = {
                tag: ChannelReading(standing=Validity.STALE, value=None, noise=0.0, rows=0, age=9.0)
                if value is None
                else ChannelReading(
                    standing=Validity.INDICATED, value=value * BAR, noise=noise * BAR, rows=100, age=age
                )
                for tag, value in zip(self.tags, bars, strict=True)
            }
            self.vessel.judge(self.readings, self.seconds, is_safing=safing)
        return self

    def state(self, phase=Phase.STANDBY, **standings):
        found = {tag: look.standing for tag, look in self.readings.items()}
        if self.vessel.apart:
            found = {tag: Validity.DISAGREES if one is Validity.INDICATED else one for tag, one in found.items()}
        found.update({tag.replace("_", "-"): standing for tag, standing in standings.items()})
        return self.vessel.state(self.readings, found, phase)


@pytest.fixture
def tank(stand):
    return Tank(stand, "PT-11", "PT-12")


def test_two_sensors_that_agree_give_their_mean_their_oldest_age_and_their_names(tank):
    state = tank.see(0.0, 0.0).see(30.0, 30.2, lasting=0.5, age=0.2).state()
    assert state.value == pytest.approx(30.1 * BAR)
    assert (state.unit, state.reference, state.agree, state.age) == ("bar(g)", "gauge", True, 0.2)
    assert state.sensors == ("PT-11", "PT-12")
    assert state.sentence == (
        "oxidiser tank 30.1 bar(g), 0.2 s old, PT-11 and PT-12 agree, both have moved; "
        "confirm with the mechanical gauge"
    )


def test_a_vessel_is_told_in_the_units_that_people_are_shown(stand):
    tank = Tank(stand, "PT-11", "PT-12", chosen={"pressure": "psi"})
    state = tank.see(0.0, 0.0).see(30.0, 30.2, lasting=0.5).state()
    assert (state.unit, state.reference, state.value) == ("psi(g)", "gauge", pytest.approx(30.1 * BAR))
    assert "oxidiser tank 436.6 psi(g)" in state.sentence  # [SP811] 1 psi is 6 894.757 Pa


def test_sensors_that_part_for_longer_than_a_moment_make_it_unknown(tank):
    tank.see(10.0, 10.0, lasting=1.0).see(10.0, 13.0, lasting=PARTED_FOR)
    assert not tank.vessel.apart
    state = tank.see(10.0, 13.0, lasting=2 * EVERY).state()
    assert (state.value, state.agree) == (None, False)
    assert state.sentence == "oxidiser tank: unknown; PT-11 and PT-12 disagree; use the mechanical gauge"
    assert tank.see(10.0, 10.0, lasting=2 * EVERY).state().agree is True


@pytest.mark.parametrize("apart", [True, False])
def test_they_part_at_three_combined_standard_uncertainties(stand, tank, apart):
    us = [reading_u(stand.calibrations[tag], 10.0 * BAR, 0.0, 100) for tag in ("PT-11", "PT-12")]
    least = COVERAGE * (us[0] ** 2 + us[1] ** 2) ** 0.5 / BAR
    assert 0.05 < least < 1.0
    tank.see(10.0, 10.0 + least * (1.02 if apart else 0.98), lasting=1.0)
    assert tank.vessel.apart is apart


def test_two_sensors_of_unlike_latency_on_a_fast_ramp_have_not_parted(tank):
    for k in range(40):  # 100 bar/s for 0.5 s; the second is 10 ms behind
        pressure = min(50.0, 5.0 * k)
        tank.see(pressure, max(0.0, pressure - 1.0) if pressure < 50.0 else 50.0)
        assert not tank.vessel.apart


def test_sensors_that_had_parted_have_parted_when_a_silent_board_speaks_again(tank):
    tank.see(10.0, 13.0, lasting=1.0)
    silent = tank.see(None, None, lasting=2.0).state()
    assert silent.sentence == (
        "oxidiser tank: unknown; PT-11: no fresh data, PT-12: no fresh data; use the mechanical gauge"
    )
    tank.see(6.0, 9.0)
    assert tank.vessel.apart
    tank.see(None, None, lasting=2.0).see(6.0, 6.0)
    assert not tank.vessel.apart


def test_one_sensor_is_never_enough(stand):
    state = Tank(stand, "PT-11").see(0.0).see(30.0).state()
    assert (state.value, state.agree) == (None, None)
    assert state.sentence == "oxidiser tank: unknown; PT-11 is its only sensor; use the mechanical gauge"


def test_a_sensor_that_is_withdrawn_makes_it_unknown_by_name_and_reason(tank):
    state = tank.see(0.0, 0.0).see(30.0, 30.0).state(PT_11=Validity.NOT_RESPONDING)
    assert (state.value, state.agree) == (None, None)
    assert state.sentence == "oxidiser tank: unknown; PT-11: not responding; use the mechanical gauge"
    both = tank.state(PT_11=Validity.OPEN_WIRE, PT_12=Validity.CLIPPED)
    assert both.age is None
    assert both.sentence == "oxidiser tank: unknown; PT-11: open wire, PT-12: clipped; use the mechanical gauge"


def test_in_safing_sensors_that_never_moved_vouch_for_nothing(stand, tank):
    tank.see(0.0, 0.0).see(30.0, 0.5).see(0.1, 0.1, lasting=0.5, safing=True)
    assert tank.state(Phase.SAFING).sentence == (
        "oxidiser tank: unknown; PT-12 has not moved since the recording began; use the mechanical gauge"
    )
    still = Tank(stand, "PT-11", "PT-12").see(0.1, 0.1, lasting=0.5, safing=True)
    assert "PT-11 and PT-12 have not moved since the recording began" in still.state(Phase.SAFING).sentence


def test_venting_counts_when_both_fell_since_safing_began(tank):
    tank.see(0.0, 0.0).see(15.0, 15.0).see(15.0, 15.0, safing=True)
    assert "no venting seen by both" in tank.state(Phase.SAFING).sentence
    tank.see(14.0, 14.0, safing=True)
    assert "no venting seen by both" in tank.state(Phase.SAFING).sentence
    state = tank.see(0.1, 0.1, safing=True).state(Phase.SAFING)
    assert state.sentence == (
        "oxidiser tank 0.1 bar(g), 0.1 s old, PT-11 and PT-12 agree, both responded to venting; "
        "confirm with the mechanical gauge"
    )


def test_a_chamber_that_has_emptied_before_safing_began_has_fallen_and_was_not_vented(stand):
    chamber = Tank(stand, "PT-31", "PT-32", name="chamber", vents=False)
    chamber.see(0.0, 0.0).see(20.0, 20.0).see(0.1, 0.1).see(0.1, 0.1, safing=True)
    assert chamber.state(Phase.SAFING).sentence == (
        "chamber 0.1 bar(g), 0.1 s old, PT-31 and PT-32 agree, both have fallen; confirm with the mechanical gauge"
    )
    still = Tank(stand, "PT-31", "PT-32", name="chamber", vents=False).see(0.0, 0.0)
    still.see(20.0, 20.0, lasting=0.5, safing=True)
    assert "no fall seen by both" in still.state(Phase.SAFING).sentence


def test_a_value_below_nothing_has_no_minus(tank):
    sentence = tank.see(30.0, 30.0).see(-0.02, -0.01).state().sentence
    assert sentence.startswith("oxidiser tank 0.0 bar(g)")


def test_an_absolute_and_a_gauge_sensor_are_compared_in_the_reference_of_the_first(stand):
    tank = Tank(stand, "PT-11", "PT-12")
    tank.monitors[1].calibration = stand.calibrations["PT-12"].model_copy(update={"reading_unit": "bar(a)"})
    assert tank.monitors[1].calibration.reference == "absolute"
    state = tank.see(0.0, 0.978).see(10.0, 10.978, lasting=0.5).state()
    assert state.agree is True
    assert (state.value, state.unit) == (pytest.approx(10.0 * BAR), "bar(g)")
    assert not tank.see(10.0, 10.0, lasting=1.0).state().agree


def test_no_sentence_says_that_anything_may_be_approached(tank):
    for phase in Phase:
        said = tank.see(0.0, 0.0).see(30.0, 30.0).see(0.0, 0.0, safing=phase is Phase.SAFING).state(phase).sentence
        assert re.search(r"confirm with the mechanical gauge$", said)
        assert not re.search(r"\bsafe\b|\bmay\b|\bclear\b|\bapproach\b", said)


@pytest.mark.parametrize(
    ("value", "of", "wanted", "result"),
    [
        (10.0 * BAR, "gauge", "absolute", 10.978 * BAR),
        (10.978 * BAR, "absolute", "gauge", 10.0 * BAR),
        (10.0 * BAR, "gauge", "gauge", 10.0 * BAR),
        (10.0 * BAR, None, None, 10.0 * BAR),
    ],
)
def test_a_pressure_changes_its_reference_by_the_barometer(value, of, wanted, result):
    assert in_reference(value, of, wanted, AMBIENT) == pytest.approx(result)


def test_the_uncertainty_of_a_mean_is_its_parts_in_square(stand):
    calibration = stand.calibrations["PT-11"]
    at_zero = reading_u(calibration, 0.0, 0.0, 100)
    hysteresis = calibration.hysteresis_uncertainty.value * 60.0 * BAR
    assert at_zero == pytest.approx((calibration.zero_uncertainty**2 * BAR**2 + hysteresis**2) ** 0.5)
    slope = calibration.slope_u() * 30.0 * BAR
    assert reading_u(calibration, 30.0 * BAR, 0.0, 100) == pytest.approx((at_zero**2 + slope**2) ** 0.5)
    # A hundred rows count as ten.
    noisy = reading_u(calibration, 0.0, 1000.0, 100)
    assert noisy == pytest.approx((at_zero**2 + 1000.0**2 / 10.0) ** 0.5)
    assert reading_u(calibration, 0.0, 1000.0, 0) == pytest.approx((at_zero**2 + 1000.0**2) ** 0.5)
