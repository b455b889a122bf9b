"""``standbook compare``: what made both values cancels, twelve edits are twelve lines, a rehearsal is no test."""

import json
import shutil

import pytest

from standbook.cli.main import run
from tests.repository import ROOT

SAMPLE = ROOT / "sample_runs" / "teasel-2"
TWELVE = {  # of plan and stand: text before, text after, what the line names
    'throat_diameter = "32.00 +/- 0.05 mm"': ('throat_diameter = "32.15 +/- 0.05 mm"', "engine.throat_diameter"),
    'liquid_load = "10.66 +/- 0.10 kg"': ('liquid_load = "10.40 +/- 0.10 kg"', "tank[oxidiser].liquid_load"),
    'liquid_load = "7.03 +/- 0.04 kg"': ('liquid_load = "7.03 +/- 0.05 kg"', "tank[fuel].liquid_load"),
    'ambient_temperature = "18': ('ambient_temperature = "19', "site.ambient_temperature"),
}


def copied(tmp_path, number, name):
    (folder,) = (SAMPLE / "runs").glob(f"*_{number}_rehearsal")
    ignored = shutil.ignore_patterns("samples", "raw", "*.html")
    return shutil.copytree(folder, tmp_path / name, ignore=ignored)


def told(capsys, *arguments, code=0):
    capsys.readouterr()
    assert run(["compare", *(str(argument) for argument in arguments)]) == code
    return capsys.readouterr()


@pytest.fixture
def firing(tmp_path):
    return copied(tmp_path, "HF-02", "2031-06-14_HF-02")


@pytest.fixture
def later(tmp_path):
    return copied(tmp_path, "HF-02", "2031-06-21_HF-03")


def impulse_of(capsys, *arguments):
    found = json.loads(told(capsys, *arguments, "--json").out)
    return found, next(line for line in found["lines"] if line["name"] == "total impulse, site")


def test_what_made_both_impulses_cancels_and_a_remount_does_not(firing, later, capsys):
    budget = json.loads((firing / "analysis/rev-A/results.json").read_text())["impulse"]
    _, line = impulse_of(capsys, firing, later)
    assert line["says"] == "same"
    assert line["difference"] == 0.0
    own = {"weight correction", "zero", "zero drift", "sampling", "noise", "window"}
    expected = 2.0 * sum(term["u"] ** 2 for term in budget["budget"] if term["source"] in own)
    assert line["u"] == pytest.approx(expected**0.5, rel=1e-9)
    _, again = impulse_of(capsys, firing, later, "--remounted")
    mounted = {"alignment", "stand interaction", "line load"}
    expected += 2.0 * sum(term["u"] ** 2 for term in budget["budget"] if term["source"] in mounted)
    assert again["u"] == pytest.approx(expected**0.5, rel=1e-9)
    assert again["says"] == "same"  # 280 of 32,600 N·s at 95 %, one-sided
    assert "remounted" in again["because"]


def test_another_revision_of_the_cell_shares_nothing_of_it(firing, later, capsys):
    path = later / "calibrations/LC-1_r04.toml"
    path.write_text(path.read_text().replace('revision = "r04"', 'revision = "r05"'))
    path.rename(path.with_name("LC-1_r05.toml"))
    budget = json.loads((firing / "analysis/rev-A/results.json").read_text())["impulse"]["budget"]
    found, line = impulse_of(capsys, firing, later)
    own = 2.0 * sum(term["u"] ** 2 for term in budget if term["source"] not in ("clock rate", "sensor supply"))
    assert line["u"] == pytest.approx(own**0.5, rel=1e-9)  # one board, and so one clock and one supply
    assert "another cell or revision" in line["because"]
    assert found["changes"] == ["calibration LC-1 r04 -> r05"]


def test_every_edit_is_one_line_and_another_unit_is_none(firing, later, capsys):
    plan = later / "plan.toml"
    text = plan.read_text()
    for before, (after, _) in TWELVE.items():
        assert before in text
        text = text.replace(before, after)
    text = text.replace('"31.0 +/- 0.3 bar(g)"', '"3100 +/- 30 kPa(g)"')
    plan.write_text(text)
    found, _ = impulse_of(capsys, firing, later)
    assert len(found["changes"]) == len(TWELVE)
    assert all(any(name in line for line in found["changes"]) for _, name in TWELVE.values())


def test_a_lower_bound_carries_its_sign(firing, later, capsys):
    path = later / "analysis/rev-A/results.json"
    results = json.loads(path.read_text())
    results["impulse"]["lower_bound_only"] = True
    results["impulse"]["value"] -= 3000.0
    path.write_text(json.dumps(results))
    reseal(path.parent)
    _, line = impulse_of(capsys, firing, later)
    assert (line["bound"], line["says"]) == ("at least", "not told apart")
    _, line = impulse_of(capsys, later, firing)
    assert (line["bound"], line["says"]) == ("at most", "not told apart")


def reseal(place):
    from standbook.daq.storage.manifest import MANIFEST, write_manifest

    (place / MANIFEST).unlink()
    write_manifest(place)


def test_other_kinds_have_their_changes_alone(tmp_path, firing, capsys):
    flow = copied(tmp_path, "WF-03", "2031-06-02_WF-03")
    text = told(capsys, flow, firing).out
    assert "no number that both have" in text
    assert "plan: tank[fuel] in the second only" in text


def test_a_rehearsal_is_not_held_against_a_test(firing, later, capsys):
    path = later / "analysis/rev-A/results.json"
    path.write_text(path.read_text().replace('"rehearsal": true', '"rehearsal": false'))
    reseal(path.parent)
    assert "not held against a test" in told(capsys, firing, later, code=7).err


def test_a_run_without_an_analysis_says_so(firing, later, capsys):
    shutil.rmtree(later / "analysis")
    assert "not analysed yet" in told(capsys, firing, later, code=6).err


@pytest.mark.slow
def test_the_page_holds_numbers_changes_and_curves_and_no_script(firing, later, tmp_path, capsys):
    place = tmp_path / "page.html"
    said = told(capsys, firing, later, "--align", "thrust-start", "--page", place).out
    assert said.endswith(f"Page: {place}\n")
    text = place.read_text("utf-8")
    assert "REHEARSAL: simulated data." in text
    assert "<script" not in text
    assert text.count("<svg") == 4  # thrust, chamber, two tanks
    assert "Times count from the start of thrust of each run." in text
    assert "total impulse, site: " in text


@pytest.mark.parametrize(
    ("align", "code", "words"),
    [("noon", 2, '--align "noon" is none of t0, opening, thrust-start'), ("thrust-start", 7, 'no "thrust start" was')],
)
def test_an_instant_that_is_not_known_is_one_sentence(tmp_path, align, code, words, capsys):
    flow = copied(tmp_path, "WF-03", "2031-06-02_WF-03")
    err = told(capsys, flow, flow, "--page", tmp_path / "page.html", "--align", align, code=code).err
    assert words in err
    assert not (tmp_path / "page.html").exists()
