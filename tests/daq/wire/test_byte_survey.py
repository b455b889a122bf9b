"""A first look says what came in words a volunteer can act on."""

import random

import pytest

from standbook.daq.wire.byte_survey import describe_bytes, no_frame_sentence


def test_silence_is_called_silence() -> None:
    assert describe_bytes(b"") == "silence: not one byte came"


def test_text_is_quoted_from_a_whole_line() -> None:
    seen = describe_bytes(b"23.4,99\r\n1000,123.4,99\r\n1010,123.5,98\r\n")
    assert seen == "text, not frames: 3 lines such as '1000,123.4,99'"
    assert describe_bytes(b"boot") == "text, not frames: 1 line such as 'boot'"
    assert describe_bytes(b"\r\n\r\n") == "text, not frames: 0 lines such as ''"


def test_random_bytes_are_neither() -> None:
    seen = describe_bytes(random.Random(1).randbytes(4000))
    assert seen.startswith("4000 bytes that are neither frames nor text (3")
    assert "wrong speed" in seen


def test_valid_frames_are_counted_and_damaged_ones_too() -> None:
    from standbook.daq.wire.encoder import encode_frame, note_body

    frame = encode_frame(note_body(severity=0, boot=1, ticks=5, text="hello"))
    assert describe_bytes(b"\0" + frame * 3).startswith("3 valid frames in")
    damaged = bytearray(frame)
    damaged[4] ^= 0x10
    assert describe_bytes(b"\0" + frame * 2 + bytes(damaged)).startswith("2 valid frames and 1 damaged one in")


@pytest.mark.parametrize(
    ("data", "expected"),
    [
        (
            b"",
            "cradle-a: no valid frame on /dev/ttyACM0 at 115200 bit/s for 3 s; seen: silence: not one byte came;"
            " check power and cable of the board, and that it is not waiting to be told to start",
        ),
        (
            b"hi\n",
            "cradle-a: no valid frame on /dev/ttyACM0 at 115200 bit/s for 3 s; seen: text, not frames: 1 line such"
            " as 'hi'; compare the speed and the firmware of the board with stand.toml",
        ),
    ],
)
def test_the_sentence_for_a_port_without_frames(data: bytes, expected: str) -> None:
    assert no_frame_sentence("cradle-a", "/dev/ttyACM0", 115_200, data) == expected
