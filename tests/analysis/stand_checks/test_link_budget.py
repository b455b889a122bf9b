"""What a link carries, held to the bytes that the encoder makes; sense lines and ranges by closed forms."""

import numpy as np
import pytest

from standbook.analysis.stand_checks.link_budget import (
    Link,
    disk_needed,
    frame_bytes,
    line_gain,
    link_budget,
    quarter_wave,
    range_note,
    rate_notes,
    text_budget,
    text_row_bytes,
    usable_to,
)
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import Hello, WireChannel, WireLine


def hello(types):
    ends = {"u8": (0, 255), "u16": (0, 65535), "i24": (-(1 << 23), (1 << 23) - 1), "i16": (-32768, 32767)}
    return Hello(
        device="teasel-2",
        serial="TB-0142",
        firmware="bench 3",
        boot=17,
        tick_hz=1_000_000,
        stream=1,
        streams=1,
        name="fast",
        interval_ticks=1000,
        channels=tuple(WireChannel(f"adc{k}", kind, *ends[kind]) for k, kind in enumerate(types)),
        lines=(WireLine(0, "fire"),),
    )


ELEVEN = ["u16"] * 10 + ["i24"]  # 23 bytes a row


LAYOUTS = (["u16"] * 4, ELEVEN, ["u8"], ["i24"] * 20)
FRAMES = [(types, rows) for types in LAYOUTS for rows in (1, 2, 7, 8, 16) if rows <= hello(types).max_rows]


@pytest.mark.parametrize(("types", "rows"), FRAMES, ids=lambda value: len(value) if isinstance(value, list) else value)
def test_a_frame_has_just_the_bytes_that_the_encoder_makes(types, rows):
    stream = hello(types)
    # no byte of counts, header or checksum is zero: the coding then takes its most
    counts = np.full((rows, len(types)), 1) if types == ["u8"] else np.full((rows, len(types)), 0x0101)
    counts[:, [kind == "i24" for kind in types]] = 0x010101
    made = {len(encode_samples(stream, 0x01010101 + k, 0x01010101, 1, counts, rows)[0]) for k in range(256)}
    assert max(made) == frame_bytes(rows, stream.row_bytes)
    if frame_bytes(rows, stream.row_bytes) <= 255:
        assert made == {frame_bytes(rows, stream.row_bytes)}


def test_no_counts_whatever_make_a_frame_longer():
    stream, random = hello(ELEVEN), np.random.default_rng(1)
    for rows in (1, 3, 8, 16):
        counts = random.integers(0, 300, (200 * rows, 11))
        made = [len(frame) for frame in encode_samples(stream, 1, 1, 0, counts, rows)]
        most = frame_bytes(rows, stream.row_bytes)
        assert max(made) <= most
        assert min(made) >= most - 2


def test_eleven_channels_cost_forty_four_bytes_a_row_alone_and_twenty_four_in_sixteens():
    # derived: 23 bytes a row
    assert frame_bytes(1, 23) == 44
    assert frame_bytes(8, 23) / 8 == pytest.approx(25.6, abs=0.05)
    assert frame_bytes(16, 23) / 16 == pytest.approx(24.4, abs=0.05)


def test_a_hello_takes_no_more_than_is_counted():
    for types in (["u16"], ELEVEN):
        assert len(encode_frame(hello_body(hello(types)))) <= 260 + 50 * len(types)


def test_ten_fast_channels_do_not_fit_a_slow_link_in_either_form():
    slow = Link(rate=1000.0, row=20, channels=10, rows_a_frame=8, baud=115_200)
    assert link_budget(slow).verdict == text_budget(slow, 6).verdict == "does not fit"
    fast = Link(rate=1000.0, row=20, channels=10, rows_a_frame=8, baud=1_000_000)
    assert link_budget(fast).verdict == "fits"
    assert text_budget(fast, 6).verdict == "does not fit"


def test_a_link_nearly_full_is_said_and_its_most_rows_just_fit():
    link = Link(rate=1000.0, row=8, channels=4, rows_a_frame=16, baud=115_200)
    found = link_budget(link)
    assert found.verdict == "fits, little to spare"
    most = 0.9 * 11_520 - found.besides
    assert f"at most {1000.0 * most / found.rows:,.0f} rows/s" in found.sentence
    # the guide's table: 1,038 rows a second of four channels in frames of 16 at 115,200 baud
    assert round(1000.0 * most / found.rows) == 1038


def test_a_text_line_is_as_long_as_the_longest_that_the_guide_shows():
    assert text_row_bytes(4, 3) == len("17,123456,1234567890,512,512,512,512*hh\n")


def test_a_sense_line_of_nitrogen_is_usable_to_a_fifth_of_its_ring():
    # derived: 0.4 m, 349 m/s: 218 Hz; 5 % at 44 Hz, 21 % at 83 Hz
    quarter = quarter_wave(349.0, 0.4)
    assert quarter == pytest.approx(218.0, abs=0.5)
    assert usable_to(quarter) == pytest.approx(43.5, abs=0.8)
    assert line_gain(usable_to(quarter), quarter) == pytest.approx(0.05, rel=1e-9)
    assert line_gain(83.0, quarter) == pytest.approx(0.21, abs=0.01)
    assert line_gain(0.51 * quarter, quarter) is None


def test_a_range_barely_used_or_nearly_full_is_said():
    assert range_note(31.0, 60.0, 0.06) == ""
    assert range_note(9.0, 60.0, 0.06) == "15 % of the range is used: the zero alone is 0.67 % of it"
    assert "overshoots" in range_note(50.0, 60.0, 0.06)


def test_a_rate_is_held_against_stand_filter_and_converter():
    assert rate_notes(1000.0, mode=41.0, corner=200.0, converter=26e-6, channels=8) == ()
    notes = rate_notes(200.0, mode=41.0, corner=100.0, converter=1e-3, channels=8)
    assert [any(words in note for note in notes) for words in ("328", "fold", "125 rows/s")] == [True, True, True]
    assert disk_needed(25_000.0, 600.0) == 45e6
