"""Whether a channel moves with what it is connected to; rings are filled by hand, 1,000 rows a second."""

import numpy as np
import pytest

from standbook.daq.config.calibration import from_si
from standbook.daq.config.campaign import read_campaign
from standbook.daq.config.signal_conversion import Rails, counts_from_signal
from standbook.daq.live.channel_monitor import ChannelMonitor, Ring
from standbook.daq.live.live_clock import Moment, TimeBase
from standbook.daq.live.stuck_sensing_line import (
    END,
    MOST,
    MOVED,
    NOISES,
    SETTLED,
    SPAN,
    StuckLineDetector,
    movement,
    neighbours_of,
)
from tests.campaign_fixture import TODAY, campaign

BAR = 1e5
HZ = 1000
NOISE = 10.0  # counts of 16 bit; about 0.03 bar
TAGS = ("PT-11", "PT-12", "PT-13", "PT-21", "PT-23", "PT-31", "PT-32")
START = 10.0  # [s]: ticks of the first row


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    return read_campaign(campaign(tmp_path_factory.mktemp("response")) / "plans" / "HF-02.toml", today=TODAY)


class Board:
    """Pressure channels of one board, 5 V steady, fed with courses in bar from time zero on."""

    def __init__(self, stand, *, seed=1):
        self.base = TimeBase(1_000_000)
        rails = Rails(-32768, 32767)
        wires = tuple(stand.stand.input_tagged(tag).wire for tag in TAGS)
        self.ring = Ring(self.base, (*wires, "vs"), (rails,) * (len(wires) + 1), 1 / HZ)
        supply = ChannelMonitor(
            stand.stand.input_tagged("VS-1").model_copy(update={"wire": "vs"}), stand.calibrations["VS-1"]
        )
        supply.attach(self.ring)
        self.monitors = {}
        for tag in TAGS:
            item = stand.stand.input_tagged(tag)
            self.monitors[tag] = ChannelMonitor(item, stand.calibrations[tag], supply if item.supply else None)
            self.monitors[tag].attach(self.ring)
        self.supply = supply
        self.random = np.random.default_rng(seed)
        self.seconds = 0.0

    def run(self, seconds, **courses):
        """Add rows: each course is a number or a function of the seconds since the first row."""
        time = self.seconds + np.arange(round(seconds * HZ)) / HZ
        columns = []
        for monitor in (*self.monitors.values(), self.supply):
            course = courses.get(monitor.tag.replace("-", ""), 5.0 / BAR if monitor is self.supply else 10.0)
            value = np.array([course(t) if callable(course) else course for t in time]) * BAR
            signal = monitor.calibration.signal(from_si(value, monitor.calibration))
            exact = counts_from_signal(monitor.item, signal, 5.0)
            noise = 0.0 if monitor is self.supply else NOISE
            columns.append(np.rint(exact + noise * self.random.standard_normal(time.size)))
        ticks = np.round((START + time) * 1e6).astype(np.int64)
        self.ring.add(ticks, np.column_stack(columns).astype(np.int64))
        self.base.heard(int(ticks[-1]), round((START + time[-1]) * 1e9))
        self.seconds += seconds
        return self

    def moves(self):
        return {tag: movement(monitor) for tag, monitor in self.monitors.items()}

    def moment(self, seconds):
        return Moment(self.base, round((START + seconds) * 1e6))


@pytest.fixture
def board(stand):
    return Board(stand)


def falling(rate, start=30.0, since=0.0):
    return lambda t: start - rate * max(0.0, t - since)


def judged(board, tag, seconds, *, flow_since=None, every=0.25, **courses):
    """Judge one channel as time goes on; give the seconds at which it was called silent, or None."""
    response = StuckLineDetector(
        board.monitors[tag], neighbours_of(board.monitors[tag], tuple(board.monitors.values()))
    )
    for _ in range(round(seconds / every)):
        board.run(every, **courses)
        response.judge(board.moves(), flow_since)
        if response.silent:
            return board.seconds
    return None


# --- movement --------------------------------------------------------------------------------------------


def test_a_straight_fall_is_measured_from_end_to_end_and_both_halves_take_part(board):
    one = board.run(2.0, PT11=falling(2.0)).moves()["PT-11"]
    assert one.whole == pytest.approx(-2.0 * (SPAN - END) * BAR, abs=4 * one.doubt)
    assert one.first == pytest.approx(one.second, rel=0.1)
    assert one.is_steady


def test_the_doubt_of_a_movement_is_that_of_three_means_in_which_a_tenth_of_the_rows_count(board):
    monitor = board.run(2.0).monitors["PT-11"]
    values = monitor.readings(slice(0, 2000))[0]
    want = 3**0.5 * values.std() / (END * HZ / 10) ** 0.5
    assert movement(monitor).doubt == pytest.approx(want, rel=0.1)
    assert abs(movement(monitor).whole) < 4 * want


def test_a_jump_is_not_steady(board):
    one = board.run(2.0, PT11=lambda t: 30.0 if t < 1.6 else 28.0).moves()["PT-11"]
    assert abs(one.whole) == pytest.approx(2.0 * BAR, rel=0.1)
    assert not one.is_steady


def test_without_a_window_full_of_good_rows_nothing_is_measured(board):
    assert board.run(SPAN).moves()["PT-11"] is None
    assert board.run(0.5).moves()["PT-11"] is not None
    assert board.run(0.2, PT11=70.0 * 2).moves()["PT-11"] is None  # at the rail


def test_a_channel_without_rows_has_no_movement(stand):
    assert movement(ChannelMonitor(stand.stand.input_tagged("PT-11"), stand.calibrations["PT-11"])) is None


# --- who should move with whom ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("tag", "want"),
    [
        ("PT-11", {"PT-12": False, "PT-13": True}),
        ("PT-21", {"PT-23": True}),
        ("PT-13", {"PT-11": True, "PT-12": True, "PT-31": True, "PT-32": True}),
        ("PT-31", {"PT-32": False, "PT-13": True, "PT-23": True}),
    ],
)
def test_twins_move_together_always_and_what_the_flow_joins_only_in_flow(board, tag, want):
    found = neighbours_of(board.monitors[tag], tuple(board.monitors.values()))
    assert {one.monitor.tag: one.settled for one in found} == want


# --- the verdict -----------------------------------------------------------------------------------------


def test_a_line_that_stays_while_its_twin_falls_is_silent_within_two_seconds(board):
    board.run(3.0, PT11=30.0, PT12=30.0)
    called = judged(board, "PT-11", 3.0, PT11=30.0, PT12=falling(0.9, since=3.0))
    assert called is not None
    assert called - 3.0 <= 2.0


def test_the_twin_that_moves_is_not_blamed(board):
    board.run(3.0, PT11=30.0, PT12=30.0)
    assert judged(board, "PT-12", 4.0, PT11=30.0, PT12=falling(0.9, since=3.0)) is None


def test_both_moving_or_both_still_is_nothing(board):
    assert judged(board, "PT-11", 4.0, PT11=falling(0.9), PT12=falling(0.9)) is None
    assert judged(board, "PT-11", 4.0, PT11=20.0, PT12=20.0) is None


def test_a_jump_of_one_sensor_blames_not_the_other(board):
    board.run(2.0)
    assert judged(board, "PT-11", 4.0, PT12=lambda t: 10.0 if t < 3.1 else 12.0) is None


def test_it_stands_until_the_channel_moves_again(board):
    board.run(3.0, PT11=30.0, PT12=30.0)
    response = StuckLineDetector(
        board.monitors["PT-11"], neighbours_of(board.monitors["PT-11"], tuple(board.monitors.values()))
    )
    course = {"PT11": 30.0, "PT12": falling(0.9, since=3.0)}
    for _ in range(10):
        response.judge(board.run(0.25, **course).moves(), None)
    assert response.silent
    for _ in range(10):  # both stand: nothing new is known
        response.judge(board.run(0.25, PT11=30.0, PT12=27.0).moves(), None)
    assert response.silent
    for _ in range(6):
        response.judge(board.run(0.25, PT11=falling(2.0, start=30.0, since=board.seconds), PT12=27.0).moves(), None)
    assert not response.silent


def test_tank_and_manifold_are_compared_only_in_settled_flow(board):
    courses = {"PT11": 30.0, "PT12": 30.0, "PT13": falling(0.9, start=25.0)}
    board.run(3.0, **courses)
    assert judged(board, "PT-11", 2.0, **courses) is None
    begun = board.moment(board.seconds)
    since = board.seconds
    called = judged(board, "PT-11", 4.0, flow_since=begun, **courses)
    assert called is not None
    assert SETTLED + SPAN <= called - since <= SETTLED + SPAN + 0.6


def test_a_manifold_that_falls_fast_is_a_shutdown_and_blames_no_tank(board):
    rate = 1.5 * MOST * 60.0 / SPAN
    begun = board.moment(-5.0)
    courses = {"PT11": 30.0, "PT12": 30.0, "PT13": falling(rate, start=40.0)}
    assert judged(board, "PT-11", 4.0, flow_since=begun, **courses) is None


def test_a_neighbour_must_move_by_more_than_its_noise_and_a_share_of_its_range(board):
    slow = 0.8 * MOVED * 60.0 / SPAN
    board.run(2.0, PT11=30.0, PT12=30.0)
    assert judged(board, "PT-11", 4.0, PT11=30.0, PT12=falling(slow, since=2.0)) is None
    assert NOISES * movement(board.monitors["PT-12"]).doubt < MOVED * 60.0 * BAR  # noise is not what held it back
