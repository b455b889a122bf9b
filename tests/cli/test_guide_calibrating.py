"""The guide's page on calibrating: its sheet is taken as it stands, its worked numbers are those of the code."""

import math
import re
import shlex

import numpy as np
import pytest

from standbook.analysis.calibration.applied_level import gravity_at, hung_force, scale_limit
from standbook.analysis.calibration.level_fit import JUDGED_SCATTER
from standbook.analysis.calibration_sheet.against_last import LIMIT, MISSED, SAME_U
from standbook.cli.main import run
from standbook.daq.config.calibration import read_calibration
from tests.repository import ROOT

PAGE = (ROOT / "cli" / "guide" / "calibrating.md").read_text(encoding="utf-8")
SAID = " ".join(PAGE.split())


def test_the_worked_sheet_becomes_a_calibration(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (sheet,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    (commands,) = re.findall(r"```sh\n(.*?)```", PAGE, re.DOTALL)
    new, calibrate = (shlex.split(line)[1:] for line in commands.splitlines())
    assert run(new) == 0
    place = tmp_path / calibrate[1]
    assert f"save this as `{calibrate[1]}`" in SAID
    place.parent.mkdir()
    place.write_text(sheet, encoding="utf-8")
    capsys.readouterr()
    assert run(calibrate) == 0
    said = capsys.readouterr().out
    found = read_calibration(tmp_path / "teasel-2/calibrations/PT-11_r03.toml")
    assert "agrees with r02" in said
    u = re.search(r"u = (\S+) bar, .* mostly from the reference", said)[1]
    assert f"Of u = {u} bar at the top" in SAID
    assert found.found.runs == 3


def test_worked_numbers():
    u = 0.0025 * 60.0 / math.sqrt(3.0)
    assert f"u = {u:.4f} bar, which is {100 * u / 31:.2f} % of 31 bar and {100 * u / 9:.2f} % of 9 bar" in SAID
    jug = float(hung_force(np.array([20.0]), gravity_at(math.radians(45.0), 0.0))[0])
    assert f"pulls {jug:.4f} N" in SAID
    limit = scale_limit(20.0, 0.01)
    assert f"{1e3 * limit:.0f} g in service, u = {100 * limit / math.sqrt(3.0) / 20.0:.3f} %" in SAID
    assert f"{100 * JUDGED_SCATTER:.2f} % of span is taken by judgement" in SAID


def test_worked_limits():
    same, other = (math.sqrt(2.0) * math.hypot(SAME_U, gauge) for gauge in (0.0, 0.0025 / math.sqrt(3.0)))
    assert f"more than {100 * LIMIT * same:.2f} % differs, and {100 * (LIMIT + MISSED) * same:.2f} % is surely" in SAID
    limit, seen = 100 * LIMIT * other, 100 * (LIMIT + MISSED) * other
    assert re.search(rf"class 0.25 it is {limit:.2f} % and {seen:.2f} %", SAID), (limit, seen)


@pytest.mark.parametrize("key", ["weights_density", "certificate_level_u", "temperature_range", "air_density"])
def test_keys_of_the_sheet_are_told(key):
    assert f"`{key}`" in PAGE
