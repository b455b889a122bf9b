"""The first stand of a board: what it says becomes a file that reads back, and the board is found in it again."""

from dataclasses import replace

import pytest

from standbook.daq.config.stand import Stand
from standbook.daq.config.toml_document import parse_document
from standbook.daq.survey.board_survey import account_for
from standbook.daq.survey.first_stand import board_in, legal_name, stand_of_frames, stand_of_lines
from standbook.daq.survey.line_survey import survey_lines
from tests.cli.test_ports import reel_of, sent
from tests.recorded_run import fast_hello

LINES = [b"%d,%d,%.1f,%d\n" % (k, 12_500 * k, 20.0 + k % 3, 400 + k % 7) for k in range(300)]


def heard(hello):
    return account_for(reel_of(sent(hello)), 1.0)


def lines(rows=LINES):
    return survey_lines(reel_of(rows, every=0.0125), 3.0)


def read(text):
    return parse_document(text, Stand, "stand.toml")


@pytest.mark.parametrize(
    ("said", "taken", "name"),
    [
        ("adc0", (), "adc0"),
        ("cell A (N)", (), "cell-A-N"),
        ("_P/ox", (), "P-ox"),
        ("°C", (), "C"),
        ("()", (), "channel"),
        ("ticks", (), "ticks-2"),  # a column of every samples file
        ("a.counts", (), "a"),
        ("a", ("a", "a-2"), "a-3"),
        ("x" * 80, (), "x" * 40),
    ],
)
def test_a_name_becomes_one_that_can_name_files(said, taken, name):
    assert legal_name(said, taken) == name


def test_a_framed_board_gives_a_stand_with_one_input_a_channel():
    stand = read(stand_of_frames(heard(fast_hello(channels=3)), 250_000, name="bench"))
    (device,) = stand.device
    assert (stand.name, device.name, device.serial, device.baud) == ("bench", "cradle-a", "0007", 250_000)
    assert [(i.tag, i.wire, i.stream, i.kind, i.measures) for i in stand.input] == [
        (f"adc{k}", f"adc{k}", "fast", "counts", "other") for k in range(3)
    ]


def test_names_that_no_file_can_have_are_made_legal_and_unlike():
    hello = fast_hello(channels=3)
    odd = tuple(replace(one, name=name) for one, name in zip(hello.channels, ('P "ox"', "P-ox", "T\\1"), strict=True))
    stand = read(stand_of_frames(heard(replace(hello, device='a "b"', channels=odd)), 500_000, name="bench"))
    assert stand.device[0].name == "a-b"
    assert [(i.wire, i.tag) for i in stand.input] == [('P "ox"', "P-ox"), ("P-ox", "P-ox-2"), ("T\\1", "T-1")]


def test_a_board_that_prints_gives_inputs_for_what_is_neither_counter_nor_clock():
    stand = read(stand_of_lines(lines(), "/dev/ttyUSB0", 115_200, "", name="bench"))
    assert (stand.device[0].port, stand.device[0].text_lines.clock) == ("/dev/ttyUSB0", "c2")
    assert [i.tag for i in stand.input] == ["c3", "c4"]


def test_lines_that_hold_nothing_but_a_counter_give_no_stand():
    assert stand_of_lines(lines([b"%d\n" % k for k in range(300)]), "/dev/ttyUSB0", 9600, "", name="bench") == ""
    assert stand_of_lines(lines([b"ready\n"] * 300), "/dev/ttyUSB0", 9600, "", name="bench") == ""


def test_a_framed_board_is_found_by_its_serial_number_before_its_name():
    board = heard(fast_hello(channels=2))
    stand = read(stand_of_frames(board, 500_000, name="bench"))
    found = board_in(stand, board, None, port="/dev/ttyACM0", serial="")
    assert found is stand.device[0]
    other = heard(fast_hello(channels=2, serial="0008"))
    assert board_in(stand, other, None, port="/dev/ttyACM0", serial="") is None
    unstated = stand.model_copy(update={"device": (stand.device[0].model_copy(update={"serial": ""}),)})
    assert board_in(unstated, other, None, port="/dev/ttyACM0", serial="") is unstated.device[0]


def test_a_board_that_prints_is_found_by_its_port_its_usb_number_or_as_the_only_one_of_its_kind():
    told, board = lines(), account_for(reel_of(LINES, every=0.0125), 3.0)
    stand = read(stand_of_lines(told, "/dev/ttyUSB0", 115_200, "", name="bench"))
    assert board_in(stand, board, told, port="/dev/ttyUSB0", serial="") is stand.device[0]
    assert board_in(stand, board, told, port="/dev/ttyUSB1", serial="") is None
    by_number = read(stand_of_lines(told, "/dev/ttyUSB0", 115_200, "A7", name="bench"))
    assert board_in(by_number, board, told, port="/dev/ttyUSB1", serial="A7") is by_number.device[0]
    loose = stand.model_copy(update={"device": (stand.device[0].model_copy(update={"port": None}),)})
    assert board_in(loose, board, told, port="/dev/ttyUSB1", serial="") is loose.device[0]
    fewer = lines([b"%d,%d\n" % (k, 400 + k % 7) for k in range(300)])
    assert board_in(loose, board, fewer, port="/dev/ttyUSB1", serial="") is None
