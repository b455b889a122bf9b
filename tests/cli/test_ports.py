"""Listening on a port: what a board says, in words, and its layouts kept; real pseudo-terminals, a simulated board."""

import json
import os
import re
import threading
import time
import tomllib
import tty
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pytest

from standbook.cli.main import run as command
from standbook.cli.ports import BAUD
from standbook.daq.capture.serial_port import open_port
from standbook.daq.recovery.device_stream import PortOpening
from standbook.daq.survey.board_survey import account_for, listen
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import WireChannel
from standbook.daq.wire.saved_layouts import load_layouts
from tests.recorded_run import REFUSED_HELLOS, fast_hello, plausible_counts, starter
from tests.repository import ROOT

pytestmark = [
    pytest.mark.xdist_group("real_time"),
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="the system has no pseudo-terminals"),
]


def test_listening_begins_at_the_speed_of_the_shipped_firmware():
    config = (ROOT / "daq/firmware/standbook_node/node_config.h").read_text(encoding="utf-8")
    (speed,) = re.findall(r"^#define NODE_BAUD (\d+)", config, re.MULTILINE)
    assert int(speed) == BAUD


def sent(hello, rows=400):
    """What a board sends: its hello, then rows, ten a frame."""
    frames = encode_samples(hello, 0, 0, 0, plausible_counts(rows, channels=len(hello.channels)), 10)
    return [encode_frame(hello_body(hello)), *frames]


def reel_of(pieces, *, rate=1.0, every=0.01):
    arrivals = np.array([round(1e9 * (k * every / rate + 0.002)) for k in range(len(pieces))], np.int64)
    return PortOpening(b"".join(pieces), np.cumsum([len(piece) for piece in pieces]), arrivals)


def test_a_board_is_told_with_its_streams_lines_losses_and_clock():
    pieces = sent(fast_hello(channels=2), rows=60_000)
    spoiled = bytearray(pieces[100])
    spoiled[9] ^= 0x11
    heard = account_for(reel_of([*pieces[:100], bytes(spoiled), *pieces[101:]], rate=1 + 200e-6), 60.0)
    (stream,) = heard.streams
    assert (stream.rows, stream.lost_rows, heard.damaged_frames) == (59_990, 10, 1)
    # The board runs 200 ppm fast; how well that is known is said beside it.
    assert abs(heard.clock_ppm - 200.0) < 2.0 * heard.clock_u_ppm
    assert heard.clock_u_ppm < 50.0
    told = heard.sentences()
    assert told[0] == "cradle-a, serial 0007, firmware 1.0.0, boot 17, clock of 1,000,000 ticks a second"
    assert told[1] == "stream fast: 1,000 rows a second, 2 channels: adc0 i24, adc1 i16"
    assert told[3] == "digital lines: fire (0)"
    assert "1 of 6,001 frames with checksum error (0.02%)" in told[4]
    assert told[5].startswith("clock so far: +")


def test_what_came_instead_is_told_in_words():
    (told,) = account_for(reel_of([]), 1.0).sentences()
    assert told == "no hello that can be read in 1.0 s; what came: silence: not one byte came"
    text = account_for(reel_of([b"12,34\n" * 20]), 1.0)
    assert text.is_text
    assert "text, not frames" in text.instead
    frames = account_for(reel_of(sent(fast_hello())[1:]), 1.0)
    assert not frames.is_text
    assert "40 of them carry rows of an unknown layout" in frames.instead


@pytest.mark.parametrize(("old", "new", "said"), REFUSED_HELLOS)
def test_a_hello_that_is_refused_is_not_called_absent(old, new, said):
    _, *frames = sent(fast_hello())
    broken = encode_frame(hello_body(fast_hello()).replace(old, new))
    told = account_for(reel_of([broken, *frames]), 1.0).instead
    assert "its hello is refused: hello" in told
    assert said in told
    assert "must send hello" not in told


def test_a_moment_is_too_short_for_a_clock_rate():
    heard = account_for(reel_of(sent(fast_hello(), rows=30)), 0.1)
    assert heard.clock_ppm is None
    assert "clock so far: too few arrivals to say" in heard.sentences()


def test_listening_ends_after_its_time_and_pairs_bytes_with_arrivals():
    class Source:
        now = 0

        def read(self, timeout):
            Source.now += round(timeout * 1e9)
            return b"abc" if Source.now < 500_000_000 else b""

    seen = []
    opening = listen(Source(), 1.0, lambda: Source.now, progress=lambda gone, count: seen.append((gone, count)))
    assert opening.stream == b"abc" * 4
    assert opening.chunk_end.tolist() == [3, 6, 9, 12]
    assert opening.arrival_ns.tolist() == [100_000_000, 200_000_000, 300_000_000, 400_000_000]
    assert seen[-1] == (1.0, 12)


@contextmanager
def talking(pieces):
    """A board that repeats what it says until the block ends."""
    master, slave = os.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    stop = threading.Event()

    def talk():
        while not stop.is_set():
            for piece in pieces:
                if stop.wait(0.005):
                    return
                try:
                    os.write(master, piece)
                except BlockingIOError:
                    continue

    thread = threading.Thread(target=talk)
    thread.start()
    try:
        yield os.ttyname(slave)
    finally:
        stop.set()
        thread.join()
        os.close(master)
        os.close(slave)


def told(capsys, *arguments, code=0):
    capsys.readouterr()
    assert command([str(argument) for argument in arguments]) == code
    return capsys.readouterr()


def test_the_command_says_who_is_there_and_keeps_the_layout(tmp_path, capsys):
    campaign = starter(tmp_path).folder
    with talking(sent(fast_hello())) as port:
        said = told(capsys, "ports", "--listen", port, "--seconds", 1, "--save", campaign)
    assert "opening it may have reset the board" in said.err
    assert "cradle-a, serial 0007, firmware 1.0.0" in said.out
    assert f"Saved {campaign / 'layouts/cradle-a.json'}" in said.out
    assert load_layouts(campaign, "cradle-a") == (fast_hello(),)


def test_the_command_prints_the_table_that_the_stand_wants(tmp_path, capsys):
    with talking(sent(replace(fast_hello(channels=2), device='a "b" \\ é'))) as port:
        out = told(capsys, "ports", "--listen", port, "--baud", 500_000, "--seconds", 1).out
    (device,) = tomllib.loads(out[out.index("  [[device]]") :])["device"]
    assert device == {"name": 'a "b" \\ é', "serial": "0007", "baud": 500_000}


def test_saving_says_what_the_stand_has_otherwise_than_the_board(tmp_path, capsys):
    campaign = starter(tmp_path).folder  # eleven wires, 1,000,000 bit/s
    with talking(sent(fast_hello())) as port:
        fits = told(capsys, "ports", "--listen", port, "--baud", 1_000_000, "--seconds", 1, "--save", campaign).err
    assert "stand.toml: device" not in fits
    spare = WireChannel("adc99", "i16", 0, 9)
    other = fast_hello(channels=3, serial="9")
    with talking(sent(replace(other, channels=(*other.channels, spare)), rows=0)) as port:
        err = told(capsys, "ports", "--listen", port, "--baud", 500_000, "--seconds", 1, "--save", campaign).err
    said = [line for line in err.splitlines() if "stand.toml: device cradle-a: " in line]
    assert len(said) == 2 + 8 + 1
    assert "serial is 0007, the board says 9" in said[0]
    assert "baud is 1000000, the board was heard at 500000" in said[1]
    assert "is on wire adc3 of stream fast, which the board does not send" in said[2]
    assert said[-1].endswith("no input for what the board sends: adc99 of stream fast")


def test_its_json_is_for_a_machine(capsys):
    with talking(sent(fast_hello(channels=2))) as port:
        found = json.loads(told(capsys, "ports", "--listen", port, "--seconds", 1, "--json").out)
    assert (found["device"], found["serial"], found["lines"]) == ("cradle-a", "0007", ["fire"])
    assert found["streams"][0]["rate"] == 1000.0
    assert found["instead"] == ""


def test_a_board_that_the_stand_does_not_name_is_not_saved(tmp_path, capsys):
    campaign = starter(tmp_path).folder
    with talking(sent(replace(fast_hello(serial="9"), device="thermals"))) as port:
        err = told(capsys, "ports", "--listen", port, "--seconds", 1, "--save", campaign, code=3).err
    assert 'has no device "thermals" and none of serial 9' in err
    assert not (campaign / "layouts").exists()


@pytest.mark.parametrize(
    ("said", "code", "sentence"),
    [
        ([b""], 4, "silence"),
        ([b"\x81\xfe\x90" * 30], 4, "neither frames nor text"),
        (None, 5, "no hello that can be"),
    ],
)
def test_a_port_without_a_hello_is_an_error_that_says_what_came(capsys, said, code, sentence):
    with talking(sent(fast_hello())[1:] if said is None else said) as port:
        found = told(capsys, "ports", "--listen", port, "--seconds", 0.5, code=code)
    assert sentence in found.out + found.err
    assert "Traceback" not in found.err


LINES = [b"%d;%d;%d,5\r\n" % (k, 1000 * k, 500 + k % 7) for k in range(5000)]


def test_of_a_board_that_prints_lines_the_table_is_told_and_written_into_a_new_file(tmp_path, capsys):
    place = tmp_path / "new" / "stand.toml"
    with talking(LINES) as port:
        out = told(capsys, "ports", "--listen", port, "--seconds", 1, "--write", place).out
        again = told(capsys, "ports", "--listen", port, "--seconds", 1, "--write", place, code=3).err
    assert "3 columns, semicolon, decimal comma" in out
    (device,) = tomllib.loads(place.read_text(encoding="utf-8"))["device"]
    assert out[out.index("[[device]]") :].startswith("[[device]]\n  name = ")
    assert (device["port"], device["baud"], device["format"]) == (port, 500_000, "text lines")
    assert device["text_lines"]["decimal"] == ","
    assert device["text_lines"]["counter"] == "c1"
    assert "exists already" in again


def test_the_speed_may_be_looked_for_and_each_opening_is_told(capsys):
    with talking(LINES) as port:
        said = told(capsys, "ports", "--listen", port, "--baud", "auto", "--seconds", 1, "--json")
    found = json.loads(said.out)
    assert found["text_lines"]["separator"] == ";"
    assert found["table"][3] == "baud = 500000"
    assert said.err.count("may have reset the board") == 2
    with talking([b"\x81\xfe\x90" * 30]) as port:
        err = told(capsys, "ports", "--listen", port, "--baud", "auto", "--seconds", 0.5, code=4).err
    assert "neither frames nor text at 500000, 115200, 9600, 1000000 bit/s" in err


@pytest.mark.parametrize("typed", ["fast", "0", "-9600", "9600.0", "1" * 20])
def test_a_speed_that_is_none_is_refused(capsys, typed):
    err = told(capsys, "ports", "--listen", "/dev/ttyNONE7", f"--baud={typed}", code=2).err
    assert "is no speed; type bit/s such as 500000, or auto" in err


def test_lines_that_are_no_rows_give_no_table(tmp_path, capsys):
    with talking([b"ready\n", b"waiting for a card\n"]) as port:
        found = told(capsys, "ports", "--listen", port, "--seconds", 0.5, "--write", tmp_path / "s.toml", code=5)
    assert "not rows of numbers" in found.out
    assert "no table for stand.toml can be made" in found.err
    assert not (tmp_path / "s.toml").exists()


def test_a_board_that_prints_lines_needs_no_layout(tmp_path, capsys):
    campaign = starter(tmp_path).folder
    with talking([b"12,34,56\r\n"]) as port:
        assert "3 columns, comma" in told(capsys, "ports", "--listen", port, "--seconds", 0.5).out
        err = told(capsys, "ports", "--listen", port, "--seconds", 0.5, "--save", campaign, code=5).err
    assert "need no saved layout" in err


def test_saving_without_listening_and_a_port_that_is_not_there_are_refused(tmp_path, capsys):
    assert "--save needs a port" in told(capsys, "ports", "--save", tmp_path, code=2).err
    assert "--write needs a port" in told(capsys, "ports", "--write", tmp_path / "s.toml", code=2).err
    assert "no such port" in told(capsys, "ports", "--listen", "/dev/ttyNONE7", code=4).err


def test_the_port_that_is_listened_on_can_only_be_read():
    with talking([b""]) as path, open_port(path, 1_000_000) as port:
        listen(port, 0.05, time.monotonic_ns)
        assert not [name for name in dir(port) if "write" in name or "send" in name]
