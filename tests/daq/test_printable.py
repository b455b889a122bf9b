"""Text that could command a terminal or turn a line about is shown by number."""

import pytest

from standbook.daq.printable import printable, printable_lines
from tests.payloads import PAYLOADS


@pytest.mark.parametrize("text", PAYLOADS)
def test_nothing_that_commands_is_left(text):
    shown = printable(text)
    assert shown.isprintable()
    assert shown.encode("ascii", "backslashreplace").decode("ascii").count("\\") >= 1


def test_letters_and_signs_of_all_alphabets_stay():
    text = "Düse, 32 mm², ΔP = 4 bar, 東京"
    assert printable(text) == text


def test_ends_of_lines_stay_where_lines_are_meant():
    assert printable_lines("one\n\x1b[2Jtwo") == "one\n\\x1b[2Jtwo"
