"""The live picture on the demo firing and on simulated tables, played in memory."""

import dataclasses
import re

import numpy as np
import pytest

from standbook.analysis.simulation.story import demo_draw, rehearse
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.plan import Redline
from standbook.daq.live.live_model import Live
from standbook.daq.live.live_state import Phase, Validity
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.rehearsal.fault_catalogue import BrownOut
from standbook.daq.rehearsal.script import script
from standbook.daq.run.marks import CrewMark
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.encoder import encode_frame
from standbook.daq.wire.messages import KIND_EDGE
from standbook.daq.wire.text_lines import LineDecoder, LineLayout
from tests.campaign_fixture import TODAY, campaign
from tests.live_play import STARTED, Played, column_of, said_of, table_of, with_counts

T_ZERO = 8.0  # of the demo firing, after its first row; to a millisecond


@pytest.fixture(scope="module")
def stand(hf02_campaign):
    return hf02_campaign


@pytest.fixture(scope="module")
def firing(hf02_story):
    return hf02_story


@pytest.fixture(scope="module")
def clean(stand, firing):
    return Played(stand, "cradle-a").play(said_of(firing.table))


def from_t_zero(seconds):
    """Row of the demo firing."""
    return round((T_ZERO + seconds) * 1000)


def holding(at, noise=0.0):
    """Let a column keep its count from a time on, with noise of the sensor or without."""

    def change(counts):
        start = from_t_zero(at)
        random = np.random.default_rng(5)
        counts[start:] = np.rint(counts[start] + noise * random.standard_normal(counts.size - start))

    return change


def standing(value, at):
    def change(counts):
        counts[from_t_zero(at) :] = value

    return change


def with_redlines(stand, *redlines):
    lines = tuple(Redline.model_validate(line) for line in redlines)
    return dataclasses.replace(stand, plan=stand.plan.model_copy(update={"redline": lines}))


def channel(state, tag):
    return next(one for one in state.channels if one.tag == tag)


def test_channels_vessels_and_redlines_are_shown_in_one_unit_of_a_dimension(stand):
    shown = dataclasses.replace(stand, stand=stand.stand.shown_in({"pressure": "psi", "force": "lbf"}))
    state = Live(shown.plan, shown.stand, shown.calibrations, started_ns=0).state(1)
    units = {one.unit for one in (*state.channels, *state.vessels)}
    assert {"psi(g)", "lbf"} <= units
    assert not {unit.partition("(")[0] for unit in units} & {"bar", "N"}
    assert [line.text.partition(";")[0] for line in state.redlines] == ["PT-31 below 72.52 psi(g)"]


# --- the clean firing ------------------------------------------------------------------------------------


def test_a_clean_firing_raises_no_alarm_and_withdraws_nothing(clean):
    assert clean.alarms == {}
    withdrawn = {
        (one.tag, one.standing)
        for seconds, state in clean.states
        for one in state.channels
        if seconds > 0.05 and not one.standing.is_shown
    }
    assert withdrawn == set()


@pytest.mark.slow
@pytest.mark.parametrize("number", ["WF-03", "WF-04"])
def test_a_clean_water_flow_raises_no_alarm_and_withdraws_nothing(tmp_path, number):
    flow = read_campaign(campaign(tmp_path) / "plans" / f"{number}.toml", today=TODAY)
    played = Played(flow, "cradle-a").play(said_of(rehearse(flow, demo_draw(number)).table))
    assert played.alarms == {}
    assert {state.phase for _, state in played.states} == {Phase.STANDBY, Phase.FLOW, Phase.SAFING}
    shown = [one.standing.is_shown for seconds, state in played.states for one in state.channels if seconds > 0.05]
    assert all(shown)


@pytest.mark.slow
def test_a_hold_with_tanks_under_steady_pressure_raises_no_alarm(stand):
    """A minute with half a count of noise, less than what is judged by its counts; half a minute with more."""
    courses = {"PT-11": 31e5, "PT-12": 31e5, "PT-21": 31e5, "PT-22": 31e5}
    for noise, seconds in ((0.5, 60.0), (4.0, 30.0)):
        played = Played(stand, "cradle-a").play(said_of(table_of(stand, seconds, courses, noise=noise, rate=100)))
        assert played.alarms == {}


def test_t_zero_is_the_edge_and_the_phases_follow_the_line(clean, firing):
    rise, fall = (edge.ticks / 1e6 for edge in firing.table.edges)
    for seconds, state in clean.states:
        if seconds > 1.0 and min(abs(seconds - rise), abs(seconds - fall)) > 0.1:
            want = Phase.STANDBY if seconds < rise else Phase.BURN if seconds < fall else Phase.SAFING
            assert state.phase is want
            if state.since_t_zero is not None:
                # Mapped by the least delay, which here is that of the edge itself to its piece's end.
                assert state.since_t_zero == pytest.approx(seconds - rise, abs=0.025)
                assert state.phase_seconds == pytest.approx(seconds - (rise if want is Phase.BURN else fall), abs=0.025)


def test_values_are_those_of_the_truth(clean, firing):
    physics = firing.truth
    state = next(state for seconds, state in clean.states if seconds >= T_ZERO + 10.0)
    true = np.interp(state.since_t_zero - 0.05, physics.time, physics.chamber_pressure) - 97.8e3
    # Zero and span of the sensor within its calibration: 0.06 bar of 40, three times.
    assert channel(state, "PT-31").value == pytest.approx(true, abs=0.2e5)
    assert channel(state, "PT-31").unit == "bar(g)"
    assert 0.0 <= channel(state, "PT-31").age < 0.1
    assert [one.tag for one in state.channels[:4]] == ["LC-1", "PT-11", "PT-21", "PT-31"]
    assert [one.is_key for one in state.channels] == [True] * 4 + [False] * 7


def test_the_running_impulse_is_that_of_the_truth_but_for_the_weight_that_left(clean, firing):
    state = clean.states[-1][1].impulse
    mass = sum(firing.truth.expelled_mass.values())
    share = firing.truth.thrust.cumsum()
    # The weight leaves about as thrust is made; of the time axis only the burn counts.
    burning = (firing.truth.time >= 0.0) & (firing.truth.time <= firing.truth.events["closing"])
    weight = 9.80665 * mass * np.trapezoid((share / share[-1])[burning], firing.truth.time[burning])
    assert state.value == pytest.approx(firing.truth.impulse_site + weight, rel=0.01)
    assert "lost weight raises it" in state.sentence


def test_the_safing_lines_say_what_two_sensors_vouch_for(clean):
    words = {vessel.name: vessel.sentence for vessel in clean.states[-1][1].vessels}
    assert re.fullmatch(
        r"oxidiser tank -?0\.\d bar\(g\), 0\.\d s old, PT-11 and PT-12 agree, both responded to venting; "
        r"confirm with the mechanical gauge",
        words["oxidiser tank"],
    )
    before_venting = next(state for seconds, state in clean.states if seconds > T_ZERO + 22)
    assert "no venting seen by both" in before_venting.vessels[0].sentence


def test_no_sentence_says_safe(clean):
    for _, state in clean.states:
        said = [vessel.sentence for vessel in state.vessels] + [state.impulse.sentence, *state.alarms]
        assert not any(re.search(r"\bsafe\b", sentence, re.IGNORECASE) for sentence in said)


# --- what goes wrong -------------------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize(("noise", "twin"), [(0.0, True), (15.0, False)], ids=["the same count", "with noise, no twin"])
def test_a_frozen_line_is_said_in_time_and_stays_unknown_into_safing(stand, firing, noise, twin):
    table = with_counts(firing.table, column_of(stand, "PT-11"), holding(7.0, noise))
    played_stand = stand if twin else without(stand, "PT-12")
    played = Played(played_stand, "cradle-a").play(said_of(table), until=T_ZERO + 21.0)
    (sentence,) = [words for words in played.alarms if words.startswith("PT-11 withdrawn: not responding")]
    # What makes no noise any more is told by that; what does, by what it should have followed.
    assert played.alarms[sentence] <= T_ZERO + 7.0 + (0.5 if noise == 0.0 else 2.0)
    others = [words for words in played.alarms if words != sentence]
    assert all(words.startswith("PT-11 and PT-12 withdrawn: sensors disagree") for words in others)
    last = played.states[-1][1]
    assert channel(last, "PT-11").standing is Validity.NOT_RESPONDING
    assert channel(last, "PT-11").value is None
    assert last.vessels[0].value is None
    assert last.vessels[0].sentence.startswith("oxidiser tank: unknown; PT-11: not responding")


def without(stand, tag):
    """Leave one sensor out of the stand."""
    inputs = tuple(item for item in stand.stand.input if item.tag != tag)
    return dataclasses.replace(stand, stand=stand.stand.model_copy(update={"input": inputs}))


@pytest.mark.slow
def test_open_wires_and_clips_are_said_within_half_a_second_in_their_order(stand, firing):
    faults = [
        ("PT-31", 0, 1.5, "PT-31 withdrawn: open wire"),
        ("LC-1", 2**23 - 1, 2.5, "LC-1 withdrawn: clipped"),
        ("PT-22", 0, 3.5, "PT-22 withdrawn: open wire"),
        ("PT-12", 32766, 4.5, "PT-12 withdrawn: clipped"),
    ]
    table = firing.table
    for tag, count, at, _ in faults:
        table = with_counts(table, column_of(stand, tag), standing(count, at))
    played = Played(stand, "cradle-a").play(said_of(table), until=T_ZERO + 5.5)
    assert len(played.alarms) == len(faults)
    for said, (tag, _, at, words) in zip(played.alarms.items(), faults, strict=True):
        assert said[0].startswith(words)
        assert T_ZERO + at < said[1] <= T_ZERO + at + 0.5
        assert channel(played.states[-1][1], tag).value is None
    assert played.states[-1][1].alarms == tuple(played.alarms)


@pytest.mark.slow
def test_a_port_that_falls_silent_is_said_within_half_a_second_and_every_value_is_blank(stand, firing):
    played = Played(stand, "cradle-a").play(said_of(firing.table), until=T_ZERO + 4.0)
    played.look_until(T_ZERO + 5.0)
    (sentence,) = played.alarms
    assert sentence.startswith("cradle-a: no fresh data at T+3.9")
    assert played.alarms[sentence] <= T_ZERO + 4.5
    for seconds, state in played.states:
        if seconds > T_ZERO + 4.5:
            assert all(one.value is None and one.standing is Validity.STALE for one in state.channels)
            assert all(vessel.value is None for vessel in state.vessels)
            assert state.impulse.value is None


@pytest.mark.slow
def test_a_brown_out_at_ignition_leaves_t_zero_and_a_lower_bound(stand, firing):
    played = Played(stand, "cradle-a").play(said_of(firing.table, faults=[BrownOut(at=T_ZERO + 0.15, seconds=2.1)]))
    (sentence,) = played.alarms
    assert sentence.startswith("cradle-a: no fresh data")
    last = played.states[-1][1]
    assert last.phase is Phase.SAFING
    assert last.since_t_zero == pytest.approx(firing.table.seconds - T_ZERO, abs=0.15)
    assert last.impulse.sentence.startswith("indication only; 2.1")
    assert last.impulse.at_least


@pytest.mark.slow
def test_two_sensors_that_part_are_both_withdrawn(stand, firing):
    def drift(counts):
        counts[from_t_zero(-3.0) :] += 400  # 1.1 bar

    table = with_counts(firing.table, column_of(stand, "PT-11"), drift)
    played = Played(stand, "cradle-a").play(said_of(table), until=T_ZERO - 0.2)
    (sentence,) = played.alarms
    assert sentence.startswith("PT-11 and PT-12 withdrawn: sensors disagree")
    last = played.states[-1][1]
    assert {channel(last, tag).standing for tag in ("PT-11", "PT-12")} == {Validity.DISAGREES}
    assert last.vessels[0].value is None
    assert last.vessels[0].agree is False
    assert "PT-11 and PT-12 disagree" in last.vessels[0].sentence


@pytest.mark.slow
def test_a_vessel_with_one_sensor_is_unknown_whatever_it_reads(stand, firing):
    played = Played(without(stand, "PT-12"), "cradle-a").play(said_of(firing.table), until=T_ZERO + 2)
    vessel = played.states[-1][1].vessels[0]
    assert (vessel.value, vessel.agree) == (None, None)
    assert vessel.sentence.startswith("oxidiser tank: unknown; PT-11 is its only sensor")


def test_sensors_that_never_moved_vouch_for_nothing_in_safing(stand):
    table = table_of(stand, 4.0, {"LC-1": 0.0}, edges=[(1.0, "fire", 1), (3.0, "fire", 0)])
    chamber = np.where(np.arange(4000) < 1200, 0.0, 20e5)
    table = table_of(stand, 4.0, {"PT-31": chamber, "PT-32": chamber}, edges=[(1.0, "fire", 1), (3.0, "fire", 0)])
    played = Played(stand, "cradle-a").play(said_of(table))
    last = played.states[-1][1]
    assert last.phase is Phase.SAFING
    assert "PT-11 and PT-12 have not moved since the recording began" in last.vessels[0].sentence
    assert last.vessels[0].value is None


# --- T-0 -------------------------------------------------------------------------------------------------


def test_t_zero_is_restored_from_a_beat_when_the_edge_frame_is_damaged(stand):
    table = table_of(stand, 3.0, edges=[(1.234567, "fire", 1)], start_ticks=2**32 - 2_000_000)
    whole, damaged = (Played(stand, "cradle-a") for _ in range(2))
    edges = [item.frame for item in script(table) if Decoder().feed(b"\0" + item.frame).edges]
    assert len(edges) == 1
    whole.play(said_of(table))
    damaged.play(
        (at, piece.replace(edges[0], edges[0][:4] + bytes([edges[0][4] ^ 1]) + edges[0][5:]))
        for at, piece in said_of(table)
    )
    assert damaged.decoder.feed(b"").edges == ()
    times = [played.live._phase.t_zero.ticks for played in (whole, damaged)]
    assert times == [2**32 - 2_000_000 + 1_234_567] * 2
    assert encode_frame(bytes([KIND_EDGE])) != edges[0]


@pytest.mark.slow
def test_a_rehearsal_that_plays_fast_counts_in_device_seconds_and_ages_in_real_ones(stand, firing):
    played = Played(stand, "cradle-a", time_scale=20.0).play(
        said_of(firing.table, time_scale=20.0), until=T_ZERO + 10.0
    )
    assert played.alarms == {}
    seconds, state = played.states[-1]
    assert state.rehearsal
    assert state.elapsed == pytest.approx(seconds, abs=0.1)
    assert state.since_t_zero == pytest.approx(seconds - T_ZERO, abs=0.45)  # a piece of 20 ms is 0.4 s here
    later = played.live.state(played.at(seconds) + 300_000_000)
    assert channel(later, "PT-11").age == pytest.approx(0.3, abs=0.05)


def test_a_rehearsal_is_marked_before_any_board_has_said_so(stand):
    for said in (True, False):
        live = Live(stand.plan, stand.stand, stand.calibrations, started_ns=STARTED, rehearsal=said)
        assert live.state(STARTED + 1).rehearsal is said


# --- redlines --------------------------------------------------------------------------------------------


def chamber_low(at):
    return lambda counts: counts.__setitem__(slice(from_t_zero(at), None), counts[:100].mean())


@pytest.mark.slow
def test_no_light_is_called_once_it_should_burn(stand, firing):
    table = firing.table
    for tag in ("LC-1", "PT-31", "PT-32"):

        def dead(counts):
            counts[from_t_zero(0.0) :] = np.resize(counts[: from_t_zero(0.0)], counts.size - from_t_zero(0.0))

        table = with_counts(table, column_of(stand, tag), dead)
    played = Played(stand, "cradle-a").play(said_of(table), until=T_ZERO + 5.0)
    # 40 of 50 samples from T+0.8 s on: T+0.839 s.
    (call,) = [words for words in played.alarms if words.startswith("NO LIGHT: PT-31 below 5 bar(g) at T+0.84")]
    assert played.alarms[call] <= T_ZERO + 0.839 + 0.5
    (line,) = played.states[-1][1].redlines
    assert line.tripped_at == pytest.approx(0.839, abs=0.001)
    assert line.order == 1
    assert played.states[-1][1].phase is Phase.MISFIRE
    assert any(words.startswith("MISFIRE: fire command seen, nothing lit") for words in played.alarms)


def flame_out(at):
    """Let the chamber fall to ambient with a time constant of 50 ms."""

    def change(counts):
        start = from_t_zero(at)
        zero = counts[:500].mean()
        time = np.arange(counts.size - start) / 1000
        counts[start:] = zero + (counts[start:] - zero) * np.exp(-time / 0.05)

    return change


@pytest.mark.slow
@pytest.mark.parametrize("early", [True, False])
def test_a_burn_that_ends_before_the_prediction_says_trips_what_watches_the_burn(stand, firing, early):
    at = 5.0 if early else 18.5
    table = firing.table
    for tag in ("PT-31", "PT-32", "LC-1"):
        table = with_counts(table, column_of(stand, tag), flame_out(at))

    def bands(tag, seconds):
        return (1e5, 30e5) if 0.0 <= seconds <= 19.5 else None

    played = Played(stand, "cradle-a", bands=bands).play(said_of(table), until=T_ZERO + 19.3)
    called = [words for words in played.alarms if words.startswith("NO LIGHT")]
    assert len(called) == early
    assert played.states[-1][1].phase is Phase.SAFING
    if early:
        assert played.alarms[called[0]] <= T_ZERO + at + 0.2 + 0.5


def test_first_out_is_the_earliest_sample_whichever_device_sent_it(stand):
    """A second device reports over a slower link, and its sample is the earlier one."""
    lines = with_redlines(
        stand,
        {"name": "fuel", "phase": "standby", "tag": "PT-21", "above": "20 bar(g)", "call": "FUEL HIGH"},
        {"name": "oxidiser", "phase": "standby", "tag": "PT-11", "above": "20 bar(g)", "call": "OXIDISER HIGH"},
    )
    device = lines.stand.device[0]
    inputs = tuple(
        item.model_copy(update={"device": "cradle-b"}) if item.tag in ("PT-11", "PT-12") else item
        for item in lines.stand.input
    )
    inputs = tuple(
        item.model_copy(update={"supply": "5.0 V"}) if item.device == "cradle-b" and item.supply else item
        for item in inputs
    )
    both = lines.stand.model_copy(
        update={"device": (device, device.model_copy(update={"name": "cradle-b"})), "input": inputs}
    )
    two = dataclasses.replace(lines, stand=both)

    def step(at):
        return np.where(np.arange(4000) < at * 1000, 0.0, 30e5)

    tables = {
        "cradle-a": table_of(two, 4.0, {"PT-21": step(2.010), "PT-22": step(2.010)}),
        "cradle-b": table_of(
            two, 4.0, {"PT-11": step(2.0), "PT-12": step(2.0)}, device="cradle-b", start_ticks=77_000_000
        ),
    }
    live = Live(two.plan, both, two.calibrations, started_ns=STARTED)
    pieces = []
    for name, table in tables.items():
        decoder, hellos = Decoder(), {}
        late = 0.15 if name == "cradle-b" else 0.0
        for at, piece in said_of(table):
            decoded = decoder.feed(piece)
            hellos.update({hello.name: hello for hello, _ in decoded.hellos})
            # The slow link delivers its first pieces at once: the least delay is that of the link at its best.
            arrival = at + (late if at > 1.0 else 0.0)
            pieces.append(
                (
                    arrival,
                    Taken(
                        device=name,
                        decoded=decoded,
                        arrival_ns=STARTED + round(arrival * 1e9),
                        hellos=tuple(hellos.values()),
                    ),
                )
            )
    for _, taken in sorted(pieces, key=lambda pair: pair[0]):
        live.take(taken)
    state = live.state(STARTED + 4_000_000_000)
    assert {line.call: line.order for line in state.redlines} == {"OXIDISER HIGH": 1, "FUEL HIGH": 2}
    called = [words.partition(":")[0] for words in state.alarms]
    assert called[:2] == ["OXIDISER HIGH", "FUEL HIGH"]


@pytest.mark.slow
def test_a_redline_whose_channel_is_withdrawn_says_that_it_is_not_watched(stand, firing):
    table = with_counts(firing.table, column_of(stand, "PT-31"), standing(0, 5.0))
    played = Played(stand, "cradle-a").play(said_of(table), until=T_ZERO + 6.0)
    before = next(state for seconds, state in played.states if seconds > T_ZERO + 4.0).redlines[0]
    after = played.states[-1][1].redlines[0]
    assert (before.armed, before.text) == (True, "PT-31 below 5 bar(g)")
    assert (after.armed, after.tripped_at) == (False, None)
    assert after.text == "PT-31 below 5 bar(g); not watched: PT-31 open wire"


def test_a_redline_that_tripped_stays_latched_and_needs_nobody_to_watch_it_any_more(stand):
    lines = with_redlines(
        stand, {"name": "fuel", "phase": "standby", "tag": "PT-21", "above": "20 bar(g)", "call": "FUEL HIGH"}
    )
    table = table_of(lines, 4.0, {"PT-21": 30e5, "PT-22": 30e5})
    table = with_counts(table, column_of(lines, "PT-21"), lambda counts: counts.__setitem__(slice(2000, None), 0))
    (line,) = Played(lines, "cradle-a").play(said_of(table), until=3.5).states[-1][1].redlines
    assert line.order == 1
    assert line.text == "PT-21 above 20 bar(g)"


@pytest.mark.slow
def test_a_process_that_was_held_up_counts_every_sample_that_came_meanwhile(stand, firing):
    """It last looked at T+3 s, six seconds late, and then finds those six seconds at once: more than a ring holds."""
    lines = with_redlines(
        stand,
        {
            "name": "low",
            "phase": "burn",
            "tag": "PT-31",
            "below": "5 bar(g)",
            "after": "0.8 s",
            "persist": [40, 50],
            "call": "LOW",
        },
    )
    table = firing.table
    table = with_counts(
        table,
        column_of(lines, "PT-31"),
        lambda counts: counts.__setitem__(slice(from_t_zero(3.5), from_t_zero(4.0)), counts[:500]),
    )
    held, whole = (Played(lines, "cradle-a") for _ in range(2))
    pieces = list(said_of(table))
    late = T_ZERO + 9.0
    for seconds, piece in pieces:
        if seconds <= late:
            whole.give(seconds, piece)
            if seconds > T_ZERO + 3.0 >= seconds - 0.02:
                held.live.state(held.at(late))
            held.give(seconds, piece)
    states = [played.live.state(played.at(late)) for played in (held, whole)]
    assert [state.redlines[0].tripped_at for state in states] == [pytest.approx(3.54, abs=0.01)] * 2
    assert states[0].impulse.sentence == states[1].impulse.sentence
    assert states[0].impulse.value == pytest.approx(states[1].impulse.value, rel=1e-9)


# --- bands and marks -------------------------------------------------------------------------------------


@pytest.mark.slow
def test_the_predicted_band_stands_beside_the_value_from_t_zero_on(stand, firing):
    def bands(tag, seconds):
        return (seconds, seconds + 1.0) if tag == "PT-31" and seconds < 10.0 else None

    played = Played(stand, "cradle-a", bands=bands).play(said_of(firing.table), until=T_ZERO + 11.0)
    for seconds, state in played.states:
        low = channel(state, "PT-31").low
        since = state.since_t_zero
        # Beside a mean over 0.1 s whose newest row has an age stands the band of the middle of that.
        at = since - channel(state, "PT-31").age - 0.05 if since is not None else -1.0
        assert (low is None) == (not 0.0 <= at < 10.0), seconds
        if low is not None:
            assert low == pytest.approx(at, abs=1e-9)
            assert channel(state, "PT-31").is_outside == (not low <= channel(state, "PT-31").value <= low + 1.0)
        assert channel(state, "PT-11").low is None


@pytest.mark.slow
def test_a_value_that_came_late_is_held_to_the_band_of_its_own_instant(stand, firing):
    physics = firing.truth
    true = np.interp(np.arange(0.0, 20.0, 0.01), physics.time, physics.tank_pressure["oxidiser"]) - 97.8e3

    def bands(tag, seconds):
        middle = float(np.interp(seconds, np.arange(0.0, 20.0, 0.01), true))
        return (middle - 0.25e5, middle + 0.25e5) if tag == "PT-11" else None  # sensors are good to 0.1 bar

    played = Played(stand, "cradle-a", bands=bands).play(said_of(firing.table), until=T_ZERO + 3.0)
    for late in (0.0, 0.35):  # the pressure falls by 1.3 bar/s
        one = channel(played.live.state(played.at(T_ZERO + 3.0 + late)), "PT-11")
        assert one.age == pytest.approx(late, abs=0.05)
        assert not one.is_outside


def mark_at(played, seconds, key="P", number=1):
    at = played.at(seconds)
    return CrewMark(
        number=number, text="fuel tank pressurising", key=key, by="screen", monotonic_ns=at, boottime_ns=at, wall_ns=at
    )


@pytest.mark.parametrize("swapped", [False, True])
def test_at_the_mark_of_a_pressurising_the_tag_that_rose_is_named(stand, firing, swapped):
    table = firing.table
    if swapped:
        one, two = column_of(stand, "PT-11"), column_of(stand, "PT-21")
        stream = table.streams[0]
        counts = stream.counts.copy()
        counts[:, [one, two]] = counts[:, [two, one]]
        table = dataclasses.replace(table, streams=(dataclasses.replace(stream, counts=counts),))
    played = Played(without(without(stand, "PT-12"), "PT-22"), "cradle-a")

    def on_look(seconds, one):
        if abs(seconds - 0.9) < 0.01:
            one.live.show_marks([mark_at(one, seconds)])

    played.play(said_of(table), until=4.0, on_look=on_look)
    (mark,) = played.states[-1][1].marks
    assert mark.at == pytest.approx(0.9, abs=0.05)
    assert mark.remark == ("PT-11 rose, PT-21 should have" if swapped else "PT-21 rose; PT-11 stayed still")
    said = [state.marks[0].remark for _, state in played.states if state.marks]
    assert said[0] == ""
    assert said.index(mark.remark) * 0.1 < 2.0


@pytest.mark.slow
def test_a_mark_after_which_nothing_rises_says_so_and_one_without_a_plan_says_nothing(stand):
    played = Played(stand, "cradle-a")

    def on_look(seconds, one):
        if abs(seconds - 1.0) < 0.01:
            one.live.show_marks([mark_at(one, seconds), mark_at(one, seconds, key="X", number=2)])

    played.play(said_of(table_of(stand, 12.5)), on_look=on_look)
    first, second = played.states[-1][1].marks
    assert first.remark == "PT-21 did not rise within 10 s; PT-11 stayed still"
    assert second.remark == ""


# --- other devices ---------------------------------------------------------------------------------------


def test_a_text_board_is_watched_too(stand):
    device = stand.stand.device[0].model_validate(
        {
            "name": "board",
            "format": "text lines",
            "text_lines": {"columns": ["t", "p"], "clock": "t", "clock_hz": 1000.0},
        }
    )
    item = stand.stand.input_tagged("PT-12").model_copy(update={"device": "board", "wire": "p"})
    other = stand.stand.model_copy(update={"device": (device,), "input": (item,)})
    live = Live(stand.plan.model_copy(update={"redline": ()}), other, stand.calibrations, started_ns=STARTED)

    decoder = LineDecoder(LineLayout(**device.text_lines.model_dump()))
    decoder.feed(b"\n")
    for k in range(200):
        text = b"".join(b"%d,%d\n" % (20 * k + row, 9600 + (k + row) % 3) for row in range(0, 20, 2))
        live.take(Taken(device="board", decoded=decoder.feed(text), arrival_ns=STARTED + (k + 1) * 20_000_000))
    state = live.state(STARTED + 4_000_000_000)
    (one,) = state.channels
    # 9601 counts of 0.125 mV over 150 ohm: 8.0008 mA of 4 to 20 for 60 bar.
    assert one.value == pytest.approx(15e5, abs=0.5e5)
    assert one.age == pytest.approx(0.0, abs=0.03)
    later = live.state(STARTED + 4_600_000_000)
    assert later.channels[0].standing is Validity.STALE


def test_a_device_that_says_that_it_is_played_out_is_not_late(stand):
    played = Played(stand, "cradle-a").play(said_of(table_of(stand, 2.0)))
    played.look_until(4.0)
    assert played.alarms == {}
    assert channel(played.states[-1][1], "PT-11").standing is Validity.STALE


def test_what_comes_before_its_layout_or_of_another_device_is_left_alone(stand):
    live = Live(stand.plan, stand.stand, stand.calibrations, started_ns=STARTED)
    pieces = list(said_of(table_of(stand, 0.5)))
    decoder = Decoder()
    live.take(Taken(device="stranger", decoded=decoder.feed(pieces[0][1]), arrival_ns=STARTED))
    state = live.state(STARTED + 1)
    assert {one.standing for one in state.channels} == {Validity.NO_DATA}
    assert all(vessel.value is None for vessel in state.vessels)
