"""The public face: a short list of names, each loaded on first use."""

import shutil
import subprocess
import sys

import pytest

import standbook as sb
from tests.campaign_fixture import TODAY, campaign
from tests.repository import ROOT

NAMES = {
    "Campaign",
    "Curve",
    "Finding",
    "Measured",
    "Run",
    "StandError",
    "__version__",
    "analyse",
    "compare",
    "export",
    "open_campaign",
    "open_run",
    "plot",
    "predict",
    "to_units",
}
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


@pytest.mark.slow
def test_the_example_of_the_sample_runs_runs(tmp_path):
    done = subprocess.run(
        [sys.executable, str(ROOT / "sample_runs/first_look.py"), str(tmp_path / "ignition.svg")],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "ignition.svg").read_text(encoding="utf-8").count("<svg") == 1


@pytest.mark.slow
def test_units_survive_parquet_and_lost_rows_are_absent(tmp_path):
    import pandas as pd

    run = sb.open_run(FIRING)
    frame = run.frame(["LC-1", "PT-31"], start=0.0, end=1.0)
    frame.to_parquet(tmp_path / "part.parquet")
    again = pd.read_parquet(tmp_path / "part.parquet")
    assert again.attrs["units"] == {"LC-1": "N", "PT-31": "bar(g)"}
    assert again.attrs["rehearsal"] is True
    assert frame.index.name == "time after T-0 [s]"
    assert len(frame) == 1000
    absolute = run.frame(["PT-31"], start=0.0, end=1.0, units="SI")["PT-31"]
    assert (absolute / 1e5 - frame["PT-31"]).to_numpy() == pytest.approx(0.978, abs=1e-9)  # the plan's ambient


@pytest.mark.slow
def test_a_campaign_lists_its_runs_and_opens_them_by_a_part_of_their_name():
    campaign = sb.open_campaign(FIRING.parents[1])
    table = campaign.runs(rehearsals=True).set_index("run")
    assert table.loc["HF-02", "impulse [N*s]"] == sb.open_run(FIRING).results.impulse.value
    assert campaign.run("HF-02").folder == FIRING
    with pytest.raises(sb.StandError, match="name one folder"):
        campaign.run("WF-0")
    assert sb.compare(campaign.run("HF-02"), campaign.run("HF-02")).changes == ()


@pytest.mark.slow
def test_a_plot_has_units_on_its_axes_and_touches_no_global_state():
    import matplotlib as mpl

    before = dict(mpl.rcParams)
    figure = sb.plot(sb.open_run(FIRING), "thrust", "PT-31", window=(-0.1, 3.0), band=True)
    assert [axes.get_ylabel() for axes in figure.axes] == ["thrust [N]", "PT-31 [bar(g)]"]
    assert figure.axes[1].get_xlabel() == "time after T-0 [s]"
    assert "REHEARSAL" in figure.axes[0].get_title(loc="left")
    assert all(axes.collections for axes in figure.axes)  # the bands
    assert dict(mpl.rcParams) == before
    with pytest.raises(sb.StandError, match="name what is drawn"):
        sb.plot(sb.open_run(FIRING))


@pytest.mark.parametrize(
    ("measured", "unit", "value", "u"),
    [
        (sb.Measured(101_325.0, 100.0, "Pa"), "bar(a)", 1.01325, 0.001),
        (sb.Measured(4.4482216152605, 0.44482216152605, "N"), "lbf", 1.0, 0.1),  # exact by definition of the pound
        (sb.Measured(293.15, 1.0, "K"), "degC", 20.0, 1.0),
    ],
)
def test_a_quantity_is_given_in_another_unit(measured, unit, value, u):
    found = sb.to_units(measured, unit)
    assert (found.value, found.u, found.unit) == (pytest.approx(value), pytest.approx(u), unit)


@pytest.mark.parametrize("unit", ["N", "bar(g)", "furlong"])
def test_a_unit_of_another_kind_is_refused(unit):
    with pytest.raises(sb.StandError):
        sb.to_units(sb.Measured(1e5, 1.0, "Pa"), unit)


def test_a_plot_of_a_sensor_has_its_unit_and_the_name_of_the_run():
    run = sb.open_run(next(FIRING.parent.glob("*_WF-03_rehearsal")))
    figure = sb.plot(run, "PT-11", window=(0.0, 2.0), band=True)
    (axes,) = figure.axes
    assert axes.get_ylabel() == "PT-11 [bar(g)]"
    assert axes.collections
    assert "WF-03" in axes.get_title(loc="left")
