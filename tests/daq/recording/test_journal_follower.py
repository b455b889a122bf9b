import dataclasses

import numpy as np
import pytest

from standbook.daq.config.stand import Device
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter, journal_name
from standbook.daq.recording.journal_follower import Follower
from standbook.daq.recording.link_health import SAID_FOR, LinkWatch
from standbook.daq.wire.decoder import KNOWN_HELLOS
from standbook.daq.wire.encoder import beat_body, encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import Hello, WireChannel
from standbook.daq.wire.text_lines import DecodedLines

DEVICE = Device.model_validate({"name": "a"})
TEXT = Device.model_validate(
    {
        "name": "a",
        "format": "text lines",
        "text_lines": {"columns": ["n", "t", "v"], "clock": "t", "counter": "n"},
    }
)


def hello(*, boot=1, names=("adc0",)):
    channels = tuple(WireChannel(name, "i16", -32768, 32767) for name in names)
    return Hello(
        device="a",
        serial="1",
        firmware="1",
        boot=boot,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=1000,
        channels=channels,
        lines=(),
    )


def samples(said, first, rows=10):
    counts = np.full((rows, len(said.channels)), first, np.int32)
    return b"".join(encode_samples(said, first, first * 1000, 0, counts, rows))


class Recorded:
    """Journals as capture writes them."""

    def __init__(self, folder):
        self.folder, self.number, self.time = folder, 0, 0
        self.writer = None

    def open(self):
        self.number += 1
        self.writer = JournalWriter(self.folder / journal_name("a", self.number), {"device": "a"})
        self._note(Event.OPENED)

    def data(self, *pieces):
        for piece in pieces:
            self.time += 20_000_000
            self.writer.append(Row(self.time, self.time, self.time, Event.DATA, piece))

    def close(self):
        self._note(Event.CLOSED)
        self.writer.close()

    def _note(self, event):
        self.writer.append(Row(self.time, self.time, self.time, event))


def rows_of(news):
    return [row for taken in news for block in taken.decoded.blocks for row in block.sequence.tolist()]


def test_a_restart_of_the_board_is_said_with_its_first_piece_of_rows(tmp_path):
    recorded = Recorded(tmp_path)
    recorded.open()
    said, again = hello(), hello(boot=2)
    recorded.data(encode_frame(hello_body(said)), samples(said, 0))
    follower = Follower(DEVICE, tmp_path)
    assert follower.poll().word == ""
    recorded.data(encode_frame(hello_body(again)))
    assert follower.poll().restarts == 0
    recorded.data(samples(again, 0))
    seen = follower.poll()
    assert (seen.restarts, seen.word) == (1, "the board restarted; what it measured meanwhile is lost")
    assert seen.word_ns == recorded.time
    recorded.close()


def test_a_restart_is_called_for_half_a_minute_and_counted_from_then_on(tmp_path):
    link = LinkWatch(DEVICE)
    recorded = Recorded(tmp_path)
    recorded.open()
    for boot in (1, 2):
        recorded.data(encode_frame(hello_body(hello(boot=boot))), samples(hello(boot=boot), 0))
    seen = Follower(DEVICE, tmp_path).poll()
    recorded.close()
    at = seen.word_ns / 1e9
    states = [link.evaluate(at + after, seen, None, (), has_ended=False) for after in (0.1, SAID_FOR - 1, SAID_FOR + 1)]
    assert [bool(state.message) for state in states] == [True, True, False]
    assert [state.restarts for state in states] == [1, 1, 1]


def test_what_was_decoded_is_handed_on_piece_by_piece_with_its_arrival(tmp_path):
    recorded, said = Recorded(tmp_path), hello()
    follower = Follower(DEVICE, tmp_path)
    recorded.open()
    recorded.data(b"\x00" + encode_frame(hello_body(said)), samples(said, 0), samples(said, 10))
    news = []
    seen = follower.poll(news.append)
    assert [taken.arrival_ns for taken in news] == [20_000_000, 40_000_000, 60_000_000]
    assert rows_of(news) == list(range(20))
    assert {(taken.device, taken.opening, taken.hellos) for taken in news} == {("a", 1, (said,))}
    assert (seen.rows, seen.lost_rows, seen.damaged) == (20, 0, 0)
    follower.poll(news.append)
    assert len(news) == 3


def test_the_last_bytes_of_an_opening_are_read_with_its_own_decoder(tmp_path):
    recorded, said = Recorded(tmp_path), hello()
    follower = Follower(DEVICE, tmp_path)
    recorded.open()
    frame = samples(said, 10)
    recorded.data(b"\x00" + encode_frame(hello_body(said)), samples(said, 0), frame[:20])
    news = []
    follower.poll(news.append)
    # Between two looks the rest of the frame comes, another, and half a one; then the port is plugged in again.
    recorded.data(frame[20:], samples(said, 20), samples(said, 30)[:15])
    recorded.close()
    recorded.open()
    recorded.data(samples(said, 40)[7:], samples(said, 50))
    seen = follower.poll(news.append)
    assert rows_of(news) == [*range(30), *range(50, 60)]
    assert seen.openings == 2
    assert seen.damaged == 0  # half frames at the seams are torn, not damaged
    assert seen.lost_rows == 20
    assert [taken.opening for taken in news][-2:] == [2, 2]


def test_several_openings_between_two_looks_are_all_read(tmp_path):
    recorded, said = Recorded(tmp_path), hello()
    follower = Follower(DEVICE, tmp_path)
    for k in range(4):
        recorded.open()
        recorded.data(b"\x00" + encode_frame(hello_body(said)), samples(said, 10 * k))
        recorded.close()
    news = []
    assert follower.poll(news.append).openings == 4
    assert rows_of(news) == list(range(40))


def test_a_saved_layout_serves_a_device_whose_hello_does_not_come(tmp_path):
    recorded, said = Recorded(tmp_path), hello()
    recorded.open()
    recorded.data(b"\x00" + samples(said, 0))
    without, told = [], []
    Follower(DEVICE, tmp_path).poll(without.append)
    Follower(DEVICE, tmp_path, [said]).poll(told.append)
    assert rows_of(without) == []
    assert rows_of(told) == list(range(10))
    assert told[0].hellos == (said,)


def test_a_text_board_hands_on_its_lines(tmp_path):
    recorded = Recorded(tmp_path)
    recorded.open()
    recorded.data(b"half\n1,100,2.5\n2,200,", b"3.5\n3,x,1\n")
    news = []
    seen = Follower(TEXT, tmp_path).poll(news.append)
    assert all(isinstance(taken.decoded, DecodedLines) for taken in news)
    assert np.concatenate([taken.decoded.values[:, 2] for taken in news]).tolist() == [2.5, 3.5]
    assert (seen.rows, seen.damaged) == (2, 1)


@pytest.mark.parametrize("rows", [1, 7])
def test_a_device_that_boots_for_ever_does_not_fill_memory(tmp_path, rows):
    recorded = Recorded(tmp_path)
    recorded.open()
    follower = Follower(DEVICE, tmp_path)
    for boot in range(600):
        said = hello(boot=boot)
        recorded.data(b"\x00" + encode_frame(hello_body(said)) + samples(said, 0, rows))
    assert follower.poll().rows == 600 * rows
    assert len(follower._next) <= 256
    assert len(follower.first_bytes) <= 4096


def test_a_device_that_renames_its_streams_without_end_does_not_fill_memory(tmp_path):
    made = Recorded(tmp_path)
    made.open()
    names = [f"stream{number}" for number in range(KNOWN_HELLOS + 50)]
    said = [dataclasses.replace(hello(boot=number), name=name) for number, name in enumerate(names)]
    made.data(*(b"".join(encode_frame(hello_body(one)) for one in said[k : k + 100]) for k in range(0, len(said), 100)))
    follower = Follower(DEVICE, tmp_path)
    follower.poll()
    assert list(follower.hellos) == names[-KNOWN_HELLOS:]


def test_a_beat_is_handed_on_too(tmp_path):
    recorded, said = Recorded(tmp_path), hello()
    recorded.open()
    recorded.data(b"\x00" + encode_frame(hello_body(said)) + encode_frame(beat_body(1, 0, 5000, [], [(1, 5)])))
    news = []
    Follower(DEVICE, tmp_path).poll(news.append)
    assert [beat.ticks for beat in news[0].decoded.beats] == [5000]
