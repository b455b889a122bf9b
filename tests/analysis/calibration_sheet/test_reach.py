"""What the levels of a sheet reach, against what plans expect and what the sensor is made for."""

import pytest

from standbook.analysis.calibration_sheet.reach import ExpectedReading, reach_caution
from tests.analysis.calibration_sheet.test_calibrate import RANGE, worked_out
from tests.readings_sheets import cell_sheet

CELL = ('signal_unit = "mV/V"', 'signal_unit = "mV/V", range = ["0 N", "5000 N"]')


def of_plan(value, ambient=97_800.0):
    return ExpectedReading(plan="plans/HF-02.toml", value=value, ambient=ambient)


# 59.97 bar(g) is the highest level, so 62.97 bar(g) the last reading that is held; 65 bar(g) is asked for.
@pytest.mark.parametrize(("bar", "said"), [(65.0, True), (59.0, False)])
def test_gauge_pressures_are_held_against_what_the_site_makes_of_them(bar, said):
    caution = reach_caution(worked_out(RANGE), (of_plan(9e5), of_plan(bar * 1e5 + 97_800.0)))
    assert (caution is not None) == said
    if said:
        assert caution == (
            "plans/HF-02.toml expects up to 65 bar(g); this calibration ends at 60 bar(g) and holds no reading above "
            "63 bar(g)."
        )


def test_without_a_plan_the_share_of_the_range_is_said():
    caution = reach_caution(worked_out(CELL, text=cell_sheet(jugs=5)), ())
    assert caution == (
        "No plan says what LC-1 will read; this calibration ends at 980 N, 20 % of its range to 5,000 N, and holds no "
        "reading above 1,030 N."
    )
    assert reach_caution(worked_out(RANGE), ()) is None
