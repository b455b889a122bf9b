"""From decoded pieces to rings and edges: boots, layouts, edges that were lost, text boards."""

import numpy as np
import pytest

from standbook.daq.config.stand import Device
from standbook.daq.live.intake import Intake
from standbook.daq.recording.journal_follower import Taken
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.encoder import beat_body, edge_body, encode_frame, hello_body, note_body, samples_body
from standbook.daq.wire.hello import Hello, WireChannel, WireLine
from standbook.daq.wire.messages import MODULUS, PLAYED_OUT
from standbook.daq.wire.text_lines import LineDecoder, LineLayout

HZ = 1_000_000
LINES = (WireLine(0, "fire"), WireLine(1, "valve"))
DEVICE = Device.model_validate({"name": "cradle-a"})
EVERY = 20  # rows in a piece; one each millisecond


class Board:
    """Says what a test wants, and hands it over as it arrives, 4 ms after the newest row of a piece."""

    def __init__(self, line="fire", *, boot=3, ticks=0, channels=("adc0", "adc1")):
        self.intake = Intake(DEVICE, line)
        self.decoder, self.hellos = Decoder(), ()
        self.now = 0  # [ns] since the board began
        self.starts(boot, ticks, channels)

    def starts(self, boot, ticks=0, channels=("adc0", "adc1")):
        """Boot, or take up another layout of the same boot."""
        wires = tuple(WireChannel(name, "i16", -32768, 32767) for name in channels)
        self.hello = Hello(
            device="cradle-a",
            serial="0007",
            firmware="test",
            boot=boot,
            tick_hz=HZ,
            stream=1,
            streams=1,
            name="fast",
            interval_ticks=1000,
            channels=wires,
            lines=LINES,
        )
        self.boot, self.ticks, self.sequence = boot, ticks, 0
        return self.say(hello_body(self.hello))

    def say(self, *bodies):
        decoded = self.decoder.feed(b"".join(encode_frame(body) for body in bodies))
        self.hellos = (*self.hellos, *(hello for hello, _ in decoded.hellos))[-1:]
        return self.intake.take(
            Taken(
                device="cradle-a", decoded=decoded, arrival_ns=1_000_000_000 + self.now + 4_000_000, hellos=self.hellos
            )
        )

    def rows(self, count=EVERY, *bodies, value=None):
        """Send rows, and more behind them in the same piece."""
        counts = np.full((count, len(self.hello.channels)), self.sequence if value is None else value, np.int64)
        body = samples_body(self.hello, self.sequence, self.ticks % MODULUS, 0, counts)
        self.sequence += count
        self.ticks += 1000 * count
        self.now += 1_000_000 * count
        return self.say(body, *bodies)

    def edge(self, at, level, edges, line=0):
        return edge_body(line, self.boot & 0xFF, level, edges, at % MODULUS)

    def beat(self, at, edges, lines=0):
        return beat_body(self.boot & 0xFF, lines, at % MODULUS, edges, [(1, self.sequence)])


@pytest.fixture
def board():
    return Board()


def moments(edges):
    return [(moment.ticks, level) for moment, level in edges]


# --- rows ------------------------------------------------------------------------------------------------


def test_rows_go_to_the_ring_of_their_stream_with_unwrapped_ticks():
    board = Board(ticks=MODULUS - 30_000)
    for _ in range(4):
        board.rows()
    ring = board.intake.rings["fast"]
    assert ring.names == ("adc0", "adc1")
    assert (ring.ticks - ring.ticks[0]).tolist() == list(range(0, 80_000, 1000))
    assert ring.newest == MODULUS + 49_000
    assert ring.counts[:, 1].tolist() == [k - k % 20 for k in range(80)]
    assert (ring.rails[0].minimum, ring.rails[0].maximum) == (-32768, 32767)
    assert ring.interval == 0.001


def test_rows_without_a_hello_that_explains_them_are_not_here():
    board = Board()
    fresh = Intake(DEVICE, "fire")
    decoded = Decoder((board.hello,)).feed(encode_frame(samples_body(board.hello, 0, 0, 0, np.zeros((4, 2), int))))
    assert decoded.blocks
    assert fresh.take(Taken(device="cradle-a", decoded=decoded, arrival_ns=0, hellos=())) == ()
    assert fresh.rings == {}


def test_a_layout_saved_earlier_explains_rows(board):
    fresh = Intake(DEVICE, "fire")
    decoded = Decoder((board.hello,)).feed(encode_frame(samples_body(board.hello, 0, 0, 0, np.ones((4, 2), int))))
    fresh.take(Taken(device="cradle-a", decoded=decoded, arrival_ns=0, hellos=(board.hello,)))
    assert fresh.rings["fast"].counts.tolist() == [[1, 1]] * 4


def test_a_new_layout_begins_a_new_ring_on_the_same_clock(board):
    board.rows()
    before, base = board.intake.rings["fast"], board.intake.base
    sequence, ticks = board.sequence, board.ticks
    board.starts(3, ticks, channels=("adc0",))
    board.sequence = sequence
    board.rows()
    assert board.intake.rings["fast"] is not before
    assert board.intake.rings["fast"].names == ("adc0",)
    assert board.intake.base is base


def test_streams_that_nobody_wants_keep_no_rows_but_their_clock_counts(board):
    wanted = Intake(DEVICE, "fire", {"slow"})
    decoded = Decoder((board.hello,)).feed(encode_frame(samples_body(board.hello, 0, 5000, 0, np.ones((4, 2), int))))
    wanted.take(Taken(device="cradle-a", decoded=decoded, arrival_ns=0, hellos=(board.hello,)))
    assert wanted.rings == {}
    assert wanted.base.newest == 8000


def test_a_new_boot_begins_a_new_clock_and_new_rings(board):
    board.rows()
    before = board.intake.base
    board.now += 2_000_000_000
    board.starts(4)
    board.rows()
    assert board.intake.base is not before
    assert board.intake.rings["fast"].ticks.tolist() == list(range(0, 20_000, 1000))


def test_what_was_learned_of_a_columns_noise_outlives_a_boot(board):
    random = np.random.default_rng(1)
    for _ in range(120):
        board.rows(value=np.rint(100 + 5 * random.standard_normal((EVERY, 2))).astype(np.int64))
    floor = board.intake.rings["fast"].floor
    assert (floor > 3.0).all()
    board.starts(4)
    for _ in range(55):
        board.rows(value=100)  # frozen since the board came back
    ring = board.intake.rings["fast"]
    assert np.array_equal(ring.floor, floor)
    assert ring.is_frozen(0)


def test_rows_of_an_earlier_boot_that_come_late_are_left_out(board):
    board.rows()
    late = samples_body(board.hello, 20, 20_000, 0, np.full((4, 2), 77))
    board.starts(4)
    board.rows()
    board.say(late)
    assert 77 not in board.intake.rings["fast"].counts
    assert board.intake.base.newest == 19_000


def test_boots_are_counted_round(board):
    board = Board(boot=255)
    board.rows()
    board.starts(256)
    board.rows(value=5)
    assert board.intake.rings["fast"].counts[:, 0].tolist() == [5] * EVERY


def test_the_words_of_a_made_up_board_are_heard(board):
    assert not board.intake.played_out
    board.say(note_body(0, 3, 0, "range changed"))
    assert not board.intake.played_out
    board.say(note_body(0, 3, 0, PLAYED_OUT))
    assert board.intake.played_out
    assert not board.intake.is_rehearsal


# --- edges -----------------------------------------------------------------------------------------------


def test_an_edge_of_the_wanted_line_is_given_once_with_its_ticks(board):
    board.rows()
    assert moments(board.rows(EVERY, board.edge(31_234, 1, 1))) == [(31_234, True)]
    assert board.say(board.edge(31_234, 1, 1)) == ()  # it came twice
    assert board.say(board.edge(31_300, 1, 1, line=1)) == ()  # another line
    assert moments(board.rows(EVERY, board.edge(55_000, 0, 2))) == [(55_000, False)]


def test_a_lost_edge_is_restored_from_the_next_beat_and_its_own_frame_tells_nothing_new_after_that(board):
    board.rows(EVERY, board.beat(19_500, [(0, 0), (0, 0)]))
    found = board.rows(EVERY, board.beat(39_000, [(1, 31_234), (0, 0)], lines=1))
    assert moments(found) == [(31_234, True)]
    assert board.say(board.edge(31_234, 1, 1)) == ()
    assert board.rows(EVERY, board.beat(59_000, [(1, 31_234), (0, 0)], lines=1)) == ()


def test_the_edge_of_a_pulse_that_was_lost_whole_is_the_last_one(board):
    board.rows(EVERY, board.beat(19_500, [(0, 0), (0, 0)]))
    found = board.rows(EVERY, board.beat(39_000, [(2, 33_000), (0, 0)], lines=0))
    assert moments(found) == [(33_000, False)]


def test_edges_from_before_the_recording_are_none_of_it():
    board = Board(ticks=5_000_000)
    assert board.rows(EVERY, board.beat(5_015_000, [(7, 3_000_000), (0, 0)])) == ()
    found = board.rows(EVERY, board.beat(5_035_000, [(8, 5_022_000), (0, 0)], lines=1))
    assert moments(found) == [(5_022_000, True)]


def test_an_edge_across_the_rollover_of_the_clock_keeps_its_place():
    board = Board(ticks=MODULUS - 30_000)
    board.rows(EVERY, board.beat(MODULUS - 11_000, [(0, 0), (0, 0)]))
    found = board.rows(EVERY, board.beat(MODULUS + 9_500, [(1, MODULUS - 400), (0, 0)], lines=1))
    assert moments(found) == [(MODULUS - 400, True)]


def test_a_board_that_has_no_such_line_gives_no_edges():
    for line in (None, "igniter"):
        board = Board(line)
        assert board.rows(EVERY, board.edge(1000, 1, 1)) == ()


# --- text boards -----------------------------------------------------------------------------------------


def text_board(**more):
    device = Device.model_validate(
        {"name": "board", "format": "text lines", "text_lines": {"columns": ["t", "p"], **more}}
    )
    decoder = LineDecoder(LineLayout(**device.text_lines.model_dump()))
    decoder.feed(b"\n")
    intake = Intake(device)
    return intake, lambda text, at: intake.take(
        Taken(device="board", decoded=decoder.feed(text), arrival_ns=round(at * 1e9))
    )


def test_a_text_board_with_a_clock_has_its_rows_there_in_nanoseconds():
    intake, give = text_board(clock="t", clock_hz=1000.0)
    assert give(b"100,5\n110,6\n", 3.0) == ()
    give(b"120,7\n", 3.02)
    ring = intake.rings[""]
    assert ring.ticks.tolist() == [100_000_000, 110_000_000, 120_000_000]
    assert ring.counts[:, 1].tolist() == [5, 6, 7]
    assert ring.interval == 0.01
    assert intake.base.host_ns(ring.newest) == 3_010_000_000  # least delay: the row of 110 ms came at 3.00 s


def test_a_text_board_without_a_clock_has_its_rows_between_two_arrivals():
    intake, give = text_board()
    give(b"1,5\n", 3.0)
    give(b"1,6\n1,7\n", 3.1)
    assert intake.rings[""].ticks.tolist() == [3_000_000_000, 3_050_000_000, 3_100_000_000]


def test_a_text_board_whose_clock_steps_back_has_started_again():
    intake, give = text_board(clock="t", clock_hz=1000.0)
    give(b"100,5\n110,6\n", 3.0)
    before = intake.base
    give(b"10,7\n20,8\n", 5.0)
    assert intake.base is not before
    assert intake.rings[""].counts[:, 1].tolist() == [7, 8]
