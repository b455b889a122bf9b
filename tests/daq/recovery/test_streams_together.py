"""Streams of one device on one count of ticks."""

import numpy as np

from standbook.daq.recovery.streams_together import align_tick_epochs
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.encoder import edge_body, encode_frame, encode_samples
from standbook.daq.wire.line_edges import PlacedEdge
from standbook.daq.wire.stream_assembly import assemble
from tests.wire_reference import hello

WRAP = 2**32


def decode(frames, *said):
    """Blocks, beats and edges of whole frames."""
    result = Decoder(said).feed(b"".join(frames))
    assert result.pending_frames == result.refused_frames == result.damaged_frames == 0
    return result.blocks, result.beats, result.edges


def table(rows, seed=0):
    return np.random.default_rng(seed).integers(-30_000, 30_000, (rows, 2))


def edge(line, level, count, ticks, boot=17):
    return encode_frame(edge_body(line, boot, level, count, ticks))


def test_streams_of_one_device_share_one_epoch():
    # A slow converter runs 12 % fast for 8 h: its own row number puts it one rollover too late.
    fast, slow = hello(), hello(stream=2, interval=12_500)
    now = 8 * 3600 * 1_000_000
    frames = encode_samples(fast, now // 1000, now + 5, 0, table(10), 10)
    frames += encode_samples(slow, now // 11_000, now + 400, 0, table(3), 3)
    blocks, beats, edges = decode(frames, fast, slow)
    apart = [assemble(blocks, beats, edges, said) for said in (fast, slow)]
    assert apart[1].segments[0].ticks[0] - apart[0].segments[0].ticks[0] == 395 + WRAP
    one, two = align_tick_epochs(apart)
    assert two.segments[0].ticks[0] - one.segments[0].ticks[0] == 395
    assert one.segments[0].ticks[0] == now + 5
    assert align_tick_epochs(()) == ()


def test_same_epoch_finds_the_partner_by_boot_and_moves_nothing_without_one():
    # Boot 18 gave no row of the slow stream; boot 20 none of the fast one.
    now = 8 * 3600 * 1_000_000
    said = {boot: (hello(boot=boot), hello(stream=2, interval=12_500, boot=boot)) for boot in (17, 18, 19, 20)}
    frames = []
    for boot in (17, 18, 19):
        frames += encode_samples(said[boot][0], now // 1000, now + 5, 0, table(10), 10)
        if boot != 18:
            frames += encode_samples(said[boot][1], now // 11_000, now + 400, 0, table(3), 3)
    frames += encode_samples(said[20][1], now // 11_000, now + 400, 0, table(3), 3)
    frames.append(edge(0, 1, 1, now + 600, boot=20))
    fast, slow = said[17]
    blocks, beats, edges = decode(frames, fast, slow)
    one, two = align_tick_epochs([assemble(blocks, beats, edges, each) for each in (fast, slow)])
    assert [segment.ticks[0] for segment in one.segments if segment.sequence.size] == [now + 5] * 3
    assert [(segment.boot, segment.ticks[0] - now) for segment in two.segments] == [
        (17, 400),
        (19, 400),
        (20, 400 + WRAP),
    ]
    assert [placed.ticks - now for placed in two.segments[2].edges] == [600 + WRAP]


def test_same_epoch_moves_edges_with_their_rows_and_leaves_what_is_right():
    fast, slow = hello(), hello(stream=2, interval=12_500)
    now = 8 * 3600 * 1_000_000
    frames = encode_samples(fast, now // 1000, now + 5, 0, table(10), 10)
    frames += [*encode_samples(slow, now // 11_000, now + 400, 0, table(3), 3), edge(0, 1, 1, now + 600)]
    blocks, beats, edges = decode(frames, fast, slow)
    one, two = align_tick_epochs([assemble(blocks, beats, edges, each) for each in (fast, slow)])
    assert one.segments[0].edges == two.segments[0].edges == (PlacedEdge(0, 1, now + 600, False),)
    again = align_tick_epochs((one, two))
    assert again[1].segments[0] is two.segments[0]
    (alone, empty) = align_tick_epochs([one, assemble((), beats, edges, slow)])
    assert alone is one
    assert empty.rows == 0
