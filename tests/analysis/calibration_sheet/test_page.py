"""The page beside a calibration: one printed sheet, nothing from outside, as wide as any screen."""

import datetime as dt
import re

import pytest

from standbook.analysis.calibration.readings_sheet import ReadingsSheet
from standbook.analysis.calibration_sheet.calibrate import calibrate_sheet
from standbook.analysis.calibration_sheet.page import calibration_page
from standbook.analysis.calibration_sheet.sheet_sentences import sentences
from standbook.daq.config.toml_document import parse_document
from tests.browser import EXECUTABLE
from tests.readings_sheets import pressure_sheet

RANGE = ('signal_unit = "V/V"', 'signal_unit = "V/V", range = ["0 bar(g)", "60 bar(g)"]')


HELD = ", ".join(
    f'["{level} bar(g)", "{way}", "{time}", "{signal} V/V"]'
    for level, way, time, signal in (
        (60, "up", "12:00:00", "0.900000"),
        (60, "up", "12:30:00", "0.900200"),
        (0, "down", "12:31:00", "0.100150"),
        (0, "down", "13:01:00", "0.100000"),
    )
)
CROWDED = f"""good_for = {{ at = "31 bar(g)", allowed = "0.15 bar(g)" }}
creep = {{ readings = [{HELD}] }}
zero_at = [["10 degC", "0.100000 V/V"], ["30 degC", "0.101000 V/V"]]
"""


def crowded():
    """A sheet with one reading copied wrongly, few runs, a reference that is not good enough, and every key."""
    text = pressure_sheet(runs=2, extra=CROWDED).replace(
        'serial = "PT-4411"', 'serial = "PT-4411", what = "long-named"'
    )
    return re.sub(r'("09:03:00", )"0\.(\d\d)', r'\1"0.58', text, count=1)


def page(text=None):
    sheet = parse_document((text or pressure_sheet()).replace(*RANGE), ReadingsSheet, "sheet")
    c = calibrate_sheet(sheet, dt.date(2031, 6, 2), None, "sheet")
    return c, calibration_page(c, sentences(c, "r01"), "r01", "readings/PT-11_2031-06-02.toml")


@pytest.mark.slow
def test_the_page_is_the_same_for_the_same_sheet():
    assert page()[1] == page()[1]


def test_the_page_says_every_term_and_every_note():
    c, html = page()
    text = re.sub(r"<[^>]+>", " ", html).replace("\u00a0", " ")
    for term in c.reading_u(c.at).terms:
        assert term.source in text
    for words in (
        "hysteresis",
        "repeatability",
        "static error band",
        "zero return",
        "lower limit factor, 2.4 standard deviations",
    ):
        assert words in text
    assert "none of them is an uncertainty" in text
    assert "reading = c0 + c1 · (signal − pivot)" in text


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.skipif(EXECUTABLE is None, reason="needs a browser: apt-get update && apt-get install -y chromium")
def test_it_prints_on_one_sheet_and_nothing_sticks_out(browser, tmp_path):
    path = tmp_path / "page.html"
    for text in (pressure_sheet(), crowded()):
        path.write_text(page(text)[1], encoding="utf-8")
        shown = browser.show(path)
        assert shown.asked_for == [path.as_uri()]
        for width in (390, 1280):
            shown.ask("Emulation.setDeviceMetricsOverride", width=width, height=1000, deviceScaleFactor=1, mobile=False)
            assert shown.value_of("document.documentElement.scrollWidth") <= width
            tops = "[...document.querySelectorAll('figure svg')].map(chart => chart.getBoundingClientRect().top)"
            assert shown.value_of(f"new Set({tops}).size") == (2 if width == 390 else 1)
            gap = (
                "document.querySelector('.columns + .small').getBoundingClientRect().top"
                " - document.querySelector('.facts').getBoundingClientRect().bottom"
            )
            assert shown.value_of(gap) >= 8.0
        assert shown.printed().count(b"/Type /Page\n") == 1
    assert path.read_text(encoding="utf-8").count('class="notice"') >= 2
