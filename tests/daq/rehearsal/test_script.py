"""What a board says when: a table at rest, played faster, says no more in a real second than a board does."""

import dataclasses

import numpy as np
import pytest

from standbook.daq.rehearsal.script import PlayedStream, Table, script
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.hello import WireChannel

SECONDS, ROWS = 60.0, 20  # a second
TABLE = Table(
    device="cradle-a",
    serial="0007",
    firmware="1",
    boot=17,
    tick_hz=1_000_000,
    start_ticks=1_000_000,
    streams=(
        PlayedStream(
            number=1,
            name="slow",
            interval_ticks=1_000_000 // ROWS,
            channels=(WireChannel("adc0", "i16", -32_768, 32_767),),
            counts=np.arange(int(SECONDS * ROWS), dtype=np.int32)[:, None],
        ),
    ),
)


def said(scale, *, at_rest):
    return [one for one in script(dataclasses.replace(TABLE, at_rest=at_rest), time_scale=scale) if one.at <= SECONDS]


@pytest.mark.parametrize("scale", [1.0, 10.0, 50.0])
def test_what_stands_still_says_as_much_in_a_real_second_at_any_speed(scale):
    frames = said(scale, at_rest=True)
    rows = [part.rows for one in frames for part in one.parts]
    assert sum(rows) == SECONDS * ROWS
    assert max(rows) == max(1, round(0.02 * scale * ROWS))  # what a board gathers in 20 ms of its own
    # beside the rows: ten beats a second, a hello a second and one at the start, and the word that it is over
    other = len(frames) - len(rows)
    assert other == pytest.approx(11.0 * SECONDS / scale + 2.0, abs=2.0)


def test_what_moves_is_said_as_often_as_the_board_says_it():
    assert [one.at for one in said(50.0, at_rest=False)] == [one.at for one in said(1.0, at_rest=False)]


def test_every_row_of_a_table_that_is_played_faster_arrives_whole():
    found = Decoder().feed(b"".join(one.frame for one in said(50.0, at_rest=True)))
    counts = np.concatenate([block.counts[:, 0] for block in found.blocks])
    assert counts.tolist() == list(range(int(SECONDS * ROWS)))
    assert np.diff([beat.ticks for beat in found.beats]).tolist() == [5_000_000] * 10  # 0.1 s of its own
