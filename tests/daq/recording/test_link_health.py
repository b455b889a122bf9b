"""Rate, ages and the one sentence of a link."""

import dataclasses

import pytest

from standbook.daq.capture.process_status import CaptureStatus
from standbook.daq.config.stand import Device
from standbook.daq.recording.journal_follower import Seen
from standbook.daq.recording.link_health import LinkWatch
from standbook.daq.wire.hello import Hello, WireChannel

SECOND = 1_000_000_000


def device(serial: str = "") -> Device:
    return Device.model_validate({"name": "cradle-a", "serial": serial, "clock_tolerance": "50 ppm"})


def hello(serial: str) -> Hello:
    channels = (WireChannel("adc0", "i24", -5, 5),)
    return Hello(
        device="cradle-a",
        serial=serial,
        firmware="1.0.0",
        boot=1,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=1000,
        channels=channels,
        lines=(),
    )


def seen(rows: int = 0, arrival: float | None = None) -> Seen:
    arrival_ns = None if arrival is None else round(arrival * SECOND)
    return Seen(
        device="cradle-a",
        received_bytes=10 * rows,
        frames=rows,
        rows=rows,
        lost_rows=0,
        damaged=0,
        openings=1,
        newest_arrival_ns=arrival_ns,
    )


STATUS = CaptureStatus(device="cradle-a", pid=1, port="/dev/ttyACM0", state="recording", openings=1)


def test_the_rate_is_that_of_the_last_second() -> None:
    link = LinkWatch(device())
    rates = [link.evaluate(step / 10, seen(100 * step), STATUS, (), has_ended=False).rate for step in range(31)]
    assert rates[0] == 0.0
    assert rates[1:] == pytest.approx([1000.0] * 30)
    stopped = [link.evaluate(3.0 + step / 10, seen(3000), STATUS, (), has_ended=False).rate for step in range(1, 12)]
    assert stopped[-1] == 0.0
    assert len(link._rows) < 20


def test_ages_are_counted_from_the_newest_byte_and_from_the_newest_durable_write() -> None:
    status = dataclasses.replace(STATUS, written_ns=round(9.9 * SECOND), synced_ns=round(9.8 * SECOND))
    link = LinkWatch(device()).evaluate(10.0, seen(1, 9.95), status, (), has_ended=False)
    assert link.data_age == pytest.approx(0.05)
    assert link.sync_age == pytest.approx(0.2)
    assert (link.state, link.message) == ("recording", "")


def test_what_is_not_known_yet_has_no_age() -> None:
    link = LinkWatch(device()).evaluate(10.0, seen(), None, (), has_ended=False)
    assert (link.data_age, link.sync_age, link.state) == (None, None, "recording")


def test_lost_and_ended_are_told_apart() -> None:
    lost = dataclasses.replace(STATUS, state="lost", message="/dev/ttyACM0: the port was lost; plug it in again")
    watch = LinkWatch(device())
    assert watch.evaluate(1.0, seen(), lost, (), has_ended=False).state == "lost"
    assert watch.evaluate(1.0, seen(), lost, (), has_ended=False).message == lost.message
    assert watch.evaluate(1.0, seen(), lost, (), has_ended=True).state == "ended"


def test_a_disk_that_lags_or_lost_bytes_is_said() -> None:
    slow = dataclasses.replace(STATUS, written_ns=9 * SECOND, synced_ns=6 * SECOND)
    message = LinkWatch(device()).evaluate(9.0, seen(), slow, (), has_ended=False).message
    assert message == "cradle-a: the disk is slow; what came in the last 3.0 s is not durable yet"
    full = dataclasses.replace(slow, dropped_bytes=1500)
    message = LinkWatch(device()).evaluate(9.0, seen(), full, (), has_ended=False).message
    assert message == "cradle-a: the disk was too slow, 1,500 bytes are not kept"


@pytest.mark.parametrize(("stated", "first"), [("0007", "0007"), ("", "0007")])
def test_another_board_on_the_port_is_told(stated: str, first: str) -> None:
    watch = LinkWatch(device(stated))
    assert watch.evaluate(1.0, seen(), STATUS, (hello(first),), has_ended=False).message == ""
    assert watch.evaluate(2.0, seen(), STATUS, (hello("0009"),), has_ended=False).message == (
        'cradle-a: the board says serial number "0009", not "0007"; another board is on this port'
    )


def test_a_board_other_than_the_stand_states_is_told_at_once() -> None:
    link = LinkWatch(device("0007")).evaluate(1.0, seen(), STATUS, (hello("0009"),), has_ended=False)
    assert "another board is on this port" in link.message
