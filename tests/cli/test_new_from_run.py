"""``new --from``: a campaign about a stand that was recorded, values left out of its plans, an example beside each."""

import re
import tomllib
from importlib import resources

import pytest

from standbook.cli.main import run as command
from standbook.cli.starter import BLANK_PLANS, blank_plan
from standbook.daq.config.plan import read_plan
from standbook.daq.config.stand import read_stand
from tests.analysis.bench_report.bench_run import framed_run
from tests.every_write import an_unsealed_run

STARTER = resources.files("standbook.cli") / "starter_files"
MISSING = re.compile(r"\.toml line (\d+): [a-z_]+(?:\[\d\])?\.(\w+): this key is missing")


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    return framed_run(tmp_path_factory.mktemp("bench") / "bench", seconds=0.1)


def told(capsys, *arguments, code=0):
    capsys.readouterr()
    assert command([str(argument) for argument in arguments]) == code
    return capsys.readouterr()


def test_the_stand_that_was_recorded_is_taken_byte_for_byte(recorded, tmp_path, capsys):
    campaign = tmp_path / "mine"
    out = told(capsys, "new", campaign, "--from", recorded).out
    assert (campaign / "stand.toml").read_bytes() == (recorded / "stand.toml").read_bytes()
    assert read_stand(campaign / "stand.toml").name == "bench"
    assert list((campaign / "calibrations").iterdir()) == []
    assert f"Next: standbook predict {campaign}/plans/WF-01.toml" in out
    assert "exists already" in told(capsys, "new", campaign, "--from", recorded, code=3).err


@pytest.mark.parametrize("number", [number for number, _ in BLANK_PLANS])
def test_predict_lists_each_missing_value_and_an_example_stands_beside_it(recorded, tmp_path, capsys, number):
    told(capsys, "new", tmp_path / "mine", "--from", recorded)
    plan = tmp_path / "mine" / "plans" / f"{number}.toml"
    found = MISSING.findall(told(capsys, "predict", plan, code=3).err)
    lines = plan.read_text(encoding="utf-8").splitlines()
    assert {"article", "ambient_pressure", "liquid_load", "internal_volume", "start_pressure"} <= {k for _, k in found}
    for line, key in found:
        table = lines[int(line) :]
        own = table[: next((k for k, text in enumerate(table) if text.startswith("[")), len(table))]
        assert any(text.startswith(f"# {key} = ") for text in own), key


@pytest.mark.parametrize(("number", "source"), BLANK_PLANS)
def test_with_its_examples_put_in_it_is_the_plan_they_are_of(tmp_path, number, source):
    text = (STARTER / source).read_text(encoding="utf-8")
    blank = blank_plan(text, number, "bench")
    given = re.sub(r"^# (?=[\w\[\]]+(?: =|$)|\[|    |\]$)", "", blank, flags=re.MULTILINE)
    mine, theirs = tomllib.loads(given), tomllib.loads(text)
    own = {"number": number, "stand": "bench"}
    assert mine == {**theirs, "calibrations": [], "test": {**theirs["test"], **own}}
    (tmp_path / "plan.toml").write_text(given, encoding="utf-8")
    assert read_plan(tmp_path / "plan.toml").test.number == number


def test_no_number_of_the_example_is_left_in_force():
    for number, source in BLANK_PLANS:
        left = tomllib.loads(blank_plan((STARTER / source).read_text(encoding="utf-8"), number, "bench"))
        assert left["site"] == {}
        assert all(set(tank) == {"name", "liquid", "pressurant"} for tank in left["tank"])
        assert left.get("engine", {}) == {}
        assert not {"redline", "decision", "mark", "lift_off"} & set(left)


def test_what_is_no_sealed_run_gives_no_campaign(tmp_path, capsys):
    assert "no run.json" in told(capsys, "new", tmp_path / "mine", "--from", tmp_path, code=6).err
    an_unsealed_run(tmp_path / "made")
    err = told(capsys, "new", tmp_path / "mine", "--from", tmp_path / "made/run", code=6).err
    assert "not sealed yet" in err
    assert not (tmp_path / "mine").exists()
