"""What an archive holds of a flow, and what is said where something is missing or does not come out."""

import shutil

import pytest

import standbook as sb
from standbook.analysis.archive import contents, recompute
from standbook.analysis.archive.contents import archive_of
from standbook.daq.errors import DataError
from tests.repository import ROOT

FLOW = next((ROOT / "sample_runs/teasel-2/runs").glob("*_WF-03_rehearsal"))
AGAIN = "analyse it with this version: standbook analyse "


@pytest.fixture(scope="module")
def archive():
    run = sb.open_run(FLOW)
    return run, archive_of(run)


def text_of(archive):
    return next(entry for entry in archive.entries if entry.name == "README.txt").source.decode("utf-8")


def test_a_flow_is_archived_whole_and_has_no_impulse_to_recompute(archive):
    names = {entry.name for entry in archive[1].entries}
    own = {f"runs/{FLOW.name}/{p.relative_to(FLOW).as_posix()}" for p in FLOW.rglob("*") if p.is_file()}
    tables = {"exports/WF-03_rev-A_channels.csv", "exports/WF-03_rev-A_channels.csv-metadata.json"}
    assert names == own | tables | {"README.txt"}
    assert archive[1].missing == []
    assert archive[1].folder == FLOW.name


def test_the_page_says_rehearsal_kind_hash_and_how_to_open(archive):
    run, made = archive
    text = text_of(made)
    assert text.startswith(f"{FLOW.name}: water flow of Teasel-2\n====")
    assert "REHEARSAL: all data are simulated. Nothing was fired." in text
    assert run.record.manifest.sha256 in text
    assert '    channels = pd.read_csv("exports/WF-03_rev-A_channels.csv", index_col=0)' in text
    assert "No total impulse is known of this run" in text
    assert max(map(len, text.splitlines())) <= 120


def test_a_missing_report_is_named_with_its_command(tmp_path):
    copy = tmp_path / FLOW.name
    shutil.copytree(FLOW, copy)
    (copy / "analysis" / "report_rev-A.html").unlink()
    (copy / ".half-made.new").write_text("")
    made = archive_of(sb.open_run(copy))
    assert made.missing == [f"no report of revision A; standbook report {copy}, then archive it again"]
    assert f"Missing: no report of revision A; standbook report runs/{FLOW.name}, then" in text_of(made)
    assert not any("half-made" in entry.name for entry in made.entries)


def test_a_script_that_does_not_come_out_says_by_how_much_on_page_and_screen(archive, monkeypatch):
    monkeypatch.setattr(contents, "recompute_terms", lambda run: {"weight [N s]": 1.0})
    monkeypatch.setattr(recompute, "total_impulse", lambda run, terms: (100.0, 101.0))
    made = archive_of(archive[0])
    said = "recompute.py gives 100.000000 N s, the results have 101.000000 N s; " + AGAIN
    assert made.missing == [f"{said}{FLOW}, then archive it again"]
    assert f"{said}runs/{FLOW.name}" in text_of(made)
    assert "prints it beside the report's: 1e-02 apart" in text_of(made)
    assert {"recompute.py", "recompute.json"} <= {entry.name for entry in made.entries}


def test_results_that_this_version_finds_no_thrust_for_are_archived_without_a_script(archive, monkeypatch):
    def none(_):
        raise DataError("no thrust")

    monkeypatch.setattr(contents, "recompute_terms", none)
    assert archive_of(archive[0]).missing == [f"no recompute.py: no thrust; {AGAIN}{FLOW}, then archive it again"]


def test_a_record_without_rows_has_no_exports(archive, monkeypatch):
    def none(*_):
        raise DataError("no stream has rows")

    monkeypatch.setattr(contents, "exported", none)
    made = archive_of(archive[0])
    assert made.missing == ["no exports: no stream has rows"]
    assert not any(entry.name.startswith("exports") for entry in made.entries)
