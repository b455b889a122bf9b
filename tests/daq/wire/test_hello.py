"""A hello says what a stream is, or is refused in one sentence."""

import json
import zlib
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from standbook.daq.errors import FrameError
from standbook.daq.wire.hello import MAX_BODY, TYPE_RANGES, Hello, WireChannel, WireLine
from tests.wire_reference import hello

EXAMPLE = (
    b'{"format":1,"device":"cradle-a","serial":"0007","firmware":"1.0.0","boot":17,"tick_hz":1000000,'
    b'"stream":1,"streams":2,"name":"fast","interval_ticks":1000,"layout":17521,'
    b'"channels":[{"name":"adc0","type":"i24","min":-8388608,"max":8388607}],'
    b'"lines":[{"line":0,"name":"fire"}]}'
)


def test_the_formats_own_example_reads_and_writes_back_byte_for_byte():
    read = Hello.from_json(EXAMPLE)
    assert (read.boot, read.stream, read.streams, read.row_bytes) == (17, 1, 2, 3)
    assert read.channels == (WireChannel("adc0", "i24", -8388608, 8388607),)
    assert read.lines == (WireLine(0, "fire"),)
    assert read.to_json() == EXAMPLE


def test_the_layout_of_adc0_i24_at_1000_is_17521():
    # 17521 stands in the format's text beside this example; the CRC is the standard library's.
    assert Hello.from_json(EXAMPLE).layout == 17521 == zlib.crc32(b"adc0:i24@1000") & 0xFFFF


def test_channels_are_joined_by_commas_in_the_layout():
    assert hello(("i16", "u8"), interval=5).layout == zlib.crc32(b"adc0:i16,adc1:u8@5") & 0xFFFF


def test_a_time_scale_travels_only_when_it_is_not_one():
    fast = Hello.from_json(EXAMPLE.replace(b'"format":1', b'"format":1,"time_scale":20'))
    assert fast.time_scale == 20.0
    assert json.loads(fast.to_json())["time_scale"] == 20.0
    assert b"time_scale" not in Hello.from_json(EXAMPLE).to_json()


def test_a_rehearsal_says_so_at_any_speed():
    made_up = Hello.from_json(EXAMPLE.replace(b'"format":1', b'"format":1,"rehearsal":true'))
    assert made_up.is_rehearsal
    assert json.loads(made_up.to_json())["rehearsal"] is True
    assert Hello.from_json(EXAMPLE.replace(b'"format":1', b'"format":1,"time_scale":20')).is_rehearsal
    assert not Hello.from_json(EXAMPLE).is_rehearsal


def test_skew_and_latency_travel_only_where_they_are_told_and_count_in_ticks():
    plain = Hello.from_json(EXAMPLE)
    told = replace(plain, skew_ticks=112, latency_ticks=2500)
    assert Hello.from_json(told.to_json()) == told
    assert b"skew_ticks" not in plain.to_json()
    assert told.layout == plain.layout
    assert (told.skew(3), told.latency) == (336 / told.tick_hz, 2500 / told.tick_hz)


def test_keys_that_a_later_firmware_adds_are_passed_over():
    assert Hello.from_json(EXAMPLE.replace(b'"boot":17', b'"boot":17,"colour":"red"')).boot == 17


def test_max_rows_fills_a_frame_and_no_more():
    wide = hello(["i24"] * 10)
    assert wide.max_rows == (1020 - 15) // 30
    assert hello(["u8"]).max_rows == 255  # the row count is one byte


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (b'"format":1', b'"format":2', "format 2"),
        (b'"format":1,', b"", "format None"),
        (b'"device":"cradle-a",', b"", "'device' is missing"),
        (b'"device":"cradle-a"', b'"device":""', "device is ''"),
        (b'"device":"cradle-a"', b'"device":7', "device is 7, must be text"),
        (b'"serial":"0007"', b'"serial":"' + b"7" * 65 + b'"', "1 to 64 printable"),
        (b'"firmware":"1.0.0"', b'"firmware":"1.0\\n"', "printable"),
        (b'"boot":17', b'"boot":true', "boot is True, must be a whole number"),
        (b'"boot":17', b'"boot":17.0', "must be a whole number"),
        (b'"boot":17', b'"boot":-1', "boot is -1"),
        (b'"boot":17', b'"boot":17,"boot":18', "stands twice"),
        (b'"tick_hz":1000000', b'"tick_hz":0', "tick_hz is 0, must be 1 to"),
        (b'"stream":1', b'"stream":256', "stream is 256"),
        (b'"streams":2', b'"streams":0', "streams is 0"),
        (b'"streams":2', b'"streams":255', "beat of 1 lines and 255 streams"),
        (b'"interval_ticks":1000', b'"interval_ticks":0', "interval_ticks is 0"),
        (b'"interval_ticks":1000', b'"interval_ticks":999', "layout says 17521"),
        (b'"layout":17521', b'"layout":17522', "layout says 17522"),
        (b'"layout":17521,', b"", "'layout' is missing"),
        (b'"type":"i24"', b'"type":"f32"', "type is 'f32'"),
        (b'"max":8388607', b'"max":8388608', "within -8388608 to 8388607"),
        (b'"min":-8388608', b'"min":8388607', "must rise"),
        (b'"name":"adc0"', b'"name":"ain,0"', "comma"),
        (b'"name":"adc0"', b'"name":" adc0"', "no space around"),
        (b'"name":"fast"', b'"name":"../fast"', "may not hold / or"),
        (b'[{"name":"adc0","type":"i24","min":-8388608,"max":8388607}]', b"[]", "no channels"),
        (b'[{"name":"adc0","type":"i24","min":-8388608,"max":8388607}]', b"[3]", "list of objects"),
        (b'"lines":[{"line":0,"name":"fire"}]', b'"lines":null', "lines must be a list"),
        (b'{"line":0,"name":"fire"}', b'{"line":8,"name":"fire"}', "number 8, must be 0 to 7"),
        (
            b'{"line":0,"name":"fire"}',
            b'{"line":0,"name":"fire"},{"line":1,"name":"fire"}',
            "line 'fire' stands twice",
        ),
        (
            b'{"line":0,"name":"fire"}',
            b'{"line":0,"name":"fire"},{"line":0,"name":"arm"}',
            "line number '0' stands twice",
        ),
        (
            b'"max":8388607}]',
            b'"max":8388607},{"name":"adc0","type":"u8","min":0,"max":9}]',
            "channel 'adc0' stands twice",
        ),
        (b'"format":1', b'"format":1,"rehearsal":1', "must be true or false"),
        (b'"format":1', b'"format":1,"time_scale":0', "time_scale is 0"),
        (b'"format":1', b'"format":1,"time_scale":NaN', "time_scale is nan"),
        (b'"format":1', b'"format":1,"time_scale":"20"', "must be a number"),
        (b'"format":1', b'"format":1,"time_scale":1' + b"0" * 400, "too large"),
        (b'"boot":17', b'"boot":17' + b"0" * 40, "boot is 17"),
        (b'"format":1', b'"format":1,"time_scale":Infinity', "time_scale is inf"),
        (b'"format":1', b'"format":1,"time_scale":1e400', "time_scale is inf"),
        (b'"boot":17', b'"boot":Infinity', "boot is inf, must be a whole number"),
        (b'"boot":17', b'"boot":' + b"[" * 300 + b"]" * 300, "boot is a list, must be"),
        (b'"format":1', b'"format":{"a":' + b"[" * 300 + b"]" * 300 + b"}", "format an object"),
        (b'"format":1', b'"format":1,"time_scale":' + b"[" * 300 + b"]" * 300, "time_scale is a list, must be"),
        (b'"format":1', b'"format":"' + b"x" * 500 + b'"', "x..., this program"),
        (b'"device":"cradle-a"', b'"device":"\\u001b[2Jcradle"', r"device is '\x1b[2Jcradle', must be"),
        (b'"name":"adc0"', b'"name":"a\\u202e0"', "printable"),
        (b'"name":"adc0"', b'"name":"a\\ud8000"', "printable"),
        (b'"name":"fire"', b'"name":"fi\\u0000re"', "printable"),
        (b"}]}", b"}]", "not readable JSON"),
        (b"cradle-a", b"\xff\xfe", "not readable JSON"),
    ],
)
def test_a_hello_that_is_wrong_is_refused_in_one_sentence(old, new, says):
    assert old in EXAMPLE
    with pytest.raises(FrameError) as refusal:
        Hello.from_json(EXAMPLE.replace(old, new, 1))
    assert says in str(refusal.value)
    assert str(refusal.value).isprintable()


@pytest.mark.parametrize("content", [b"", b"[]", b"17", b"[" * 1019, b" " * 1019, b"x" * 1020])
def test_what_is_no_hello_at_all_is_refused(content):
    with pytest.raises(FrameError):
        Hello.from_json(content)


def test_a_row_that_no_frame_can_carry_is_refused():
    with pytest.raises(ValueError, match="a row of 1008 bytes does not fit"):
        hello(["i32"] * 252)


def test_a_hello_too_long_for_its_frame_is_refused_when_written():
    with pytest.raises(ValueError, match="a frame holds 1019"):
        hello(["i32"] * 40).to_json()


@given(st.binary(max_size=80))
def test_no_bytes_make_the_reader_fail_otherwise(content):
    with pytest.raises(FrameError):
        Hello.from_json(content)


JSON_VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=8,
)


@pytest.mark.slow
@given(st.sampled_from(sorted(json.loads(EXAMPLE))), JSON_VALUES)
def test_any_value_under_any_key_is_taken_or_refused_in_one_printable_sentence(key, value):
    fields = json.loads(EXAMPLE) | {key: value}
    content = json.dumps(fields).encode()
    try:
        read = Hello.from_json(content)
    except FrameError as refusal:
        said = str(refusal)
    else:
        said = ""
        assert Hello.from_json(read.to_json()) == read
    assert said.isprintable()


@pytest.mark.parametrize("key", ["device", "format", "time_scale", "channels", "unknown"])
@pytest.mark.parametrize("opening", [b"[", b'{"a":'])
def test_json_nested_to_any_depth_is_refused_or_passed_over(key, opening):
    closing = {b"[": b"]", b'{"a":': b"}"}[opening]
    for depth in range(0, 1000, 7):
        content = b'{"%s":%s1%s}' % (key.encode(), opening * depth, closing * depth)
        with pytest.raises(FrameError):
            Hello.from_json(content)


@given(
    st.lists(st.sampled_from(sorted(TYPE_RANGES)), min_size=1, max_size=10),
    st.integers(0, 2**32 - 1),
    st.integers(1, 2**31 - 1),
    st.integers(0, 8),
)
def test_every_hello_reads_back_as_it_was(types, boot, interval, lines):
    said = hello(types, boot=boot, interval=interval, lines=[f"d{number}" for number in range(lines)])
    text = said.to_json()
    assert Hello.from_json(text) == said
    assert len(text) < MAX_BODY
