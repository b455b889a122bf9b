"""What is called of channels that are withdrawn: once each, in the order of their instants, over when rows say so."""

import dataclasses

import pytest

from standbook.daq.config.campaign import read_campaign
from standbook.daq.live.alarms import Alarms, at_words
from standbook.daq.live.channel_monitor import ChannelMonitor, ChannelReading
from standbook.daq.live.live_state import Validity
from tests.campaign_fixture import TODAY, campaign

SECOND = 1_000_000_000
TAGS = ("PT-11", "PT-12", "PT-21")
GOOD, STALE, OPEN, CLIPPED, STILL, APART, NONE = (
    Validity.INDICATED,
    Validity.STALE,
    Validity.OPEN_WIRE,
    Validity.CLIPPED,
    Validity.NOT_RESPONDING,
    Validity.DISAGREES,
    Validity.NO_DATA,
)


@pytest.fixture(scope="module")
def stand(tmp_path_factory):
    return read_campaign(campaign(tmp_path_factory.mktemp("alarms")) / "plans" / "HF-02.toml", today=TODAY)


@pytest.fixture
def watch(stand):
    return Watch(stand)


class Watch:
    """Three channels of one board, looked at when a test says so; the newest rows are 0.05 s old, or as given."""

    def __init__(self, stand):
        monitors = {tag: ChannelMonitor(stand.stand.input_tagged(tag), stand.calibrations[tag]) for tag in TAGS}
        self.alarms = Alarms(stand.stand, monitors)

    def at(self, seconds, *standings, age=0.05, played_out=frozenset()):
        readings = {
            tag: ChannelReading(standing=one, value=None, noise=0.0, rows=0, age=age)
            for tag, one in zip(TAGS, standings, strict=True)
        }
        self.alarms.note(
            dict(zip(TAGS, standings, strict=True)), readings, round(seconds * SECOND), played_out=played_out
        )
        return [(pytest.approx(ns / SECOND, abs=1e-6), text) for ns, text in self.alarms.standing()]


def test_nothing_is_called_of_a_channel_that_never_was_indicated(watch):
    assert watch.at(1.0, NONE, STALE, OPEN) == []
    assert watch.at(2.0, GOOD, GOOD, OPEN) == []


def test_a_withdrawn_channel_is_called_with_its_reason_and_the_instant_of_its_newest_row_until_it_is_back(watch):
    watch.at(1.0, GOOD, GOOD, GOOD)
    assert watch.at(2.0, GOOD, OPEN, GOOD) == [(1.95, "PT-12 withdrawn: open wire")]
    assert watch.at(3.0, CLIPPED, OPEN, GOOD) == [
        (1.95, "PT-12 withdrawn: open wire"),
        (2.95, "PT-11 withdrawn: clipped"),
    ]
    assert watch.at(4.0, CLIPPED, GOOD, GOOD) == [(2.95, "PT-11 withdrawn: clipped")]
    assert watch.at(5.0, GOOD, GOOD, GOOD) == []


def test_another_reason_keeps_the_instant_from_which_the_channel_was_withdrawn(watch):
    watch.at(1.0, GOOD, GOOD, GOOD)
    watch.at(2.0, APART, APART, GOOD)
    assert watch.at(3.0, STILL, GOOD, GOOD) == [(1.95, "PT-11 withdrawn: not responding")]


def test_two_sensors_that_part_at_once_are_one_sentence(watch):
    watch.at(1.0, GOOD, GOOD, GOOD)
    assert watch.at(2.0, APART, APART, GOOD) == [(1.95, "PT-11 and PT-12 withdrawn: sensors disagree")]


def test_a_board_that_falls_silent_is_one_sentence_and_one_channel_alone_is_its_own(watch):
    watch.at(1.0, GOOD, GOOD, GOOD)
    assert watch.at(2.0, GOOD, GOOD, STALE, age=0.4) == [(1.6, "PT-21 withdrawn: no fresh data")]
    assert watch.at(2.1, STALE, STALE, STALE, age=0.45) == [(1.6, "cradle-a: no fresh data")]
    assert watch.at(9.0, STALE, STALE, STALE, age=7.35) == [(1.6, "cradle-a: no fresh data")]
    assert watch.at(9.5, GOOD, GOOD, GOOD) == []


def test_an_open_wire_is_called_once_although_the_link_was_lost_meanwhile(watch):
    watch.at(1.0, GOOD, GOOD, GOOD)
    called = (1.95, "PT-12 withdrawn: open wire")
    assert watch.at(2.0, GOOD, OPEN, GOOD) == [called]
    assert watch.at(5.0, STALE, STALE, STALE, age=0.5) == [called, (4.5, "cradle-a: no fresh data")]
    assert watch.at(7.0, GOOD, OPEN, GOOD) == [called]
    assert watch.at(8.0, GOOD, GOOD, GOOD) == []


def test_what_went_wrong_while_the_link_was_lost_has_the_instant_of_the_first_rows_after_it(watch):
    watch.at(1.0, GOOD, CLIPPED, GOOD)
    watch.at(5.0, STALE, STALE, STALE, age=0.5)
    assert watch.at(7.0, OPEN, GOOD, GOOD) == [(6.95, "PT-11 withdrawn: open wire")]
    watch.at(8.0, STALE, STALE, STALE, age=0.5)
    assert watch.at(9.0, STILL, GOOD, GOOD) == [(8.95, "PT-11 withdrawn: not responding")]


def test_a_board_that_has_nothing_more_to_send_is_not_late_but_a_broken_wire_stays_one(watch):
    watch.at(1.0, GOOD, GOOD, GOOD)
    watch.at(2.0, GOOD, OPEN, GOOD)
    over = frozenset({"cradle-a"})
    assert watch.at(9.0, STALE, STALE, STALE, age=5.0, played_out=over) == [(1.95, "PT-12 withdrawn: open wire")]
    assert watch.at(9.0, STALE, STALE, STALE, age=5.0, played_out=frozenset({"another"})) == [
        (1.95, "PT-12 withdrawn: open wire"),
        (4.0, "cradle-a: no fresh data"),
    ]


def test_boards_are_called_apart(stand):
    inputs = tuple(
        item.model_copy(update={"device": "cradle-b"}) if item.tag == "PT-21" else item for item in stand.stand.input
    )
    device = stand.stand.device[0]
    two = stand.stand.model_copy(
        update={"device": (device, device.model_copy(update={"name": "cradle-b"})), "input": inputs}
    )
    watch = Watch(dataclasses.replace(stand, stand=two))
    watch.at(1.0, GOOD, GOOD, GOOD)
    assert watch.at(2.0, STALE, STALE, GOOD, age=0.5) == [(1.5, "cradle-a: no fresh data")]
    assert watch.at(3.0, STALE, STALE, STALE, age=0.5) == [
        (1.5, "cradle-a: no fresh data"),
        (2.5, "PT-21 withdrawn: no fresh data"),
    ]


@pytest.mark.parametrize(
    ("seconds", "has_zero", "words"),
    [(4.213, True, "at T+4.21 s"), (-3.0, True, "at T-3.00 s"), (12.3, False, "12.30 s into the recording")],
)
def test_an_instant_is_counted_from_t_zero_or_from_the_start(seconds, has_zero, words):
    assert at_words(seconds, has_t_zero=has_zero) == words
