"""``standbook quick``: the same sentences from a sealed run and from one that goes on, which stays untouched."""

import hashlib
import json
import shutil

import pytest

from standbook.cli.main import run
from standbook.cli.quick import analyse_and_look
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"


@pytest.fixture
def sealed(tmp_path):
    """The sample's firing, as it was sealed and before anything was weighed."""
    (folder,) = (SAMPLE / "runs").glob("*_HF-02_rehearsal")
    return shutil.copytree(folder, tmp_path / folder.name, ignore=shutil.ignore_patterns("additions", "analysis"))


@pytest.fixture
def going_on(sealed):
    """The same before it was sealed."""
    for name in ("manifest.json", "record.json"):
        (sealed / name).unlink()
    shutil.rmtree(sealed / "samples")
    return sealed


def content(folder):
    files = sorted(path for path in folder.rglob("*") if path.is_file())
    return {str(path): hashlib.sha256(path.read_bytes()).hexdigest() for path in files}


def told(capsys, *arguments, code=0):
    capsys.readouterr()
    assert run([str(argument) for argument in arguments]) == code
    return capsys.readouterr().out


@pytest.mark.slow
def test_a_recording_that_goes_on_is_looked_at_and_left_alone(sealed, capsys):
    after = told(capsys, "quick", sealed, "--json")
    for name in ("manifest.json", "record.json"):
        (sealed / name).unlink()
    shutil.rmtree(sealed / "samples")
    before = content(sealed)
    during = told(capsys, "quick", sealed, "--json")
    assert content(sealed) == before
    assert json.loads(during) == json.loads(after)
    assert json.loads(during)["suggests"] == "KEEP"
    assert len(json.loads(during)["sentences"]) == 5


@pytest.mark.slow
def test_a_journal_torn_in_mid_row_is_looked_at_all_the_same(going_on, capsys):
    (journal,) = (going_on / "raw").glob("*.arrows")
    size = journal.stat().st_size
    with journal.open("r+b") as file:
        file.truncate(size - 11)
    text = told(capsys, "quick", going_on)
    assert "QUICK LOOK" in text
    assert "REHEARSAL" in text


@pytest.mark.slow
def test_after_sealing_the_first_revision_is_made_and_looked_at(sealed, capsys):
    analyse_and_look(sealed)
    text = capsys.readouterr().out
    assert "5 KEEP" in text
    assert "Analysed into rev-A, before weighing" in text
    assert (sealed / "analysis/rev-A/results.json").is_file()


@pytest.mark.slow
def test_a_run_that_cannot_be_analysed_says_why_and_what_is_next(sealed, capsys):
    samples = next((sealed / "samples").glob("*.parquet"))
    samples.write_bytes(samples.read_bytes()[:-40])
    analyse_and_look(sealed)
    said = capsys.readouterr()
    assert "no quick look:" in said.err
    assert "Next: standbook analyse" in said.out


def test_a_copy_without_room_is_refused(going_on, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10, 9, 1))
    assert run(["quick", str(going_on)]) == 6
    assert "MB needed to look at" in capsys.readouterr().err


def test_what_is_no_run_is_refused(tmp_path, capsys):
    assert run(["quick", str(tmp_path)]) == 6
    assert "give a run folder" in capsys.readouterr().err


@pytest.fixture
def flow(tmp_path):
    (folder,) = (SAMPLE / "runs").glob("*_WF-03_rehearsal")
    return shutil.copytree(folder, tmp_path / folder.name, ignore=shutil.ignore_patterns("additions", "analysis"))


def test_a_flow_is_looked_at_by_its_pressures(flow, capsys):
    text = told(capsys, "quick", flow)
    assert "oxidiser tank from" in text
    assert "5 KEEP" in text


def test_a_flow_that_is_not_sealed_is_looked_at_too(flow, capsys):
    for name in ("manifest.json", "record.json"):
        (flow / name).unlink()
    shutil.rmtree(flow / "samples")
    assert json.loads(told(capsys, "quick", flow, "--tripped", "low", "--json", code=10))["suggests"] == "DECIDE"


def test_a_flow_s_first_revision_is_made_after_sealing(flow, capsys):
    analyse_and_look(flow)
    assert "Analysed into rev-A, before weighing" in capsys.readouterr().out
