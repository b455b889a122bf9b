"""What is stored and computed does not follow the units that people are shown."""

import hashlib
import shutil

import pytest

from standbook.analysis.analyse import analyse_run
from standbook.daq.run.run_folder import open_run, seal_run
from standbook.daq.storage.manifest import MANIFEST, write_manifest
from tests.repository import ROOT

FLOW = next((ROOT / "sample_runs" / "teasel-2" / "runs").glob("*_WF-03_rehearsal"))
CHOICES = {
    "as stored": "",
    "psi": '[display]\npressure = "psi(g)"\nforce = "lbf"\n\n',
    "kPa": '[display]\npressure = "kPa(a)"\n\n',
}


def results_of(folder, display):
    """Seal the sample's flow again on a stand that is shown in some units, and hash what its analysis gives."""
    run = shutil.copytree(FLOW, folder / FLOW.name, ignore=shutil.ignore_patterns("analysis", "*.html"))
    stand = run / "stand.toml"
    stand.write_text(stand.read_text(encoding="utf-8").replace("[checks]", f"{display}[checks]", 1), encoding="utf-8")
    for manifest in run.rglob(MANIFEST):
        manifest.unlink()
    seal_run(run)
    write_manifest(run / "additions" / "001", parents=[run / MANIFEST])
    assert bool(open_run(run).stand.display.chosen) == bool(display)
    analyse_run(run)
    (results,) = run.glob("analysis/rev-A/results.json")
    return hashlib.sha256(results.read_bytes()).hexdigest()


@pytest.mark.slow
def test_results_have_the_same_hash_whatever_a_stand_is_shown_in(tmp_path):
    assert len({results_of(tmp_path / name, display) for name, display in CHOICES.items()}) == 1
