"""The board page: its numbers follow from wire format 1, the firmware's own files and the command's own words."""

import math
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from standbook.daq.config.stand import Input
from standbook.daq.recovery.device_clock import tolerance_u
from standbook.daq.survey.board_survey import BoardSurvey, StreamHeard
from standbook.daq.wire.encoder import beat_body, encode_frame, hello_body, samples_body
from standbook.daq.wire.hello import Hello, WireChannel, WireLine
from standbook.daq.wire.text_lines import LineDecoder, LineLayout
from tests.firmware_tools import require
from tests.repository import ROOT

PAGE = (ROOT / "cli" / "guide" / "board.md").read_text(encoding="utf-8")
FIRMWARE = ROOT / "daq" / "firmware"
NODE = FIRMWARE / "standbook_node"
CORE = Path("/usr/share/arduino/hardware/arduino/avr")
BAUDS = (115_200, 500_000, 1_000_000)
CHANNELS = range(1, 9)
CHIP_HZ, DIVIDER = 16_000_000, 128
CONVERSION = 14 * DIVIDER  # 13 periods, and the one that an interrupt misses: cycles of the processor
ROW_CYCLES = 400  # what the firmware's own check leaves for the rest of a row


def on_page(*texts):
    page = " ".join(PAGE.split())
    assert [text for text in texts if text not in page] == []


def setting(name):
    return re.search(rf"^#define {name} (.+)$", (NODE / "node_config.h").read_text(), re.MULTILINE)[1].strip('"')


def batch(channels):
    return 16 if channels <= 4 else 8


def frame(body):
    """Bytes on the wire, as the page has it."""
    return body + 4 + 1 + (body + 3) // 254 + 1


def row_bytes(channels, rows):
    return frame(15 + rows * 2 * channels) / rows


def other_bytes(channels):
    """Hello and beats, a second."""
    return 260 + 50 * channels + 10 * 24


def greatest_rate(baud, channels):
    return (0.9 * baud / 10 - other_bytes(channels)) / row_bytes(channels, batch(channels))


def hello(count, **changes):
    told = {
        "device": "cradle-a",
        "serial": "0007",
        "firmware": "1.0.0",
        "boot": 17,
        "tick_hz": 1_000_000,
        "stream": 1,
        "streams": 1,
        "name": "fast",
        "interval_ticks": 1000,
        "lines": (WireLine(0, "fire"),),
        "channels": tuple(WireChannel(f"adc{k}", "u16", 0, 1023) for k in range(count)),
    }
    return Hello(**{**told, **changes})


def test_board_numbers_as_shipped_are_those_of_the_config_file():
    rate, baud, rows = (int(setting(f"NODE_{name}")) for name in ("RATE", "BAUD", "BATCH_ROWS"))
    config = (NODE / "node_config.h").read_text()
    channels = len(re.findall(r'^ +CHANNEL\("adc\d+", A\d+, SB_U16', config, re.MULTILINE))
    assert (channels, rows, rate, baud) == (4, 16, 1000, 500_000)
    assert int(setting("NODE_ADC_DIVIDER")) == DIVIDER
    body, sent = 15 + rows * 2 * channels, math.ceil(rate * row_bytes(channels, rows))
    on_page(
        f"the body has {body} bytes, the frame {frame(body)}; {rate:,} rows a second are {rate / rows:.1f} frames",
        f"{sent:,} bytes a second",
        f"hello ({260 + 50 * channels}) and beats ({10 * 24})",
        f"{sent + other_bytes(channels):,} bytes a second of the {baud // 10:,} that {baud:,} baud",
        f"cost {row_bytes(channels, 1):.0f} bytes instead of {row_bytes(channels, rows):.1f}",
        f"{1000 * rows / rate:.0f} ms as shipped",
        f"({baud} as shipped;",
    )


@pytest.mark.parametrize("channels", CHANNELS)
def test_board_sizes_of_frames_are_those_that_the_encoder_makes(channels):
    for rows in (1, 2, batch(channels), 60 // channels * 2):
        ones = np.ones((rows, channels), np.uint16) * 0x0101  # no zero byte: coding costs most
        body = samples_body(hello(channels, boot=0x01), 0x01010101, 0x01010101, 1, ones)
        assert len(body) == 15 + rows * 2 * channels
        assert len(encode_frame(body)) <= frame(len(body))
        assert len(encode_frame(b"\x01" * len(body))) >= frame(len(body)) - 1  # the checksum may hold a zero
    assert len(encode_frame(beat_body(1, 1, 1, [(1, 1)], [(1, 1)]))) == 24
    longest = len(encode_frame(hello_body(hello(channels, boot=2**32 - 1)))) + len(',"skew_ticks":112')
    assert 0.8 * (260 + 50 * channels) < longest <= 260 + 50 * channels


def test_board_table_of_rows_a_second_follows_from_the_formula():
    rows = {
        cells[0]: cells[1:]
        for cells in (
            [cell.strip() for cell in line.strip("|").split("|")] for line in PAGE.splitlines() if line.startswith("| ")
        )
    }
    assert rows["channels"] == [str(c) for c in CHANNELS]
    assert rows["bytes a row"] == [f"{row_bytes(c, batch(c)):.1f}" for c in CHANNELS]
    for baud in BAUDS:
        assert rows[f"{baud:,} baud"] == [f"{math.floor(greatest_rate(baud, c)):,}" for c in CHANNELS]
    chip = [CHIP_HZ // (CONVERSION * c + ROW_CYCLES) for c in CHANNELS]
    assert rows["converter"] == [f"{rate:,}" for rate in chip]
    assert all(chip[c - 1] < greatest_rate(500_000, c) for c in CHANNELS)  # "the converter is the limit, not the link"
    assert all(chip[c - 1] > greatest_rate(115_200, c) for c in CHANNELS)
    on_page(
        f"{1e6 * CONVERSION / CHIP_HZ:.0f} us a channel, and {1e6 * ROW_CYCLES / CHIP_HZ:.0f} us a row",
        f"At {CHIP_HZ // DIVIDER // 1000} kHz and",
        f"four channels at most {chip[3]:,} times",
        f"{1e6 * CONVERSION / CHIP_HZ:.0f} us apart",
    )


def test_board_speeds_of_the_link_that_the_chip_makes():
    made = {baud: 2_000_000 / round(2_000_000 / baud) for baud in BAUDS}
    assert [made[baud] == baud for baud in BAUDS] == [False, True, True]
    on_page(f"becomes {made[115_200]:,.0f}, {100 * (made[115_200] / 115_200 - 1):.1f} % fast")


@pytest.mark.parametrize(("channels", "rate", "fits"), [(4, 2000, True), (8, 1000, True), (8, 1250, False)])
def test_board_table_agrees_with_what_the_compiler_lets_through(channels, rate, fits):
    """Its checks of memory, link and converter stand in the firmware; 1,250 is above the table's 1,085."""
    require("avr-gcc", f"{CORE}/boards.txt")
    each = " ".join(f'CHANNEL("adc{k}", A{k}, SB_U16, 0, 1023)' for k in range(channels))
    done = subprocess.run(
        [
            shutil.which("avr-g++"),
            "-std=gnu++11",
            "-fsyntax-only",
            "-mmcu=atmega328p",
            f"-DF_CPU={CHIP_HZ}L",
            "-DARDUINO=10819",
            f"-I{CORE}/cores/arduino",
            f"-I{CORE}/variants/eightanaloginputs",
            f"-DNODE_CHANNELS(CHANNEL)={each}",
            f"-DNODE_BATCH_ROWS={batch(channels)}",
            f"-DNODE_RATE={rate}",
            str(NODE / "board_avr_rows.cpp"),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode == 0) == fits, done.stderr
    assert fits or "lower NODE_RATE" in done.stderr


def test_board_what_a_clock_is_worth():
    impulse = 32_573.0
    on_page(
        f"of {impulse:,.0f} N·s that is {impulse * 5e-3:.0f} N·s",
        f"uncertainty {impulse * tolerance_u(5e-3):.0f} N·s",
        f"makes {impulse * 50e-6:.1f} and {impulse * tolerance_u(50e-6):.1f} N·s",
    )


def test_board_pins_of_three_volts():
    share = 20 / (10 + 20)
    assert 4.5 * share < 3.3
    on_page(f"make {4.5 * share:.2f} V of 4.5 V", f'"{share:.4f}"', f"make {100 * 0.022:.2f} V at 22 mA")
    source = 1e4 * share  # ohm, of the two in parallel
    on_page(
        f"the two are {source / 1e3:.2f} kohm: a corner of {1 / (2 * math.pi * source * 1e-7):.0f} Hz, "
        f"{1e3 * source * 1e-7:.2f} ms"
    )


def test_board_text_line_is_one_that_the_program_reads_and_costs_what_is_said():
    said = re.search(r"^    (17,\S+)\*hh +(\d+) bytes with its end", PAGE, re.MULTILINE)
    text = said[1].encode()
    check = 0
    for byte in text:
        check ^= byte
    line = text + b"*%02X\n" % check
    assert len(line) == int(said[2])
    counts = 4
    layout = LineLayout(
        columns=("boot", "row", "us", *(f"adc{k}" for k in range(counts))),
        clock="us",
        clock_hz=1e6,
        clock_modulus=2**32,
        counter="row",
        boot="boot",
    )
    decoder = LineDecoder(layout)
    decoder.feed(b"\n")
    assert decoder.feed(line).values.shape == (1, 3 + counts)
    on_page(
        f"{len(line)} bytes instead of {row_bytes(counts, 16):.1f} for",
        f"carry {115_200 // 10 // len(line)} such",
        f"{math.floor(greatest_rate(115_200, counts)):,} rows in frames",
        f"one in {2**32:,}",
    )


def test_board_names_settings_notes_and_files_that_the_firmware_has():
    config = (NODE / "node_config.h").read_text()
    sources = "".join(path.read_text() for path in NODE.iterdir())
    names = set(re.findall(r"`(NODE_[A-Z_]+)", PAGE))
    assert names >= {"NODE_BAUD", "NODE_RATE", "NODE_BRIDGE"}
    wiring = (ROOT / "cli" / "guide" / "wiring.md").read_text(encoding="utf-8")
    names |= set(re.findall(r"`(NODE_[A-Z_]+|LINE_[A-Z0-9_]+)", wiring))
    assert [name for name in names if name not in config] == []
    files = re.findall(r"`(\w+\.(?:h|cpp|ino))`", PAGE + wiring)
    assert files
    assert [name for name in files if not (NODE / name).is_file()] == []
    notes = re.findall(r"^\| `([^`]+)` \|", PAGE, re.MULTILINE)
    assert len(notes) == 6
    parts = [part.strip(" .") for note in notes for part in re.split(r"\bN\b", note)]
    assert [part for part in parts if part not in sources] == []


def test_board_command_is_the_one_that_copies_the_firmware():
    assert "standbook firmware teasel-2" in PAGE


def test_board_what_was_heard_is_in_the_command_s_words():
    shown = " ".join(re.search(r"```console\n(.*?)```", PAGE, re.DOTALL)[1].split())
    channels = tuple(WireChannel(f"adc{k}", "i16" if k else "i24", 0, 1023) for k in range(11))
    made_up = hello(
        1, firmware="rehearsal 1", channels=channels, rehearsal=True, lines=(WireLine(0, "fire"), WireLine(1, "valve"))
    )
    heard = BoardSurvey(
        seconds=20.0,
        received_bytes=498_074,
        frames=1202,
        damaged_frames=0,
        damaged_bytes=0,
        hellos=(made_up,),
        streams=(StreamHeard(made_up, 19_700, 0),),
        clock_ppm=-5.2,
        clock_u_ppm=21.0,
        notes=(),
        instead="",
    )
    assert shown == " ".join(" ".join(heard.sentences()).split())


def test_board_bridge_input_fits_the_stream_that_the_firmware_names():
    block = re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)[1]
    pairs = dict(re.findall(r'^(\w+) = "([^"]*)"', block, re.MULTILINE))
    item = Input.model_validate(pairs)
    assert f'describe(1, "{item.stream}"' in (NODE / "node.cpp").read_text()
    assert f'CHANNEL("{item.wire}", 0, SB_I24' in (NODE / "node_config.h").read_text()
    # Its counts are shares of its supply: +/- AVDD / gain / 2 over 24 bits, as its driver in Linux has it, hx711.c.
    assert item.volt_per_count.value == pytest.approx(5.0 / 128 / 2**24, rel=1e-6)
