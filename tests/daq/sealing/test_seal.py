import datetime as dt
import shutil
from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest

from standbook.daq.errors import RecordError
from standbook.daq.journal.record_format import Event
from standbook.daq.run.recording_end import END_FILE, UNTOLD, RecordingEnd, recording_end_notes, write_recording_end
from standbook.daq.run.run_folder import open_run
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import MANIFEST
from standbook.daq.wire.encoder import encode_frame, hello_body
from standbook.daq.wire.hello import Hello, WireChannel
from tests.recorded_run import (
    NOW,
    REFUSED_HELLOS,
    ROWS_PER_FRAME,
    WALL_NS,
    Player,
    fast_hello,
    new_run,
    plausible_counts,
    starter,
)

START_NS = WALL_NS
DELAY_NS = 2_000_000  # what the player's link adds, and one-way data cannot tell


def sealed(run, **options):
    summary = seal(run)
    return summary, summary.devices["cradle-a"], open_run(run, **options)


def stream_of(run):
    return run.stream("cradle-a", "fast")


@pytest.fixture
def run(tmp_path):
    return new_run(tmp_path)


def test_every_count_comes_back_with_sequence_ticks_boot_and_host_time(run):
    counts = plausible_counts(2000)
    Player(run, fast_hello()).play(counts).write()
    summary, device, opened = sealed(run)
    rows = stream_of(opened)
    assert np.array_equal(np.column_stack(list(rows.counts.values())), counts)
    assert rows.sequence.tolist() == list(range(2000))
    assert np.array_equal(rows.ticks, 1000 * np.arange(2000))
    assert set(rows.boot.tolist()) == {17}
    # The line's delay is the same for all frames, so only rounding and the tolerance's pull on the rate remain.
    wrong = rows.host_ns - (START_NS + DELAY_NS + 1_000_000 * np.arange(2000))
    assert np.abs(wrong).max() < 2_000
    assert (device.streams["fast"].rows, summary.lost_rows, device.boots) == (2000, 0, 1)
    assert device.streams["fast"].gaps == ()
    assert summary.t_zero is None
    assert summary.t_zero_missing == "line fire of cradle-a was never seen rising"


def test_lost_frames_are_gaps_with_the_exact_rows_and_times(run):
    Player(run, fast_hello()).play(plausible_counts(1000), drop={10, 11, 99}).write()
    summary, device, _ = sealed(run)
    first, tail = device.streams["fast"].gaps
    assert (first.first_sequence, first.rows, first.exact) == (100, 20, True)
    assert first.end_ns - first.start_ns == pytest.approx(20e6, abs=2e3)
    assert first.start_ns - START_NS - DELAY_NS == pytest.approx(100e6, abs=2e4)
    # The last frame is gone too; the beat after it told of its rows.
    assert (tail.first_sequence, tail.rows) == (990, 10)
    assert summary.lost_rows == 30
    assert "980 rows" not in summary.sentences()[0]
    assert summary.sentences()[0] == "cradle-a/fast: 970 rows, 30 lost in 2 gaps"


def test_t_zero_is_the_edge_to_a_tick_not_to_a_row(run):
    Player(run, fast_hello()).play(plausible_counts(2000), edges=[(1_234_567, 1), (1_400_000, 0)]).write()
    summary, device, opened = sealed(run)
    rows = stream_of(opened)
    into = summary.t_zero.host_ns - rows.host_ns[1234]
    assert into == pytest.approx(567_000, abs=100)
    assert summary.t_zero.u_s == pytest.approx(1e-6 / 12**0.5)
    assert summary.t_zero.source == "cradle-a fire rising"
    assert [(edge.line, edge.level, edge.ticks) for edge in device.edges] == [
        ("fire", 1, 1_234_567),
        ("fire", 0, 1_400_000),
    ]


def test_a_lost_fire_edge_is_restored_from_the_beats(run):
    Player(run, fast_hello()).play(plausible_counts(2000), edges=[(1_234_567, 1, "lost")]).write()
    summary, device, _ = sealed(run)
    assert device.edges[0].restored
    assert device.edges[0].ticks == 1_234_567
    assert summary.t_zero.source == "cradle-a fire rising, restored from a beat"


def test_rollover_of_the_device_clock_leaves_no_step(run):
    counts = plausible_counts(3000)
    # 32-bit microseconds roll over after 4294.967296 s; row 4 294 000 lies just before.
    Player(run, fast_hello()).play(counts, sequence=4_294_000, ticks=4_294_000_000, edges=[(4_295_500_000, 1)]).write()
    summary, device, opened = sealed(run)
    rows = stream_of(opened)
    assert set(np.diff(rows.ticks).tolist()) == {1000}
    assert rows.ticks[-1] == 4_296_999_000
    assert np.abs(np.diff(rows.host_ns) - 1_000_000).max() <= 60
    assert device.streams["fast"].gaps == ()
    assert any("rolled over 1 time" in note.text for note in device.notes)
    assert summary.t_zero.host_ns - rows.host_ns[1500] == pytest.approx(0, abs=100)


def test_a_reset_starts_a_new_boot_and_the_silence_is_not_counted_in_rows(run):
    before, after = plausible_counts(1000, seed=1), plausible_counts(1500, seed=2)
    player = Player(run, fast_hello(boot=17)).play(before)
    player.hello = fast_hello(boot=18)
    player.play(after, host_start=3.1)  # 1.0 s of rows, then 2.1 s of nothing
    player.write()
    summary, device, opened = sealed(run)
    rows = stream_of(opened)
    assert np.array_equal(np.column_stack(list(rows.counts.values())), np.vstack((before, after)))
    assert rows.boot.tolist() == [17] * 1000 + [18] * 1500
    assert rows.sequence[1000] == 0
    assert device.boots == 2
    (gap,) = device.streams["fast"].gaps
    assert (gap.rows, gap.first_sequence, gap.exact) == (None, None, False)
    assert (gap.end_ns - gap.start_ns) / 1e9 == pytest.approx(2.1, abs=1e-3)
    assert summary.lost_rows == 0
    assert any("started 2 times" in line for line in summary.sentences())


def test_a_replug_without_reset_is_one_segment_with_an_exact_gap(run):
    counts = plausible_counts(3000)
    player = Player(run, fast_hello())
    player.play(counts[:1000]).write()
    player.play(counts[2000:], sequence=2000, ticks=2_000_000, host_start=2.0).write()
    _, device, opened = sealed(run)
    rows = stream_of(opened)
    assert np.array_equal(np.column_stack(list(rows.counts.values())), np.vstack((counts[:1000], counts[2000:])))
    (gap,) = device.streams["fast"].gaps
    assert (gap.first_sequence, gap.rows, gap.exact, device.boots) == (1000, 1000, True, 1)
    assert np.abs(rows.host_ns[1000] - rows.host_ns[999] - 1_001_000_000) < 100


def test_a_fast_device_clock_is_corrected_and_said(run):
    counts = np.zeros((60_000, 1), np.int64)
    hello = fast_hello(channels=1, interval=10_000)  # 600 s at 100 rows a second
    rng_delay = lambda rng, n: rng.exponential(1e-3, n)  # noqa: E731
    Player(run, hello, rate=1.0 - 40e-6, delay=rng_delay).play(counts).write()
    _, device, opened = sealed(run)
    rows = stream_of(opened)
    assert device.clock.rate_ppm == pytest.approx(40.0, abs=2.0 * device.clock.u_ppm)
    assert device.clock.method == "arrivals and tolerance"
    taken = (rows.host_ns[-1] - rows.host_ns[0]) / 1e9
    assert taken == pytest.approx(599.99 * (1 - 40e-6), abs=599.99 * 2e-6 * device.clock.u_ppm)


def test_a_clock_that_no_board_has_is_serious_and_corrects_nothing(run):
    Player(run, fast_hello(channels=1, interval=10_000), rate=1.4).play(np.zeros((6000, 1), np.int64)).write()
    summary, device, opened = sealed(run)
    rows = stream_of(opened)
    assert (rows.host_ns[-1] - rows.host_ns[0]) / 1e9 == pytest.approx(59.99, rel=1e-4)  # as the board counts
    assert any(note.severity == "serious" and "as no board's is" in note.text for note in device.notes)
    assert any("times are the board's own, unchecked" in line for line in summary.sentences())


def test_a_clock_far_off_its_declaration_is_a_caution(run):
    hello = fast_hello(channels=1, interval=10_000)
    Player(run, hello, rate=1.005).play(np.zeros((6000, 1), np.int64)).write()
    summary, device, _ = sealed(run)
    assert device.clock.method == "arrivals"
    assert any("beyond the declared 50 ppm" in line for line in summary.sentences())


def test_a_rehearsal_at_twenty_times_real_time_keeps_its_own_seconds(tmp_path):
    run = new_run(tmp_path, rehearsal=True)
    Player(run, fast_hello(time_scale=20.0)).play(plausible_counts(4000), edges=[(1_000_000, 1)]).write()
    summary, device, opened = sealed(run)
    rows = stream_of(opened)
    assert (rows.host_ns[-1] - rows.host_ns[0]) / 1e9 == pytest.approx(3.999, rel=2e-4)
    assert (device.time_scale, opened.info.rehearsal) == (20.0, True)
    assert run.name.endswith("_rehearsal")
    opening, closing = (next(n.host_ns for n in device.notes if word in n.text) for word in ("opened", "closed"))
    assert opening <= rows.host_ns[0]  # notes of capture lie on the time of the rows, not on their own
    assert rows.host_ns[-1] <= closing
    assert summary.t_zero is not None


def test_made_up_values_in_a_run_that_is_no_rehearsal_are_refused_and_nothing_is_sealed(run):
    Player(run, fast_hello(time_scale=20.0)).play(plausible_counts(200)).write()
    with pytest.raises(RecordError, match=r"time_scale 20\), but the run is not a rehearsal"):
        seal(run)
    assert not (run / MANIFEST).exists()
    assert not (run / "samples").exists()


def test_made_up_values_at_the_speed_of_a_real_device_are_refused_too(run):
    Player(run, replace(fast_hello(), rehearsal=True)).play(plausible_counts(200)).write()
    with pytest.raises(RecordError, match="the run is not a rehearsal"):
        seal(run)
    assert not (run / MANIFEST).exists()


def test_inputs_of_the_stand_that_the_device_does_not_send_are_said(run):
    Player(run, fast_hello(channels=9)).play(plausible_counts(300, channels=9)).write()
    summary, _, _ = sealed(run)
    (line,) = [line for line in summary.sentences() if "does not send" in line]
    assert "TC-11 (fast/adc9), VS-1 (fast/adc10); correct" in line


def test_a_record_is_whole_only_without_gaps_damage_and_lost_ports(tmp_path):
    spoiled = {
        "whole": lambda player: player.play(plausible_counts(500)),
        "gap": lambda player: player.play(plausible_counts(500), drop={5}),
        "damage": lambda player: player.play(plausible_counts(500)).records.insert(9, (0.0, Event.DATA, b"\x05oops\0")),
        "port": lambda player: player.play(plausible_counts(500)).records.append((1.0, Event.LOST, b"")),
        "silence": lambda player: None,
    }
    found = {}
    for day, (name, spoil) in enumerate(spoiled.items()):
        player = Player(new_run(tmp_path, now=NOW + dt.timedelta(days=day)), fast_hello())
        spoil(player)
        player.write()
        found[name] = seal(player.run)
    assert {name for name, summary in found.items() if summary.is_whole} == {"whole"}
    assert "cradle-a: not one byte was received" in found["silence"].sentences()


def test_what_a_killed_sealing_left_behind_is_cleared_away(run):
    Player(run, fast_hello()).play(plausible_counts(100)).write()
    (run / "samples").mkdir()
    (run / "samples" / ".cradle-a_fast.parquet.123.new").write_bytes(b"half a file")
    seal(run)
    assert [path.name for path in (run / "samples").iterdir()] == ["cradle-a_fast.parquet"]


def test_a_missing_journal_before_others_is_said(run):
    player = Player(run, fast_hello()).play(plausible_counts(100))
    first = player.write()
    player.play(plausible_counts(100), sequence=300, ticks=300_000, host_start=0.3).write()
    first.unlink()
    summary, _, _ = sealed(run)
    assert "cradle-a: cradle-a_001.arrows is missing; take it from the second copy" in summary.sentences()
    assert not summary.is_whole


def test_sealing_again_from_raw_gives_the_same_bytes(run, tmp_path):
    Player(run, fast_hello()).play(plausible_counts(3000), drop={5}, edges=[(1_000_000, 1)]).write()
    copy = tmp_path / "copy"
    shutil.copytree(run, copy)
    first, second = seal(run), seal(copy)
    assert first == second
    assert (run / MANIFEST).read_bytes() == (copy / MANIFEST).read_bytes()


def test_a_crash_half_way_through_sealing_leaves_it_to_be_done_again(run):
    Player(run, fast_hello()).play(plausible_counts(500)).write()
    (run / "samples").mkdir()
    (run / "samples" / "cradle-a_fast.parquet").write_bytes(b"half a file")
    summary, _, opened = sealed(run)
    assert stream_of(opened).sequence.size == summary.devices["cradle-a"].streams["fast"].rows == 500


def test_a_sealed_run_is_not_sealed_again(run):
    Player(run, fast_hello()).play(plausible_counts(100)).write()
    seal(run)
    with pytest.raises(RecordError, match="sealed already"):
        seal(run)


def test_a_journal_cut_anywhere_seals_what_it_holds(run):
    path = Player(run, fast_hello()).play(plausible_counts(2000)).write(close=False)
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2 + 3)
    summary, device, opened = sealed(run)
    rows = stream_of(opened)
    assert 500 < rows.sequence.size < 1500
    assert rows.sequence.size % ROWS_PER_FRAME == 0
    assert device.torn_bytes > 0
    assert any("not closed" in line for line in summary.sentences())


def test_damage_inside_a_journal_costs_its_frames_and_is_said(run):
    path = Player(run, fast_hello()).play(plausible_counts(2000)).write()
    content = bytearray(path.read_bytes())
    content[len(content) // 2] ^= 0x10
    path.write_bytes(content)
    summary, device, _ = sealed(run)
    assert summary.lost_rows == ROWS_PER_FRAME or device.damaged_frames
    assert any("of the journal are damaged" in line for line in summary.sentences())


def test_a_wall_clock_step_moves_no_row_and_is_told(run):
    counts = plausible_counts(2000)
    player = Player(run, fast_hello(), step_ns=3_600_000_000_000).play(counts)
    player.records.insert(20, (player.records[19][0], Event.CLOCK_STEP, b"wall clock stepped +3600.000 s"))
    player.write()
    summary, _, opened = sealed(run)
    rows = stream_of(opened)
    assert rows.host_ns[0] == pytest.approx(START_NS + DELAY_NS, abs=1e5)
    assert any("wall clock stepped +3600.000 s" in line for line in summary.sentences())


def test_two_starts_of_the_computer_are_joined_by_the_wall_clock(run):
    player = Player(run, fast_hello(boot=17))
    player.play(plausible_counts(1000)).write()
    player.hello = fast_hello(boot=18)
    # The computer crashed and started again: its monotonic clock restarted, an hour later by the wall clock.
    player.start_ns, player.wall_offset_ns = 30_000_000_000, WALL_NS + 3_600_000_000_000 - 30_000_000_000
    player.play(plausible_counts(1000)).write(host_boot="two")
    _, _, opened = sealed(run)
    rows = stream_of(opened)
    assert (rows.host_ns[1000] - rows.host_ns[0]) / 1e9 == pytest.approx(3600.0, abs=1e-3)


def test_words_of_the_device_and_a_wrong_board_are_in_the_record(run):
    player = Player(run, fast_hello(serial="0009"))
    player.play(plausible_counts(2000), notes=[(1_500_000, 1, "brown-out near")]).write()
    summary, device, opened = sealed(run)
    spoken = next(note for note in device.notes if "brown-out near" in note.text)
    assert spoken.severity == "caution"
    assert spoken.host_ns == pytest.approx(stream_of(opened).host_ns[1500], abs=1e6)
    assert any('serial number "0009", the stand says "0007"' in line for line in summary.sentences())


def test_frames_without_a_hello_are_kept_in_the_journal_and_said(run):
    Player(run, fast_hello()).play(plausible_counts(200), hello=False, beats=False).write()
    summary, device, opened = sealed(run)
    assert device.undecoded_frames == 20
    assert device.clock is None
    assert opened.streams() == ()
    assert any("no hello was received" in line for line in summary.sentences())


def test_a_board_of_another_serial_number_is_no_whole_record(run):
    Player(run, fast_hello(serial="0009")).play(plausible_counts(200)).write()
    summary, device, _ = sealed(run)
    (told,) = (note.text for note in device.notes if note.severity == "serious")
    assert 'serial number "0009", the stand says "0007"' in told
    assert not summary.is_whole


@pytest.mark.parametrize("early", [True, False])
def test_how_a_recording_ended_stands_in_the_record(run, early):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    write_recording_end(run / "raw", RecordingEnd(reason="somebody said stop", is_early=early))
    summary, _, _ = sealed(run)
    way = "recording ended early" if early else "recording ended"
    assert f"{way}: somebody said stop" in summary.sentences()
    assert summary.is_whole is not early


def test_a_recording_whose_program_was_killed_says_that_nobody_said_how_it_ended(run):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    write_recording_end(run / "raw", UNTOLD)
    summary, _, _ = sealed(run)
    assert any("ended early: the recording program did not say how" in line for line in summary.sentences())
    assert not summary.is_whole


def test_on_a_disk_that_takes_nothing_more_the_last_word_replaces_the_first(run, monkeypatch):
    def full(place, _content):
        raise RecordError(f"{place}: cannot be written: disk full")

    raw = run / "raw"
    end = RecordingEnd(reason="recording was stopped because only 0.0 MB is free", is_early=True)
    write_recording_end(raw, UNTOLD)
    monkeypatch.setattr("standbook.daq.run.recording_end.write_atomic", full)
    write_recording_end(raw, end)
    (note,) = recording_end_notes(raw)
    assert note.text == f"recording ended early: {end.reason}"
    longer = RecordingEnd(reason="x" * 5000, is_early=True)
    with pytest.raises(RecordError, match="disk full"):
        write_recording_end(raw, longer)
    assert recording_end_notes(raw) == (note,)


def test_a_word_about_the_end_that_cannot_be_read_is_said(run):
    Player(run, fast_hello()).play(plausible_counts(200)).write()
    (run / "raw" / END_FILE).write_text("{}")
    summary, _, _ = sealed(run)
    assert "recording_end.json cannot be read; how it ended is lost" in summary.sentences()
    assert not summary.is_whole


@pytest.mark.parametrize(("old", "new", "said"), REFUSED_HELLOS)
def test_a_hello_that_is_refused_is_said_with_field_value_and_rule(run, old, new, said):
    player = Player(run, fast_hello())
    player.records.append((0.0, Event.DATA, encode_frame(hello_body(fast_hello()).replace(old, new))))
    player.play(plausible_counts(200), hello=False, beats=False).write()
    summary, device, _ = sealed(run)
    assert device.undecoded_frames == 21
    (told,) = (note for note in device.notes if note.severity == "serious")
    assert "every hello was refused (hello" in told.text
    assert said in told.text
    assert not summary.is_whole
    assert "no hello was received" not in " ".join(summary.sentences())


def test_an_input_that_the_stand_does_not_name_keeps_its_wire_name_and_counts(run):
    counts = plausible_counts(300, channels=12)
    Player(run, fast_hello(channels=12)).play(counts).write()
    _, device, opened = sealed(run)
    assert np.array_equal(stream_of(opened).counts["wire:adc11"], counts[:, 11])
    names = pq.read_schema(run / "samples" / "cradle-a_fast.parquet").names
    assert "wire:adc11.counts" in names
    assert "wire:adc11" not in names
    assert device.streams["fast"].channels[11].tag is None


def test_readings_beside_the_counts_are_the_calibrated_counts(run):
    counts = plausible_counts(3000)
    Player(run, fast_hello()).play(counts).write()
    _, _, opened = sealed(run)
    table = pq.read_table(run / "samples" / "cradle-a_fast.parquet")
    load, pressure = (opened.calibrations[tag] for tag in ("LC-1", "PT-11"))
    # By hand from stand.toml: 24-bit bridge on 5.000 V; ratiometric on VS-1, whose calibration is 1 V/V of its input.
    millivolt_per_volt = 1e3 * counts[:, 0] * 2.384186e-9 / 5.000
    thrust = load.reading(millivolt_per_volt)
    step = abs(load.coefficients[1]) * 1e3 * 2.384186e-9 / 5.000
    assert np.abs(table["LC-1"].to_numpy() - thrust).max() <= step / 128 * 1.0001
    supply = opened.calibrations["VS-1"].reading(counts[:, 10] * 0.1875e-3)
    bar = pressure.reading(counts[:, 1] * 0.1875e-3 / supply)
    step = abs(pressure.coefficients[1]) * 0.1875e-3 / 5.0
    assert np.abs(table["PT-11"].to_numpy() - bar).max() <= step / 128 * 1.001


def test_a_tag_whose_supply_is_not_recorded_has_counts_only(run):
    Player(run, fast_hello(channels=9)).play(plausible_counts(300, channels=9)).write()
    sealed(run)
    names = pq.read_schema(run / "samples" / "cradle-a_fast.parquet").names
    assert "PT-11.counts" in names
    assert "PT-11" not in names
    assert "PT-12" in names


def test_forty_seconds_of_eleven_channels_take_less_than_a_megabyte_and_a_half(run):
    Player(run, fast_hello()).play(plausible_counts(40_000)).write()
    seal(run)
    assert (run / "samples" / "cradle-a_fast.parquet").stat().st_size < 1_500_000


def test_a_run_without_its_folder_of_journals_is_refused(run):
    (run / "raw").rmdir()
    with pytest.raises(RecordError, match="raw: cannot read the folder of the journals"):
        seal(run)


def test_no_journal_or_one_of_a_stranger_is_refused(run):
    with pytest.raises(RecordError, match="no journal; nothing was recorded"):
        seal(run)
    path = Player(run, fast_hello()).play(plausible_counts(100)).write()
    path.rename(path.with_name("other_001.arrows"))
    with pytest.raises(RecordError, match="holds a journal of other, but the stand has only cradle-a"):
        seal(run)


def test_a_device_of_the_stand_that_never_spoke_is_said(tmp_path):
    campaign = starter(tmp_path)
    stand = campaign.folder / "stand.toml"
    stand.write_text(stand.read_text() + '\n[[device]]\nname = "cradle-b"\n')
    run = new_run(tmp_path, now=NOW + dt.timedelta(days=1))
    Player(run, fast_hello()).play(plausible_counts(100)).write()
    summary, _, _ = sealed(run)
    assert any("there is no journal of it" in line for line in summary.sentences())


TEXT_STAND = """
name = "quarry-cradle"
nozzle = "down"
tanks_on_cell = true
[[device]]
name = "cradle-a"
format = "text lines"
[device.text_lines]
columns = ["t", "n", "p", "f"]
clock = "t"
clock_hz = 1000
clock_modulus = 65536
{counter}
[[input]]
device = "cradle-a"
wire = "p"
tag = "PT-11"
measures = "tank pressure"
tank = "oxidiser"
kind = "counts"
[[input]]
device = "cradle-a"
wire = "f"
tag = "LC-1"
measures = "thrust"
kind = "counts"
"""


def text_run(tmp_path, counter):
    run = new_run(tmp_path)
    (run / "stand.toml").write_text(TEXT_STAND.format(counter='counter = "n"' if counter else ""))
    for path in (run / "calibrations").iterdir():
        path.unlink()
    (run / "calibrations" / "PT-11_r01.toml").write_text(
        'tag = "PT-11"\nrevision = "r01"\nsensor = "x"\nsensor_serial = ""\ndate = 2031-06-01\n'
        'valid_until = 2032-06-01\nsignal_unit = "counts"\nreading_unit = "bar(g)"\nlowest = 0.0\nhighest = 60.0\n'
        "pivot = 10.0\ncoefficients = [20.0, 2.0, 0.5]\n"
        "covariance = [[1e-4, 0.0, 0.0], [0.0, 1e-6, 0.0], [0.0, 0.0, 1e-8]]\n"
    )
    return run


@pytest.mark.parametrize("counter", [True, False])
def test_text_lines_become_counts_of_their_resolution_and_read_the_same(tmp_path, counter):
    run = text_run(tmp_path, counter)
    player = Player(run, fast_hello())
    values = 10.0 + np.round(np.sin(np.arange(400) / 50), 3)
    rows = [k for k in range(400) if not 100 <= k < 105]
    player.records = [(0.0, Event.DATA, b"half a line\n")] + [
        (0.02 * k + 0.001, Event.DATA, f"{(65_000 + 20 * k) % 65536},{k},{values[k]:.3f},{k * 7}\n".encode())
        for k in rows
    ]
    player.write()
    summary, device, opened = sealed(run)
    data = stream_of(opened)
    assert data.counts["PT-11"].tolist() == np.rint(1000 * values[rows]).astype(int).tolist()
    assert data.counts["LC-1"].tolist() == [7 * k for k in rows]
    assert data.sequence.tolist() == rows
    assert (data.ticks[-1] - data.ticks[0]) == 20 * 399
    (gap,) = device.streams["fast"].gaps
    assert (gap.first_sequence, gap.rows, gap.exact) == (100, 5, counter)
    # 20 + 2 (p - 10) + 0.5 (p - 10)^2, by hand from the file.
    expected = 20.0 + 2.0 * (values[rows] - 10.0) + 0.5 * (values[rows] - 10.0) ** 2
    reading = pq.read_table(run / "samples" / "cradle-a_fast.parquet")["PT-11"].to_numpy()
    assert np.abs(reading - expected).max() < 1e-11
    again = opened.calibrations["PT-11"].reading(data.counts["PT-11"].astype(float))
    assert np.abs(again - expected).max() < 1e-11
    assert summary.t_zero is None


def test_text_lines_that_fit_no_column_leave_an_empty_record(tmp_path):
    run = text_run(tmp_path, counter=True)
    player = Player(run, fast_hello())
    player.records = [(0.1, Event.DATA, b"hello\nworld\n1,2\n")]
    player.write()
    _, device, opened = sealed(run)
    assert device.damaged_frames == 2
    assert opened.streams() == ()
    assert any("no line has the 4 columns" in note.text for note in device.notes)


def test_a_board_without_a_clock_is_timed_by_arrival(tmp_path):
    run = text_run(tmp_path, counter=False)
    stand = run / "stand.toml"
    text = stand.read_text().replace('clock = "t"\nclock_hz = 1000\nclock_modulus = 65536\n', 'boot = "t"\n')
    stand.write_text(text)
    player = Player(run, fast_hello())
    player.records = [(0.0, Event.DATA, b"cut\n")] + [
        (0.02 * (k + 1), Event.DATA, f"{3 if k < 50 else 4},{k},1.5,{k}\n".encode()) for k in range(100)
    ]
    player.write()
    _, device, opened = sealed(run)
    rows = stream_of(opened)
    assert rows.boot.tolist() == [3] * 50 + [4] * 50
    assert device.clock.method == "tolerance"
    assert np.array_equal(rows.host_ns, START_NS + 20_000_000 * (1 + np.arange(100)))
    assert any("rows are timed by arrival" in note.text for note in device.notes)
    assert device.boots == 2


def test_one_of_several_fire_edges_is_said_to_be_the_first(run):
    Player(run, fast_hello()).play(plausible_counts(2000), edges=[(100_000, 1), (200_000, 0), (900_000, 1)]).write()
    assert seal(run).t_zero.source == "cradle-a fire rising, first of 2"


def test_a_stream_whose_layout_changed_goes_on_in_a_file_of_its_own(run):
    player = Player(run, fast_hello(boot=17)).play(plausible_counts(1000))
    player.hello = fast_hello(boot=18, channels=3)
    late = plausible_counts(500, channels=3)
    player.play(late, host_start=2.0).write()
    summary, device, opened = sealed(run)
    (gap,) = device.streams["fast-2"].gaps
    assert (gap.rows, "started again" in gap.reason) == (None, True)
    assert (gap.end_ns - gap.start_ns) * 1e-9 == pytest.approx(1.0, abs=1e-3)  # 1000 rows, and the next 2 s after them
    assert (device.streams["fast"].gaps, summary.is_whole) == ((), False)
    assert {name: stream.rows for name, stream in device.streams.items()} == {"fast": 1000, "fast-2": 500}
    assert opened.stream("cradle-a", "fast-2").counts["PT-11"].tolist() == late[:, 1].tolist()


def test_a_stream_whose_name_has_a_dash_keeps_it_and_takes_no_inputs_of_another(run):
    player = Player(run, replace(fast_hello(boot=17), name="fast-2")).play(plausible_counts(1000))
    player.hello = replace(fast_hello(boot=18, channels=3), name="fast-2")
    player.play(plausible_counts(500, channels=3), host_start=2.0).write()
    _, device, _ = sealed(run)
    assert {name: stream.rows for name, stream in device.streams.items()} == {"fast-2": 1000, "fast-2-2": 500}
    assert {c.tag for stream in device.streams.values() for c in stream.channels} == {None}


def test_a_supply_in_another_stream_scales_by_its_reading_at_each_instant(run):
    hello = fast_hello(channels=2)
    slow = Hello(
        device="cradle-a",
        serial="0007",
        firmware="1.0.0",
        boot=17,
        tick_hz=1_000_000,
        stream=2,
        streams=2,
        name="slow",
        interval_ticks=100_000,
        channels=(WireChannel("adc10", "i16", -32_768, 32_767),),
        lines=hello.lines,
    )
    stand = run / "stand.toml"
    place = stand.read_text().index('wire = "adc10"')
    stand.write_text(stand.read_text()[:place] + 'stream = "slow"\n' + stand.read_text()[place:])
    counts, supply = plausible_counts(1001, channels=2), np.array([[26_000 + 100 * k] for k in range(11)])
    Player(run, replace(hello, streams=2)).play(counts, beats=False).write()
    player = Player(run, slow)
    player.play(supply, beats=False).write()
    opened = sealed(run)[2]
    table = pq.read_table(run / "samples" / "cradle-a_fast.parquet")
    measured = opened.calibrations["VS-1"].reading(supply[:, 0] * 0.1875e-3)
    volts = np.interp(np.arange(1001), 100 * np.arange(11), measured)
    bar = opened.calibrations["PT-11"].reading(counts[:, 1] * 0.1875e-3 / volts)
    assert np.abs(table["PT-11"].to_numpy() - bar).max() < 1e-4  # one count is 2.8e-3 bar


def test_a_board_that_calls_itself_otherwise_is_a_caution(run):
    Player(run, replace(fast_hello(), device="cradle-b")).play(plausible_counts(100)).write()
    summary = seal(run)
    told = 'the device calls itself "cradle-b", the stand calls it "cradle-a"'
    assert any(told in line for line in summary.sentences())


def test_rows_lost_before_the_first_frame_are_known_from_a_beat(run):
    player = Player(run, fast_hello())
    player.play(plausible_counts(300), drop=set(range(12))).write()
    _, device, opened = sealed(run)
    (gap,) = device.streams["fast"].gaps
    # The first beat comes after the tenth frame and says that row 100 is next; what was before it, nobody recorded.
    assert (gap.first_sequence, gap.rows) == (100, 20)
    assert gap.end_ns - gap.start_ns == pytest.approx(20e6, abs=2e3)
    assert gap.end_ns == stream_of(opened).host_ns[0]


@pytest.mark.parametrize(
    ("t_zero", "why"),
    [("", "the plan names no t_zero"), ('t_zero = "cradle-b fire rising"\n', "there is no record of device cradle-b")],
)
def test_why_there_is_no_t_zero_is_said(run, t_zero, why):
    plan = run / "plan.toml"
    lines = [line for line in plan.read_text().splitlines(keepends=True) if not line.startswith("t_zero")]
    lines.insert(lines.index("[test]\n") + 1, t_zero)
    plan.write_text("".join(lines))
    Player(run, fast_hello()).play(plausible_counts(300), edges=[(100_000, 1)]).write()
    summary = seal(run)
    assert (summary.t_zero, summary.t_zero_missing) == (None, why)
    assert summary.sentences()[-1] == f"T-0: none; {why}"


def test_frames_of_another_format_are_counted_and_quoted(run):
    player = Player(run, fast_hello()).play(plausible_counts(100))
    player.records.append((0.2, Event.DATA, encode_frame(b"\x09strange")))
    player.write()
    summary, device, _ = sealed(run)
    assert device.undecoded_frames == 1
    assert any("kind 0x09" in line for line in summary.sentences())
    assert "cradle-a: 0 frames with checksum error, 1 of unknown layout or format" in summary.sentences()


def test_a_samples_folder_that_cannot_be_made_is_one_sentence(run):
    Player(run, fast_hello()).play(plausible_counts(100)).write()
    (run / "samples").write_text("a file")
    with pytest.raises(RecordError, match="samples: cannot be made"):
        seal(run)
