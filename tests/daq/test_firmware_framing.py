"""The framing that boards run, compiled for this computer, against an encoder that knows nothing of it."""

import shutil
import struct
import subprocess

import numpy as np
import pytest
from cobs import cobs

from standbook.daq.errors import FrameError
from standbook.daq.wire.decoder import MAX_ENCODED, Decoder
from standbook.daq.wire.hello import Hello
from tests.firmware_build import HOST, NODE, compile_c, compile_cpp, environment, link
from tests.firmware_cases import BEAT, CRC, EDGE, HELLO, LONGEST, NOTE, RAW, SAMPLES, cases, framed

SEED = 20310614
PATIENCE = 120.0  # [s] until a driver that hangs fails; it takes seconds
FRAMING = ("standbook_frame.c", "standbook_hello.c", "standbook_frame.h", "standbook_flash.h")


@pytest.fixture(scope="module")
def drawn():
    return cases(20_000, SEED)


def driver_in(folder, *, source=NODE, as_cpp=False):
    framing = [compile_c(source / name, folder / f"{name}.o", include=source) for name in FRAMING if name[-2:] == ".c"]
    compiled = (compile_cpp if as_cpp else compile_c)(HOST / "frame_driver.c", folder / "driver.o", include=source)
    return link(folder / "driver", *framing, compiled, compiler="g++" if as_cpp else "gcc")


def answers(driver, asked):
    """Run a driver over cases; its answers, and what it said."""
    done = subprocess.run(
        [driver],
        input=b"".join(case.sent() for case in asked),
        capture_output=True,
        env=environment(),
        timeout=PATIENCE,
        check=False,
    )
    found, at, out = [], 0, done.stdout
    while at + 2 <= len(out):
        (length,) = struct.unpack_from("<H", out, at)
        found.append(out[at + 2 : at + 2 + length])
        at += 2 + length
    return found, done.returncode, done.stderr.decode(errors="replace")


def differences(found, asked):
    return [
        (index, case.what, case.answer.hex(), answer.hex())
        for index, (case, answer) in enumerate(zip(asked, found, strict=False))
        if answer != case.answer
    ]


@pytest.mark.slow
@pytest.mark.parametrize("as_cpp", [False, True], ids=["C99", "C++11"])
def test_twenty_thousand_random_cases_give_the_same_bytes_and_no_word_of_a_sanitizer(tmp_path, drawn, as_cpp):
    found, code, said = answers(driver_in(tmp_path, as_cpp=as_cpp), drawn)
    assert (code, said) == (0, "")
    assert len(found) == len(drawn) == 20_000
    assert differences(found, drawn)[:3] == []


def test_the_cases_reach_every_kind_and_every_limit(drawn):
    """What the comparison is worth: nothing here is of the firmware."""
    for kind in (HELLO, SAMPLES, EDGE, NOTE, BEAT):
        assert sum(case.what == kind and bool(case.answer) for case in drawn) > 1000
        assert sum(case.what == kind and not case.answer for case in drawn) > 100
    plain = [cobs.decode(case.answer[:-1]) for case in drawn if case.what != CRC and case.answer]
    for length in (1, LONGEST - 1, LONGEST):
        assert sum(len(body) == length + 4 for body in plain) >= 5
    for kind in (HELLO, NOTE, BEAT, SAMPLES):
        assert max(len(body) - 4 for body in plain if body[0] == kind) >= (1018 if kind == BEAT else 1015)
    # A frame that ends with a full block: 254 bytes other than zero and no code behind them.
    ends = [case.answer for case in drawn if case.what >= RAW and case.what != CRC and len(case.answer) > 255]
    assert sum(frame[-256] == 0xFF and 0 not in frame[-256:-1] for frame in ends) > 300
    assert max(len(case.answer) for case in drawn) == MAX_ENCODED + 1  # the delimiter


@pytest.mark.slow
def test_frames_of_the_firmware_are_frames_to_the_decoder(tmp_path, drawn):
    sent = [case for case in drawn if case.what not in (CRC, HELLO)]
    found, _, _ = answers(driver_in(tmp_path), sent)
    frames = [frame for frame in found if frame]
    counts = np.zeros(3, int)
    for start in range(0, len(frames), 100):  # a decoder each, since rows without a hello are kept waiting
        result = Decoder().feed(b"".join(frames[start : start + 100]))
        counts += (result.frames, result.damaged_frames, result.leading_bytes)
    assert counts.tolist() == [len(frames), 0, 0]


@pytest.mark.slow
def test_hellos_of_the_firmware_tell_the_layout_number_of_their_channels(tmp_path, drawn):
    sent = [case for case in drawn if case.what == HELLO]
    found, _, _ = answers(driver_in(tmp_path), sent)
    taken, refusals = 0, []
    for frame in filter(None, found):
        try:
            Hello.from_json(cobs.decode(frame[:-1])[1:-4])
        except FrameError as error:
            refusals.append(str(error))
        else:
            taken += 1
    assert taken > 500
    # Names that the format does not allow and the cases hold on purpose; never the JSON, never its layout number.
    assert [
        said
        for said in refusals
        if "must be 1 to 64 printable" not in said and "may not hold" not in said and "does not fit a frame" not in said
    ] == []


def test_a_full_block_at_the_end_has_no_optional_01_and_is_read_with_one_too():
    body = bytes([4, *range(1, 250)])
    frame = framed(body)
    assert 0 not in frame[:-1]
    assert len(frame) == 1 + 254 + 1
    for variant in (frame, frame[:-1] + b"\x01\x00"):
        assert Decoder().feed(variant).frames == 1


MUTANTS = {
    "another polynomial": ("0xEDB88320u", "0xEDB88321u"),
    "a table of the CRC with one wrong bit": ("0x3B6E20C8u", "0x3B6E20C9u"),
    "a block a byte too short": ("code == 0xFF", "code == 0xFE"),
    "a step past the buffer": ("if (at == limit)", "if (at == limit + 1)"),
    "a body a byte too long": ("length > SB_MAX_BODY - frame->body", "length > SB_MAX_BODY + 1 - frame->body"),
    "a row more than its room": ("batch->room - batch->used < batch->row_bytes", "batch->room < batch->used"),
}


@pytest.mark.slow
@pytest.mark.parametrize("fault", MUTANTS)
def test_a_fault_put_into_the_framing_is_found(tmp_path, drawn, fault):
    before, after = MUTANTS[fault]
    for name in FRAMING:
        shutil.copy(NODE / name, tmp_path)
    text = (tmp_path / "standbook_frame.c").read_text(encoding="utf-8")
    assert before in text, "the framing has changed: choose the fault again"
    (tmp_path / "standbook_frame.c").write_text(text.replace(before, after), encoding="utf-8")
    asked = drawn[:3000]
    found, code, said = answers(driver_in(tmp_path, source=tmp_path), asked)
    assert (code != 0 and "AddressSanitizer" in said) or differences(found, asked)
