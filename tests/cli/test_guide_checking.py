"""The guide's page on checking the stand: its tables are taken as they stand, its worked numbers are the code's."""

import math
import re
import tomllib

import pytest

from standbook.analysis.calibration.tap_fit import moving_mass
from standbook.analysis.readiness.fact import LEAST, UNKNOWN
from standbook.analysis.stand_checks.check import ON_A_SHEET, surely_seen
from standbook.analysis.stand_sheets.check_steps import check_steps
from standbook.daq.config.plan import Wanted
from standbook.daq.config.stand import CheckMeans
from standbook.daq.stand_sheets.proof_file import ProofFile
from standbook.daq.stand_sheets.waiver_file import WaiverFile
from tests.repository import ROOT

PAGE = (ROOT / "cli" / "guide" / "checking.md").read_text(encoding="utf-8")
BLOCKS = [tomllib.loads(text) for text in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)]


def test_the_means_of_checking_and_the_waiver_are_read_as_they_are_printed():
    means, waivers, proof = BLOCKS
    assert CheckMeans.model_validate(means["checks"]).gauge_u == pytest.approx(0.006 * 60e5 / math.sqrt(3.0))
    assert ProofFile.model_validate(proof).result == "held"
    assert WaiverFile.model_validate(waivers).waiver[0].role == "TC"
    assert Wanted.model_validate({"impulse": "2 %"}).impulse.value == 0.02


def test_ten_kilograms_on_seventy_five_lower_the_mode_as_the_page_says():
    bare, loaded = (float(hertz) for hertz in re.search(r"([\d.]+) Hz, with 10 kg ([\d.]+) Hz", PAGE).groups())
    assert moving_mass((bare, 0.0), (loaded, 0.0), (10.0, 0.0))[0] == pytest.approx(75.0, abs=0.1)


def test_the_limits_and_chances_of_the_page_are_those_of_the_checks():
    assert "differs from 3.5 u on" in PAGE
    assert ON_A_SHEET == 3.5
    assert "from 5.1 u on" in PAGE
    assert surely_seen(1.0) == pytest.approx(5.1, abs=0.05)
    assert (UNKNOWN, LEAST) == (0.5, 0.01)


def test_the_steps_of_the_page_are_those_of_a_check_of_the_firing(hf02_campaign):
    steps = check_steps(hf02_campaign.plan, hf02_campaign.stand, hf02_campaign.calibrations)
    listed = re.findall(r"^\d\. \*\*([\w-]+)", PAGE, re.MULTILINE)
    assert list(dict.fromkeys(step.name.split()[0] for step in steps)) == listed
