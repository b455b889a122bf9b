"""Other configurations than the one shipped: what they send from a simulated board, and what stops the compiler."""

import shutil
import subprocess

import numpy as np
import pytest

from tests.emulator.toolchain import ARDUINO
from tests.firmware_board import (
    KEPT,
    WRAP,
    Told,
    all_it_sends,
    assert_beats_name_the_row_that_comes_next,
    assert_rows_were_taken_when_they_say,
)
from tests.firmware_build import HOST, NODE, build_board
from tests.firmware_tools import require

CORE = ARDUINO / "arduino" / "avr"
EIGHT_LINES = "NODE_LINES(L)=" + " ".join(f'L("line{k}", {k + 2}, LINE_LOW_IS_1)' for k in range(8))


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    return tmp_path_factory.mktemp("boards")


def configured(folder, text):
    """A flag that gives the compiler another configuration, as if ``node_config.h`` had been edited."""
    path = folder / "configured.h"
    path.write_text(text, encoding="utf-8")
    return ["-include", path]


@pytest.mark.slow
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


@pytest.mark.slow
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


@pytest.mark.slow
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


@pytest.mark.slow
def test_without_a_driver_the_bridge_does_not_compile_and_the_compiler_says_what_to_write(bench, tmp_path):
    with pytest.raises(AssertionError, match=r"bridge_adc\.cpp: write the three functions for your converter"):
        build_board(bench / "unwritten", flags=configured(tmp_path, "#define NODE_BRIDGE 1\n"))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("#define NODE_BAUD 9600", "the link is too slow, raise NODE_BAUD"),
        ("#define NODE_RATE 300", "NODE_RATE must divide 1000000"),
        ('#define NODE_CHANNELS(C) C("a,b", A0, SB_U16, 0, 1023)', "a channel name holds no control character, comma"),
        ('#define NODE_CHANNELS(C) C("a", A0, SB_U16, 1023, 0)', "lowest count of a channel is not below"),
        ("#define NODE_BATCH_ROWS 200", "so many rows do not fit a frame, lower NODE_BATCH_ROWS"),
        # What the program would refuse in a hello is refused before it is flashed.
        ('#define NODE_CHANNELS(C) C("a", A0, SB_U16, 0, 9) C("a", A1, SB_U16, 0, 9)', "two channels .* the same name"),
        ('#define NODE_CHANNELS(C) C("a", A0, SB_U8, 0, 1023)', "counts of a channel do not fit its type"),
        ('#define NODE_CHANNELS(C) C("a ", A0, SB_U16, 0, 1023)', "a channel name has .* no space at its ends"),
        ('#define NODE_LINES(L) L("f", 2, LINE_LOW_IS_1) L("f", 3, LINE_LOW_IS_1)', "two digital lines .* same name"),
        ('#define NODE_LINES(L) L("f", A1, LINE_LOW_IS_1)', "a digital line and a channel are on the same pin"),
        (f'#define NODE_SERIAL "{65 * "0"}"', "device, serial, firmware and stream have 1 to 64 characters"),
        ('#define NODE_STREAM "a/b"', "NODE_STREAM names a file"),
        ('#define NODE_BRIDGE 1\n#define NODE_STREAM "bridge"', "the name of the bridge converter's stream"),
    ],
)
def test_a_configuration_that_cannot_work_stops_the_compiler_with_a_sentence(bench, tmp_path, line, says):
    with pytest.raises(AssertionError, match=says):
        build_board(bench / "impossible", flags=configured(tmp_path, line + "\n"))


def complaints(defines, chip="atmega328p", variant="standard", hz=16_000_000):
    """What the compiler of an 8-bit board says against a configuration."""
    require("avr-gcc", f"{CORE}/boards.txt")
    said = ""
    for source in sorted(NODE.glob("board_avr*.cpp")):
        done = subprocess.run(
            [
                shutil.which("avr-g++"),
                "-std=gnu++11",
                "-fsyntax-only",
                f"-mmcu={chip}",
                f"-DF_CPU={hz}L",
                "-DARDUINO=10819",
                f"-I{CORE}/cores/arduino",
                f"-I{CORE}/variants/{variant}",
                *(f"-D{define}" for define in defines),
                str(source),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
        said += done.stderr if done.returncode else ""
    return said


@pytest.mark.parametrize(
    ("defines", "says"),
    [
        (["NODE_RATE=2500"], "the converter cannot take so many channels so often, lower NODE_RATE"),
        (['NODE_CHANNELS(C)=C("a", A0, SB_U16, 0, 9)', "NODE_RATE=8000", "NODE_BATCH_ROWS=32"], "lower NODE_RATE"),
        (["NODE_RATE=25"], "NODE_RATE is too slow for this timer"),
        (["NODE_BAUD=230400"], "misses NODE_BAUD by more than 2.2 %"),
        (["NODE_RATE=4000", "NODE_ADC_DIVIDER=32", "NODE_BAUD=1000000"], "the batches fill while a hello is made"),
        (["NODE_BATCHES=10"], "more memory than the chip has"),
        # Eight lines beside four channels at 16 rows: 47 bytes between variables and stack are too few to trust in.
        ([EIGHT_LINES], "more memory than the chip has"),
        (['NODE_CHANNELS(C)=C("a", A6, SB_U16, 0, 1023)'], "the board chosen in the IDE has no pin A6 or A7"),
        (['NODE_CHANNELS(C)=C("a", A0, SB_I24, 0, 1023)'], "a channel is SB_U16 or SB_I16"),
        (['NODE_CHANNELS(C)=C("a", A0, SB_U16, 0, 4095)'], "this converter gives 0 to 1023"),
        (['NODE_LINES(L)=L("fire", 1, LINE_LOW_IS_1)'], "an ATmega328P a digital line is on pin 2 to 13 or A0 to A5"),
    ],
)
def test_what_an_8_bit_board_cannot_do_stops_its_compiler(defines, says):
    assert says in complaints(defines)


def test_the_larger_board_is_asked_for_a_pin_that_has_an_interrupt():
    chip = {"chip": "atmega2560", "variant": "mega"}
    assert "pin 10 to 13, 50 to 53 or A8 to A15" in complaints([], **chip)
    assert complaints(['NODE_LINES(L)=L("fire", 10, LINE_LOW_IS_1)'], **chip) == ""


def test_with_shorter_batches_there_is_room_for_eight_lines():
    assert complaints([EIGHT_LINES, "NODE_BATCH_ROWS=12"]) == ""


def test_boards_of_8_mhz_and_with_eight_inputs_compile():
    assert complaints(["NODE_RATE=500"], hz=8_000_000) == ""
    assert complaints(['NODE_CHANNELS(C)=C("a", A7, SB_U16, 0, 1023)'], variant="eightanaloginputs") == ""
