"""Charts of zeros and shunt steps over a campaign: limits by hand, the value that is outside, the picture itself."""

import datetime as dt
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from standbook.analysis.readiness.chart_figure import MOST, chart_figures, chart_words
from standbook.analysis.readiness.charts import charts_of
from standbook.daq.stand_sheets.check_file import CheckFile
from tests.analysis.dataset.test_supply import calibration

CELL = calibration(tag="LC-1", reading_unit="N", signal_unit="mV/V", zero_uncertainty=2.0)
TWIN = CELL.model_copy(update={"tag": "LC-2"})
DAY = dt.datetime(2031, 6, 2, 9, tzinfo=dt.UTC)


def sheets(**values):
    """One check a day; each keyword a value a day, by the sheet's own name with blanks for underscores."""
    number = len(next(iter(values.values())))
    return [
        CheckFile(
            plan="HF-02",
            at=DAY + dt.timedelta(days=k),
            barometer="97.8 kPa(a)",
            journal="x",
            values={name.replace("_", " "): float(of[k]) for name, of in values.items()},
            check=(),
        )
        for k in range(number)
    ]


def test_few_values_are_held_to_what_the_calibration_says_and_eight_to_their_own_scatter():
    # by hand: 3 sigma sqrt(1 + 1/n) about the mean of those before
    (few,) = charts_of(sheets(**{"zero_of_LC-1": [1.0, 3.0, 9.6]}), {"LC-1": CELL})
    before = few.limits_before(2)
    assert (before.low, before.high) == pytest.approx((2.0 - 6.0 * 1.5**0.5, 2.0 + 6.0 * 1.5**0.5))
    assert few.outside.tolist() == [2]
    many = charts_of(sheets(**{"zero_of_LC-1": [*([0.0, 1.0] * 4), 2.2]}), {"LC-1": CELL})[0]
    own = 3.0 * np.std([0.0, 1.0] * 4, ddof=1)
    assert many.limits_before(8).high == pytest.approx(0.5 + own)
    assert many.outside.tolist() == [8]


def test_a_zero_of_a_pressure_is_charted_in_the_unit_of_its_calibration():
    sensor = calibration(tag="PT-11", reading_unit="bar(g)", zero_uncertainty=0.06)
    (chart,) = charts_of(sheets(**{"zero_of_PT-11": [1e3, 25e3]}), {"PT-11": sensor})
    assert (chart.unit, chart.known_u, chart.value.tolist()) == ("bar", 0.06, [0.01, 0.25])
    assert chart.outside.tolist() == []  # 0.24 off, 3 times 0.06 times the root of 2 allowed
    unstated = sensor.model_copy(update={"zero_uncertainty": 0.0})
    assert charts_of(sheets(**{"zero_of_PT-11": [1e3, 25e3]}), {"PT-11": unstated}) == ()


def test_a_shunt_step_is_known_to_two_hundredths_of_a_percent():
    (chart,) = charts_of(sheets(**{"shunt_step_of_LC-1": [1.45, 1.4505]}), {"LC-1": CELL})
    assert chart.unit == "mV/V"
    assert chart.known_u == pytest.approx(2e-4 * 1.45025)


def test_a_value_taken_once_or_of_a_sensor_that_is_gone_has_no_chart():
    once = sheets(**{"zero_of_LC-1": [1.0]})
    assert charts_of(once, {"LC-1": CELL}) == ()
    assert charts_of(sheets(**{"zero_of_LC-9": [1.0, 2.0]}), {"LC-1": CELL}) == ()


def test_the_farthest_out_comes_first_and_the_picture_holds_all_that_it_names():
    values = {"zero_of_LC-1": [0.0, 1.0, 0.5], "zero_of_LC-2": [0.0, 1.0, 30.0]}
    charts = charts_of(sheets(**values), {"LC-1": CELL, "LC-2": TWIN})
    assert [chart.name for chart in charts] == ["zero of LC-2", "zero of LC-1"]
    drawn = [ET.fromstring(one) for one in chart_figures(charts)]
    first, second = ("".join(one.itertext()) for one in drawn)
    assert "zero of LC-2, N" in first
    assert "zero of LC-1, N" in second
    assert "06-04" in first
    words = chart_words(charts)
    # 3 * 2 N * sqrt(1 + 1/2) about 0.5 N
    assert "zero of LC-2: the newest of 3 outside 0.5 ± 7.3 N" in words
    assert "zero of LC-1: the newest of 3 inside" in words
    assert "by chance 1 in 370" in words


def test_what_does_not_fit_on_the_sheet_is_counted():
    tags = [f"LC-{k}" for k in range(MOST + 2)]
    charts = charts_of(
        sheets(**{f"zero_of_{tag}": [0.0, 1.0] for tag in tags}),
        {tag: CELL.model_copy(update={"tag": tag}) for tag in tags},
    )
    assert "2 more lie nearer" in chart_words(charts)
