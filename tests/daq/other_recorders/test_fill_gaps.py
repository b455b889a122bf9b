"""Gaps of sealed runs, filled from what a simulated second recorder kept of the same frames."""

import json
import re
import shutil
from dataclasses import replace

import numpy as np
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from standbook.daq.config.stand import TextLines
from standbook.daq.errors import ConfigError, DataError, RecordError, StandError
from standbook.daq.journal.reader import read_journal
from standbook.daq.journal.record_format import Event, Row
from standbook.daq.journal.writer import JournalWriter
from standbook.daq.other_recorders.fill_gaps import fill
from standbook.daq.other_recorders.row_matching import LEAST_OVERLAP, Relation, matched
from standbook.daq.other_recorders.second_recorder import read_card
from standbook.daq.run.additions import add
from standbook.daq.run.merged_rows import filled_path, merge, read_fills, starts_of
from standbook.daq.run.record_summary import Gap
from standbook.daq.run.run_folder import open_run, samples_path
from standbook.daq.run.samples_file import Samples, SamplesHeader, read_samples
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import sha256_of, verify
from standbook.daq.wire.encoder import encode_frame, encode_samples, hello_body
from standbook.daq.wire.hello import WireChannel
from standbook.daq.wire.saved_layouts import write_layouts
from tests.recorded_run import ROWS_PER_FRAME, Player, fast_hello, new_run, plausible_counts, starter
from tests.repository import ROOT

ROWS = 2000
HOLE = set(range(80, 102))  # frames: rows 800 to 1019
COUNTS = plausible_counts(ROWS)
SOFTWARE = "standbook test"
SAMPLE_RUNS = ROOT / "sample_runs"


def frames(player):
    """What a memory card holds of all that was played."""
    return b"".join(data for _, event, data in player.records if event is Event.DATA)


def recorded(folder, *, drop=HOLE, counts=COUNTS, edges=((500_000, 1),), **more):
    """A sealed run of a device that a card listened to as well; what the card holds."""
    run = new_run(folder)
    whole = frames(Player(run, fast_hello()).play(counts, edges=[edge[:2] for edge in edges]))
    Player(run, fast_hello()).play(counts, drop=drop, edges=edges).write(**more)
    seal(run)
    return run, whole


def card(run, content, name="card.bin"):
    path = run.parent / name
    path.write_bytes(content)
    return path


def filled(run, content, **more):
    return fill(run, card(run, content), software=SOFTWARE, **more)


def stream_of(run):
    return open_run(run).stream("cradle-a", "fast")


def table(rows):
    return np.column_stack(list(rows.counts.values()))


def files_of(run):
    return {p.relative_to(run).as_posix(): p.read_bytes() for p in sorted(run.rglob("*")) if p.is_file()}


@pytest.fixture(scope="module")
def whole_run(tmp_path_factory):
    """The same device, recorded without a loss."""
    run, _ = recorded(tmp_path_factory.mktemp("whole"), drop=set())
    return stream_of(run), read_samples_with_readings(samples_path(run, "cradle-a", "fast"))


def read_samples_with_readings(path):
    with path.open("rb") as file:
        return pq.read_table(file)


# --- what is filled -------------------------------------------------------------------------------------------


def test_a_hole_is_filled_sample_exact_and_the_sealed_record_stays_as_it_was(tmp_path, whole_run):
    run, whole = recorded(tmp_path)
    before = files_of(run)
    filling = filled(run, whole)
    rows, (truth, _) = stream_of(run), whole_run
    assert np.array_equal(table(rows), COUNTS)
    assert rows.sequence.tolist() == list(range(ROWS))
    assert np.array_equal(rows.ticks, truth.ticks)
    assert np.abs(rows.host_ns - truth.host_ns).max() <= 2_000  # the clock was fitted to fewer arrivals
    assert np.abs(np.diff(rows.host_ns) - 1_000_000).max() <= 60  # no step where the card takes over
    assert np.flatnonzero(rows.filled).tolist() == list(range(800, 1020))
    assert rows.gaps == ()
    assert filling.missing == {}
    assert filling.sentences()[0] == ("cradle-a/fast: 220 rows filled from card.bin; 1780 overlapping rows agreed")
    assert {name: content for name, content in files_of(run).items() if name in before} == before


def test_the_addition_keeps_the_rows_the_card_and_where_they_came_from(tmp_path, whole_run):
    run, whole = recorded(tmp_path)
    place = filled(run, whole).place
    assert place.name == "001"
    verify(place)
    assert sorted(path.name for path in place.iterdir()) == [
        "card.bin",
        "cradle-a_fast.parquet",
        "fill.json",
        "manifest.json",
    ]
    assert (place / "card.bin").read_bytes() == whole
    said = json.loads((place / "fill.json").read_text())
    assert said["streams"] == {
        "fast": {
            "rows": 220,
            "overlap_rows": 1780,
            "runs": [{"boot": 17, "first_sequence": 800, "rows": 220}],
        }
    }
    assert (said["format"], said["device"], said["source"], said["by"]) == (1, "cradle-a", "card.bin", SOFTWARE)
    assert said["sha256"] == sha256_of(place / "card.bin")
    # Readings follow the path of a whole recording; a supply's mean over other rows may move the last rounding.
    ours, truth = read_samples_with_readings(filled_path(place, "cradle-a", "fast")), whole_run[1].slice(800, 220)
    assert ours.column_names == truth.column_names
    readings = [name for name in ours.column_names if name in {"LC-1", "PT-11", "VS-1", "PT-31"}]
    assert len(readings) == 4
    for name in readings:
        assert ours[name].to_numpy() == pytest.approx(truth[name].to_numpy(), rel=1e-6)


def test_a_second_fill_takes_what_the_first_left_and_nothing_is_filled_twice(tmp_path):
    run, whole = recorded(tmp_path, drop={*range(20, 30), *range(80, 102), *range(150, 160)})
    half = whole[: len(whole) * 6 // 10]  # torn amid a frame
    first = filled(run, half)
    assert first.missing == {"cradle-a/fast": (100, 1)}
    assert [r.rows for r in first.fill.streams["fast"].runs] == [100, 220]
    second = fill(run, card(run, whole, "other.bin"), software=SOFTWARE)
    assert second.place.name == "002"
    assert [(r.first_sequence, r.rows) for r in second.fill.streams["fast"].runs] == [(1500, 100)]
    assert second.fill.streams["fast"].overlap_rows == ROWS - 420  # rows of the record, not those of the first card
    rows = stream_of(run)
    assert np.array_equal(table(rows), COUNTS)
    assert (int(rows.filled.sum()), rows.gaps, second.missing) == (420, (), {})
    third = filled(run, whole)
    assert (third.place, third.fill.streams) == (None, {})
    assert third.sentences() == ("nothing is missing",)


def test_a_gap_that_is_filled_in_part_splits_with_exact_rows_and_times(tmp_path):
    run, _ = recorded(tmp_path)
    # The card itself lost rows 850 to 859 and 1000 to 1029.
    lossy = frames(Player(run, fast_hello()).play(COUNTS, drop={85, 100, 101, 102}))
    filling = filled(run, lossy)
    rows = stream_of(run)
    assert [(gap.first_sequence, gap.rows, gap.exact) for gap in rows.gaps] == [(850, 10, True), (1000, 20, True)]
    for gap in rows.gaps:
        assert gap.end_ns - gap.start_ns == pytest.approx(1e6 * gap.rows, abs=100)
        assert gap.end_ns in rows.host_ns.tolist()
        assert gap.start_ns - rows.host_ns[rows.sequence == gap.first_sequence - 1][0] == pytest.approx(1e6, abs=60)
    assert filling.missing == {"cradle-a/fast": (30, 2)}
    assert np.array_equal(table(rows), COUNTS[rows.sequence])
    assert "cradle-a/fast: 190 rows filled in 2 places" in filling.sentences()[0]


def test_rows_around_a_reset_are_filled_and_the_silence_stays_a_gap(tmp_path):
    run = new_run(tmp_path)

    def play(drop_before=frozenset(), drop_after=frozenset()):
        player = Player(run, fast_hello(boot=17)).play(COUNTS[:1000], drop=drop_before, beats=False)
        player.hello = fast_hello(boot=18)
        return player.play(COUNTS[1000:], host_start=3.1, drop=drop_after, beats=False)

    whole = frames(play())
    play({97, 98, 99}, {0, 1}).write()  # nobody counts what was lost at the edges of a reset
    seal(run)
    (before,) = stream_of(run).gaps
    filling = filled(run, whole)
    rows = stream_of(run)
    assert np.array_equal(table(rows), COUNTS)
    assert rows.boot.tolist() == [17] * 1000 + [18] * 1000
    assert (np.diff(rows.host_ns) > 0).all()
    (gap,) = rows.gaps
    assert (gap.rows, gap.first_sequence) == (None, None)
    assert gap.start_ns - before.start_ns == pytest.approx(30e6, abs=1e3)
    assert before.end_ns - gap.end_ns == pytest.approx(20e6, abs=1e3)
    assert filling.missing == {"cradle-a/fast": (0, 1)}


@pytest.mark.parametrize(("close", "rows"), [(True, 1000), (False, ROWS)])
def test_what_follows_the_record_is_taken_only_where_the_recording_broke_off(tmp_path, close, rows):
    run = new_run(tmp_path)
    whole = frames(Player(run, fast_hello()).play(COUNTS))
    Player(run, fast_hello()).play(COUNTS[:1000]).write(close=close)
    seal(run)
    filling = filled(run, whole)
    assert (filling.place is None) == close
    assert np.array_equal(table(stream_of(run)), COUNTS[:rows])


def test_a_start_that_the_record_never_saw_is_left_aside_and_said(tmp_path):
    run, whole = recorded(tmp_path)
    stranger = Player(run, fast_hello(boot=16)).play(plausible_counts(500, seed=4))
    filling = filled(run, frames(stranger) + whole)
    assert any("boot 16: 500 rows of a start that the record never saw; left aside" in s for s in filling.sentences())
    assert np.array_equal(table(stream_of(run)), COUNTS)


def test_a_card_that_begins_amid_a_frame_and_is_damaged_gives_what_is_right(tmp_path):
    run, whole = recorded(tmp_path)
    damaged = bytearray(whole[37:])
    at = damaged.index(b"\0", len(damaged) * 45 // 100) + 9  # amid a frame of the hole
    damaged[at] ^= 0x10
    filling = filled(run, bytes(damaged), device="cradle-a")  # its only hello was at the beginning
    rows = stream_of(run)
    assert np.array_equal(table(rows), COUNTS[rows.sequence])
    assert sum(gap.rows for gap in rows.gaps) == ROWS - rows.sequence.size == ROWS_PER_FRAME
    assert any("1 frames with checksum error on the card" in line for line in filling.sentences())


def test_a_journal_of_another_computer_will_do_as_a_card(tmp_path):
    run, _ = recorded(tmp_path)
    other = new_run(tmp_path / "other")
    journal = Player(other, fast_hello()).play(COUNTS).write()
    fill(run, journal, software=SOFTWARE)
    assert np.array_equal(table(stream_of(run)), COUNTS)


def test_a_card_without_a_hello_needs_the_name_of_its_device(tmp_path):
    run, _ = recorded(tmp_path)
    bare = frames(Player(run, fast_hello()).play(COUNTS, hello=False))
    with pytest.raises(DataError, match=r"no hello in it.*--device"):
        filled(run, bare)
    filled(run, bare, device="cradle-a")
    assert np.array_equal(table(stream_of(run)), COUNTS)


def test_where_no_hello_ever_came_the_saved_layouts_explain_the_card_too(tmp_path):
    campaign = starter(tmp_path).folder
    write_layouts(campaign, "cradle-a", [fast_hello(boot=3)], "2031-06-13T12:00:00Z")
    run = new_run(tmp_path)
    bare = frames(Player(run, fast_hello()).play(COUNTS, hello=False))
    Player(run, fast_hello()).play(COUNTS, hello=False, drop=HOLE).write()
    seal(run)
    filled(run, bare, device="cradle-a")
    assert np.array_equal(table(stream_of(run)), COUNTS)


def test_rollover_within_the_hole_is_unwrapped_as_in_the_record(tmp_path):
    run = new_run(tmp_path)
    where = {"sequence": 4_294_000, "ticks": 4_294_000_000}  # 32-bit microseconds roll over after row 967
    whole = frames(Player(run, fast_hello()).play(COUNTS, **where))
    Player(run, fast_hello()).play(COUNTS, drop=HOLE, **where).write()
    seal(run)
    filled(run, whole)
    rows = stream_of(run)
    assert np.array_equal(rows.ticks, 4_294_000_000 + 1000 * np.arange(ROWS))
    assert np.array_equal(table(rows), COUNTS)


def test_t_zero_that_the_record_lost_is_taken_from_the_card_with_its_source(tmp_path):
    run = new_run(tmp_path)
    edges = [(900_500, 1)]
    whole = frames(Player(run, fast_hello()).play(COUNTS, edges=edges))
    Player(run, fast_hello()).play(COUNTS, edges=[(900_500, 1, "lost")], drop=HOLE, beats=False).write()
    seal(run)
    assert open_run(run).record.t_zero is None
    filling = filled(run, whole)
    opened = open_run(run)
    assert opened.record.t_zero.source == "cradle-a fire rising, from the card copy card.bin"
    rows = opened.stream("cradle-a", "fast")
    assert opened.record.t_zero.host_ns - rows.host_ns[900] == pytest.approx(500_000, abs=100)
    assert filling.sentences()[1] == f"T-0: {opened.record.t_zero.source}; the record had lost it"


def test_a_hole_cut_into_what_a_capture_process_wrote_is_filled_from_the_whole(tmp_path):
    (source,) = (SAMPLE_RUNS / "teasel-2" / "runs").glob("*_WF-04_rehearsal")
    run = tmp_path / source.name
    left_out = shutil.ignore_patterns("additions", "analysis", "samples", "manifest.json", "record.json", "*.arrows")
    shutil.copytree(source, run, ignore=left_out)
    (journal,) = (source / "raw").glob("*.arrows")
    told = read_journal(journal)
    records = told.events.size
    lost = {records // 3, *range(records // 2, records // 2 + 9)}
    writer = JournalWriter(run / "raw" / journal.name, dict(told.meta))
    for k, event in enumerate(map(Event, told.events.tolist())):
        data = told.stream[told.offsets[k] : told.offsets[k + 1]] if event is Event.DATA else told.notes[k].encode()
        if k not in lost:
            writer.append(Row(int(told.arrival_ns[k]), int(told.wall_ns[k]), int(told.boottime_ns[k]), event, data))
    writer.close()
    seal(run)
    filling = filled(run, told.stream[1000:])  # the card was put in amid a frame
    truth, rows = stream_of(source), stream_of(run)
    assert filling.missing == {}
    assert np.array_equal(table(rows), table(truth))
    assert np.array_equal(rows.ticks, truth.ticks)
    assert rows.filled.sum() > 1000
    # Both clocks are fits to arrivals, these ten times as fast and on a busy computer: less than a row.
    assert np.abs(rows.host_ns - truth.host_ns).max() < 1_000_000


def test_all_streams_of_a_device_are_filled_and_believed_together(tmp_path):
    run = new_run(tmp_path, rehearsal=True)
    slow = WireChannel("t0", "i16", -32_768, 32_767)
    first = replace(fast_hello(), streams=2, time_scale=4.0)
    second = replace(first, stream=2, name="slow", interval_ticks=100_000, channels=(slow,))
    warm = np.arange(20)[:, None]
    player = Player(run, first).play(COUNTS, beats=False)
    player.records.append((0.0, Event.DATA, encode_frame(hello_body(second))))
    for number, frame in enumerate(encode_samples(second, 0, 0, 0, warm, 1)):
        player.records.append((player.at(100_000 * number) + 0.001, Event.DATA, frame))
    player.records.sort(key=lambda record: record[0])
    whole = frames(player)
    # The port loses 0.6 s of the device's time; of the slow stream, far fewer than 100 rows are left.
    player.records = [record for record in player.records if not 0.7 <= 4.0 * record[0] < 1.3]
    player.write()
    seal(run)
    filling = filled(run, whole)
    opened = open_run(run)
    assert np.array_equal(table(opened.stream("cradle-a", "fast")), COUNTS)
    rows = opened.stream("cradle-a", "slow")
    assert np.array_equal(table(rows), warm)
    assert rows.filled.sum() == filling.fill.streams["slow"].rows == 6
    assert np.abs(np.diff(rows.host_ns) - 100_000_000).max() <= 2_000
    assert filling.missing == {}
    fast = opened.stream("cradle-a", "fast")
    assert np.abs(rows.host_ns - fast.host_ns[::100]).max() <= 1_000  # one clock for both


# --- what is refused ------------------------------------------------------------------------------------------


def test_one_count_that_differs_anywhere_refuses_the_card_and_is_named(tmp_path):
    run, _ = recorded(tmp_path)
    other = COUNTS.copy()
    other[1234, 2] += 1
    with pytest.raises(DataError, match=r"boot 17, row 1234: \S+ is -?\d+ on the card and -?\d+ in the record") as said:
        filled(run, frames(Player(run, fast_hello()).play(other)))
    assert "\n" not in str(said.value)
    assert not (run / "additions").exists()


def test_another_run_of_the_same_boot_number_is_refused(tmp_path):
    run, _ = recorded(tmp_path)
    with pytest.raises(DataError, match="row 0: LC-1 is"):
        filled(run, frames(Player(run, fast_hello()).play(plausible_counts(ROWS, seed=9))))
    with pytest.raises(DataError, match="row 0: the device clock is 7 on the card and 0 in the record"):
        filled(run, frames(Player(run, fast_hello()).play(COUNTS, ticks=7)))


def test_another_device_another_layout_and_too_small_an_overlap_are_refused(tmp_path):
    run, whole = recorded(tmp_path)
    serial = replace(fast_hello(), serial="0009")
    with pytest.raises(DataError, match=re.escape("is of cradle-a (serial 0009); the run has recorded cradle-a")):
        filled(run, frames(Player(run, serial).play(COUNTS)))
    fewer = fast_hello(channels=5)
    with pytest.raises(DataError, match="stream fast of the card has no like in the record"):
        filled(run, frames(Player(run, fewer).play(COUNTS[:, :5])))
    hello = frames(Player(run, fast_hello()).play(COUNTS[:0]))
    few = frames(Player(run, fast_hello()).play(COUNTS[800:1110], sequence=800, ticks=800_000, hello=False))
    with pytest.raises(DataError, match=f"boot 17: 90 rows that both hold, {LEAST_OVERLAP} are needed"):
        filled(run, hello + few)
    with pytest.raises(DataError, match="several devices"):
        filled(run, whole + frames(Player(run, replace(serial, boot=18)).play(COUNTS)))
    with pytest.raises(ConfigError, match="no device cradle-z; the run has cradle-a"):
        filled(run, whole, device="cradle-z")


def test_a_device_that_restarts_without_counting_is_refused(tmp_path):
    run, whole = recorded(tmp_path)
    again = frames(Player(run, fast_hello()).play(plausible_counts(ROWS, seed=3), hello=False))
    with pytest.raises(DataError, match="started again without counting it"):
        filled(run, whole + again)


def test_rubbish_is_refused_in_one_sentence(tmp_path):
    run, _ = recorded(tmp_path)
    noise = np.random.default_rng(5).bytes(50_000)
    for path, error in (
        (card(run, b""), DataError),
        (card(run, noise), DataError),
        (card(run, b"\0" * 5000), DataError),
        (card(run, noise, "card.arrows"), RecordError),
        (card(run, b"", "empty.arrows"), StandError),
        (run.parent, ConfigError),
        (run / "not-there.bin", ConfigError),
        (card(run, noise, "weighings.toml"), ConfigError),
    ):
        content = path.read_bytes() if path.is_file() else None
        if path.name == "card.bin" and content is not None:
            with pytest.raises(error) as said:
                filled(run, content)
        else:
            with pytest.raises(error) as said:
                fill(run, path, software=SOFTWARE)
        assert "\n" not in str(said.value)
    assert not (run / "additions").exists()


def test_text_lines_and_imports_cannot_be_filled(tmp_path, monkeypatch):
    run, whole = recorded(tmp_path)
    opened = open_run(run)
    device = opened.stand.device_named("cradle-a")
    lines = TextLines(columns=("t", "p"), clock="t", clock_hz=1000.0)
    told = device.model_copy(update={"text_lines": lines})
    printing = replace(opened, stand=opened.stand.model_copy(update={"device": (told,)}))
    elsewhere = replace(opened, info=opened.info.model_copy(update={"source": "imported"}))
    for other, words in ((printing, "cradle-a prints text lines; only wire format 1"), (elsewhere, "imported run")):
        monkeypatch.setattr("standbook.daq.other_recorders.fill_gaps.open_run", lambda _folder, other=other: other)
        with pytest.raises(DataError, match=words):
            filled(run, whole, device="cradle-a")


def test_an_addition_that_does_not_belong_to_the_record_is_refused(tmp_path):
    run, whole = recorded(tmp_path)
    filled(run, whole)
    rows, gaps = read_samples(samples_path(run, "cradle-a", "fast")), open_run(run).record.devices["cradle-a"]
    fills, gaps = read_fills(run), gaps.streams["fast"].gaps
    assert merge(rows, gaps, fills).gaps == ()
    there = merge(rows, gaps, fills).samples
    between = Gap(first_sequence=None, rows=None, start_ns=0, end_ns=1, exact=False, reason="")
    for other, of, words in (
        (there, (), "rows that are there already"),
        (replace(rows, boot=rows.boot + 1), gaps, "a start of the device that the record does not know"),
        (replace(rows, counts={"LC-1": rows.counts["LC-1"]}), gaps, "other columns"),
        (rows, (*gaps, between), "gaps do not fit its rows"),
    ):
        with pytest.raises(RecordError, match=words):
            merge(other, of, fills)


def test_rows_that_reach_into_another_start_are_refused(tmp_path):
    run = new_run(tmp_path)
    longer = plausible_counts(4000, seed=1)
    whole = frames(Player(run, fast_hello(boot=17)).play(longer, beats=False))
    player = Player(run, fast_hello(boot=17)).play(longer[:1000], beats=False)
    player.hello = fast_hello(boot=18)
    player.play(COUNTS, host_start=3.1).write()
    seal(run)
    with pytest.raises(DataError, match="reach into another start of the device"):
        filled(run, whole)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(cut=st.integers(0, 30_000), flips=st.lists(st.integers(0, 8 * 30_000), max_size=20))
def test_a_cut_and_damaged_card_never_alters_a_row(tmp_path_factory, cut, flips):
    run, whole = made_once(tmp_path_factory)
    damaged = bytearray(whole)
    for flip in flips:
        damaged[flip // 8 % len(damaged)] ^= 1 << flip % 8
    opened = open_run(run, verify=False)
    path = card(run, bytes(damaged[cut:]))
    try:
        matches = matched(opened, read_card(path), "cradle-a", {("cradle-a", "fast"): stream_of(run)})
    except StandError as error:
        assert "\n" not in str(error)  # noqa: PT017 - a card may be damaged too far
        return
    for new in matches.streams["fast"].new:
        assert np.array_equal(new.counts, COUNTS[new.sequence])
        assert np.array_equal(new.ticks, 1000 * new.sequence)


_MADE = []


def made_once(tmp_path_factory):
    if not _MADE:
        _MADE.append(recorded(tmp_path_factory.mktemp("made")))
    return _MADE[0]


def test_an_unsealed_run_and_a_fill_that_pretends_are_refused(tmp_path):
    run = new_run(tmp_path)
    with pytest.raises(RecordError, match="not sealed"):
        filled(run, b"x")
    other, _ = recorded(tmp_path / "other")
    pretended = other.parent / "fill.json"
    pretended.write_text("{}")
    with pytest.raises(ConfigError, match="standbook fill"):
        add(other, [pretended])


def test_one_flipped_bit_in_the_addition_is_seen_on_opening(tmp_path):
    run, whole = recorded(tmp_path)
    place = filled(run, whole).place
    for name in ("fill.json", "cradle-a_fast.parquet", "card.bin", "manifest.json"):
        content = (place / name).read_bytes()
        damaged = bytearray(content)
        damaged[len(damaged) // 2] ^= 4
        (place / name).write_bytes(damaged)
        with pytest.raises(RecordError, match=name):
            open_run(run)
        (place / name).write_bytes(content)
    open_run(run)


# --- arithmetic -----------------------------------------------------------------------------------------------


def test_ticks_are_placed_between_their_neighbours_and_beyond_by_the_overall_rate():
    relation = Relation(np.array([0, 10, 30, 40]), np.array([1000, 2000, 5000, 5600]), 0)
    assert relation.at(np.array([10, 20, 40])).tolist() == [2000, 3500, 5600]
    # 4600 ns over 40 ticks is 115 ns a tick.
    assert relation.at(np.array([-10, 50])).tolist() == [1000 - 1150, 5600 + 1150]


def samples(boot, sequence):
    boot, sequence = np.array(boot, np.int32), np.array(sequence, np.int64)
    header = SamplesHeader(
        run="r",
        rehearsal=False,
        device="cradle-a",
        stream="fast",
        time_scale=1.0,
        tick_hz=1e6,
        interval_ticks=1000,
        columns=(),
    )
    return Samples(
        header=header,
        sequence=sequence,
        boot=boot,
        ticks=1000 * sequence,
        host_ns=1_000_000 * sequence,
        counts={"a": sequence},
    )


def test_starts_are_told_by_boot_or_by_row_numbers_that_restart():
    one = samples([1, 1, 2, 2, 2], [5, 6, 0, 1, 0])
    assert [(part.start, part.stop) for part in starts_of(one.boot, one.sequence)] == [(0, 2), (2, 4), (4, 5)]


def test_without_fills_a_stream_is_as_recorded():
    gap = Gap(first_sequence=2, rows=1, start_ns=0, end_ns=1, exact=True, reason="rows lost")
    one = samples([1, 1, 1], [0, 1, 3])
    merged = merge(one, [gap], ())
    assert merged.samples is one
    assert (merged.filled.tolist(), merged.gaps) == ([False] * 3, (gap,))


def test_samples_of_an_addition_are_ordinary_samples(tmp_path):
    run, whole = recorded(tmp_path)
    place = filled(run, whole).place
    found = read_samples(filled_path(place, "cradle-a", "fast"))
    assert found.header == read_samples(samples_path(run, "cradle-a", "fast")).header
    assert found.sequence.tolist() == list(range(800, 1020))
