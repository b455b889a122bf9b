"""The hand recipe of a pulled cell says the factor that the analysis uses."""

import datetime as dt
import re
import tomllib

import pytest

from standbook.analysis.report.pulled_path_words import pulled_words
from standbook.analysis.stand_sheets.pull_result import pull_of_sheet
from standbook.analysis.stand_sheets.pull_sheet import PullSheet
from tests.pull_sheets import FACTORS, LINE_LOAD, pull_sheet


@pytest.fixture
def cell(hf02_campaign):
    return hf02_campaign.calibrations["LC-1"]


def pull_of(cell):
    text = pull_sheet(per_newton=1.0 / cell.coefficients[1], serial=cell.sensor_serial)
    sheet = PullSheet.model_validate(tomllib.loads(text))
    return pull_of_sheet(sheet, dt.date(2031, 6, 12), cell, written="x", name="x").file


def test_the_recipe_gives_the_factor_at_both_pressures_of_the_pull(cell):
    words = pulled_words(pull_of(cell), cell)
    gain, sign, slope = re.search(r"divide by ([\d.]+) ([+-]) ([\de.-]+) p", words.factor).groups()
    for pressure, factor in zip((0.0, 31.0), FACTORS, strict=True):
        assert 1.0 / (float(gain) + float(f"{sign}{slope}") * pressure) == pytest.approx(factor, rel=1e-5)
    assert float(words.line_load.split()[0]) == pytest.approx(LINE_LOAD, rel=1e-3)


def test_without_a_pull_or_with_one_of_another_signal_nothing_is_said(cell):
    assert pulled_words(None, cell) is None
    other = pull_of(cell).model_copy(update={"signal_unit": "V/V"})
    assert pulled_words(other, cell) is None
