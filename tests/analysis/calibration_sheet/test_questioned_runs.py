"""A sensor found to have moved: which runs are in question, and by how much."""

import dataclasses
import shutil

import numpy as np
import pytest

from standbook.analysis.calibration_sheet.against_last import AgainstLast
from standbook.analysis.calibration_sheet.questioned_runs import questioned, runs_with
from standbook.daq.config.calibration import read_calibration
from tests.repository import ROOT

SAMPLES = ROOT / "sample_runs" / "teasel-2"


def moved(share):
    return AgainstLast(
        revision="r02", same_reference=True, named=True, span_shift=share, span_u=4e-4, zero_shift=None, zero_u=0.0,
        difference=np.zeros(3),
    )  # fmt: skip


def runs_of(name):
    return runs_with(SAMPLES, read_calibration(SAMPLES / "calibrations" / f"{name}.toml"))


def test_a_cell_puts_its_firings_in_question_and_says_the_impulse():
    runs = runs_of("LC-1_r04")
    assert [run.folder.split("_")[1] for run in runs] == ["HF-02"]
    head, line = questioned(runs, moved(0.0031))
    assert head.startswith("In question: 1 run was recorded with r02")
    # closed form: 0.31 % of the impulse that the run's own results hold
    assert f"impulse +0.31 %, {0.0031 * runs[0].results.impulse.value:+,.0f} N·s" in line


def test_a_tank_s_sensor_puts_every_flow_of_its_tank_in_question_with_half_the_shift():
    lines = questioned(runs_of("PT-11_r02"), moved(0.01))
    assert len(lines) == 1 + len({run.folder for run in runs_of("PT-11_r02")})
    assert any("WF-03" in line and "CdA -0.50 %" in line for line in lines)


def test_a_run_that_is_not_analysed_is_listed_so_and_a_damaged_one_is_passed_over(tmp_path):
    shutil.copytree(SAMPLES, tmp_path / "teasel-2")
    runs = tmp_path / "teasel-2" / "runs"
    firing = next(runs.glob("*_HF-02_rehearsal"))
    shutil.rmtree(firing / "analysis")
    last = read_calibration(SAMPLES / "calibrations" / "LC-1_r04.toml")
    assert questioned(runs_with(tmp_path / "teasel-2", last), moved(0.01))[1].endswith(": not analysed")
    (firing / "run.json").write_text("{}", encoding="utf-8")
    assert runs_with(tmp_path / "teasel-2", last) == ()
    assert questioned((), moved(0.01)) == ()


@pytest.mark.parametrize("share", [0.02, -0.02])
def test_the_sign_of_a_shift_is_that_of_the_impulse(share):
    (run,) = runs_of("LC-1_r04")
    line = questioned((dataclasses.replace(run),), moved(share))[1]
    assert ("+2.0 %" if share > 0.0 else "-2.0 %") in line
