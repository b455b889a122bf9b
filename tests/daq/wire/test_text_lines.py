"""Text lines to rows: nothing that is not exactly a row gets in, and a clock that falls is told apart."""

import random
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.wire.text_lines import MAX_LINE, LineDecoder, LineLayout

PLAIN = LineLayout(columns=("a", "b", "c"))
CLOCKED = LineLayout(columns=("us", "force"), clock="us", clock_modulus=2**32, clock_hz=1e6)


def decode(stream, layout=PLAIN, cuts=()):
    decoder = LineDecoder(layout)
    edges = [0, *cuts, len(stream)]
    pieces = [decoder.feed(stream[a:b]) for a, b in pairwise(edges)]
    return [*pieces, decoder.finish()]


def rows(pieces):
    return np.concatenate([piece.values for piece in pieces]).tolist()


def summary(pieces):
    joined = {
        name: np.concatenate([getattr(piece, name) for piece in pieces]).tolist()
        for name in ("values", "line_end", "segment", "clock", "lost_before")
    }
    counts = ("rollovers", "damaged_lines", "damaged_bytes", "comment_lines", "leading_bytes", "torn_bytes")
    return joined | {name: sum(getattr(piece, name) for piece in pieces) for name in counts}


def checked(text):
    """Append the XOR of a line's bytes, spelled out."""
    total = 0
    for byte in text:
        total ^= byte
    return text + b"*%02X" % total


def clocked(*values, layout=CLOCKED):
    text = b"\n" + b"".join(b",".join(b"%d" % cell for cell in row) + b"\n" for row in values)
    return LineDecoder(layout).feed(text)


def test_rows_are_read_with_either_line_end_and_spaces_around_numbers():
    (found, _) = decode(b"half\n1,2,3\r\n -4.5 ,+.5, 6e-3\n")
    assert found.values.tolist() == [[1.0, 2.0, 3.0], [-4.5, 0.5, 0.006]]
    assert found.line_end.tolist() == [12, 29]
    assert np.isnan(found.clock).all()


def test_the_published_checksum_rule():
    # [NMEA0183]: XOR of all characters before the asterisk, "$" apart. Widely printed example sentence
    # $GPGLL,5300.97914,N,00259.98174,E,125926,A*28 (from memory), recomputed.
    assert checked(b"GPGLL,5300.97914,N,00259.98174,E,125926,A").endswith(b"*28")


def test_a_right_checksum_is_accepted_and_a_wrong_one_refused():
    line = checked(b"1,2,3")
    assert line == b"1,2,3*30"
    found = decode(b"\n" + line + b"\n" + line.lower() + b"\n1,2,4*30\n1,2,3*3\n1,2,3*300\n1,2,3*0x\n")
    assert rows(found) == [[1.0, 2.0, 3.0]] * 2
    assert summary(found)["damaged_lines"] == 4


def test_once_checksums_come_a_line_without_one_is_damaged():
    found = decode(b"\n1,2,3\n" + checked(b"4,5,6") + b"\n7,8,9\n")
    assert rows(found) == [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]
    assert summary(found)["damaged_lines"] == 1


@pytest.mark.parametrize(
    "line",
    [
        b"1,2",
        b"1,2,3,4",
        b"1,,3",
        b",2,3",
        b"1,2,",
        b"1;2;3",
        b"1,2,0x3",
        b"1,2,3_0",
        b"1,2,inf",
        b"1,2,1e999",
        b"1,2," + b"9" * 400,
        b"1,2,--3",
        b"1,2,3 4",
        b"1,2,\xb2",
        b"1,2,3\x00",
        b"1,2\r,3",
        b"a,b",
        b"1,2,3*",
        b"1,2," + b" " * MAX_LINE + b"3",
    ],
)
def test_what_is_not_exactly_a_row_is_damaged_and_shifts_nothing(line):
    found = decode(b"\n1,2,3\n" + line + b"\n4,5,6\n")
    assert rows(found) == [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]
    assert summary(found)["damaged_lines"] == 1
    assert summary(found)["damaged_bytes"] == len(line)


def test_a_damaged_line_of_many_long_numbers_is_refused_at_once():
    """Found by reading: numbers that fit the pattern in several ways made one such line take for ever."""
    columns = 16
    found = decode(
        b"\n" + b",".join([b"12345678"] * (columns - 1)) + b",12345678x\n" + b",".join([b"1" * 60] * columns) + b"\n",
        LineLayout(columns=tuple(f"c{k}" for k in range(columns))),
    )
    assert (len(rows(found)), found[0].damaged_lines) == (1, 1)


@pytest.mark.parametrize("cell", [b"1e30", b"-1e30", b"9007199254740993", b"1e308"])
@pytest.mark.parametrize("role", ["counter", "boot"])
def test_a_counter_that_floats_cannot_count_is_damage(role, cell):
    layout = LineLayout(columns=("a", "n"), **{role: "n"})
    pieces = decode(b"\n1,1\n1," + cell + b"\n1,2\n", layout)
    assert rows(pieces) in ([[1, 1], [1, 2]], [[1, 1], [1, 2**53], [1, 2]])  # ...993 is printed for 2**53 + 1
    assert (pieces[0].lost_before >= 0).all()


def test_an_open_sensor_printed_as_nan_is_a_missing_value():
    (found, _) = decode(b"\n1,nan,3\nNaN,2,NAN\n")
    assert np.isnan(found.values).tolist() == [[False, True, False], [True, False, True]]
    assert clocked((1, 2), layout=CLOCKED).values.shape == (1, 2)
    assert LineDecoder(CLOCKED).feed(b"\nnan,2\n").damaged_lines == 1


def test_half_a_line_at_the_start_is_never_read_and_a_torn_one_at_the_end_neither():
    found = decode(b"1,2,3\n4,5,6\n7,8,9")
    assert rows(found) == [[4.0, 5.0, 6.0]]
    assert summary(found)["leading_bytes"] == 5
    assert summary(found)["torn_bytes"] == 5
    assert summary(found)["damaged_lines"] == 0


def test_comments_headers_and_blank_lines_are_no_damage():
    found = decode(b"\n# ready\na,b,c\n a , b , c\r\n\n\r\n1,2,3\n")
    assert rows(found) == [[1.0, 2.0, 3.0]]
    assert summary(found)["comment_lines"] == 3
    assert summary(found)["damaged_lines"] == 0


@pytest.mark.parametrize("step", [None, 100])
@pytest.mark.parametrize("length", [MAX_LINE + 1, MAX_LINE + 2, 10_000])
def test_a_line_has_bounded_length(length, step):
    stream = b"\n1,2,3\n" + b"7" * length + b"\n4,5,6\n"
    found = summary(decode(stream, cuts=range(step, len(stream), step) if step else ()))
    assert found["values"] == [[1.0, 2.0, 3.0], [4.0, 5.0, 6.0]]
    assert (found["damaged_lines"], found["damaged_bytes"]) == (1, length)


def test_memory_stays_bounded_without_any_line_end():
    decoder = LineDecoder(PLAIN)
    for _ in range(50):
        decoder.feed(b"5" * 999)
    assert len(decoder._tail) <= MAX_LINE
    assert decoder.finish().torn_bytes == 49_950


LINES = b"hello\n1,2,3\r\n4,5\n" + checked(b"6,7,8") + b"\n# x\n9,9,9\n" + checked(b"-1,2.5,nan") + b"\n1,2"


@given(st.lists(st.integers(0, len(LINES)), max_size=8))
def test_a_stream_may_be_cut_anywhere(cuts):
    assert repr(summary(decode(LINES, cuts=sorted(cuts)))) == repr(summary(decode(LINES)))


def test_one_byte_at_a_time_is_the_same_as_whole():
    assert repr(summary(decode(LINES, cuts=range(1, len(LINES))))) == repr(summary(decode(LINES)))


@settings(max_examples=60)
@given(
    st.lists(
        st.tuples(*[st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(2**50), 2**50)] * 3),
        max_size=20,
    ),
    st.booleans(),
)
def test_printed_numbers_come_back_as_they_were(table, with_checksum):
    lines = [",".join(repr(cell) for cell in row).encode() for row in table]
    stream = b"\n" + b"".join((checked(line) if with_checksum else line) + b"\n" for line in lines)
    assert rows(decode(stream)) == [[float(cell) for cell in row] for row in table]


@settings(max_examples=200)
@given(st.integers(0, 2**32))
def test_one_damaged_byte_in_a_checked_line_never_gives_a_wrong_number(seed):
    # XOR sees every change of a single byte; the line is lost, or reads as it was sent. A byte that becomes a
    # line end or that sat in one tears or joins lines, and the pieces must fail their checks too.
    generator = random.Random(seed)
    lines = [checked(b"%d,%d,%.3f" % (n, generator.randrange(10**6), generator.random())) for n in range(6)]
    stream = bytearray(b"\n" + b"\n".join(lines) + b"\n")
    truth = rows(decode(bytes(stream)))
    at = generator.randrange(1 + len(lines[0]) + 1, len(stream))
    stream[at] ^= 1 << generator.randrange(8)
    found = rows(decode(bytes(stream)))
    assert all(row in truth for row in found)
    assert len(truth) - len(found) <= 2


def test_any_bytes_are_taken_without_a_fault():
    generator = random.Random(8)
    for _ in range(300):
        pieces = decode(bytes(generator.choices(b"0123456789,.*\r\n-#e ", k=200)))
        assert all(np.isfinite(piece.values).all() for piece in pieces)


def test_the_clock_unwraps_over_its_modulus():
    # 4294967000, 4294967290, 14, 510 step by 290, 20, 496 us (derived).
    found = clocked((4_294_967_000, 1), (4_294_967_290, 2), (14, 3), (510, 4))
    assert np.diff(found.clock).tolist() == [290, 20, 496]
    assert found.segment.tolist() == [0, 0, 0, 0]
    assert found.rollovers == 1
    assert found.values[:, 0].tolist() == [4_294_967_000, 4_294_967_290, 14, 510]  # as printed


def test_a_clock_that_falls_elsewhere_is_a_reset():
    found = clocked((1_000_000, 1), (1_012_500, 2), (40_000, 3), (52_500, 4))
    assert found.segment.tolist() == [0, 0, 1, 1]
    assert found.clock.tolist() == [1_000_000, 1_012_500, 40_000, 52_500]
    assert found.rollovers == 0


def test_a_reset_late_in_the_clocks_range_is_no_rollover():
    late = 2**32 - 3_000_000_000
    found = clocked((late + 2_000_000_000, 1), (500, 2))
    assert found.segment.tolist() == [0, 1]


def test_a_silence_of_more_than_ten_seconds_over_the_modulus_starts_a_new_segment():
    just, more = clocked((2**32 - 4_000_000, 1), (6_000_000, 2)), clocked((2**32 - 4_000_000, 1), (6_000_001, 2))
    assert (just.segment.tolist(), more.segment.tolist()) == ([0, 0], [0, 1])


def test_without_a_modulus_any_fall_is_a_reset():
    layout = LineLayout(columns=("us", "force"), clock="us", clock_hz=1e6)
    found = clocked((2**32 - 1, 1), (14, 2), layout=layout)
    assert found.segment.tolist() == [0, 1]


def test_rollovers_add_up_and_a_reset_starts_from_the_printed_clock():
    layout = LineLayout(columns=("t",), clock="t", clock_modulus=1000, clock_hz=100.0)
    found = clocked((900,), (100,), (950,), (50,), (700,), (20,), layout=layout)
    assert found.clock.tolist() == [900, 1100, 1950, 2050, 2700, 3020]
    slow = LineLayout(columns=("t",), clock="t", clock_modulus=1000, clock_hz=1.0)
    again = clocked((900,), (100,), (60,), (80,), layout=slow)
    assert again.segment.tolist() == [0, 1, 2, 2]
    assert again.clock.tolist() == [900, 100, 60, 80]


def test_a_clock_outside_its_modulus_is_damage():
    assert clocked((2**32, 1)).damaged_lines == 1
    assert clocked((-1, 1)).damaged_lines == 1


def test_a_counter_tells_lost_rows_and_turns_a_falling_clock_into_a_rollover():
    layout = LineLayout(columns=("n", "us"), clock="us", clock_modulus=2**32, clock_hz=1e6, counter="n")
    found = clocked((5, 2**32 - 50_000_000), (6, 2**32 - 40_000_000), (9, 20_000_000), (9, 20_000_000), layout=layout)
    assert found.lost_before.tolist() == [0, 0, 2, 0]
    assert found.segment.tolist() == [0, 0, 0, 0]
    assert found.clock[2] - found.clock[1] == 60_000_000


def test_a_counter_that_falls_is_a_reset_whatever_the_clock_does():
    layout = LineLayout(columns=("n", "us"), clock="us", clock_modulus=2**32, clock_hz=1e6, counter="n")
    found = clocked((500, 1000), (0, 2000), (2, 3000), layout=layout)
    assert found.segment.tolist() == [0, 1, 1]
    assert found.lost_before.tolist() == [0, 0, 1]


def test_a_boot_column_decides_resets():
    layout = LineLayout(columns=("boot", "us"), clock="us", clock_modulus=2**32, clock_hz=1e6, boot="boot")
    found = clocked((3, 2**32 - 500), (3, 500), (4, 600), (4, 700), layout=layout)
    assert found.segment.tolist() == [0, 0, 1, 1]
    assert found.clock.tolist() == [2**32 - 500, 2**32 + 500, 600, 700]


def test_a_falling_clock_without_modulus_is_a_reset_though_the_boot_stays():
    layout = LineLayout(columns=("boot", "us"), clock="us", clock_hz=1e6, boot="boot")
    assert clocked((3, 900), (3, 500), layout=layout).segment.tolist() == [0, 1]


def test_the_account_goes_on_from_piece_to_piece():
    decoder = LineDecoder(CLOCKED)
    first = decoder.feed(b"\n4294967290,1\n")
    second = decoder.feed(b"14,2\n")
    third = decoder.feed(b"5,3\n")
    assert [piece.clock.tolist() for piece in (first, second, third)] == [[4294967290], [4294967310], [5]]
    assert third.segment.tolist() == [1]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({"columns": ()}, "name each column once"),
        ({"columns": ("a", "a")}, "name each column once"),
        ({"columns": ("a",), "clock": "t", "clock_hz": 1.0}, "clock column 't' is not among"),
        ({"columns": ("a",), "counter": "n"}, "counter column 'n'"),
        ({"columns": ("a",), "boot": "n"}, "boot column 'n'"),
        ({"columns": ("a",), "clock": "a"}, "its rate is None"),
        ({"columns": ("a",), "clock": "a", "clock_hz": 0.0}, "must be above 0"),
        ({"columns": ("a",), "clock_modulus": 9}, "no clock column"),
        ({"columns": ("a",), "separator": "|"}, "known: comma"),
        ({"columns": ("a", "b"), "decimal": ","}, "the two must differ"),
        ({"columns": ("a", "b"), "labels": ("a:",)}, "1 labels for 2 columns"),
        ({"columns": ("a",), "clock": "a", "clock_hz": 1.0, "clock_modulus": 0}, "modulus is 0"),
    ],
)
def test_a_layout_that_contradicts_itself_is_refused(arguments, says):
    with pytest.raises(ValueError, match=says):
        LineLayout(**arguments)
