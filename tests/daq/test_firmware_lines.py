"""The sketch that prints lines, on a simulated 32-bit board that is a process of this computer, read by the decoder."""

import re
import tomllib

import numpy as np
import pytest

from standbook.cli.main import run as command
from standbook.daq.wire.text_lines import LineDecoder, LineLayout
from tests.firmware_board import WRAP, all_it_sends, plugged_in, read_from
from tests.firmware_build import FIRMWARE, build_board

pytestmark = pytest.mark.slow
LINES_SKETCH = FIRMWARE / "standbook_lines" / "standbook_lines.ino"


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return tmp_path_factory.mktemp("boards")


@pytest.fixture(scope="module")
def printer(bench):
    return build_board(bench / "printer", "standbook_lines")


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


def test_ports_listen_finds_what_the_sketch_says_of_its_lines(printer, tmp_path, capsys):
    place = tmp_path / "stand.toml"
    with plugged_in(printer, speed=1, eeprom=tmp_path / "cells") as path:
        assert command(["ports", "--listen", path, "--seconds", "2.0", "--write", str(place)]) == 0
    assert "checksum on 100% of the lines" in capsys.readouterr().out
    (device,) = tomllib.loads(place.read_text(encoding="utf-8"))["device"]
    found, said = device["text_lines"], layout_in_the_sketch()
    assert len(found["columns"]) == len(said.columns)
    for role in ("counter", "clock"):
        assert found["columns"].index(found[role]) == said.columns.index(getattr(said, role))
    assert found["clock_hz"] == said.clock_hz


def test_lines_of_eight_inputs_are_printed_whole(bench, tmp_path):
    text = LINES_SKETCH.read_text(encoding="utf-8")
    assert "{A0, A1}" in text
    wide = tmp_path / LINES_SKETCH.name
    wide.write_text(text.replace("{A0, A1}", "{A0, A1, A2, A3, A4, A5, A6, A7}"), encoding="utf-8")
    program = build_board(bench / "wide", "standbook_lines", instead={LINES_SKETCH.name: wide})
    columns = ("boot", "row", "us", *(f"adc{k}" for k in range(8)))
    layout = LineLayout(columns=columns, clock="us", clock_hz=1e6, clock_modulus=WRAP, counter="row", boot="boot")
    # The clock just before its end, so that it has all its digits.
    got = LineDecoder(layout).feed(all_it_sends(program, seconds=2, clock=WRAP - 3_000_000, eeprom=tmp_path / "cells"))
    assert got.damaged_lines == 0
    assert len(got.values) > 190
