"""A sealed run is rebuilt beside itself: the same samples, what was damaged named, the old one untouched."""

import shutil

import pytest

from standbook.daq.errors import RecordError
from standbook.daq.run.run_folder import check_run, open_run
from standbook.daq.sealing.rebuild import rebuild
from standbook.daq.sealing.seal import seal
from standbook.daq.storage.manifest import MANIFEST, read_manifest
from tests.recorded_run import Player, fast_hello, new_run, plausible_counts


@pytest.fixture
def run(tmp_path):
    run = new_run(tmp_path)
    player = Player(run, fast_hello())
    player.play(plausible_counts(500), edges=[(100_000, 1)]).write()
    player.play(plausible_counts(500), sequence=500, ticks=500_000, host_start=0.5).write()
    seal(run)
    return run


def everything(folder):
    return {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_a_rebuilt_run_has_the_same_samples_and_names_what_it_was_built_from(run):
    before, place = everything(run), run.with_name("again")
    (run / "additions").mkdir()
    summary = rebuild(run, place)
    assert summary.is_whole
    check_run(place)
    assert summary.remarks[0].text == f"rebuilt from {run.name}, sealed as {read_manifest(run).sha256}"
    same = {name for name in before if name.name not in (MANIFEST, "record.json")}
    after = everything(place)
    assert {name: after[name] for name in same} == {name: before[name] for name in same}
    assert everything(run) == before
    assert open_run(place).record.t_zero == open_run(run).record.t_zero


def test_lost_samples_come_back_from_raw(run):
    shutil.rmtree(run / "samples")
    (run / "record.json").unlink()
    summary = rebuild(run, run.with_name("again"))
    assert summary.devices["cradle-a"].streams["fast"].rows == 1000
    assert summary.is_whole


def test_damaged_and_missing_raw_files_are_named_and_make_it_not_whole(run):
    journal = run / "raw" / "cradle-a_001.arrows"
    content = bytearray(journal.read_bytes())
    content[len(content) // 2] ^= 4
    journal.write_bytes(content)
    (run / "raw" / "cradle-a_002.arrows").unlink()
    (run / "raw" / "stray").write_text("x")
    summary = rebuild(run, run.with_name("again"))
    told = [remark.text for remark in summary.remarks if remark.severity == "serious"]
    assert told == [
        f"{run.name}: raw/cradle-a_002.arrows is missing",
        f"{run.name}: raw/cradle-a_001.arrows has changed since it was sealed",
        f"{run.name}: raw/stray was not there when it was sealed",
    ]
    assert not summary.is_whole
    assert set(told) <= set(summary.sentences())


def test_a_damaged_manifest_means_that_nothing_could_be_checked(run):
    manifest = run / MANIFEST
    manifest.write_bytes(manifest.read_bytes().replace(b"raw", b"rAw", 1))
    summary = rebuild(run, run.with_name("again"))
    assert any("nothing could be checked" in line for line in summary.sentences())
    assert not summary.is_whole


@pytest.mark.parametrize(
    ("place", "why"),
    [("{run}", "exists already"), ("{run}/again", "lies in the sealed run"), ("{run}-none/again", "does not exist")],
)
def test_a_place_that_is_not_new_is_refused(run, place, why):
    from pathlib import Path

    before = everything(run)
    with pytest.raises(RecordError, match=why):
        rebuild(run, Path(place.format(run=run)))
    assert everything(run) == before


def test_a_run_that_was_never_sealed_is_recovered_in_place_instead(tmp_path):
    run = new_run(tmp_path)
    Player(run, fast_hello()).play(plausible_counts(100)).write()
    with pytest.raises(RecordError, match=r"not sealed yet; seal it with: standbook recover"):
        rebuild(run, tmp_path / "again")
    assert not (tmp_path / "again").exists()


def test_nothing_is_left_behind_when_decoding_fails(run):
    for journal in (run / "raw").glob("*.arrows"):
        journal.unlink()
    with pytest.raises(RecordError, match=r"runs/again/raw: no journal"):
        rebuild(run, run.with_name("again"))
    assert sorted(path.name for path in run.parent.iterdir()) == [run.name]
