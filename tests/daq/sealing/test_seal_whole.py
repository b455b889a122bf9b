"""What a sealed record says of things that went wrong around it: journals, boards, sleep; and of marks and edges."""

import datetime as dt
import json
from dataclasses import replace

import numpy as np
import pytest

from standbook.daq.capture.process_status import status_path
from standbook.daq.errors import RecordError
from standbook.daq.journal.record_format import Event
from standbook.daq.run.marks import MARKS_FILE
from standbook.daq.run.record_summary import read_record
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from tests.recorded_run import MONOTONIC_NS, NOW, WALL_NS, Player, fast_hello, new_run, plausible_counts, starter

SECOND = 1_000_000_000
DELAY_NS = 2_000_000  # of the player's link


@pytest.fixture
def run(tmp_path):
    return new_run(tmp_path)


def stream_of(run):
    return open_run(run).stream("cradle-a", "fast")


# --- journals ----------------------------------------------------------------------------------------------


def test_a_recording_that_was_killed_between_two_messages_is_not_called_whole(run):
    Player(run, fast_hello()).play(plausible_counts(500)).write(close=False)
    summary = seal(run)
    assert summary.lost_rows == 0
    assert not summary.is_whole
    assert any("cradle-a_001.arrows: not closed" in line for line in summary.sentences())


def says_last(run, device, journal):
    told = {"device": device, "pid": 1, "port": "/dev/ttyACM0", "journal": journal}
    status_path(run / "raw", device).write_text(json.dumps(told))


def test_a_last_journal_that_capture_names_but_is_not_there_is_missing(run):
    player = Player(run, fast_hello()).play(plausible_counts(200))
    player.write()
    says_last(run, "cradle-a", "cradle-a_003.arrows")
    summary = seal(run)
    told = [line for line in summary.sentences() if "is missing" in line]
    assert told == [f"cradle-a: cradle-a_00{n}.arrows is missing; take it from the second copy" for n in (2, 3)]
    assert not summary.is_whole


def test_the_only_journal_of_a_second_device_that_is_not_there_is_missing(tmp_path):
    add_device(tmp_path)
    run = new_run(tmp_path)
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    says_last(run, "cradle-b", "cradle-b_001.arrows")
    summary = seal(run)
    assert any(line.startswith("cradle-b: cradle-b_001.arrows is missing") for line in summary.sentences())


@pytest.mark.parametrize("name", ["cradle-a_99999999999.arrows", "cradle-a_x.arrows", "../cradle-a_002.arrows"])
def test_a_status_that_names_no_journal_changes_nothing(run, name):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    says_last(run, "cradle-a", name)
    assert seal(run).is_whole


def test_very_many_missing_journals_are_one_sentence(run):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    says_last(run, "cradle-a", "cradle-a_9000.arrows")
    told = [line for line in seal(run).sentences() if "missing" in line]
    assert told == [
        "cradle-a: 8999 journals from cradle-a_002.arrows to cradle-a_9000.arrows are missing; take them from the "
        "second copy"
    ]


def test_a_journal_of_rubbish_does_not_hide_the_others(run):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    (run / "raw" / "cradle-a_002.arrows").write_bytes(b"no journal at all" * 10)
    summary = seal(run)
    assert summary.devices["cradle-a"].streams["fast"].rows == 200
    assert any("cradle-a_002.arrows: not a journal" in line for line in summary.sentences())
    assert not summary.is_whole


def test_nothing_but_rubbish_is_refused(run):
    (run / "raw" / "cradle-a_001.arrows").write_bytes(b"no journal at all" * 10)
    with pytest.raises(RecordError, match="not a journal"):
        seal(run)


# --- another board -----------------------------------------------------------------------------------------


def test_rows_of_another_board_after_a_replug_are_left_out_and_said(run):
    """Same boot byte, same layout, sequence as if nothing had happened: only the hello tells."""
    mine, other = plausible_counts(1000, seed=1), plausible_counts(1000, seed=2)
    player = Player(run, fast_hello())
    player.play(mine[:500]).write()
    player.hello = fast_hello(serial="0009")
    player.play(other[500:], sequence=500, ticks=500_000, host_start=0.5).write()
    player.hello = fast_hello()
    player.play(mine[800:], sequence=800, ticks=800_000, host_start=0.8).write()
    summary = seal(run)
    rows = stream_of(run)
    assert rows.sequence.tolist() == [*range(500), *range(800, 1000)]
    assert np.array_equal(np.column_stack(list(rows.counts.values())), mine[rows.sequence])
    (gap,) = summary.devices["cradle-a"].streams["fast"].gaps
    assert (gap.first_sequence, gap.rows) == (500, 300)
    (line,) = [line for line in summary.sentences() if "another board answered" in line]
    assert 'serial "0009", device "cradle-a"' in line
    assert 'only those of serial "0007" are decoded' in line
    assert not summary.is_whole


def test_a_board_of_another_name_on_the_same_opening_is_cut_off_at_its_hello(run):
    mine = plausible_counts(500)
    player = Player(run, fast_hello()).play(mine)
    player.hello = replace(fast_hello(serial="0007"), device="thermals")
    player.play(plausible_counts(500, seed=3), sequence=500, ticks=500_000, host_start=0.5)
    player.write()
    summary = seal(run)
    rows = stream_of(run)
    assert rows.sequence.tolist() == list(range(500))
    assert np.array_equal(np.column_stack(list(rows.counts.values())), mine)
    assert any('device "thermals"' in line for line in summary.sentences())


def test_the_board_of_the_stands_serial_is_the_right_one_even_when_it_came_second(run):
    late = plausible_counts(300, seed=5)
    player = Player(run, fast_hello(serial="0009"))
    player.play(plausible_counts(300)).write()
    player.hello = fast_hello()
    player.play(late, host_start=0.4).write()
    seal(run)
    assert np.array_equal(np.column_stack(list(stream_of(run).counts.values())), late)


# --- sleep -------------------------------------------------------------------------------------------------


def slept(player, rows, *, lost, seconds):
    """Play rows, sleep while the device goes on, play on."""
    player.slept_ns = round(seconds * 1e9)
    player.play(rows[: len(rows) // 2])
    at = player.records[-1][0]
    player.records.append((at, Event.CLOCK_STEP, b"computer slept %.3f s" % seconds))
    first = len(rows) // 2 + lost
    player.play(rows[len(rows) // 2 :], sequence=first, ticks=1000 * first, host_start=at - 0.002)
    return player


def test_rows_lost_while_the_computer_slept_are_a_gap_of_so_many_seconds(run):
    rows = plausible_counts(4000)
    slept(Player(run, fast_hello()), rows, lost=30_000, seconds=30.0).write()
    summary = seal(run)
    (gap,) = summary.devices["cradle-a"].streams["fast"].gaps
    assert (gap.first_sequence, gap.rows, gap.exact) == (2000, 30_000, True)
    assert (gap.end_ns - gap.start_ns) / 1e9 == pytest.approx(30.0, abs=5e-3)
    assert gap.reason == "rows lost; the computer slept 30.000 s meanwhile"
    assert any("computer slept 30.000 s" in line for line in summary.sentences())
    assert not summary.is_whole


def test_a_board_without_clock_and_counter_has_a_gap_where_the_computer_slept(tmp_path):
    run = new_run(tmp_path)
    (run / "stand.toml").write_text(
        'name = "quarry-cradle"\nnozzle = "down"\ntanks_on_cell = true\n[[device]]\nname = "cradle-a"\n'
        'format = "text lines"\n[device.text_lines]\ncolumns = ["p", "f"]\n[[input]]\ndevice = "cradle-a"\n'
        'wire = "p"\ntag = "X-1"\nmeasures = "other"\nkind = "counts"\n'
    )
    for path in (run / "calibrations").iterdir():
        path.unlink()
    player = Player(run, fast_hello(), slept_ns=5 * SECOND)
    lines = [(0.02 * k, Event.DATA, b"%d,%d\n" % (k, k)) for k in range(200)]
    player.records = [*lines[:100], (lines[99][0], Event.CLOCK_STEP, b"computer slept 5.000 s"), *lines[100:]]
    player.write()
    summary = seal(run)
    (gap,) = summary.devices["cradle-a"].streams["fast"].gaps
    assert (gap.rows, gap.exact) == (250, False)  # 5 s of 50 rows a second
    assert "the computer slept 5.000 s meanwhile" in gap.reason
    assert not summary.is_whole


# --- edges and marks ---------------------------------------------------------------------------------------


def test_t_zero_is_the_same_to_the_tick_when_the_edge_frame_was_damaged(tmp_path):
    found = []
    for day, damaged in enumerate((False, True)):
        run = new_run(tmp_path, now=NOW + dt.timedelta(days=day))
        player = Player(run, fast_hello()).play(plausible_counts(2000), edges=[(1_234_567, 1)])
        if damaged:
            # An edge frame: kind, line, boot, level, edges, ticks and CRC are 14 bytes; COBS and delimiter two more.
            (at,) = [k for k, (_, _, data) in enumerate(player.records) if len(data) == 16]
            host, event, data = player.records[at]
            player.records[at] = (host, event, data[:7] + bytes([data[7] ^ 0xA0]) + data[8:])
        player.write()
        found.append((seal(run), stream_of(run)))
    (whole, rows), (hurt, hurt_rows) = found
    assert whole.t_zero.host_ns == hurt.t_zero.host_ns
    assert np.array_equal(rows.host_ns, hurt_rows.host_ns)
    assert hurt.devices["cradle-a"].edges[0].ticks == 1_234_567
    assert hurt.t_zero.source == "cradle-a fire rising, restored from a beat"
    assert "T-0: cradle-a fire rising, restored from a beat" in hurt.sentences()
    assert hurt.devices["cradle-a"].damaged_frames == 1


def mark(number, seconds, text, **more):
    at = MONOTONIC_NS + round(seconds * 1e9)
    return {
        "n": number,
        "text": text,
        "key": "P",
        "by": "screen",
        "monotonic_ns": at,
        "boottime_ns": at,
        "wall_ns": at - MONOTONIC_NS + WALL_NS,
        **more,
    }


def test_marks_lie_on_the_clock_of_the_record_and_a_strike_out_is_kept(run):
    Player(run, fast_hello()).play(plausible_counts(2000), edges=[(1_000_000, 1)]).write()
    lines = [
        mark(1, 0.4, "fuel tank pressurising"),
        mark(2, 1.5, "wrong key"),
        mark(3, 1.6, "x", strikes=2),
        mark(4, 1.7, ""),
    ]
    text = "".join(json.dumps(line) + "\n" for line in lines)
    (run / MARKS_FILE).write_text(text + '{"n":5,"te')  # torn by a crash
    summary = seal(run)
    first, second, _ = summary.marks
    assert (first.number, first.text, first.struck, first.host_ns) == (
        1,
        "fuel tank pressurising",
        False,
        WALL_NS + 400_000_000,
    )
    assert (second.number, second.struck) == (2, True)
    assert summary.t_zero.host_ns == pytest.approx(WALL_NS + SECOND + DELAY_NS, abs=5000)
    assert summary.sentences()[-3:] == (
        "mark 1, T-0.60 s: fuel tank pressurising",
        "mark 2, T+0.50 s: wrong key (void)",
        "mark 4, T+0.70 s: (no name)",
    )
    assert open_run(run).record.marks == summary.marks


def test_marks_of_a_fast_rehearsal_are_in_its_own_seconds(tmp_path):
    run = new_run(tmp_path, rehearsal=True)
    Player(run, fast_hello(time_scale=20.0)).play(plausible_counts(4000), edges=[(1_000_000, 1)]).write()
    (run / MARKS_FILE).write_text(json.dumps(mark(1, 0.15, "valves closed")) + "\n")
    summary = seal(run)
    # 0.15 s of the computer are 3 s of the device, T-0 is at 1 s; the delay of the link is stretched likewise.
    assert (summary.marks[0].host_ns - summary.t_zero.host_ns) / 1e9 == pytest.approx(2.0, abs=0.1)


def test_without_t_zero_a_mark_is_told_by_the_time_of_day(run):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    (run / MARKS_FILE).write_text(json.dumps(mark(1, 0.1, "hold")) + "\n")
    assert seal(run).sentences()[-1] == "mark 1, 09:00:00 UTC: hold"


def test_a_record_from_before_marks_and_alignment_can_still_be_read(run):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    told = seal(run).to_json()
    for new in ("marks", "remarks"):
        del told[new]
    del told["devices"]["cradle-a"]["alignment"]
    record = read_record(json.dumps(told), "record.json")
    assert (record.marks, record.remarks, record.devices["cradle-a"].alignment) == ((), (), None)


# --- two devices -------------------------------------------------------------------------------------------


def add_device(tmp_path):
    stand = starter(tmp_path).folder / "stand.toml"
    stand.write_text(stand.read_text() + '\n[[device]]\nname = "cradle-b"\nserial = "0008"\n')


def test_two_devices_that_saw_the_fire_edge_share_one_time_base(tmp_path):
    add_device(tmp_path)
    run = new_run(tmp_path)
    fire = [(1_000_000, 1), (2_000_000, 0)]
    Player(run, fast_hello()).play(plausible_counts(3000), edges=fire).write()
    second = replace(fast_hello(serial="0008", channels=2), device="cradle-b")
    late = Player(run, second, device="cradle-b", delay=lambda _rng, n: np.full(n, 0.012))
    late.play(plausible_counts(3000, channels=2), edges=fire, notes=[(500_000, 1, "brown-out near")]).write()
    summary = seal(run)
    first, other = (summary.devices[name] for name in ("cradle-a", "cradle-b"))
    assert first.alignment is None
    assert other.alignment.shift_s == pytest.approx(10e-3, abs=1e-5)
    assert other.edges[0].host_ns == pytest.approx(first.edges[0].host_ns, abs=5000)
    opened = open_run(run)
    here, there = (opened.stream(name, "fast") for name in ("cradle-a", "cradle-b"))
    assert np.abs(there.host_ns - here.host_ns).max() < 10_000  # both took their rows at the same instants
    spoken = next(note for note in other.notes if "brown-out near" in note.text)
    assert spoken.host_ns == pytest.approx(there.host_ns[500], abs=1e6)
    (line,) = [line for line in summary.sentences() if "aligned with" in line]
    assert line.startswith("cradle-b: aligned with cradle-a on 2 edges of line fire, which it placed 10.0")
    assert open_run(run).record == summary


def test_two_devices_without_a_shared_edge_say_the_bound(tmp_path):
    add_device(tmp_path)
    run = new_run(tmp_path)
    Player(run, fast_hello()).play(plausible_counts(300), edges=[(100_000, 1)]).write()
    second = replace(fast_hello(serial="0008", channels=2), device="cradle-b")
    Player(run, second, device="cradle-b").play(plausible_counts(300, channels=2)).write()
    summary = seal(run)
    (line,) = [line for line in summary.sentences() if "aligned with" in line]
    # Longest frame 1,029 bytes at 500 kbit/s, ten bits a byte, and 17 ms that a USB link may hold back.
    assert line.endswith("their times may differ by up to 38 ms")
    assert summary.devices["cradle-b"].alignment.shift_s is None
