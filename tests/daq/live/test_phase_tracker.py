import pytest

from standbook.daq.live.live_clock import Moment, TimeBase
from standbook.daq.live.live_state import Phase
from standbook.daq.live.phase_tracker import LIT_WITHIN, PhaseWatch

FULL = 40e5  # chamber [Pa]


class Staged:
    """A phase watch that looks at one chamber pressure twenty times a second."""

    def __init__(self, *, is_firing=True, flow_duration=None):
        self.base = TimeBase(1_000_000)
        self.base.heard(0, 0)
        self.watch = PhaseWatch(is_firing=is_firing, flow_duration=flow_duration)
        self.seen = []

    def at(self, seconds):
        return Moment(self.base, round(seconds * 1e6))

    def run(self, start, end, pressure):
        for k in range(round(start * 20), round(end * 20)):
            now = k / 20
            values = {} if pressure is None else {"PT-31": (pressure(now), FULL)}
            self.watch.update(self.at(now), values)
            if not self.seen or self.seen[-1][1] is not self.watch.phase:
                self.seen.append((now, self.watch.phase))
        return self.watch.phase


def flat(_):
    return 0.0


def burning(now):
    return 22e5


def test_a_firing_goes_from_standby_to_burn_to_safing_by_the_edges():
    stage = Staged()
    assert stage.run(-2, 0, flat) is Phase.STANDBY
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    assert stage.run(0, 5, burning) is Phase.BURN
    stage.watch.edge(stage.at(5.01), is_t_zero=False)
    assert stage.watch.phase is Phase.SAFING
    assert stage.watch.since == stage.at(5.01)
    assert stage.watch.spans[Phase.BURN].start == stage.at(0.0)
    assert stage.watch.spans[Phase.BURN].end == stage.at(5.01)
    assert not stage.watch.by_itself


def test_a_fire_command_after_which_nothing_lights_is_a_misfire():
    stage = Staged()
    stage.run(-1, 0, flat)
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    assert stage.run(0, LIT_WITHIN, flat) is Phase.BURN
    assert stage.run(LIT_WITHIN, LIT_WITHIN + 0.2, flat) is Phase.MISFIRE
    stage.watch.edge(stage.at(6.0), is_t_zero=False)
    assert stage.run(6, 10, flat) is Phase.MISFIRE
    assert stage.watch.t_zero == stage.at(0.0)


def test_a_command_taken_back_before_anything_lit_is_a_misfire():
    stage = Staged()
    stage.run(-1, 0, flat)
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    stage.run(0, 1, flat)
    stage.watch.edge(stage.at(1.0), is_t_zero=False)
    assert stage.watch.phase is Phase.MISFIRE


def test_without_a_channel_to_tell_nothing_is_called_a_misfire():
    stage = Staged()
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    assert stage.run(0, 10, None) is Phase.BURN


def test_after_a_misfire_a_late_light_is_a_burn_and_a_new_command_is_a_new_t_zero():
    stage = Staged()
    stage.run(-1, 0, flat)
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    stage.run(0, 4, flat)
    assert stage.run(4, 5, burning) is Phase.BURN
    again = Staged()
    again.run(-1, 0, flat)
    again.watch.edge(again.at(0.0), is_t_zero=True)
    again.run(0, 4, flat)
    again.watch.edge(again.at(60.0), is_t_zero=True)
    assert again.watch.phase is Phase.BURN
    assert again.watch.t_zero == again.at(60.0)


def test_a_burn_that_ends_by_itself_is_seen_when_pressure_has_halved():
    stage = Staged()
    stage.run(-1, 0, flat)
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    # Falls at 5 s with a time constant of 0.1 s: halved after 0.07 s.
    stage.run(0, 7, lambda now: 22e5 if now < 5 else 22e5 * 2.718 ** (-(now - 5) / 0.1))
    assert stage.watch.phase is Phase.SAFING
    assert stage.watch.by_itself
    assert 4.9 <= stage.watch.since.ticks / 1e6 <= 5.1


def test_a_burn_that_blows_down_slowly_has_not_ended():
    stage = Staged()
    stage.run(-1, 0, flat)
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    # 22 to 11 bar in 19 s, as a blowdown does.
    assert stage.run(0, 19, lambda now: 22e5 - 11e5 * now / 19) is Phase.BURN


def test_a_second_edge_during_the_burn_moves_no_t_zero():
    stage = Staged()
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    stage.run(0, 1, burning)
    stage.watch.edge(stage.at(1.0), is_t_zero=True)
    assert stage.watch.t_zero == stage.at(0.0)


@pytest.mark.parametrize("closes", [True, False])
def test_a_cold_flow_ends_when_the_valve_closes_or_well_past_its_planned_time(closes):
    stage = Staged(is_firing=False, flow_duration=14.0)
    stage.run(-1, 0, flat)
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    assert stage.run(0, 20, flat) is Phase.FLOW
    if closes:
        stage.watch.edge(stage.at(20.0), is_t_zero=False)
    else:
        stage.run(20, 22, flat)
    assert stage.watch.phase is Phase.SAFING


def test_a_flow_without_a_planned_time_goes_on():
    stage = Staged(is_firing=False)
    stage.watch.edge(stage.at(0.0), is_t_zero=True)
    assert stage.run(0, 100, flat) is Phase.FLOW
