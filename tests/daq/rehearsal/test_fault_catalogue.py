"""Faults by name: each does what it says, and whatever is combined, the record equals the truth outside its gaps."""

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from standbook.cli.rehearse import FAULT_HELP
from standbook.daq.errors import UsageError
from standbook.daq.recovery.decode_wire import recover_wire
from standbook.daq.recovery.device_stream import DeviceStream, PortOpening, join_openings
from standbook.daq.recovery.loss_account import stream_record
from standbook.daq.rehearsal import fault_catalogue as known
from standbook.daq.rehearsal.fault_catalogue import FAULTS, parse_fault, placed, sentences
from standbook.daq.rehearsal.ground_truth import TransmitLog, account
from standbook.daq.rehearsal.link_fault_injection import on_the_link
from standbook.daq.rehearsal.script import Event, PlayedEdge, PlayedStream, Table, boots, script
from standbook.daq.rehearsal.sensor_fault_injection import faulty_table
from standbook.daq.wire.hello import WireChannel, WireLine
from tests.record_truth import RecordedStream, judge

HZ, RATE = 1_000_000, 500


def played(seconds=6.0, seed=3, start_ticks=2_000_000):
    random = np.random.default_rng(seed)
    rows = round(seconds * RATE)
    fast = tuple(WireChannel(f"adc{k}", "i16", -32768, 32767) for k in range(3))
    slow = (WireChannel("t0", "i16", -32768, 32767),)
    return Table(
        device="cradle-a",
        serial="0007",
        firmware="1",
        boot=17,
        tick_hz=HZ,
        start_ticks=start_ticks,
        streams=(
            PlayedStream(
                number=1,
                name="fast",
                interval_ticks=HZ // RATE,
                channels=fast,
                counts=random.integers(-30000, 30000, (rows, 3)).astype(np.int32),
            ),
            PlayedStream(
                number=2,
                name="slow",
                interval_ticks=10_000,
                channels=slow,
                counts=random.integers(-99, 99, (rows // 5, 1)).astype(np.int32),
            ),
        ),
        lines=(WireLine(0, "fire"),),
        edges=(PlayedEdge(2_000_000, 0, 1),),
    )


def carried(table, faults, *, linger=0.5):
    """Play in memory: give the tape that a capture would make, and the device's own account."""
    log, planned, lost = TransmitLog(), [], []
    openings, chunks, out = [], [], False
    for item in on_the_link(script(table, linger=linger, faults=faults), faults):
        planned += item.parts
        if item.event is Event.UNPLUGGED:
            log.hang_up()
            openings.append(chunks)
            chunks, out = [], True
        elif item.event is Event.PLUGGED:
            out = False
        elif out:
            lost += item.parts
        else:
            log.write(item.frame)
            chunks.append((item.at, item.frame))
    rows = {stream.number: stream.rows for stream in table.streams}
    sent = account(log, boots(table, faults), rows, planned, lost, frames_dropped=0, complete=True)
    pace = math.prod(1.0 + fault.rate for fault in faults if isinstance(fault, known.ClockOff))
    reels = tuple(_reel(part, pace) for part in [*openings, chunks] if part)
    return DeviceStream(
        device="cradle-a",
        openings=reels,
        joined=join_openings(reels),
        notes=(),
        torn_bytes=0,
    ), sent


def _reel(chunks, pace):
    arrival = [5_000_000_000 + round(1e9 * at / pace) + 2_000_000 for at, _ in chunks]
    ends = np.cumsum([len(data) for _, data in chunks])
    return PortOpening(b"".join(data for _, data in chunks), ends, np.array(arrival, np.int64))


def recorded(table, faults, device_stream):
    layouts = []
    if any(isinstance(fault, known.NoHello) for fault in faults):
        layouts = [
            table.hello(layout, 1.0)
            for boot in boots(table, faults)
            for stream in boot.table.streams
            for _, layout in boot.layouts(stream)
        ]
    found = recover_wire(device_stream, origin_ns=5_000_000_000, tolerance=5e-5, layouts=layouts)
    return found, [_stream(found, stream) for stream in found.streams if stream.segments]


def _stream(found, stream):
    of = stream.segments
    return RecordedStream(
        stream.told,
        np.concatenate([np.full(rows.sequence.size, rows.boot) for rows in of]),
        *(np.concatenate([getattr(rows, name) for rows in of]) for name in ("sequence", "ticks", "counts")),
        stream_record(found, stream, ()).gaps,
        stream.duplicates,
    )


def judged(table, *faults):
    table = faulty_table(table, faults)
    device_stream, sent = carried(table, faults)
    found, streams = recorded(table, faults, device_stream)
    return judge(table, faults, sent, streams, found.undecoded_frames), sent, found


LINK = (known.DroppedBytes, known.FlippedBits, known.DoubledChunks, known.ReorderedChunks)


@pytest.mark.parametrize("kind", LINK)
def test_damage_on_the_link_is_a_gap_of_the_right_rows_and_nothing_else(kind):
    result, sent, found = judged(played(), kind(at=1.5))
    assert result.faults == 0, str(result)
    assert sent.rows_sent[1] + sum(rows for stream, _, rows in sent.spoilt if stream == 1) == 3000
    assert found.damaged_frames >= 1
    lost = sum(rows for _, _, rows in sent.spoilt)
    assert (0 < lost < 400) is (kind is not known.DoubledChunks)  # what comes twice is there once
    assert result.declared == lost


def test_packets_that_come_twice_are_counted_and_kept_once():
    result, _, _ = judged(played(), known.DoubledChunks(at=1.5, count=32))
    assert result.faults == 0, str(result)
    assert result.repeated > 50


def test_packets_out_of_order_cost_only_the_frames_that_they_cut():
    result, sent, found = judged(played(), known.ReorderedChunks(at=1.5, count=32))
    assert result.faults == 0, str(result)
    assert sum(stream.reordered for stream in found.streams) > 0
    assert sum(rows for _, _, rows in sent.spoilt) < 100


def test_across_a_brown_out_the_unseen_time_is_stated_and_rows_of_two_starts_stay_apart():
    result, sent, found = judged(played(), known.BrownOut(at=2.5, seconds=1.2))
    assert result.faults == 0, str(result)
    assert found.boots == 2
    # both ends are placed by least delays, which are equal here; 20 ms frames decide what is seen
    assert result.worst_restart < 1e-3
    assert [whole.boot for whole in sent.whole if whole.stream == 1] == [17, 18]
    assert result.restarts[0][1] == pytest.approx(1.2, abs=0.03)


def test_two_brown_outs_make_three_starts():
    result, _, found = judged(played(), known.BrownOut(at=1.0, seconds=0.4), known.BrownOut(at=3.0, seconds=0.7))
    assert result.faults == 0, str(result)
    assert found.boots == 3


def test_a_rollover_is_unwrapped_at_its_instant():
    table = faulty_table(played(), [known.Rollover(at=3.0)])
    assert table.start_ticks == 2**32 - 3_000_000
    result, _, found = judged(played(), known.Rollover(at=3.0))
    assert result.faults == 0, str(result)
    ticks = found.streams[0].segments[0].ticks
    assert np.array_equal(np.diff(ticks), np.full(2999, 2000))
    assert ticks[1500] == 2**32
    assert any("rolled over 1 time" in note.text for note in found.notes)


@pytest.mark.parametrize("percent", [-0.5, 0.5])
def test_a_clock_that_is_off_is_found_by_the_arrivals(percent):
    result, _, found = judged(played(), known.ClockOff(percent=percent))
    assert result.faults == 0, str(result)
    # rate of the device against the computer; six seconds of even arrivals tell it well
    assert found.clock.rate_ppm == pytest.approx(percent * 1e4, rel=0.02)


def test_a_wrong_clock_measures_the_same_world_in_fewer_rows():
    table = played()
    slow = faulty_table(table, [known.ClockOff(percent=-0.5)])
    assert slow.streams[0].rows == round(3000 * 0.995)
    assert slow.edges[0].ticks == round(2_000_000 * 0.995)
    assert np.array_equal(slow.streams[0].counts[1990], table.streams[0].counts[2000])


def test_while_the_cable_is_out_the_device_counts_on():
    result, sent, _ = judged(played(), known.Unplug(at=2.0, seconds=1.5))
    assert result.faults == 0, str(result)
    # whole 20 ms frames; those said at the two instants themselves: the last is out, the first in
    assert sum(rows for stream, _, rows in sent.dropped if stream == 1) == pytest.approx(750, abs=10)
    assert result.declared == sum(rows for _, _, rows in sent.dropped)


@pytest.mark.parametrize("kind", [known.NoiseFirst, known.HalfFrameFirst])
def test_what_comes_before_the_first_frame_costs_no_row(kind):
    result, sent, _ = judged(played(), kind())
    assert result.faults == 0, str(result)
    assert result.rows == 3000 + 600
    assert sent.spoilt == ()


def test_without_a_hello_a_saved_layout_explains_the_rows():
    table, faults = played(), [known.NoHello()]
    device_stream, sent = carried(table, faults)
    found, streams = recorded(table, faults, device_stream)
    assert judge(table, faults, sent, streams).faults == 0
    assert sum(stream.sequence.size for stream in streams) == 3600
    assert any("saved layout" in note.text for note in found.notes)
    assert recover_wire(device_stream, origin_ns=0, tolerance=5e-5).streams == ()


def test_another_layout_midway_never_shifts_a_column():
    result, _, found = judged(played(), known.LayoutChange(at=3.2))  # past the middle: the fullest keeps the name
    assert result.faults == 0, str(result)
    assert result.declared == 0
    widths = {(stream.name, len(stream.channels)) for stream in found.streams}
    assert widths == {("fast", 3), ("fast-2", 2), ("slow", 1)}


def test_a_single_channel_becomes_two():
    table = played()
    table = dataclasses.replace(table, streams=(dataclasses.replace(table.streams[1], number=1),))
    result, _, found = judged(table, known.LayoutChange(at=3.0))
    assert result.faults == 0, str(result)
    assert sorted(len(stream.channels) for stream in found.streams) == [1, 2]


@pytest.mark.parametrize("change", [1.5, 2.5])
def test_a_device_that_comes_back_from_a_brown_out_keeps_its_layout(change):
    result, _, found = judged(played(), known.BrownOut(at=2.0, seconds=1.0), known.LayoutChange(at=change))
    assert result.faults == 0, str(result)
    assert found.boots == 2


@pytest.mark.parametrize("at", [2.85, 2.95, 3.0, 3.1])
def test_rows_lost_about_a_change_of_layout_are_named_once(at):
    result, sent, found = judged(played(), known.LayoutChange(at=3.0), known.DroppedBytes(at=at, count=900))
    assert result.faults == 0, str(result)
    lost = sum(rows for stream, _, rows in sent.spoilt if stream == 1)
    named = [hole for s in found.streams for part in s.segments for hole in part.holes if s.told == "fast"]
    assert sum(hole.rows for hole in named) == lost >= 20


def test_a_gap_across_a_restart_begins_where_the_rows_that_were_counted_end():
    """Bytes lost just before a brown-out: a beat has counted their rows, so two gaps meet and share no time."""
    faults = (known.BrownOut(at=3.0, seconds=0.8), known.DroppedBytes(at=2.84, count=700))
    result, _, found = judged(played(), *faults)
    assert result.faults == 0, str(result)
    first, second = stream_record(found, found.streams[0], ()).gaps[-2:]
    (early, late) = sorted((first, second), key=lambda gap: gap.start_ns)
    assert late.rows is None
    assert early.rows > 0
    assert early.end_ns <= late.start_ns


def test_what_a_reader_had_not_taken_when_the_cable_came_out_did_not_leave_whole():
    frames = [item.frame for item in script(played(1.0)) if item.parts and item.parts[0].stream == 1]
    log = TransmitLog()
    for frame in frames:
        log.write(frame)
    log.hang_up(unread=len(frames[-1]) + 1)
    (whole,) = log.whole()
    assert whole.ranges == ((0, 480),)  # of 50 frames of ten rows each, two are gone


def anywhen(kind, **amount):
    return st.builds(kind, at=st.floats(0.2, 5.2), **amount)


COMBINED = st.lists(
    st.one_of(
        anywhen(known.DroppedBytes, count=st.integers(1, 600)),
        anywhen(known.FlippedBits, count=st.integers(1, 40)),
        anywhen(known.DoubledChunks, count=st.integers(1, 40)),
        anywhen(known.ReorderedChunks, count=st.integers(1, 20)),
        anywhen(known.BrownOut, seconds=st.floats(0.1, 1.0)),
        anywhen(known.Unplug, seconds=st.floats(0.1, 1.0)),
        anywhen(known.Rollover),
        st.builds(known.NoiseFirst, count=st.integers(1, 500)),
        st.builds(known.HalfFrameFirst),
        st.builds(known.ClockOff, percent=st.floats(-0.5, 0.5).filter(lambda p: abs(p) > 0.01)),
        st.builds(known.NoHello),
        anywhen(known.LayoutChange),
    ),
    min_size=2,
    max_size=5,
    unique_by=type,
)


@pytest.mark.slow
@settings(max_examples=30, deadline=None)
@given(COMBINED)
@example([known.FlippedBits(at=2.0, count=1), known.LayoutChange(at=1.0), known.BrownOut(at=1.0, seconds=1.0)])
def test_whatever_goes_wrong_together_the_record_equals_the_truth_outside_its_gaps(faults):
    result, _, _ = judged(played(), *faults)
    assert result.faults == 0, str(result)


# --- sensors ------------------------------------------------------------------------------------------------


class _Input:
    device, stream = "cradle-a", "fast"

    def __init__(self, tag, wire, kind, supply=None):
        self.tag, self.wire, self.kind, self.supply = tag, wire, kind, supply


INPUTS = [_Input("LC-1", "adc0", "bridge"), _Input("PT-11", "adc1", "ratiometric"), _Input("PT-12", "adc2", "loop")]


@pytest.mark.parametrize(
    ("fault", "column", "held"),
    [
        (known.FrozenLine(tag="PT-11", at=2.0), 1, None),
        (known.Clip(tag="LC-1", at=2.0), 0, 32767),
        (known.OpenWire(tag="PT-11", at=2.0), 1, 0),
        (known.OpenWire(tag="LC-1", at=2.0), 0, -32768),
    ],
)
@pytest.mark.parametrize("seconds", [1.0, math.inf])
def test_a_sensor_fails_for_its_time_and_no_other_channel_changes(fault, column, held, seconds):
    table = played()
    found = faulty_table(table, [dataclasses.replace(fault, seconds=seconds)], INPUTS)
    counts, before = found.streams[0].counts, table.streams[0].counts
    stop = 1500 if seconds == 1.0 else 3000
    assert (counts[1000:stop, column] == (before[999, column] if held is None else held)).all()
    counts = counts.copy()
    counts[1000:stop, column] = before[1000:stop, column]
    assert np.array_equal(counts, before)


def test_an_amplifier_saturates_at_a_share_of_its_swing_from_rest():
    table = played()
    found = faulty_table(table, [known.Saturation(tag="LC-1", at=2.0, level=50.0)], INPUTS).streams[0].counts[:, 0]
    before = table.streams[0].counts[:, 0]
    level = before[0] + round(0.5 * (int(before.max()) - int(before[0])))
    assert np.array_equal(found[1000:], np.minimum(before[1000:], level))
    assert np.array_equal(found[:1000], before[:1000])


def test_a_spike_is_one_sample_at_the_rail():
    table = played()
    found = faulty_table(table, [known.Spike(tag="LC-1", at=2.0)], INPUTS).streams[0].counts
    assert np.flatnonzero((found != table.streams[0].counts).any(axis=1)).tolist() == [1000]
    assert found[1000, 0] == 32767


def test_a_supply_sags_with_all_that_hang_on_it():
    inputs = [
        _Input("LC-1", "adc0", "bridge"),
        _Input("PT-11", "adc1", "ratiometric", "VS-1"),
        _Input("VS-1", "adc2", "voltage"),
    ]
    table = played()
    found = faulty_table(table, [known.SupplySag(tag="VS-1", at=2.0, level=4.0)], inputs).streams[0].counts
    before = table.streams[0].counts
    assert np.array_equal(found[:, 0], before[:, 0])
    assert np.array_equal(found[1000:, 1:], np.rint(0.96 * before[1000:, 1:]))
    assert np.array_equal(found[:1000], before[:1000])


def test_a_tag_that_is_not_played_is_refused_with_those_that_are():
    with pytest.raises(UsageError, match=r"PT-99.*LC-1, PT-11, PT-12"):
        faulty_table(played(), [known.Clip(tag="PT-99")], INPUTS)


# --- names --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("brown-out@0.15", known.BrownOut(at=0.15)),
        ("unplug@5:2", known.Unplug(at=5.0, seconds=2.0)),
        ("clock-off:0.25", known.ClockOff(percent=0.25)),
        ("frozen-line=PT-11@7", known.FrozenLine(tag="PT-11", at=7.0)),
        ("clip=LC-1@2:3.1", known.Clip(tag="LC-1", at=2.0, seconds=3.1)),
        ("saturation=LC-1@0:75", known.Saturation(tag="LC-1", level=75.0)),
        ("supply-sag=VS-1@0:3", known.SupplySag(tag="VS-1", level=3.0)),
        ("spike=LC-1", known.Spike(tag="LC-1")),
        ("flipped-bits@-2:1", known.FlippedBits(at=-2.0, count=1)),
        ("no-hello", known.NoHello()),
    ],
)
def test_a_fault_is_read_as_it_is_typed(text, fault):
    assert parse_fault(text) == fault


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("sunburn@3", "dropped-bytes, flipped-bits"),
        ("clip@3", "needs a tag"),
        ("stall=PT-11", "takes no tag"),
        ("no-hello@3", "leave out @3"),
        ("rollover@3:2", "takes no amount"),
        ("unplug@soon", "not a number"),
        ("unplug@5:-1", "above 0 and at most 600"),
        ("dropped-bytes@5:2.5", "a whole number"),
        ("clock-off:50", "at most 5 either way"),
        ("saturation=LC-1:120", "above 0 and at most 100"),
        ("Unplug @ 5", "not understood"),
        ("unplug@nan", "not a number"),
    ],
)
def test_what_is_typed_wrongly_is_refused_in_a_sentence(text, told):
    with pytest.raises(UsageError) as refused:
        parse_fault(text)
    assert told in str(refused.value)
    assert text in str(refused.value)


def test_seconds_count_from_t_zero_and_nothing_lies_before_the_first_row():
    (fault,) = placed([parse_fault("stall@-1")], 3.0)
    assert fault.at == 2.0
    assert placed([known.NoHello()], 3.0) == (known.NoHello(),)
    with pytest.raises(UsageError, match=r"stall@-4.*first row, which is at -3 s"):
        placed([parse_fault("stall@-4")], 3.0)


def test_every_fault_says_in_words_what_will_go_wrong():
    every = [kind(tag="PT-11") if issubclass(kind, known.SensorFault) else kind() for kind in FAULTS.values()]
    told = sentences(placed(every, 3.0), 3.0)
    assert len(set(told)) == len(FAULTS)
    assert sentences(placed([parse_fault("unplug@5:2")], 3.0), 3.0)[0].startswith("FAULT: unplug at T+5.00 s for 2 s")
    assert "2.00 s after the first row" in sentences([known.Stall(at=2.0)], None)[0]


def test_help_and_list_name_every_fault():
    listed = " ".join(known.names_in_words())
    assert [name for name in FAULTS if name not in FAULT_HELP or name not in listed] == []
