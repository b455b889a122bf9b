"""``standbook export``: files appear whole where they are asked for, and what is not there is one sentence."""

import shutil

import pytest

from standbook.cli.main import run
from tests.repository import ROOT

SAMPLE = next((ROOT / "sample_runs" / "teasel-2" / "runs").glob("*_WF-03_rehearsal"))


@pytest.mark.slow
def test_files_are_named_after_run_and_revision(tmp_path, capsys):
    place = tmp_path / "exports"
    assert run(["export", str(SAMPLE), "--to", str(place), "--channel", "PT-11", "--from", "0", "--until", "1"]) == 0
    assert sorted(path.name for path in place.iterdir()) == [
        "WF-03_rev-A_channels.csv",
        "WF-03_rev-A_channels.csv-metadata.json",
    ]
    assert "REHEARSAL" in capsys.readouterr().out


@pytest.mark.slow
def test_a_run_that_is_not_analysed_has_channels_and_no_thrust_table(tmp_path, capsys):
    bare = shutil.copytree(SAMPLE, tmp_path / SAMPLE.name, ignore=shutil.ignore_patterns("analysis"))
    assert run(["export", str(bare), "--as", "csv,thrust", "--to", str(tmp_path)]) == 6
    assert "standbook analyse" in capsys.readouterr().err
    assert run(["export", str(bare), "--to", str(tmp_path), "--from", "0", "--until", "0.1"]) == 0
    assert (tmp_path / "WF-03_not-analysed_channels.csv").is_file()


@pytest.mark.parametrize(
    ("options", "code"),
    [
        (("--ambient", "moon"), 2),
        (("--as", "ods"), 2),
        (("--units", "psi,bar"), 2),
        (("--units", "psig"), 2),
    ],
)
def test_what_cannot_be_asked_is_refused(tmp_path, options, code):
    assert run(["export", str(SAMPLE), "--to", str(tmp_path), *options]) == code
    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_units_stand_in_the_header_of_what_is_exported(tmp_path):
    window = ("--channel", "PT-11", "--from", "0", "--until", "0.1")
    assert run(["export", str(SAMPLE), "--to", str(tmp_path), "--units", "psi,lbf", *window]) == 0
    table = (tmp_path / "WF-03_rev-A_channels.csv").read_text(encoding="utf-8")
    assert table.splitlines()[0] == "time after T-0 [s],segment,PT-11 [psi(g)]"


@pytest.mark.slow
def test_a_place_that_takes_no_file_is_one_sentence(tmp_path, capsys):
    (tmp_path / "file").write_text("here", encoding="utf-8")
    assert run(["export", str(SAMPLE), "--to", str(tmp_path / "file"), "--from", "0", "--until", "0.1"]) == 6
    assert "nothing can be written there" in capsys.readouterr().err
