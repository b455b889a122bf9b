"""The node sketch as shipped, on a simulated 32-bit board that is a process of this computer, read by the decoder.

The board is the plain Arduino path (``board_arduino*.cpp``); its time is made up, so what it sends depends on no load.
"""

import json
import time
from itertools import pairwise

import numpy as np
import pytest

from standbook.cli.main import run as command
from standbook.daq.capture.launcher import start_capture
from standbook.daq.recovery.decode_wire import recover_wire
from standbook.daq.recovery.device_stream import read_tapes
from standbook.daq.wire.encoder import encode_frame, note_body
from tests.firmware_board import (
    KEPT,
    WRAP,
    Told,
    all_it_sends,
    assert_beats_name_the_row_that_comes_next,
    assert_rows_were_taken_when_they_say,
    plugged_in,
    read_from,
)
from tests.firmware_build import build_board

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return tmp_path_factory.mktemp("boards")


@pytest.fixture(scope="module")
def node(bench):
    return build_board(bench / "node", flags=[KEPT])


def test_rows_ticks_hellos_beats_and_edges_are_right_across_the_end_of_the_32_bit_clock(node, tmp_path):
    clock = WRAP - 5_000_000
    told = Told(
        all_it_sends(
            node, seconds=12, clock=clock, eeprom=tmp_path / "cells", lines="2:3000000:0,2:3000400:1,2:5200000:0"
        )
    )
    hello, rows = told.hello, told.rows
    assert (hello.device, hello.serial, hello.boot, hello.tick_hz) == ("cradle-a", "0007", 1, 1_000_000)
    assert [(c.name, c.type, c.minimum, c.maximum) for c in hello.channels] == [
        (f"adc{k}", "u16", 0, 1023) for k in range(4)
    ]
    assert rows.gaps.size == 0
    assert rows.sequence.tolist() == list(range(rows.sequence.size))
    assert rows.sequence.size > 11_900  # 12 s at 1000 a second less the start and what is still under way
    assert (rows.counts[:, 0] == rows.sequence % 1024).all()
    assert_rows_were_taken_when_they_say(told, clock)
    assert rows.ticks[0] < WRAP < rows.ticks[-1]

    # Once a second and ten a second; on a link with room each leaves within 20 ms of its time.
    assert len(told.hellos) == 12
    assert len(told.beats) in {118, 119, 120}
    apart = np.diff([beat.ticks for beat in told.beats]) % WRAP
    assert apart.min() > 80_000
    assert apart.max() < 120_000
    assert_beats_name_the_row_that_comes_next(told)

    # The interrupt reads the clock within microseconds of the change; low is 1 on the line "fire".
    assert [(edge.level, edge.restored) for edge in rows.edges] == [(1, False), (0, False), (1, False)]
    assert [edge.ticks - clock for edge in rows.edges] == pytest.approx([3_000_000, 3_000_400, 5_200_000], abs=5)
    assert rows.lost_edges == 0
    assert told.beats[-1].edges == ((3, told.edges[-1].ticks),)
    assert told.beats[-1].lines == 1
    ticks_of_frames, of_frames = rows.ticks[rows.frame_row], rows.frame_lines
    for edge, following in pairwise([*rows.edges, None]):
        inside = ticks_of_frames > edge.ticks
        if following is not None:
            inside &= ticks_of_frames < following.ticks - 100
        assert (of_frames[inside] == edge.level).all()
    assert [note.text for note in told.notes if note.severity > 0] == []


def test_a_link_that_takes_nothing_for_a_while_costs_rows_that_are_counted_and_told(node, tmp_path):
    told = Told(all_it_sends(node, seconds=9, eeprom=tmp_path / "cells", stall="3000000:1500000"))
    (gap,) = told.rows.gaps.tolist()
    spoken = told.said(r"overrun: (\d+) rows skipped, (\d+) since boot")
    # 1.5 s less what the ring and the batches hold: 4,096 bytes and 48 rows of about 10,000 bytes a second.
    assert 900 < gap[1] < 1200
    assert sum(now for now, _ in spoken) == spoken[-1][1] == gap[1]
    assert {note.severity for note in told.notes if "overrun" in note.text} == {2}
    assert_beats_name_the_row_that_comes_next(told)
    assert_rows_were_taken_when_they_say(told, 0)


def test_a_loop_that_is_held_up_costs_rows_that_are_counted_and_told_and_no_edge(node, tmp_path):
    told = Told(
        all_it_sends(node, seconds=14, eeprom=tmp_path / "cells", late="3000000:50000", lines="2:3010000:0,2:3040000:1")
    )
    gaps = told.rows.gaps.tolist()
    spoken = told.said(r"overrun: (\d+) rows skipped, (\d+) since boot")
    assert sum(rows for _, rows in gaps) == sum(now for now, _ in spoken) == spoken[-1][1]
    assert 48 <= spoken[-1][1] <= 51
    # A row that was not taken was not read, so the reads go on without a step.
    assert (told.rows.counts[:, 0] == np.arange(told.rows.sequence.size) % 1024).all()
    assert_rows_were_taken_when_they_say(told, 0)
    assert [edge.ticks for edge in told.rows.edges] == pytest.approx([3_010_000, 3_040_000], abs=5)
    assert told.said(r"rows late by more than 100 us: (\d+), worst (\d+) us")


def test_a_first_loss_half_a_round_of_the_clock_after_the_start_is_told_at_once(node, tmp_path):
    """A clock of 32 bits cannot tell 36 minutes ahead from 36 minutes ago; a board that is held up gets there soon."""
    burst = 2_150_000_000
    assert burst > WRAP // 2
    bounces = ",".join(f"2:{burst + k}:{k % 2}" for k in range(200))
    told = Told(all_it_sends(node, seconds=2152, eeprom=tmp_path / "cells", late="3000000:2140000000", lines=bounces))
    spoken = told.said(r"too many edges at once: (\d+) counted but not sent, (\d+) since boot")
    assert spoken[-1][1] > 100
    first = next(note.ticks for note in told.notes if "too many edges" in note.text)
    assert 0 < first - burst < 100_000


def test_edges_that_find_no_place_to_wait_are_counted_and_told(node, tmp_path):
    bounces = ",".join(f"2:{3_000_000 + 100 * k}:{k % 2}" for k in range(101))
    told = Told(all_it_sends(node, seconds=6, eeprom=tmp_path / "cells", late="3000000:50000", lines=bounces))
    ((now, since_boot),) = told.said(r"too many edges at once: (\d+) counted but not sent, (\d+) since boot")
    assert now == since_boot == 101 - len(told.edges)
    assert told.beats[-1].edges[0][0] == 101
    # The first edge is the one that counts, and it is exact; the last was restored from the beat.
    assert told.rows.edges[0].ticks == pytest.approx(3_000_000, abs=5)
    assert (told.rows.edges[-1].restored, told.rows.edges[-1].level) == (True, 1)
    assert told.rows.lost_edges == now - 1


def test_an_edge_during_the_conversions_of_a_row_is_later_than_the_row(node, tmp_path):
    alone = Told(all_it_sends(node, seconds=2, eeprom=tmp_path / "one"))
    frame = alone.rows.frame_row[50]
    due = int(alone.rows.ticks[frame])
    told = Told(all_it_sends(node, seconds=2, eeprom=tmp_path / "two", lines=f"2:{due + 25}:0"))
    assert told.rows.ticks[told.rows.frame_row[50]] == due
    assert told.rows.edges[0].ticks > due
    assert told.rows.frame_lines[50:52].tolist() == [0, 1]


def test_each_start_has_the_next_number_and_a_start_cut_short_spoils_none(node, tmp_path):
    cells = tmp_path / "cells"
    boots = [Told(all_it_sends(node, seconds=0.5, eeprom=cells)).hello.boot for _ in range(18)]
    assert boots == list(range(1, 19))
    before = cells.read_bytes()
    assert Told(all_it_sends(node, seconds=0.1, eeprom=cells)).hello.boot == 19
    after = cells.read_bytes()
    changed = [at for at in range(len(before)) if before[at] != after[at]]
    assert len(changed) == 2  # the low byte and its complement
    for count in range(len(changed) + 1):  # the power goes while start 19 is written: some cells new, one erased
        spoilt = bytearray(before)
        for at in changed[:count]:
            spoilt[at] = after[at]
        for at in changed[count : count + 1]:
            spoilt[at] = 0xFF
        cells.write_bytes(bytes(spoilt))
        # 19 was never told to anybody before it was whole; leaving it out is right too.
        assert Told(all_it_sends(node, seconds=0.1, eeprom=cells)).hello.boot in ({20} if count == 2 else {19, 20})


@pytest.mark.parametrize(
    "received",
    [
        encode_frame(note_body(2, 1, 0, "stop")) + b"\x00\xff\x11\x13\x03\x04\r\n?help\n",
        bytes(range(256)) * 4,
    ],
    ids=["frames and control characters", "every byte"],
)
def test_received_bytes_change_nothing(node, tmp_path, received):
    with plugged_in(node, eeprom=tmp_path / "one") as path:
        alone, _ = read_from(path, 60_000)
    with plugged_in(node, eeprom=tmp_path / "two") as path:
        spoken_to, sent = read_from(path, 60_000, send=received)
    assert sent >= len(received)
    assert len(alone) == 60_000  # six seconds of the board's time
    assert spoken_to == alone


def test_capture_and_recovery_read_the_board_from_a_pseudo_terminal(node, tmp_path):
    clock = WRAP - 1_500_000
    with plugged_in(node, speed=1, clock=clock, eeprom=tmp_path / "cells", lines="2:1000000:0") as path:
        capture = start_capture("cradle-a", path, 500_000, tmp_path)
        try:
            capture.wait_until_recording()
            deadline = time.monotonic() + 60.0
            while (status := capture.status()) is None or status.written_bytes < 30_000:  # 3 s of the board
                assert time.monotonic() < deadline
                time.sleep(0.05)
        finally:
            assert capture.stop() == 0
    (device_stream,) = read_tapes(tmp_path).values()
    device = recover_wire(device_stream, origin_ns=0, tolerance=1e-4)
    (stream,) = device.streams
    (rows,) = stream.segments
    assert (device.damaged_frames, device.boots, device.lost_edges) == (0, 1, 0)
    assert rows.sequence.tolist() == list(range(rows.sequence.size))
    assert rows.sequence.size > 2500
    assert rows.holes == ()
    assert (rows.counts[:, 0] == rows.sequence % 1024).all()
    assert rows.ticks[0] < WRAP < rows.ticks[-1]
    assert [(edge.line, edge.level) for edge in device.edges] == [("fire", 1)]


def test_ports_listen_says_what_the_board_says(node, tmp_path, capsys):
    with plugged_in(node, speed=1, eeprom=tmp_path / "cells") as path:
        assert command(["ports", "--listen", path, "--seconds", "2.5", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["device"], found["serial"], found["firmware"], found["boot"]) == ("cradle-a", "0007", "1.0.0", 1)
    assert (found["damaged_frames"], found["rehearsal"], found["lines"]) == (0, False, ["fire"])
    (stream,) = found["streams"]
    assert (stream["name"], stream["rate"], stream["lost_rows"]) == ("fast", 1000.0, 0)
    assert [channel["name"] for channel in stream["channels"]] == ["adc0", "adc1", "adc2", "adc3"]
    assert stream["rows"] > 500
    assert found["clock_u_ppm"] > 0.0
