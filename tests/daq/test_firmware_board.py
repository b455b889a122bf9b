"""The sketches as shipped, on a made-up 32-bit board that is a process of this computer, read by the decoder.

The board is the plain Arduino path (``board_arduino.cpp``); its time is made up, so what it sends depends on no load.
"""

import json
import re
import time
import tomllib
from itertools import pairwise

import numpy as np
import pytest

from cli.main import run as command
from daq.continuity import assemble
from daq.encode import encode_frame, note_body
from daq.hello import Hello
from daq.launch import start_capture
from daq.lines import LineDecoder, LineLayout
from daq.recover import recover_wire
from daq.tape import read_tapes
from daq.wire import Decoder
from tests.firmware_board import all_it_sends, plugged_in, read_from
from tests.firmware_build import FIRMWARE, HOST, build_board

pytestmark = pytest.mark.slow
WRAP = 2**32
KEPT = "-DNODE_BOOT=BOOT_EEPROM"  # as a board with an EEPROM that keeps what is written at once
LINES_SKETCH = FIRMWARE / "standbook_lines" / "standbook_lines.ino"


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return tmp_path_factory.mktemp("boards")


@pytest.fixture(scope="module")
def node(bench):
    return build_board(bench / "node", flags=[KEPT])


@pytest.fixture(scope="module")
def printer(bench):
    return build_board(bench / "printer", "standbook_lines")


class Told:
    """What a stream of bytes says, with nothing of it damaged or refused."""

    def __init__(self, stream, name="fast"):
        got, end = Decoder().feed(stream), Decoder()
        end.feed(stream)
        self.torn = end.finish().torn_bytes
        assert (got.damaged_frames, got.leading_bytes, got.refusals, got.pending_frames) == (0, 0, (), 0)
        self.hellos = [(hello, at) for hello, at in got.hellos if hello.name == name]
        self.hello: Hello = self.hellos[0][0]
        self.beats, self.edges, self.notes, self.blocks = got.beats, got.edges, got.notes, got.blocks
        self.assembly = assemble(got.blocks, got.beats, got.edges, self.hello)
        assert len(self.assembly.segments) == 1
        self.rows = self.assembly.segments[0]

    def said(self, pattern):
        """The numbers in notes of this form, and nothing where no note has it."""
        found = [re.fullmatch(pattern, note.text) for note in self.notes]
        return [tuple(map(int, match.groups())) for match in found if match]


def assert_rows_were_taken_when_they_say(told, clock):
    """The made-up input of A1 is the milliseconds of the board: it holds a row to its number and its ticks.

    A row is read up to 0.1 ms after it was due, so the milliseconds may have gone on by one.
    """
    rows = told.rows
    assert (np.diff(rows.ticks) == told.hello.interval_ticks * np.diff(rows.sequence)).all()
    late = (rows.counts[:, 1] - 100 - (rows.ticks - clock) // 1000) % 1024
    assert set(late.tolist()) <= {0, 1}


def assert_beats_name_the_row_that_comes_next(told):
    """Of the stream: the first row of the samples frame that follows the beat on the wire."""
    own = [block for block in told.blocks if block.stream == told.hello.stream]
    ends = np.concatenate([block.frame_end for block in own])
    firsts = np.concatenate([block.frame_first for block in own])[np.argsort(ends)]
    ends.sort()
    checked = 0
    for beat in told.beats:
        after = int(np.searchsorted(ends, beat.offset, side="right"))
        if after < ends.size:
            assert dict(beat.next_sequence)[told.hello.stream] == firsts[after]
            checked += 1
    assert checked >= len(told.beats) - 2


def test_rows_ticks_hellos_beats_and_edges_are_right_across_the_end_of_the_32_bit_clock(node, tmp_path):
    clock = WRAP - 5_000_000
    told = Told(all_it_sends(node, seconds=12, clock=clock, eeprom=tmp_path / "cells",
                             lines="2:3000000:0,2:3000400:1,2:5200000:0"))  # fmt: skip
    hello, rows = told.hello, told.rows
    assert (hello.device, hello.serial, hello.boot, hello.tick_hz) == ("cradle-a", "0007", 1, 1_000_000)
    assert [(c.name, c.type, c.minimum, c.maximum) for c in hello.channels] == [
        (f"ain{k}", "u16", 0, 1023) for k in range(4)
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
    told = Told(all_it_sends(node, seconds=14, eeprom=tmp_path / "cells", late="3000000:50000",
                             lines="2:3010000:0,2:3040000:1"))  # fmt: skip
    gaps = told.rows.gaps.tolist()
    spoken = told.said(r"overrun: (\d+) rows skipped, (\d+) since boot")
    assert sum(rows for _, rows in gaps) == sum(now for now, _ in spoken) == spoken[-1][1]
    assert 48 <= spoken[-1][1] <= 51
    # A row that was not taken was not read, so the reads go on without a step.
    assert (told.rows.counts[:, 0] == np.arange(told.rows.sequence.size) % 1024).all()
    assert_rows_were_taken_when_they_say(told, 0)
    assert [edge.ticks for edge in told.rows.edges] == pytest.approx([3_010_000, 3_040_000], abs=5)
    assert told.said(r"rows late by more than 100 us: (\d+), worst (\d+) us")


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


def test_the_made_up_board_does_hand_over_what_it_receives(bench, tmp_path):
    """Else the test before this one could not fail."""
    listening = tmp_path / "standbook_lines.ino"
    listening.write_text(
        "void setup() { Serial.begin(115200); }\n"
        "void loop() { Serial.write('.'); while (Serial.available() > 0) Serial.write((uint8_t)Serial.read()); }\n"
    )
    program = build_board(bench / "listening", "standbook_lines", instead={LINES_SKETCH.name: listening})
    with plugged_in(program) as path:
        found, _ = read_from(path, 20_000, send=b"hear me\n")
    assert b"h" in found


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
    (tape,) = read_tapes(tmp_path).values()
    device = recover_wire(tape, origin_ns=0, tolerance=1e-4)
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
    assert [channel["name"] for channel in stream["channels"]] == ["ain0", "ain1", "ain2", "ain3"]
    assert stream["rows"] > 500
    assert found["clock_u_ppm"] > 0.0


def layout_in_the_sketch():
    """The columns as the sketch's own comment says to write them into stand.toml."""
    lines = LINES_SKETCH.read_text(encoding="utf-8").split("[[device]]")[1].split("clock_modulus")
    text = "[[device]]" + lines[0] + "clock_modulus" + lines[1].split(" */")[0]
    told = re.findall(r"^(?: \*)? *(\[.*\]|\w+ = .+)$", text, re.MULTILINE)
    (device,) = tomllib.loads("\n".join(told))["device"]
    assert device["format"] == "text lines"
    return LineLayout(**{**device["text_lines"], "columns": tuple(device["text_lines"]["columns"])})


def test_text_lines_are_read_across_the_end_of_the_clock_and_from_start_to_start(printer, tmp_path):
    clock = WRAP - 3_000_000
    starts = [all_it_sends(printer, seconds=6, clock=clock, eeprom=tmp_path / "cells") for _ in range(3)]
    decoder = LineDecoder(layout_in_the_sketch())
    got = decoder.feed(b"".join(starts))
    assert (got.damaged_lines, got.leading_bytes, got.rollovers, decoder.finish().torn_bytes < 64) == (0, 0, 3, True)
    boots, rows, ticks, reads, milliseconds = got.values.T
    assert np.unique(boots).size == 3
    assert (np.diff(boots) >= 0).all()
    assert np.diff(got.segment).sum() == 2
    assert got.lost_before.sum() == 0
    for segment in range(3):
        mine = got.segment == segment
        assert rows[mine].tolist() == list(range(int(mine.sum())))
        assert mine.sum() in {598, 599, 600}
        assert (reads[mine] == rows[mine] % 1024).all()
        # The clock is read when the first input is; each row within 0.1 ms of its time.
        assert np.abs(np.diff(got.clock[mine]) - 10_000).max() < 100
        gone = (ticks[mine] - clock) % WRAP // 1000
        assert set(((milliseconds[mine] - 100 - gone) % 1024).tolist()) <= {0.0, 1.0}


def test_text_lines_that_were_not_printed_show_in_the_row_number_and_a_damaged_one_is_dropped(printer, tmp_path):
    stream = all_it_sends(printer, seconds=6, eeprom=tmp_path / "cells", late="3000000:105000")
    got = LineDecoder(layout_in_the_sketch()).feed(stream)
    assert got.lost_before.sum() in {9, 10, 11}
    assert (got.lost_before > 0).sum() == 1
    _, rows, ticks, _, _ = got.values.T
    assert np.abs(ticks - ticks[0] - 10_000 * rows).max() < 10_000
    at = stream.index(b"\n", 4000) + 3
    spoilt = stream[:at] + bytes([stream[at] ^ 1]) + stream[at + 1 :]
    again = LineDecoder(layout_in_the_sketch()).feed(spoilt)
    assert (again.damaged_lines, len(again.values)) == (1, len(got.values) - 1)


def test_text_lines_are_not_changed_by_received_bytes(printer, tmp_path):
    with plugged_in(printer, eeprom=tmp_path / "one") as path:
        alone, _ = read_from(path, 20_000)
    with plugged_in(printer, eeprom=tmp_path / "two") as path:
        spoken_to, sent = read_from(path, 20_000, send=b"stop\n\x03\x11\x13")
    assert sent > 0
    assert len(alone) == 20_000
    assert spoken_to == alone


def test_ports_listen_says_that_a_board_prints_lines(printer, tmp_path, capsys):
    with plugged_in(printer, speed=1, eeprom=tmp_path / "cells") as path:
        assert command(["ports", "--listen", path, "--seconds", "1.0"]) == 0
    assert "text, not frames" in capsys.readouterr().out


def configured(folder, text):
    """A flag that gives the compiler another configuration, as if ``node_config.h`` had been edited."""
    path = folder / "configured.h"
    path.write_text(text, encoding="utf-8")
    return ["-include", path]


def test_another_configuration_with_every_type_eight_lines_and_long_awkward_names(bench):
    program = build_board(bench / "awkward", flags=["-include", HOST / "awkward_config.h"])
    told = Told(all_it_sends(program, seconds=4, lines="3:1000000:0,9:2000000:0"), "mixed")
    hello = told.hello
    assert (hello.device, len(hello.serial)) == ('bench "two" \\ é漢', 64)
    assert [channel.type for channel in hello.channels] == ["i16", "i24", "i32", "u16"]
    assert hello.channels[1].minimum == -(2**23)
    assert [line.name for line in hello.lines][:2] == ["fire", "valve \\ open"]
    assert len(told.hellos) == 4
    assert told.rows.gaps.size == 0
    assert told.rows.sequence.size > 1950
    assert_rows_were_taken_when_they_say(told, 0)
    assert [(edge.line, edge.level, edge.ticks) for edge in told.rows.edges] == [
        (1, 0, pytest.approx(1_000_000, abs=5)),
        (7, 1, pytest.approx(2_000_000, abs=5)),
    ]
    assert any("the boot number is made of noise" in note.text for note in told.notes)


def test_a_value_that_its_type_does_not_hold_costs_its_row_and_is_told(bench, tmp_path):
    text = """
#define NODE_CHANNELS(CHANNEL) CHANNEL("count", A0, SB_U8, 0, 255) CHANNEL("ms", A1, SB_U16, 0, 1023)
#define NODE_LINES(LINE)
#define NODE_BOOT BOOT_EEPROM
"""
    program = build_board(bench / "narrow", flags=configured(tmp_path, text))
    told = Told(all_it_sends(program, seconds=12, eeprom=tmp_path / "cells"))
    assert told.hello.lines == ()
    rows = told.rows
    # Of 1024 reads in turn, 256 fit; nothing else is in the record, and each row stands at its own time.
    assert (rows.counts[:, 0] == rows.sequence % 1024).all()
    assert rows.counts[:, 0].max() == 255
    assert_rows_were_taken_when_they_say(told, 0)
    (misread,) = told.said(r"analogRead\(\) gave (\d+) values that do not fit their type, since boot; rows skipped")
    assert misread[0] >= 7 * 768
    spoken = told.said(r"overrun: (\d+) rows skipped, (\d+) since boot")
    assert sum(now for now, _ in spoken) == spoken[-1][1]
    # Told twice a second at most, and a beat knows of the rows up to a tenth of a second before the end.
    assert -100 <= rows.lost_rows - spoken[-1][1] <= 600


def test_an_external_converter_is_a_second_stream_with_its_own_rows(bench, tmp_path):
    flags = [*configured(tmp_path, "#define NODE_BRIDGE 1\n#define NODE_BAUD 1000000\n"), KEPT]
    program = build_board(bench / "bridge", flags=flags, instead={"bridge_adc.cpp": HOST / "bridge_on_host.cpp"})
    stream = all_it_sends(program, seconds=8, eeprom=tmp_path / "cells", clock=WRAP - 3_000_000)
    fast, bridge = Told(stream), Told(stream, "bridge")
    assert (fast.hello.streams, bridge.hello.streams, bridge.hello.stream) == (2, 2, 2)
    assert fast.rows.gaps.size == 0
    assert (fast.rows.counts[:, 0] == fast.rows.sequence % 1024).all()
    rows = bridge.rows
    assert rows.gaps.size == 0
    assert 620 <= rows.sequence.size <= 640  # 80 a second
    # bridge_on_host.cpp counts its conversions down from zero, by a thousand each.
    assert rows.counts[:, 0].tolist() == [-1000 * (k + 1) for k in range(rows.sequence.size)]
    assert np.abs(rows.ticks - rows.ticks[0] - 12_500 * rows.sequence).max() < 1000
    for told in (fast, bridge):
        assert_beats_name_the_row_that_comes_next(told)


def test_without_a_driver_the_bridge_does_not_compile_and_the_compiler_says_what_to_write(bench, tmp_path):
    with pytest.raises(AssertionError, match=r"bridge_adc\.cpp: write the three functions for your converter"):
        build_board(bench / "unwritten", flags=configured(tmp_path, "#define NODE_BRIDGE 1\n"))


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("#define NODE_BAUD 9600", "the link is too slow, raise NODE_BAUD"),
        ("#define NODE_RATE 300", "NODE_RATE must divide 1000000"),
        ('#define NODE_CHANNELS(C) C("a,b", A0, SB_U16, 0, 1023)', "a channel name holds no control character, comma"),
        ('#define NODE_CHANNELS(C) C("a", A0, SB_U16, 1023, 0)', "lowest count of a channel is not below"),
        ("#define NODE_BATCH_ROWS 200", "so many rows do not fit a frame, lower NODE_BATCH_ROWS"),
    ],
)
def test_a_configuration_that_cannot_work_stops_the_compiler_with_a_sentence(bench, tmp_path, line, says):
    with pytest.raises(AssertionError, match=says):
        build_board(bench / "impossible", flags=configured(tmp_path, line + "\n"))
