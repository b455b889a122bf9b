"""Whole archives in a stranger's hands: unpacked by the standard library, where no standbook can be imported."""

import hashlib
import json
import math
import os
import subprocess
import sys
import zipfile

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import standbook as sb
from standbook.analysis.analyse import analyse_run
from standbook.analysis.archive.container import write_zip
from standbook.analysis.archive.contents import archive_of
from standbook.analysis.simulation.stage import on_stand
from tests.analysis.report.test_recipe_performed import CASES, changed, imported, sealed
from tests.campaign_fixture import edit
from tests.repository import ROOT
from tests.studies.trap_recordings import Bench

pytestmark = pytest.mark.slow

DIGITS = 1e-9
SAMPLES = sorted((ROOT / "sample_runs/teasel-2/runs").glob("*-03_rehearsal")) + sorted(
    (ROOT / "sample_runs/teasel-2/runs").glob("*-02_rehearsal")
)


@pytest.fixture(scope="module")
def bench():
    return Bench()


def unpacked(run, place):
    """Archive a run, and unpack it by another hand; return the folder."""
    made = archive_of(sb.open_run(run.resolve()))
    write_zip(place / "a.zip", made.folder, made.entries)
    with zipfile.ZipFile(place / "a.zip") as packed:
        packed.extractall(place / "to")
    (folder,) = (place / "to").iterdir()
    return folder


def alone(folder, code):
    """Run Python in a folder: nothing of ours can be imported, nothing of the caller's is on the path."""
    block = f"import sys; sys.modules['standbook'] = None\n{code}"
    bare = {name: value for name, value in os.environ.items() if not name.startswith("PYTHON")}
    done = subprocess.run(
        [sys.executable, "-I", "-c", block],
        cwd=folder,
        env=bare,
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def script_of(folder):
    """Return what recompute.py prints: its own sum and the report's. [N s]."""
    out = alone(folder, "import runpy; runpy.run_path('recompute.py', run_name='__main__')")
    mine, report = out.splitlines()[:2]
    assert mine.startswith("computed here ")
    assert report.startswith("in the report ")
    return float(mine.split()[2]), float(report.split()[3])


def checked(run, place):
    impulse = analyse_run(run)[1].impulse.value
    folder = unpacked(run, place)
    mine, report = script_of(folder)
    assert math.isclose(report, impulse, rel_tol=DIGITS)
    assert math.isclose(mine, report, rel_tol=DIGITS)
    return folder


@pytest.mark.parametrize("case", CASES)
def test_the_script_gives_the_impulse_of_every_stand_to_nine_digits(bench, tmp_path, case):
    campaign = changed(bench, tmp_path, CASES[case])
    checked(sealed(bench, tmp_path, campaign, on_stand(bench.firing, campaign.stand)), tmp_path)


def test_the_script_gives_the_impulse_of_an_import(bench, tmp_path):
    checked(imported(bench, tmp_path), tmp_path)


def two_cells(place):
    """Give the stand a second cell that carries a part of the same thrust."""
    edit(place / "stand.toml", 'tag = "LC-1"\n', 'tag = "LC-1"\nshare = "sum"\n')
    text = (place / "stand.toml").read_text(encoding="utf-8")
    one = text[text.index("[[input]]") :].split("\n\n")[0]
    two = one.replace("LC-1", "LC-2").replace('"adc0"', '"adc11"').replace("LC-2207", "LC-2208")
    (place / "stand.toml").write_text(f"{text}\n{two}\n", encoding="utf-8")


def test_the_script_adds_up_several_cells(bench, tmp_path):
    folder = checked(imported(bench, tmp_path, change=two_cells, part=0.4), tmp_path)
    terms = json.loads((folder / "recompute.json").read_text(encoding="utf-8"))
    assert list(terms["cells"]) == ["LC-1", "LC-2"]


def test_the_script_reads_counts_and_not_the_answer(tmp_path):
    folder = unpacked(SAMPLES[-1], tmp_path)
    mine, report = script_of(folder)
    assert math.isclose(mine, report, rel_tol=DIGITS)
    (file,) = folder.glob("runs/*/samples/*.parquet")
    rows = pq.read_table(file)
    counts = rows["LC-1.counts"].to_numpy().copy()
    counts[18_000] += 1000
    place = rows.schema.get_field_index("LC-1.counts")
    pq.write_table(rows.set_column(place, rows.schema.field(place), pa.array(counts, pa.int32())), file)
    changed_sum, same = script_of(folder)
    assert same == report
    # one row of 1 ms, 1000 counts of 2.384186e-6 mV over 5 V, 2500 N a mV/V
    assert changed_sum - mine == pytest.approx(1e-3 * 1000 * 2.384186e-6 / 5.0 * 2500.0, rel=2e-3)


@pytest.mark.parametrize("run", SAMPLES, ids=[run.name for run in SAMPLES])
def test_the_page_for_a_stranger_is_enough_to_open_everything(run, tmp_path):
    folder = unpacked(run, tmp_path)
    text = (folder / "README.txt").read_text(encoding="utf-8")
    code = "\n".join(line[4:] for line in text.splitlines() if line.startswith("    "))
    out = alone(folder, f"{code}\nprint(len(channels), len(samples), results['run'])")
    channels, samples, name = out.splitlines()[-1].split()
    assert channels == samples
    assert int(samples) > 10_000
    assert name == run.name
    if "is the total impulse" in out:
        area, impulse = (float(out.splitlines()[0].split()[k]) for k in (0, -1))
        assert math.isclose(area, impulse, rel_tol=DIGITS)
    named = [word for word in text.split() if word.startswith(("RUN/", "exports/"))]
    assert len(named) >= 9
    for word in named:
        path = word.replace("RUN/", f"runs/{run.name}/").strip(",;")
        assert (folder / path).exists(), path


def test_the_run_folder_is_archived_byte_for_byte(tmp_path):
    run = SAMPLES[-1]
    folder = unpacked(run, tmp_path)
    own = {p.relative_to(run).as_posix(): p.read_bytes() for p in run.rglob("*") if p.is_file()}
    kept = folder / "runs" / run.name
    assert {p.relative_to(kept).as_posix(): p.read_bytes() for p in kept.rglob("*") if p.is_file()} == own


def test_the_same_run_gives_the_same_bytes(tmp_path):
    hashes = set()
    for name in ("one", "other"):
        made = archive_of(sb.open_run(SAMPLES[-1]))
        write_zip(tmp_path / name, made.folder, made.entries)
        hashes.add(hashlib.sha256((tmp_path / name).read_bytes()).hexdigest())
    assert len(hashes) == 1
