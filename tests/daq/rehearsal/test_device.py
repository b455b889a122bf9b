"""The simulated device: what it says decodes to the table it was given, and it waits for nobody."""

import os
import select
import threading
import time

import numpy as np
import pytest

from standbook.daq.errors import LinkError
from standbook.daq.rehearsal.device import RehearsalDevice, play
from standbook.daq.rehearsal.fault_catalogue import BrownOut
from standbook.daq.rehearsal.script import PlayedEdge, PlayedStream, Table, script
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.hello import WireChannel, WireLine
from standbook.daq.wire.messages import PLAYED_OUT

pytestmark = pytest.mark.xdist_group("real_time")

I16, I24 = (-(2**15), 2**15 - 1), (-(2**23), 2**23 - 1)


def table(rows=1000, *, channels=8, start_ticks=20_000_000, edges=()):
    random = np.random.default_rng(7)
    wide = tuple(WireChannel(f"adc{k}", "i24" if k == 0 else "i16", *(I24 if k == 0 else I16)) for k in range(channels))
    counts = random.integers(-30_000, 30_000, (rows, channels)).astype(np.int32)
    counts[0, 0], counts[-1, 0] = I24
    slow = random.integers(-100, 100, (max(1, rows // 100), 1)).astype(np.int32)
    return Table(
        device="cradle-a",
        serial="0007",
        firmware="rehearsal 1",
        boot=17,
        tick_hz=1_000_000,
        start_ticks=start_ticks,
        streams=(
            PlayedStream(number=1, name="fast", interval_ticks=1000, channels=wide, counts=counts),
            PlayedStream(
                number=2, name="slow", interval_ticks=100_000, channels=(WireChannel("t0", "i16", *I16),), counts=slow
            ),
        ),
        lines=(WireLine(0, "fire"), WireLine(1, "valve")),
        edges=edges,
    )


def decoded(frames):
    decoder = Decoder()
    found = decoder.feed(b"".join(frames))
    assert decoder.finish().torn_bytes == 0
    return found


def rows_of(found, stream):
    blocks = [block for block in found.blocks if block.stream == stream]
    return (
        np.concatenate([b.sequence for b in blocks]),
        np.concatenate([b.ticks for b in blocks]),
        np.concatenate([b.counts for b in blocks]),
    )


class Reader:
    """Reads a port on a thread until the device is done; can be told to stand still."""

    def __init__(self, port):
        self.descriptor = os.open(port, os.O_RDONLY | os.O_NOCTTY)
        self.pieces, self.done, self.still = [], threading.Event(), threading.Event()
        self.thread = threading.Thread(target=self._read)
        self.thread.start()

    def _read(self):
        while not (self.done.is_set() and not select.select([self.descriptor], [], [], 0.0)[0]):
            if not self.still.is_set() and select.select([self.descriptor], [], [], 0.01)[0]:
                self.pieces.append(os.read(self.descriptor, 65536))
            elif self.still.is_set():
                time.sleep(0.002)

    def finish(self):
        self.still.clear()
        self.done.set()
        self.thread.join()
        os.close(self.descriptor)
        return b"".join(self.pieces)


def served(device, reader_plan=lambda reader: None):
    """Run a device against a reader; return what was sent and the bytes."""
    sent = []
    thread = threading.Thread(target=lambda: sent.append(device.run(wait=10.0)))
    thread.start()
    reader = Reader(device.port)
    reader_plan(reader)
    thread.join()
    return sent[0], reader.finish()


@pytest.mark.parametrize("start_ticks", [20_000_000, 2**32 - 500_000])
def test_the_script_decodes_to_the_table(start_ticks):
    played = table(start_ticks=start_ticks)
    found = decoded(said.frame for said in script(played, linger=0.5))
    for stream in played.streams:
        sequence, ticks, counts = rows_of(found, stream.number)
        assert np.array_equal(sequence, np.arange(stream.rows))
        assert np.array_equal(ticks, (start_ticks + np.arange(stream.rows) * stream.interval_ticks) % 2**32)
        assert np.array_equal(counts, stream.counts)
    assert found.refused_frames == found.damaged_frames == found.pending_frames == 0


def test_the_script_is_in_order_of_time():
    times = [said.at for said in script(table(), linger=1.0)]
    assert times == sorted(times)


def test_every_hello_says_rehearsal_and_states_its_time_scale():
    found = decoded(said.frame for said in script(table(), time_scale=20.0))
    hellos = [hello for hello, _ in found.hellos]
    assert {hello.name for hello in hellos} == {"fast", "slow"}
    assert all(hello.rehearsal and hello.time_scale == 20.0 for hello in hellos)
    assert hellos[0].firmware == "rehearsal 1"


def test_hello_comes_each_second_and_beats_ten_times():
    found = decoded(said.frame for said in script(table(3000)))
    assert len([h for h, _ in found.hellos if h.stream == 1]) == 4
    assert len([h for h, _ in found.hellos if h.stream == 2]) == 4
    assert len(found.beats) == 30
    assert dict(found.beats[-1].next_sequence) == {1: 3000, 2: 30}
    assert all(dict(beat.next_sequence)[1] == 100 * (k + 1) for k, beat in enumerate(found.beats))


def test_edges_are_said_counted_and_repeated_in_beats():
    found = decoded(said.frame for said in script(table(edges=(PlayedEdge(250_123, 0, 1), PlayedEdge(700_000, 0, 0)))))
    assert [(e.line, e.level, e.edges, e.ticks) for e in found.edges] == [(0, 1, 1, 20_250_123), (0, 0, 2, 20_700_000)]
    assert [beat.lines for beat in found.beats] == [0, 0, 1, 1, 1, 1, 0, 0, 0, 0]
    assert found.beats[3].edges[0] == (1, 20_250_123)
    levels = np.concatenate([b.frame_lines for b in found.blocks if b.stream == 1])
    assert levels[12] == 0
    assert levels[13] == 1  # 20 ms frames; the one at 0.26 s is the first after the edge


def test_a_reset_restarts_the_board_and_the_silence_is_nowhere():
    played = table(2000, edges=(PlayedEdge(1_500_000, 0, 1),))
    found = decoded(said.frame for said in script(played, faults=(BrownOut(at=0.5, seconds=0.4),)))
    first, second = (b for b in found.blocks if b.stream == 1)
    assert (first.boot, second.boot) == (17, 18)
    assert np.array_equal(first.counts, played.streams[0].counts[:500])
    assert np.array_equal(second.counts, played.streams[0].counts[900:])
    assert second.sequence[0] == 0
    assert second.ticks[0] == 50_000
    assert found.edges[0].ticks == 50_000 + 600_000


def test_a_reader_gets_every_count_through_the_pseudo_terminal():
    played = table(2000, edges=(PlayedEdge(1_000_000, 0, 1),))
    with RehearsalDevice(played, time_scale=5.0, linger=0.05, settle=0.05) as device:
        sent, data = served(device)
    found = decoded([data])
    assert sent.complete
    assert sent.overrun == 0
    assert sent.rows_sent == {1: 2000, 2: 20}
    assert sent.sentences() == (
        "stream 1: 2,000 rows sent, 0 had no room",
        "stream 2: 20 rows sent, 0 had no room",
        "played to the end",
    )
    for stream in played.streams:
        assert np.array_equal(rows_of(found, stream.number)[2], stream.counts)
    assert found.leading_bytes == found.damaged_frames == 0


def test_time_scale_shortens_the_play():
    with RehearsalDevice(table(2000), time_scale=10.0, linger=0.0, settle=0.0) as device:
        begin = time.monotonic()
        sent, _ = served(device)
        wall = time.monotonic() - begin
    assert sent.complete
    assert 0.2 <= wall < 2.0  # ten times faster than 2 s of record, and not instead of waiting


def test_the_device_waits_for_nobody_and_says_exactly_what_it_dropped():
    played = table(6000)

    def stand_still(reader):
        time.sleep(0.3)
        reader.still.set()
        time.sleep(0.25)
        reader.still.clear()

    with RehearsalDevice(played, time_scale=6.0, linger=0.1, settle=0.0) as device:
        sent, data = served(device, stand_still)
    found = decoded([data])
    lost = sorted(set(range(6000)) - set(rows_of(found, 1)[0].tolist()))
    said = [row for stream, first, rows in sent.dropped if stream == 1 for row in range(first, first + rows)]
    assert lost == said
    assert len(lost) == sent.rows_dropped[1] > 0
    assert sent.rows_sent[1] + sent.rows_dropped[1] == 6000
    assert found.damaged_frames == 0  # whole frames are dropped, never parts
    overruns = [note.text for note in found.notes if note.text != PLAYED_OUT]
    assert all(text.startswith("overrun: ") and text.endswith(" rows not sent") for text in overruns)
    assert sum(int(text.split()[1]) for text in overruns) == sent.overrun
    assert f"stream 1: rows {lost[0]} to " in " ".join(sent.sentences())


def test_a_small_port_shows_a_short_stop():
    played = table(1500)

    def stand_still(reader):
        time.sleep(0.3)
        reader.still.set()
        time.sleep(0.4)
        reader.still.clear()

    with RehearsalDevice(played, linger=0.1, settle=0.0, port_buffer=1500, ring_bytes=1100) as device:
        sent, data = served(device, stand_still)
    found = decoded([data])
    lost = 1500 - rows_of(found, 1)[0].size
    assert lost == sent.rows_dropped[1] > 0


def test_a_reader_that_leaves_ends_the_play_after_the_table_and_loses_rows_before():
    with RehearsalDevice(table(1000), linger=30.0, settle=0.0) as device:
        sent = []
        thread = threading.Thread(target=lambda: sent.append(device.run(wait=5.0)))
        thread.start()
        descriptor = os.open(device.port, os.O_RDONLY | os.O_NOCTTY)
        time.sleep(0.2)
        os.close(descriptor)
        thread.join(timeout=10.0)
    assert not thread.is_alive()
    assert sent[0].overrun > 0


def test_nobody_at_the_port_is_said_after_a_while():
    with pytest.raises(LinkError, match="nobody opened"):
        play(table(10), wait=0.05, announce=lambda port: None)


def test_a_stop_ends_the_wait():
    stop = threading.Event()
    stop.set()
    sent = play(table(10), stop=stop)
    assert not sent.complete
    assert sent.sentences()[-1] == "stopped before the end"


def test_a_time_scale_beyond_reason_is_refused():
    with pytest.raises(ValueError, match="time_scale"):
        RehearsalDevice(table(10), time_scale=0.0)
