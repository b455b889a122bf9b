"""A run is verified: one line a stream, every flipped bit found, rubbish never more than a sentence."""

import os
import random
import shutil

import numpy as np
import pytest

from standbook.daq.errors import RecordError
from standbook.daq.journal.record_format import Event
from standbook.daq.other_recorders.fill_gaps import fill
from standbook.daq.recovery.loss_account import RESTARTED
from standbook.daq.run.additions import add
from standbook.daq.run.record_summary import Gap, read_record
from standbook.daq.run.recording_end import UNTOLD, write_recording_end
from standbook.daq.run.revision import write_revision
from standbook.daq.run.run_folder import check_run, seal_run
from standbook.daq.run.samples_file import Piece, read_samples, write_samples
from standbook.daq.sealing.seal import seal
from standbook.daq.sealing.verify import StreamCheck, verify_run
from standbook.daq.storage.durable_file import DiskFile
from standbook.daq.storage.folder_lock import hold_folder_lock
from standbook.daq.storage.manifest import MANIFEST
from standbook.daq.wire.encoder import encode_frame, encode_samples
from tests.daq.other_recorders.test_import_csv import Files
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts

EDGES = [(100_000, 1), (250_000, 0)]


@pytest.fixture
def run(tmp_path):
    return new_run(tmp_path)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """A small sealed run with two additions and two analyses, not to be changed."""
    run = new_run(tmp_path_factory.mktemp("whole"))
    Player(run, fast_hello()).play(plausible_counts(300), edges=EDGES).write()
    seal(run)
    note = run.parent / "note.txt"
    note.write_text("residue drained at 11:20")
    add(run, [note])
    write_revision(run, "A", lambda place: (place / "results.json").write_text('{"a": 1}'))
    note.write_text("residue drained at 11:40")
    add(run, [note])
    write_revision(run, "B", lambda place: (place / "results.json").write_text("[]"))
    return run


def copy_of(run, place):
    shutil.copytree(run, place / "copy")
    return place / "copy"


def test_a_whole_run_is_one_line_a_stream_and_exit_code_0(whole):
    found = verify_run(whole)
    assert found.exit_code == 0
    assert found.sentences()[0] == "cradle-a/fast: whole: 300 rows, sequence 0 to 299, 1 board start"
    assert (found.findings, found.changed) == ((), ())
    assert "samples: 300 rows as in the record and in a fresh decode of the journals" in found.checks
    assert [text.partition(":")[0] for text in found.checks[:5]] == [
        "manifest",
        "additions/001",
        "additions/002",
        "analysis/rev-A",
        "analysis/rev-B",
    ]
    assert found.to_json()["streams"][0]["sequences"] == [[0, 299]]


@pytest.mark.slow
def test_one_flipped_bit_in_any_file_is_found(whole, tmp_path):
    run = copy_of(whole, tmp_path)
    rng = random.Random(8)
    paths = sorted(path for path in run.rglob("*") if path.is_file())
    assert len(paths) > 20
    for path in paths:
        content = path.read_bytes()
        for _ in range(2):
            damaged = bytearray(content)
            damaged[rng.randrange(len(damaged))] ^= 1 << rng.randrange(8)
            path.write_bytes(damaged)
            found = verify_run(run)
            assert found.exit_code == 6, path
            assert any(path.name in text or "manifest" in text for text in found.changed), path
        path.write_bytes(content)
    assert verify_run(run).exit_code == 0


def test_files_that_went_missing_or_came_since_are_found(whole, tmp_path):
    run = copy_of(whole, tmp_path)
    for name in ("samples/cradle-a_fast.parquet", "record.json", "raw/cradle-a_001.arrows", "plan.toml", "run.json"):
        (run / name).rename(tmp_path / "away")
        found = verify_run(run)
        assert found.exit_code == 6, name
        assert any(f"{name} is missing" in text for text in found.changed)
        (tmp_path / "away").rename(run / name)
    (run / "raw" / "more").write_text("x")
    assert any("raw/more was not there" in text for text in verify_run(run).changed)
    (run / "raw" / "more").unlink()
    shutil.rmtree(run / "additions" / "001")
    changed = verify_run(run).changed
    assert "additions/001 is missing; take it from the second copy" in changed
    assert any("rev-A" in text and "../../additions/001/manifest.json" in text for text in changed)


def test_an_addition_that_names_no_parent_is_no_part_of_the_chain(whole, tmp_path):
    from standbook.daq.storage.manifest import write_manifest

    run = copy_of(whole, tmp_path)
    shutil.rmtree(run / "analysis")
    place = run / "additions" / "002"
    (place / MANIFEST).unlink()
    write_manifest(place, parents=[run / MANIFEST])
    (text,) = verify_run(run).changed
    assert text == "additions/002: its manifest does not name ../001/manifest.json, which it must build on"


def resealed(run):
    """Write a new manifest over a run, as somebody would who changed it on purpose."""
    (run / MANIFEST).unlink()
    for name in ("additions", "analysis"):
        shutil.rmtree(run / name, ignore_errors=True)
    seal_run(run)


@pytest.mark.parametrize("column", ["counts", "ticks", "sequence", "boot"])
def test_samples_that_a_fresh_decode_does_not_give_are_found_whatever_the_hashes_say(whole, tmp_path, column):
    run = copy_of(whole, tmp_path)
    path = run / "samples" / "cradle-a_fast.parquet"
    samples = read_samples(path)
    counts = np.column_stack(list(samples.counts.values()))
    changed = {"counts": counts.copy(), "ticks": samples.ticks.copy(), "sequence": samples.sequence.copy()}
    boot = 17
    if column == "boot":
        boot = 18
    elif column == "sequence":
        changed["sequence"][250:] += 5
    else:
        changed[column][123] += 1
    path.unlink()
    piece = Piece(
        sequence=changed["sequence"],
        boot=boot,
        ticks=changed["ticks"],
        host_ns=samples.host_ns,
        counts=changed["counts"],
        readings={},
    )
    write_samples(path, samples.header, [piece])
    resealed(run)
    check_run(run)
    found = verify_run(run)
    assert found.exit_code == 10
    name = "LC-1" if column == "counts" else column
    assert any(f"{name} differs from a fresh decode" in text for text in found.findings)
    if column == "counts":
        assert "cradle-a/fast: LC-1 differs from a fresh decode in 1 row, the first at sequence 123" in found.findings


def hide_gaps(run):
    """Take the gaps of the fast stream out of a record, and seal it again."""
    path = run / "record.json"
    record = read_record(path.read_text(), "record.json")
    device = record.devices["cradle-a"]
    hidden = device.streams["fast"].model_copy(update={"gaps": (), "lost_rows": 0})
    device = device.model_copy(update={"streams": {**device.streams, "fast": hidden}})
    path.write_text(record.model_copy(update={"devices": {"cradle-a": device}}).text())
    resealed(run)


def test_a_record_that_does_not_know_the_gaps_of_its_samples_is_found(run):
    Player(run, fast_hello()).play(plausible_counts(300), drop={5}).write()
    seal(run)
    hide_gaps(run)
    found = verify_run(run)
    assert found.exit_code == 10
    assert found.findings == (
        "cradle-a/fast: the record and the samples disagree on the 10 rows missing from sequence 50 on",
    )


def test_gaps_are_said_with_rows_start_and_seconds(run):
    Player(run, fast_hello()).play(plausible_counts(2000), drop=set(range(110, 132)), edges=[(220_000, 1)]).write()
    seal(run)
    found = verify_run(run)
    assert found.exit_code == 10
    assert found.sentences()[0] == (
        "cradle-a/fast: 1,780 rows, sequence 0 to 1,999, 1 board start; 220 rows missing in 1 gap, T+0.88 s for 0.220 s"
    )


@pytest.mark.parametrize("lost", [False, True])
def test_rows_of_a_stream_whose_layout_changed_are_not_missing_in_either(run, lost):
    player = Player(run, fast_hello()).play(plausible_counts(500))
    player.hello = fast_hello(channels=3)
    player.play(plausible_counts(300, channels=3), sequence=500, ticks=500_000, host_start=0.5)
    player.hello = fast_hello()
    player.play(plausible_counts(200), sequence=800, ticks=800_000, host_start=0.8, drop={4} if lost else ()).write()
    seal(run)
    found = verify_run(run)
    assert found.findings == ()
    assert found.exit_code == (10 if lost else 0)
    assert ("10 rows missing in 1 gap" in found.sentences()[0]) == lost
    hide_gaps(run)
    hidden = "cradle-a/fast: the record and a fresh decode disagree on the 10 rows missing from sequence 840 on"
    assert verify_run(run).findings == ((hidden,) if lost else ())


def test_a_restart_is_a_stretch_that_is_not_known(run):
    player = Player(run, fast_hello(boot=17)).play(plausible_counts(1000))
    player.hello = fast_hello(boot=18)
    player.play(plausible_counts(500), host_start=3.1).write()
    seal(run)
    line = verify_run(run).sentences()[0]
    assert line.startswith(
        "cradle-a/fast: 1,500 rows, sequence 0 to 999, 0 to 499, 2 board starts; not known between board starts, "
    )
    assert line.endswith("2031-06-14T09:00:01.002 UTC for 2.100 s")


def test_many_gaps_are_counted_and_estimates_say_so():
    gaps = tuple(
        Gap(first_sequence=10 * k, rows=2, start_ns=k * 10**9, end_ns=k * 10**9 + 2 * 10**6, exact=k > 1, reason="")
        for k in range(1, 7)
    )
    line = StreamCheck(
        device="cradle-a", stream="fast", rows=50, filled=7, sequences=((0, 61),), gaps=gaps, t_zero_ns=0
    ).sentence()
    assert line == (
        "cradle-a/fast: 50 rows, sequence 0 to 61, 1 board start, 7 of them filled from additions; about "
        "12 rows missing in 6 gaps, T+1.00 s for 0.002 s, T+2.00 s for 0.002 s, T+3.00 s for 0.002 s and 3 more"
    )
    restarted = Gap(first_sequence=None, rows=None, start_ns=0, end_ns=5, exact=False, reason=RESTARTED)
    assert not StreamCheck(
        device="cradle-a", stream="fast", rows=5, filled=0, sequences=(), gaps=(restarted,), t_zero_ns=None
    ).is_whole


def test_a_run_that_is_not_sealed_says_so_and_what_its_journals_hold(run):
    Player(run, fast_hello()).play(plausible_counts(500), edges=EDGES).write(close=False)
    found = verify_run(run)
    assert (found.exit_code, found.sealed) == (10, False)
    assert found.sentences()[0] == "cradle-a/fast: whole: 500 rows, sequence 0 to 499, 1 board start"
    assert "not sealed yet" in found.findings[0]
    assert any("not closed" in text for text in found.findings)
    assert not (run / "samples").exists()


def test_a_run_that_is_still_recorded_is_not_said_to_have_ended(run):
    Player(run, fast_hello()).play(plausible_counts(500), edges=EDGES).write(close=False)
    write_recording_end(run / "raw", UNTOLD)
    with hold_folder_lock(run / "raw"):
        assert verify_run(run).findings == ("still being recorded; only what the journals hold by now was checked",)
    assert sum("ended" in text for text in verify_run(run).findings) == 2


def test_an_earlier_journal_that_was_never_closed_is_said_of_a_run_still_recorded(run):
    Player(run, fast_hello()).play(plausible_counts(300)).write(close=False)
    Player(run, fast_hello()).play(plausible_counts(300), sequence=300, ticks=300_000).write(close=False)
    with hold_folder_lock(run / "raw"):
        (told,) = (text for text in verify_run(run).findings if "not closed" in text)
    assert "cradle-a_001.arrows" in told


def test_a_manifest_that_was_lost_is_not_taken_for_a_run_never_sealed(whole, tmp_path):
    run = copy_of(whole, tmp_path)
    (run / MANIFEST).unlink()
    assert any("the manifest is lost" in text for text in verify_run(run).findings)


def test_a_manifest_that_is_no_regular_file_is_a_change_and_not_a_run_never_sealed(whole, tmp_path):
    run = copy_of(whole, tmp_path)
    (run / MANIFEST).unlink()
    os.mkfifo(run / MANIFEST)
    checked = verify_run(run)
    assert checked.sealed
    assert any(f"{MANIFEST}: damaged" in sentence for sentence in checked.changed)
    assert checked.exit_code == RecordError.exit_code


def test_damage_of_the_recording_is_a_finding(run):
    player = Player(run, fast_hello()).play(plausible_counts(300))
    frame = bytearray(encode_samples(fast_hello(), 300, 300_000, 0, plausible_counts(10), 10)[0])
    frame[20] ^= 0x55
    player.records += [(0.31, Event.DATA, bytes(frame)), (0.31, Event.DATA, encode_frame(b"\x09strange"))]
    player.write()
    seal(run)
    found = verify_run(run)
    assert found.exit_code == 10
    assert "cradle-a: 1 checksum error" in found.findings
    assert "cradle-a: 1 frame of unknown layout or format" in found.findings


def test_an_imported_run_is_checked_by_its_hashes_and_its_record(tmp_path):
    files = Files(tmp_path)
    folder, _ = files.run()
    found = verify_run(folder)
    assert found.exit_code == 0
    assert found.sentences()[0] == "imported/csv: whole: 200 rows, sequence 0 to 199, 1 board start"
    assert any(text.startswith("imported: ") for text in found.checks)
    log = folder / "raw" / "log.csv"
    log.write_bytes(log.read_bytes().replace(b"31.000", b"31.001"))
    assert verify_run(folder).exit_code == 6


def test_rows_that_a_second_recorder_filled_make_a_stream_whole(run):
    counts = plausible_counts(2000)
    card = run.parent / "card.bin"
    whole = Player(run, fast_hello()).play(counts, edges=EDGES)
    card.write_bytes(b"".join(data for _, event, data in whole.records if event is Event.DATA))
    Player(run, fast_hello()).play(counts, edges=EDGES, drop=set(range(80, 102))).write()
    seal(run)
    assert "220 rows missing in 1 gap, T+0.70 s for 0.220 s" in verify_run(run).sentences()[0]
    fill(run, card, software="standbook test")
    found = verify_run(run)
    assert found.exit_code == 0
    assert found.sentences()[0] == (
        "cradle-a/fast: whole: 2,000 rows, sequence 0 to 1,999, 1 board start, 220 of them filled from additions"
    )


@pytest.mark.parametrize("seed", range(6))
def test_rubbish_in_any_file_is_never_a_traceback(whole, tmp_path, seed):
    run = copy_of(whole, tmp_path)
    rng = random.Random(seed)
    paths = sorted(path for path in run.rglob("*") if path.is_file() and path.name != MANIFEST)
    for path in paths:
        content = path.read_bytes()
        rubbish = [b"", rng.randbytes(200), content[: len(content) // 2], b"[" * 5000, b"{}", bytes(len(content))]
        path.write_bytes(rubbish[seed])
        assert verify_run(run).exit_code == 6, path
        path.write_bytes(content)


def test_a_folder_that_is_no_run_is_refused(tmp_path):
    with pytest.raises(RecordError, match=r"no run\.json"):
        verify_run(tmp_path)


def test_nothing_is_written_by_verifying(whole, monkeypatch):
    def refuse(*_arguments, **_more):
        raise AssertionError("a file was written")

    before = {path: path.stat().st_mtime_ns for path in whole.rglob("*")}
    monkeypatch.setattr(DiskFile, "__init__", refuse)
    verify_run(whole)
    assert {path: path.stat().st_mtime_ns for path in whole.rglob("*")} == before
