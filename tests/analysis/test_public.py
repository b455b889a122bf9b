"""The public face: a short list of names, each loaded on first use."""

import shutil
import subprocess
import sys

import pytest

import standbook as sb
from tests.campaign_fixture import TODAY, campaign
from tests.repository import ROOT

NAMES = {"Curve", "Finding", "Measured", "Run", "StandError", "__version__", "analyse", "open_run", "predict"}
FIRING = next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal"))


def test_the_names_are_these():
    assert set(sb.__all__) == NAMES
    assert set(sb.__all__) <= set(dir(sb))
    assert len(NAMES) <= 15


def test_every_name_is_there_and_says_what_it_is():
    for name in NAMES - {"__version__"}:
        assert getattr(sb, name).__doc__
        assert f"``{name}" in sb.__doc__
    assert sb.__version__[0].isdigit()


def test_any_other_name_is_missing_as_in_any_module():
    with pytest.raises(AttributeError, match="has no attribute 'ignite'"):
        _ = sb.ignite


def test_importing_it_loads_nothing_heavy():
    program = (
        "import sys, standbook; print(*(name for name in sys.modules if name.partition('.')[0] in {'numpy', 'pandas'}))"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == ""


def test_an_opened_run_gives_results_findings_and_a_table_and_writes_nothing(tmp_path):
    copy = shutil.copytree(FIRING, tmp_path / FIRING.name)
    before = sorted(copy.rglob("*"))
    run = sb.open_run(str(copy))
    assert run.results.impulse.unit == "N*s"
    assert run.findings == run.results.findings
    assert run.plan.test.number == "HF-02"
    assert run.table().loc["impulse", "value"] == run.results.impulse.value
    assert repr(run) == f"<Run {FIRING.name}>"
    assert sorted(copy.rglob("*")) == before


def test_a_run_without_an_analysis_says_so(tmp_path):
    copy = shutil.copytree(FIRING, tmp_path / FIRING.name, ignore=shutil.ignore_patterns("analysis"))
    with pytest.raises(sb.StandError, match="analys"):
        _ = sb.open_run(copy).results


def test_a_plan_is_predicted_by_its_path(tmp_path):
    prediction = sb.predict(campaign(tmp_path) / "plans" / "WF-03.toml", today=TODAY)
    assert prediction.scalars["expelled mass"].unit == "kg"


def test_a_script_beside_an_analysis_py_of_its_own_imports_ours(tmp_path):
    (tmp_path / "analysis.py").write_text("raise SystemExit('not ours')\n", encoding="utf-8")
    (tmp_path / "script.py").write_text("import standbook as sb\nprint(sb.Measured.__module__)\n", encoding="utf-8")
    done = subprocess.run([sys.executable, "script.py"], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.strip()) == (0, "standbook.analysis.results.quantities"), done.stderr
