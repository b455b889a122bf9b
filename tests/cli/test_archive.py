"""``archive`` and ``verify FILE.zip``: what they refuse, what they say, what they never do."""

import json
import shutil
import tempfile
import zipfile

import pytest

from standbook.analysis.archive import again
from standbook.analysis.archive.container import Entry, write_zip
from standbook.cli.archive import in_groups
from standbook.cli.main import run as command
from standbook.daq.errors import DataError
from standbook.daq.storage.manifest import sha256_of
from tests.every_write import a_sealed_run_with_a_gap, an_unsealed_run, said
from tests.refusing_disk import Disk
from tests.repository import ROOT

FIRING = next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal"))


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A small sealed run that nobody analysed, and its archive."""
    place = tmp_path_factory.mktemp("made")
    a_sealed_run_with_a_gap(place)
    assert command(["archive", str(place / "run"), "--to", str(place / "a.zip")]) == 10
    return place


@pytest.fixture
def place(made, tmp_path):
    shutil.copytree(made, tmp_path / "made")
    return tmp_path / "made"


def archived(place, *more):
    return said("archive", str(place / "run"), *more)


def test_a_run_that_is_not_sealed_says_how_it_is(tmp_path):
    an_unsealed_run(tmp_path)
    code, out, err = archived(tmp_path, "--to", str(tmp_path / "a.zip"))
    assert (code, out) == (6, "")
    assert "not sealed yet; seal it with: standbook recover" in err
    assert not (tmp_path / "a.zip").exists()


def test_a_run_that_is_not_analysed_is_archived_as_a_record_and_says_what_is_missing(place):
    code, out, err = archived(place, "--to", str(place / "b.zip"))
    assert (code, err) == (10, "")
    assert f"Missing: no results: not analysed yet; standbook analyse {place / 'run'}, then archive it again" in out
    assert f"Next: standbook verify {place / 'b.zip'}" in out
    digest = sha256_of(place / "b.zip")
    assert digest in out.replace(" ", "").replace("\n", "")
    with zipfile.ZipFile(place / "b.zip") as packed:
        names = {name.removeprefix("run/") for name in packed.namelist()}
        text = packed.read("run/README.txt").decode()
    assert {"README.txt", "SHA256SUMS", "runs/run/manifest.json", "exports/HF-02_not-analysed_channels.csv"} <= names
    assert not {"recompute.py", "recompute.json"} & names
    assert "Not analysed: the record alone." in text
    assert "No total impulse is known of this run" in text
    assert "Missing: no results: not analysed yet; standbook analyse runs/run, then archive it again" in text
    assert str(place) not in text


def test_the_hash_is_printed_in_groups_of_four_for_the_logbook():
    lines = in_groups("0123456789abcdef" * 4)
    assert lines == ["0123 4567 89ab cdef 0123 4567 89ab cdef"] * 2


def test_the_default_name_stands_in_the_folder_where_one_is(place, monkeypatch):
    monkeypatch.chdir(place)
    assert archived(place)[0] == 10
    assert (place / "run_not-analysed.zip").read_bytes() == (place / "a.zip").read_bytes()


def test_an_existing_file_is_kept_unless_it_is_the_same_to_the_byte(place):
    assert archived(place, "--to", str(place / "a.zip"))[0] == 10
    (place / "a.zip").write_bytes(b"somebody else's")
    code, _, err = archived(place, "--to", str(place / "a.zip"))
    assert code == 6
    assert "exists and holds something else; give another name with --to" in err
    assert (place / "a.zip").read_bytes() == b"somebody else's"
    assert sorted(path.name for path in place.iterdir()) == ["a.zip", "card.bin", "notes.txt", "run"]


def test_nothing_is_put_into_the_run_itself(place):
    code, _, err = archived(place, "--to", str(place / "run" / "a.zip"))
    assert code == 2
    assert "lies in the run itself" in err


def test_a_link_in_a_run_is_refused_since_it_is_no_file_of_its_own(place):
    (place / "run" / "analysis").mkdir()
    (place / "run" / "analysis" / "notes.txt").symlink_to(place / "notes.txt")
    code, _, err = archived(place, "--to", str(place / "b.zip"))
    assert code == 6
    assert "is no file of its own" in err


def test_a_full_disk_is_one_sentence_and_leaves_nothing(place, monkeypatch):
    disk = Disk(monkeypatch, place, refuses_from=2)
    code, _, err = archived(place, "--to", str(place / "b.zip"))
    assert (code, disk.refused > 0) == (6, True)
    assert err.count("\n") == 1
    assert "cannot be written: " in err
    assert not list(place.glob("*b.zip*"))


# --- verify -----------------------------------------------------------------------------------------------


def test_an_archive_is_verified_and_nothing_of_it_stays(place, tmp_path, monkeypatch):
    temporary = tmp_path / "temporary"
    temporary.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(temporary))
    code, out, _ = said("verify", str(place / "a.zip"))
    assert code == 10  # a row was lost in the recording
    assert "files as their sums say, the zip as it was written" in out
    assert "10 rows missing" in out
    assert "manifest: " in out
    assert "samples: 290 rows as in the record and in a fresh decode of the journals" in out
    assert "results: none, it was archived before its analysis" in out
    assert not list(temporary.iterdir())
    told = json.loads(said("verify", str(place / "a.zip"), "--json")[1])
    assert told["exit_code"] == 10
    assert told["checks"][0].startswith("archive: ")


def test_a_zip_of_something_else_and_a_changed_one_are_refused(place):
    with zipfile.ZipFile(place / "b.zip", "w") as packed:
        packed.writestr("a/b", b"")
    assert said("verify", str(place / "b.zip"))[0] == 6
    content = bytearray((place / "a.zip").read_bytes())
    content[len(content) // 2] ^= 4
    (place / "a.zip").write_bytes(content)
    code, out, err = said("verify", str(place / "a.zip"))
    assert (code, out) == (6, "")
    assert err.count("\n") == 1


def test_sums_that_were_made_again_do_not_hide_a_change_from_the_manifest(place):
    """Whoever packs a changed run again has right sums and a right zip; the run's own manifest tells."""
    plan = place / "run" / "plan.toml"
    plan.write_text(plan.read_text().replace("2550", "2551") + "# changed\n", encoding="utf-8")
    files = [path for path in (place / "run").rglob("*") if path.is_file()]
    entries = [Entry(name=f"runs/run/{p.relative_to(place / 'run').as_posix()}", source=p) for p in files]
    write_zip(place / "b.zip", "run", entries)
    code, out, _ = said("verify", str(place / "b.zip"))
    assert code == 6
    assert "plan.toml has changed" in out
    assert f"CHANGED: {place / 'b.zip'}" in out
    assert tempfile.gettempdir() + "/standbook-" not in out


def test_an_archive_without_a_run_is_said_to_have_none(place):
    write_zip(place / "b.zip", "run", [Entry(name="README.txt", source=b"")])
    code, _, err = said("verify", str(place / "b.zip"))
    assert code == 6
    assert f"{place / 'b.zip'}/runs/run: no run.json" in err


@pytest.mark.slow
def test_a_firings_archive_comes_out_again_to_nine_digits_and_a_bit_in_each_file_is_found(tmp_path):
    place, run = tmp_path / "hf.zip", tmp_path / "runs" / FIRING.name
    shutil.copytree(FIRING, run)
    shutil.rmtree(run / "analysis")
    for command_line in (("analyse", run), ("report", run), ("archive", run, "--to", place)):
        assert said(*map(str, command_line))[0] in (0, 10)
    code, out, _ = said("verify", str(place))
    assert code == 0
    assert "numbers of revision A by" in out
    assert "come out again to nine digits" in out
    whole = place.read_bytes()
    with zipfile.ZipFile(place) as packed:
        infos = packed.infolist()
    for info in infos:
        changed = bytearray(whole)
        changed[info.header_offset + 30 + len(info.filename) + info.compress_size // 2] ^= 16
        place.write_bytes(changed)
        assert said("verify", str(place))[0] == 6, info.filename


# --- results again ----------------------------------------------------------------------------------------

FLOW = next((ROOT / "sample_runs/teasel-2/runs").glob("*_WF-03_rehearsal"))


@pytest.fixture(scope="module")
def of_a_flow(tmp_path_factory):
    place = tmp_path_factory.mktemp("flow") / "wf.zip"
    assert command(["archive", str(FLOW), "--to", str(place)]) == 0
    return place


def verified(place, monkeypatch, found):
    monkeypatch.setattr(again, "differences", found)
    return said("verify", str(place))[:2]


def test_numbers_that_come_out_again_are_counted_by_whom_they_were_found(of_a_flow, monkeypatch):
    code, out = verified(of_a_flow, monkeypatch, lambda run: (len(run.results.tanks), []))
    assert code == 0
    assert "results: 1 numbers of revision A by standbook 0.2.0" in out


def test_numbers_that_do_not_come_out_again_need_review(of_a_flow, monkeypatch):
    code, out = verified(of_a_flow, monkeypatch, lambda run: (9, ["cda: 1.0 kept, 2.0 again", "and 3 more"]))
    assert code == 10
    assert "kept other numbers than this version finds: cda: 1.0 kept, 2.0 again; and 3 more" in out


def test_a_record_that_this_version_cannot_analyse_is_said_to_be_so(of_a_flow, monkeypatch):
    def fails(run):
        raise DataError(f"{run.folder}: no flow")

    code, out = verified(of_a_flow, monkeypatch, fails)
    assert code == 10
    assert f"finding: results: cannot be analysed again: {of_a_flow}/runs/{FLOW.name}: no flow" in out


def test_an_archive_for_the_public_has_no_record_and_is_said_to_have_none(tmp_path):
    write_zip(tmp_path / "a.zip", "run", [Entry(name="README.txt", source=b"REDACTED COPY of manifest 0123...\n")])
    code, out, _ = said("verify", str(tmp_path / "a.zip"))
    assert code == 0
    assert "redacted: it holds no record; its first line names the manifest it is of" in out


def test_a_file_that_cannot_be_unpacked_is_one_sentence(of_a_flow, tmp_path, monkeypatch):
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    Disk(monkeypatch, tmp_path, refuses_from=3)
    code, out, err = said("verify", str(of_a_flow))
    assert (code, out) == (6, "")
    assert "cannot be read or unpacked: " in err
    assert err.count("\n") == 1
    assert not list(tmp_path.iterdir())
