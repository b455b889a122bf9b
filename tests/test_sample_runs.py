"""The sample campaign is what the program makes: whole, and the same numbers come out again."""

import json
import math
import re
import shutil
import subprocess
import sys
from dataclasses import replace

import pyarrow.parquet as pq
import pytest

from standbook.analysis.analyse import analyse_run
from standbook.analysis.results.json_codec import from_json, to_json
from standbook.cli.main import run as command
from standbook.daq.run.run_folder import open_run
from tests.repository import ROOT

CAMPAIGN = ROOT / "sample_runs" / "teasel-2"
ALL = sorted((CAMPAIGN / "runs").iterdir()) if CAMPAIGN.is_dir() else []
# the flows and the firing; beside them lie a hold, and what was recorded of the stand at rest
RUNS = [folder for folder in ALL if re.fullmatch(r"[\d-]{10}_(HF|WF)-\d\d_rehearsal", folder.name)]
# Design: results to 9 digits on another computer.
DIGITS = 1e-9


def numbers(value, path=""):
    """Every number in a JSON value, with where it stands."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield from numbers(item, f"{path}.{key}")
    elif isinstance(value, list):
        for k, item in enumerate(value):
            yield from numbers(item, f"{path}[{k}]")
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield path, float(value)


def what_is_found(finding):
    """What a finding says, apart from its words; its instant is among the numbers."""
    return finding.code, finding.severity, finding.channel


def with_values_where_kept(kept, again):
    """Take the values away from findings whose older self was written before findings had values."""
    pairs = zip(kept, again, strict=True)
    return tuple(new if old.values else replace(new, values={}) for old, new in pairs)


def test_the_demo_s_three_runs_are_there():
    assert [folder.name.split("_")[1] for folder in RUNS] == ["HF-02", "WF-03", "WF-04"]


@pytest.mark.parametrize("folder", ALL, ids=[folder.name for folder in ALL])
def test_whatever_was_recorded_is_whole_and_marked_a_rehearsal(folder):
    run = open_run(folder)
    assert run.info.rehearsal
    assert run.record.lost_rows == 0


@pytest.mark.parametrize("folder", RUNS, ids=[folder.name for folder in RUNS])
def test_a_sample_run_is_whole_and_marked_a_rehearsal(folder):
    run = open_run(folder)
    assert run.info.rehearsal
    assert run.prediction_status == "locked"
    assert run.record.lost_rows == 0
    assert run.weighings


@pytest.mark.slow
@pytest.mark.parametrize("folder", RUNS, ids=[folder.name for folder in RUNS])
def test_analysing_a_sample_run_again_gives_the_same_numbers(folder, tmp_path):
    copy = tmp_path / folder.name
    shutil.copytree(folder, copy)
    kept = from_json((folder / "analysis/rev-A/results.json").read_text(encoding="utf-8"))
    place, again = analyse_run(copy)
    assert place.name == "rev-B"
    # Not the sentences: a sealed run keeps the words of the version that analysed it, and later versions improve them.
    assert [what_is_found(f) for f in kept.findings] == [what_is_found(f) for f in again.findings]
    again = replace(again, findings=with_values_where_kept(kept.findings, again.findings))
    old, new = (dict(numbers(json.loads(to_json(results)))) for results in (kept, again))
    assert old.keys() == new.keys()
    assert [key for key in old if not math.isclose(old[key], new[key], rel_tol=DIGITS, abs_tol=1e-12)] == []


@pytest.mark.slow
def test_a_firing_is_analysed_without_the_property_library(tmp_path):
    """It takes as long to load as all the rest."""
    folder = shutil.copytree(RUNS[0], tmp_path / RUNS[0].name)
    code = (
        "import sys; from standbook.analysis.analyse import analyse_run\n"
        f"analyse_run(__import__('pathlib').Path({str(folder)!r}))\n"
        "sys.exit('CoolProp' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


@pytest.mark.parametrize("folder", RUNS, ids=[folder.name for folder in RUNS])
def test_samples_can_be_made_again_from_the_journals(folder, tmp_path):
    copy = tmp_path / folder.name
    shutil.copytree(folder, copy)
    (copy / "manifest.json").unlink()
    before = {path.name: pq.read_table(path) for path in (copy / "samples").iterdir()}
    shutil.rmtree(copy / "samples")
    assert command(["recover", str(copy), "--no-analysis"]) == 0
    again = {path.name: pq.read_table(path) for path in (copy / "samples").iterdir()}
    assert again.keys() == before.keys()
    # Every value, type and word of metadata; how hard the file was pressed may change from version to version.
    assert all(table.equals(before[name], check_metadata=True) for name, table in again.items())


def test_nothing_in_the_samples_names_the_computer_they_were_made_on():
    words = [b"/%s/" % name for name in (b"home", b"root", b"work", b"tmp", b"Users")]
    found = [
        (str(path.relative_to(CAMPAIGN)), word)
        for path in CAMPAIGN.rglob("*")
        if path.is_file()
        for word in words
        if word in path.read_bytes()
    ]
    assert found == []
