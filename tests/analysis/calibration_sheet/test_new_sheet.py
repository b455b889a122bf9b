"""A sheet whose levels are still to be taken: by kind of sensor, its usual reference and a way up from zero."""

import re
import tomllib

import pytest

from standbook.analysis.calibration_sheet.new_sheet import new_sheet_text
from standbook.daq.config.calibration import read_calibration
from tests.repository import ROOT

CALIBRATIONS = ROOT / "sample_runs" / "teasel-2" / "calibrations"


@pytest.mark.parametrize(
    ("tag", "name", "what"), [("LC-1", "LC-1_r04", "reference cell"), ("PT-11", "PT-11_r02", "test gauge")]
)
def test_the_usual_reference_of_a_sensor_stands_there(hf02_campaign, tag, name, what):
    item, last = hf02_campaign.stand.input_tagged(tag), read_calibration(CALIBRATIONS / f"{name}.toml")
    for of in (last, None):
        assert tomllib.loads(new_sheet_text(item, of))["reference"]["what"] == what


def test_a_cell_is_loaded_from_zero_one_way(hf02_campaign):
    last = read_calibration(CALIBRATIONS / "LC-1_r04.toml")
    assert last.lowest < 0.0
    item = hf02_campaign.stand.input_tagged("LC-1")
    levels = [float(n) for n in re.findall(r'\["(\S+) N"', new_sheet_text(item, last))]
    assert (min(levels), max(levels)) == (0.0, last.highest)
    pulled = last.model_copy(update={"lowest": -5000.0, "highest": 1000.0})
    levels = [float(n) for n in re.findall(r'\["(\S+) N"', new_sheet_text(item, pulled))]
    assert (min(levels), max(levels)) == (-5000.0, 0.0)
