"""An unbroken account of rows and edges: rollovers, gaps, duplicates, resets, lost edges."""

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standbook.daq.recovery.streams_together import align_tick_epochs
from standbook.daq.wire.decoder import Decoder
from standbook.daq.wire.encoder import beat_body, edge_body, encode_frame, encode_samples
from standbook.daq.wire.line_edges import PlacedEdge
from standbook.daq.wire.messages import Beat, Edge
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


def one_segment(frames, said):
    assembly = assemble(*decode(frames, said), said)
    assert len(assembly.segments) == 1
    return assembly.segments[0]


def edge(line, level, count, ticks, boot=17):
    return encode_frame(edge_body(line, boot, level, count, ticks))


def beat(ticks, edges=(), rows=(), lines=0, boot=17):
    return encode_frame(beat_body(boot, lines, ticks, edges, rows))


def test_a_clean_stream_comes_back_whole():
    said = hello()
    counts = table(25)
    segment = one_segment(encode_samples(said, 7, 9000, 1, counts, 10), said)
    assert segment.sequence.tolist() == list(range(7, 32))
    assert segment.ticks.tolist() == list(range(9000, 34_000, 1000))
    assert (segment.counts == counts).all()
    assert segment.frame_row.tolist() == [0, 10, 20]
    assert segment.frame_lines.tolist() == [1, 1, 1]
    assert (segment.lost_rows, segment.duplicates, segment.reordered, segment.lost_edges) == (0, 0, 0, 0)
    assert not segment.restarted


def test_ticks_roll_over_by_hand():
    # 4294967000, 4294967290, 14, 510 step by 290, 20, 496 us (derived). A device whose rows are late.
    said = hello(interval=300)
    frames = []
    for row, ticks in enumerate((4_294_967_000, 4_294_967_290, 14, 510)):
        frames += encode_samples(said, row, ticks, 0, table(1), 1)
    assert np.diff(one_segment(frames, said).ticks).tolist() == [290, 20, 496]


@pytest.mark.parametrize("lost_seconds", [1, 4294, 4295, 4296, 3 * 4295, 100_000])
def test_the_sequence_decides_how_often_ticks_rolled_over_within_a_gap(lost_seconds):
    said = hello()
    rows = lost_seconds * 1000
    start = encode_samples(said, 100, 100_000, 0, table(10), 10)
    rest = encode_samples(said, 110 + rows, 110_000 + rows * 1000, 0, table(10), 10)
    segment = one_segment(start + rest, said)
    assert segment.ticks[10] - segment.ticks[9] == (rows + 1) * 1000
    assert segment.gaps.tolist() == [[110, rows]]
    assert segment.lost_rows == rows


def test_ticks_follow_the_device_clock_and_not_the_nominal_interval():
    # A converter 3 % fast, and a gap of two rollovers: the raw ticks still decide the last digits.
    said = hello()
    later = 8_600_000
    ticks = 5000 + round(later * 970)
    frames = encode_samples(said, 0, 5000, 0, table(1), 1) + encode_samples(said, later, ticks, 0, table(1), 1)
    assert one_segment(frames, said).ticks.tolist() == [5000, ticks]


def test_a_recording_begun_late_counts_the_rollovers_before_it():
    said = hello()
    frames = encode_samples(said, 9_000_000, 9_000_000_123, 0, table(10), 10)
    assert one_segment(frames, said).ticks[0] == 9_000_000_123


def test_the_sequence_rolls_over_too():
    said = hello(interval=1)
    frames = encode_samples(said, WRAP - 15, 7, 0, table(30), 10)
    segment = one_segment(frames, said)
    assert segment.sequence.tolist() == list(range(WRAP - 15, WRAP + 15))
    assert np.diff(segment.ticks).tolist() == [1] * 29
    del frames[1]
    assert one_segment(frames, said).gaps.tolist() == [[WRAP - 5, 10]]


@settings(max_examples=60)
@given(st.integers(0, WRAP), st.integers(0, WRAP), st.sets(st.integers(0, 39)), st.integers(0, 39))
def test_lost_frames_are_counted_exactly(sequence, ticks, lost, last):
    said = hello()
    counts = table(120)
    frames = encode_samples(said, sequence, ticks, 0, counts, 3)
    kept = sorted(set(range(40)) - lost | {last})
    segment = one_segment([frames[index] for index in kept], said)
    first = 3 * kept[0]
    rows = [3 * index + row for index in kept for row in range(3)]
    assert (segment.sequence - segment.sequence[0]).tolist() == [row - first for row in rows]
    assert (segment.ticks - segment.ticks[0]).tolist() == [(row - first) * 1000 for row in rows]
    assert (segment.counts == counts[rows]).all()
    assert segment.lost_rows == 3 * (kept[-1] - kept[0] + 1 - len(kept))
    assert segment.sequence[0] % WRAP == (sequence + first) % WRAP
    assert segment.ticks[0] % WRAP == (ticks + first * 1000) % WRAP


def test_a_beat_shows_loss_at_the_tail_and_at_the_head():
    said = hello(lines=())
    frames = encode_samples(said, 0, 0, 0, table(40), 10)
    beats = [beat(1, rows=[(1, 0), (2, 5)]), beat(41_000, rows=[(1, 40), (2, 5)])]
    segment = one_segment([beats[0], *frames[1:3], beats[1]], said)
    assert segment.gaps.tolist() == [[0, 10], [30, 10]]
    assert one_segment([beats[0], *frames, beats[1]], said).lost_rows == 0
    assert one_segment([*frames[1:3]], said).lost_rows == 0


def test_beats_alone_tell_how_many_rows_were_lost():
    said = hello(lines=(), streams=1)
    assembly = assemble(*decode([beat(1, rows=[(1, WRAP - 5)]), beat(9, rows=[(1, 15)])], said), said)
    assert assembly.rows == 0
    assert assembly.lost_rows == 20
    assert assembly.segments[0].gaps.tolist() == [[WRAP - 5, 20]]


def test_beats_of_another_stream_say_nothing_of_this_one():
    said = hello(lines=(), streams=1)
    frames = encode_samples(said, 0, 0, 0, table(10), 10)
    assert one_segment([*frames, beat(9, rows=[(2, 500)])], said).lost_rows == 0


def test_rows_that_come_twice_are_dropped_and_counted():
    said = hello()
    frames = encode_samples(said, 0, 0, 0, table(40), 10)
    segment = one_segment([frames[0], frames[1], frames[1], frames[2], frames[1], frames[3]], said)
    assert segment.sequence.tolist() == list(range(40))
    assert (segment.counts == table(40)).all()
    assert segment.duplicates == 20
    assert segment.lost_rows == 0


def test_late_frames_are_put_in_their_place():
    said = hello()
    frames = encode_samples(said, 0, 0, [0, 1, 2, 3], table(40), 10)
    segment = one_segment([frames[0], frames[2], frames[1], frames[3]], said)
    assert segment.sequence.tolist() == list(range(40))
    assert (segment.counts == table(40)).all()
    assert segment.ticks.tolist() == list(range(0, 40_000, 1000))
    assert segment.frame_lines.tolist() == [0, 1, 2, 3]
    assert (segment.duplicates, segment.reordered, segment.lost_rows) == (0, 1, 0)


@settings(max_examples=40)
@given(st.integers(0, 2**31))
def test_any_shuffle_within_the_window_gives_the_same_rows(seed):
    said = hello()
    frames = encode_samples(said, WRAP - 50, WRAP - 20_000, 0, table(100), 5)
    order = list(range(1, 20)) + random.Random(seed).choices(range(1, 20), k=5)
    random.Random(seed).shuffle(order)
    shuffled = one_segment([frames[0], *(frames[index] for index in order)], said)
    straight = one_segment(frames, said)
    assert (shuffled.sequence == straight.sequence).all()
    assert (shuffled.ticks == straight.ticks).all()
    assert (shuffled.counts == straight.counts).all()
    assert shuffled.duplicates == 25


def test_frames_that_overlap_in_part_keep_each_row_once():
    said = hello()
    counts = table(20)
    frames = encode_samples(said, 0, 0, 0, counts[:10], 10) + encode_samples(said, 5, 5000, 0, counts[5:20], 15)
    segment = one_segment(frames, said)
    assert segment.sequence.tolist() == list(range(20))
    assert (segment.counts == counts).all()
    assert segment.duplicates == 5
    assert segment.frame_row.tolist() == [0, 10]


def test_a_new_boot_begins_a_new_segment():
    before, after = hello(boot=17), hello(boot=18)
    frames = encode_samples(before, 500, 500_000, 0, table(20), 10)
    frames += encode_samples(after, 30, 31_000, 0, table(20, 1), 10)
    one, two = assemble(*decode(frames, before), before).segments
    assert (one.boot, two.boot) == (17, 18)
    assert one.sequence.tolist() == list(range(500, 520))
    assert two.sequence.tolist() == list(range(30, 50))
    assert two.ticks[0] == 31_000
    assert not two.restarted
    assert one.lost_rows == two.lost_rows == 0


def test_messages_stay_with_their_boot():
    said = hello(boot=17, streams=1)
    frames = [
        *encode_samples(said, 500, 500_000, 0, table(10), 10),
        beat(511_000, [(0, 0)], [(1, 520)]),
        beat(100, [(1, 50)], [(1, 0)], lines=1, boot=18),
        *encode_samples(hello(boot=18), 10, 10_000, 0, table(10), 10),
        edge(0, 0, 2, 15_000, boot=18),
    ]
    one, two = assemble(*decode(frames, said), said).segments
    assert one.gaps.tolist() == [[510, 10]]
    assert two.gaps.tolist() == [[0, 10]]
    assert one.edges == ()
    assert two.edges == (PlacedEdge(0, 0, 15_000, False),)


def test_a_far_step_back_without_a_new_boot_is_a_restart():
    said = hello()
    frames = encode_samples(said, 50_000, 50_000_000, 0, table(20), 10)
    frames += encode_samples(said, 0, 0, 0, table(20, 1), 10)
    one, two = assemble(*decode(frames, said), said).segments
    assert (one.restarted, two.restarted) == (False, True)
    assert two.sequence.tolist() == list(range(20))
    assert two.ticks[0] == 0
    assert one.lost_rows == two.lost_rows == 0


def test_a_near_step_back_onto_other_counts_is_a_restart_and_no_row_is_dropped():
    said = hello()
    frames = encode_samples(said, 0, 0, 0, table(40), 10)
    again = encode_samples(said, 0, 0, 0, table(60, 1), 10)
    one, two = assemble(*decode(frames + again, said), said).segments
    assert (one.counts == table(40)).all()
    assert (two.counts == table(60, 1)).all()
    assert two.restarted
    assert one.duplicates == two.duplicates == 0


@pytest.mark.slow
def test_a_sequence_that_stands_still_is_a_restart_at_each_frame_and_takes_no_square_of_time():
    """Found by measuring: 4,000 frames took 6 s, and twice as many four times as long."""
    said = hello()
    counts = table(6000)
    frames = [encode_samples(said, 0, 5000, 0, counts[k : k + 1], 1)[0] for k in range(6000)]
    assembly = assemble(*decode(frames, said), said)
    assert len(assembly.segments) == assembly.rows == 6000
    assert (np.concatenate([segment.counts for segment in assembly.segments]) == counts).all()
    assert len(align_tick_epochs([assembly, assembly])) == 2


@pytest.mark.parametrize("lengths", [(63, 64, 65), (1, 64, 128, 129, 1), (200, 1, 1, 300)])
def test_restarts_are_found_however_far_apart_they_are(lengths):
    said = hello()
    counts = table(sum(lengths))
    starts = np.cumsum((0, *lengths))[:-1]
    frames = [
        frame
        for start, length in zip(starts, lengths, strict=True)
        for frame in encode_samples(said, 0, 5000, 0, counts[start : start + length], 1)
    ]
    segments = assemble(*decode(frames, said), said).segments
    assert [segment.sequence.size for segment in segments] == list(lengths)
    assert (np.concatenate([segment.counts for segment in segments]) == counts).all()
    assert [segment.restarted for segment in segments] == [False] + [True] * (len(lengths) - 1)


def test_no_frames_at_all_is_an_empty_assembly():
    assembly = assemble((), (), (), hello())
    assert assembly.segments == ()
    assert assembly.rows == assembly.lost_rows == 0


def test_blocks_of_other_streams_are_passed_over_and_of_other_layouts_refused():
    said, other = hello(), hello(stream=2)
    blocks, beats, edges = decode(encode_samples(other, 0, 0, 0, table(10), 10), said, other)
    assert assemble(blocks, beats, edges, said).rows == 0
    with pytest.raises(ValueError, match="assemble them apart"):
        assemble(blocks, beats, edges, hello(("i16", "i16"), stream=2))


def test_blocks_fed_in_any_order_give_the_same():
    said = hello()
    frames = encode_samples(said, 0, 0, 0, table(40), 4)
    decoder = Decoder([said])
    blocks = [block for frame in frames for block in decoder.feed(frame).blocks]
    straight = assemble(blocks, (), (), said).segments[0]
    random.Random(3).shuffle(blocks)
    shuffled = assemble(blocks, (), (), said).segments[0]
    assert (shuffled.counts == straight.counts).all()
    assert shuffled.reordered == 0  # it is the wire that decides, not the list


def test_edges_unwrap_to_the_nearest_samples_frame():
    said = hello()
    start = 3 * WRAP // 1000
    frames = encode_samples(said, start, start * 1000, 0, table(20), 10)
    early, late = (3 * WRAP - 300) % WRAP, (start * 1000 + 9500) % WRAP
    segment = one_segment([edge(0, 1, 6, early), *frames, edge(0, 0, 7, late)], said)
    assert segment.edges == (PlacedEdge(0, 1, 3 * WRAP - 300, False), PlacedEdge(0, 0, start * 1000 + 9500, False))


def firing(lost=()):
    """Rows, three edges of one line and beats around them; frames named in ``lost`` never arrive."""
    said = hello(streams=1)
    rows = encode_samples(said, 0, 1000, 0, table(50), 10)
    frames = {
        "r0": rows[0],
        "b0": beat(1500, [(4, 200)], [(1, 10)]),
        "r1": rows[1],
        "e5": edge(0, 1, 5, 21_234),
        "r2": rows[2],
        "b1": beat(31_500, [(5, 21_234)], [(1, 30)], lines=1),
        "e6": edge(0, 0, 6, 32_000),
        "r3": rows[3],
        "e7": edge(0, 1, 7, 41_000),
        "r4": rows[4],
        "b2": beat(51_500, [(7, 41_000)], [(1, 50)], lines=1),
    }
    return one_segment([frame for name, frame in frames.items() if name not in lost], said)


def test_all_edges_arrive_when_none_is_lost():
    segment = firing()
    assert segment.edges == (
        PlacedEdge(0, 1, 21_234, False),
        PlacedEdge(0, 0, 32_000, False),
        PlacedEdge(0, 1, 41_000, False),
    )
    assert segment.lost_edges == 0


def test_a_lost_edge_frame_is_restored_from_the_next_beat():
    segment = firing({"e5"})
    assert segment.edges[0] == PlacedEdge(0, 1, 21_234, True)
    assert [one.restored for one in segment.edges] == [True, False, False]
    assert segment.lost_edges == 0
    assert firing({"e7"}).edges[-1] == PlacedEdge(0, 1, 41_000, True)


def test_of_two_edges_lost_between_beats_the_last_is_restored_and_the_other_counted():
    segment = firing({"e6", "e7"})
    assert segment.edges == (PlacedEdge(0, 1, 21_234, False), PlacedEdge(0, 1, 41_000, True))
    assert segment.lost_edges == 1


def test_an_edge_is_restored_though_the_beat_after_it_is_lost_too():
    segment = firing({"e5", "b1", "e6"})
    assert segment.edges == (PlacedEdge(0, 1, 41_000, False),)
    assert segment.lost_edges == 2


def test_an_edge_before_the_first_row_was_not_recorded():
    assert firing().edges[0].ticks > 200  # beat b0 tells of edge 4 at tick 200
    segment = firing({"r0", "b0", "r1", "e5", "r2", "e6"})  # now row 30 at 31,000 ticks comes first
    assert segment.edges == (PlacedEdge(0, 1, 41_000, False),)
    assert segment.lost_edges == 1


def test_an_edge_lost_between_the_first_row_and_the_first_beat_is_restored():
    assert firing({"b0", "e5"}).edges[0] == PlacedEdge(0, 1, 21_234, True)


def test_an_edge_frame_that_comes_after_its_beat_counts_once_as_seen():
    said = hello(streams=1)
    frames = [
        *encode_samples(said, 0, 1000, 0, table(10), 10),
        beat(900, [(2, 100)], [(1, 10)]),
        beat(3000, [(3, 2500)], [(1, 10)], lines=1),
        edge(0, 1, 3, 2500),
        beat(4000, [(3, 2500)], [(1, 10)], lines=1),
    ]
    segment = one_segment(frames, said)
    assert segment.edges == (PlacedEdge(0, 1, 2500, False),)
    assert segment.lost_edges == 0
    late_from_the_first = one_segment([frames[0], frames[2], frames[3]], said)
    assert late_from_the_first.edges == (PlacedEdge(0, 1, 2500, False),)


def test_edge_counts_roll_over():
    said = hello()
    rows = encode_samples(said, 0, 1000, 0, table(10), 10)
    frames = [*rows, edge(0, 1, 65_535, 2000), edge(0, 0, 0, 3000), edge(0, 1, 2, 4000)]
    segment = one_segment(frames, said)
    assert [(one.level, one.ticks) for one in segment.edges] == [(1, 2000), (0, 3000), (1, 4000)]
    assert segment.lost_edges == 1


def test_lines_are_counted_apart():
    edges = [
        Edge(line=0, boot=17, level=1, edges=1, ticks=500, offset=10),
        Edge(line=3, boot=17, level=1, edges=9, ticks=600, offset=20),
        Edge(line=0, boot=17, level=0, edges=3, ticks=700, offset=30),
    ]
    beats = [Beat(boot=17, lines=0b1000, ticks=800, edges=((3, 700), (10, 650)), next_sequence=(), offset=40)]
    said = hello(lines=("fire", "b", "c", "arm"))
    segment = assemble((), beats, edges, said).segments[0]
    # Slot 1 of the beat is line 1; line 3 is known from its edge frame alone.
    assert segment.edges == (
        PlacedEdge(0, 1, 500, False),
        PlacedEdge(3, 1, 600, False),
        PlacedEdge(1, 0, 650, True),
        PlacedEdge(0, 0, 700, False),
    )
    assert segment.lost_edges == 1


@pytest.mark.parametrize("late", [1200, 3000])
def test_frames_that_come_again_long_after_are_no_restart(late):
    said = hello()
    counts = table(5000)
    frames = encode_samples(said, 0, 0, 0, counts, 10)
    again = [*frames[: late // 10], *frames[:40], *frames[late // 10 :]]
    segment = one_segment(again, said)
    assert segment.sequence.tolist() == list(range(5000))
    assert (segment.counts == counts).all()
    assert (segment.duplicates, segment.lost_rows) == (400, 0)


def test_a_start_without_a_new_boot_is_one_though_its_first_frame_was_there_before():
    said = hello()
    frames = encode_samples(said, 0, 0, 0, table(3000), 10)
    again = encode_samples(said, 0, 0, 0, np.vstack((table(3000)[:10], table(500, seed=2))), 10)
    assembly = assemble(*decode([*frames, *again], said), said)
    assert [segment.sequence.size for segment in assembly.segments] == [3000, 500]
