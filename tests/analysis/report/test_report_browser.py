"""The report in a real browser: page one is one page of A4, and nothing sticks out at 1280 px or at 390 px."""

import base64
import datetime as dt
import re
import shutil
import subprocess
from dataclasses import replace
from functools import cache

import pytest

from standbook.analysis.report.write import write_report
from standbook.daq.findings.finding import Finding
from tests.analysis import report_fixture as fixture
from tests.analysis.report_fixture import rendered
from tests.browser import EXECUTABLE, WINDOW, pages_of
from tests.repository import ROOT

INSTALL = "apt-get update && apt-get install -y chromium poppler-utils"
MEASURE = """(() => {
const wide = [...document.querySelectorAll('main *')].filter(e => e.getBoundingClientRect().right > 1280.5);
const cut = [...document.querySelectorAll('main, main div, main section, main table')].filter(
  e => e.scrollWidth > e.clientWidth + 1);
return [document.documentElement.scrollWidth, document.querySelectorAll('main *').length, wide.length, cut.length];
})()"""
NARROW = {"width": 390, "height": 1000, "deviceScaleFactor": 1, "mobile": True}  # [px]
MEASURE_NARROW = """(() => {
const box = e => e.getBoundingClientRect();
const out = [...document.querySelectorAll('main *')].filter(
  e => !e.closest('table') && !e.closest('.across .drawing') && box(e).right > 390.5);
const tables = [...document.querySelectorAll('table')].filter(e => e.scrollWidth > e.clientWidth + 1);
const unsigned = tables.filter(e => !getComputedStyle(e).backgroundImage.includes('gradient'));
return [document.documentElement.scrollWidth, out.length, tables.length, unsigned.length];
})()"""
RULERS = """[...document.querySelectorAll('.wide svg')].filter(e => e.getBoundingClientRect().width > 0).map(svg => {
const whole = svg.getBoundingClientRect();
const boxes = [...svg.querySelectorAll('text')].filter(e => e.textContent.startsWith('bound by')).map(
  e => e.getBoundingClientRect());
return [boxes.length, boxes.filter(b => b.left < whole.left || b.right > whole.right).length];
})"""
# Font size of figures' text as it is shown [px]: the size in the drawing times the drawing's scale.
SMALLEST_TEXT = """Math.min(...[...document.querySelectorAll('svg text')].filter(
e => e.getClientRects().length && e.closest('figure').getClientRects().length).map(e => {
const svg = e.closest('svg');
return parseFloat(getComputedStyle(e).fontSize) * svg.getBoundingClientRect().width / svg.viewBox.baseVal.width;
}))"""
OVERFULL = """[...document.querySelectorAll('main *')].filter(e => !e.closest('svg') && e.clientWidth > 0
&& !e.closest('table') && !['auto', 'scroll'].includes(getComputedStyle(e).overflowX)
&& getComputedStyle(e).display !== 'inline' && !(e.querySelector('table'))
&& (e.scrollWidth > e.clientWidth + 1 || e.scrollHeight > e.clientHeight + 2)).map(e => e.outerHTML.slice(0, 80))"""
UNSIGNED_DRAWINGS = """[...document.querySelectorAll('.across .drawing')].filter(e => e.scrollWidth > e.clientWidth + 1
&& !getComputedStyle(e).backgroundImage.includes('gradient')).length"""
FOLDED = """(() => {
const cells = [...document.querySelectorAll('.evidence .fold td[data-label]')];
return [cells.filter(e => e.getBoundingClientRect().right > 390.5).length,
  cells.filter(e => getComputedStyle(e, '::before').content === 'none').length];
})()"""
MOST_PAGES = 10
MOST_BYTES = 1_500_000
LEAST_PRINTED, LEAST_ON_TELEPHONE = 7.0, 11.0  # pt, px
LAST_WORDS = "licensed practice decide."

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(
        EXECUTABLE is None or shutil.which("pdftotext") is None, reason=f"needs a browser and poppler: {INSTALL}"
    ),
]

LONG = (
    "The fuel tank's pressure left its predicted band at T+6.1 s and stayed below it, the ullage exponent having been "
    "assumed much too low for a gas that had not settled after pressurising; "
)


def crowded():
    """Every text of page one longer than any crew would write it."""
    findings = tuple(Finding(code=f"f{k}", severity="serious", channel=None, time=1.0, text=LONG * 3) for k in range(9))
    base = fixture.lower_bound()
    results = replace(
        base,
        article="Teasel-2 with the long chamber, second injector, third rebuild after the rain",
        stand="the-quarry-cradle-with-the-long-name",
        findings=findings,
        rehearsal=False,
    )
    tanks = tuple(
        replace(tank, liquid=f"{tank.liquid}, from the second delivery of June") for tank in fixture.PLAN.tanks
    )
    plan = replace(fixture.PLAN, load_control=LONG, tanks=tanks)
    return results, replace(fixture.CONTEXT, plan=plan)


def cases():
    curves = fixture.firing_curves()
    yield "firing", (fixture.firing(), curves, fixture.CONTEXT), "Thrust"
    yield "rehearsal", (replace(fixture.lower_bound(), rehearsal=True), curves, fixture.CONTEXT), "Thrust"
    yield "on-the-line", (fixture.not_shown(), curves, fixture.CONTEXT), "Thrust"
    yield "nothing-known", (fixture.nothing_known(), {}, fixture.CONTEXT), "Thrust"
    results, context = crowded()
    yield "crowded", (results, curves, context), "Thrust"
    yield "crowded-rehearsal", (replace(results, rehearsal=True), curves, context), "Thrust"
    yield "raised", (fixture.raised(), curves, fixture.CONTEXT), "Thrust"
    yield "raised-rehearsal", (replace(fixture.raised(), rehearsal=True), curves, fixture.CONTEXT), "Thrust"
    yield "water", fixture.water_flow(), "Tanks"
    checks = ("2031-06-13 18:20, sheet 2031-06-13_HF-02: 29 checks agree", *(4 * ("tank oxidiser tight to 0.5 g/min",)))
    checked = replace(fixture.CONTEXT, stand_checks=checks, waivers=("PT-22 shunt step, by TC: no resistor",))
    yield "checked", (replace(fixture.raised(), rehearsal=True), curves, checked), "Thrust"
    imported = replace(context, imported="2031-06-14_cradle_everything.csv", vouched_by="instrumentation lead")
    yield "imported", (results, curves, imported), "Thrust"


CASES = {name: (arguments, second) for name, arguments, second in cases()}


@cache
def report_of(name):
    """The report of a case; drawing its figures takes longer than looking at them."""
    return rendered(*CASES[name][0])


@pytest.mark.parametrize("name", CASES)
def test_page_one_is_exactly_one_page(name, browser, tmp_path):
    arguments, second = CASES[name]
    page = tmp_path / "report.html"
    page.write_text(report_of(name), encoding="utf-8")
    pdf = tmp_path / "report.pdf"
    pdf.write_bytes(browser.show(page).printed())
    pages = pages_of(pdf)
    rehearsal = arguments[0].rehearsal
    banner = "REHEARSAL: a simulated stand, not a test " if rehearsal else ""
    assert LAST_WORDS in pages[0]
    assert pages[0].endswith(f"page 1 of {len(pages)}")
    assert "What this does not cover" in pages[0]
    assert ("Signatory" in pages[0]) is not rehearsal
    assert pages[1].removeprefix(banner).startswith("Summary for neighbours")
    assert any(second in text for text in pages[1:])
    if rehearsal:
        assert all("REHEARSAL" in text for text in pages)
    assert "page 1 of" not in pages[1]


@pytest.mark.parametrize("name", CASES)
def test_nothing_overflows_at_1280_pixels(name, browser, tmp_path):
    page = tmp_path / "report.html"
    page.write_text(report_of(name), encoding="utf-8")
    width, elements, wide, cut = browser.show(page).value_of(MEASURE)
    assert elements > 100
    assert width == 1280  # of the window; more, where anything sticks out
    assert (wide, cut) == (0, 0)


@pytest.fixture
def telephone(browser):
    """Give the browser with a window as wide as a telephone, and back."""
    browser.ask("Emulation.setDeviceMetricsOverride", **NARROW)
    yield browser
    browser.ask("Emulation.setDeviceMetricsOverride", **WINDOW)


@pytest.mark.parametrize("name", ["raised-rehearsal", "crowded", "water"])
def test_nothing_sticks_out_at_390_pixels_and_a_table_that_scrolls_shows_it(name, telephone, tmp_path):
    page = tmp_path / "report.html"
    page.write_text(report_of(name), encoding="utf-8")
    width, out, tables, unsigned = telephone.show(page).value_of(MEASURE_NARROW)
    assert tables > 0
    assert (width, out, unsigned) == (390, 0, 0)
    if name.startswith("raised"):
        assert telephone.value_of(RULERS) == [[2, 0]]


def test_the_bounds_that_decide_are_named_within_the_picture(browser, tmp_path):
    page = tmp_path / "report.html"
    page.write_text(report_of("raised"), encoding="utf-8")
    assert browser.show(page).value_of(RULERS) == [[2, 0]]


def test_page_one_prints_every_word_of_what_it_shows(browser, tmp_path):
    arguments, _ = CASES["raised"]
    text = LONG.replace("; ", ". ") + "Compare the tank exponents, CdA and mixture ratio with the plan."
    found = tuple(Finding(code=f"f{k}", severity="caution", channel=None, time=1.0, text=text) for k in range(3))
    page = tmp_path / "report.html"
    page.write_text(rendered(replace(arguments[0], findings=found), *arguments[1:]), encoding="utf-8")
    pdf = tmp_path / "report.pdf"
    pdf.write_bytes(browser.show(page).printed())
    first = pages_of(pdf)[0]
    assert first.count("CdA and mixture ratio with the plan.") == 3
    assert LAST_WORDS in first
    assert "Place and date" in first


@pytest.fixture(scope="module")
def sample(tmp_path_factory):
    """Report the firing of the sample campaign with the program as it is."""
    (kept,) = (ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal")
    folder = tmp_path_factory.mktemp("sample") / "runs" / kept.name
    shutil.copytree(kept, folder)
    return write_report(folder, now=dt.datetime(2031, 6, 15, 9, 30, tzinfo=dt.UTC))


def test_page_one_of_the_sample_is_one_page_with_its_sheets_named(sample, browser, tmp_path):
    pdf = tmp_path / "report.pdf"
    pdf.write_bytes(browser.show(sample).printed())
    first, second = pages_of(pdf)[:2]
    assert LAST_WORDS in first
    assert "29 checks" in first
    assert "Summary for neighbours" in second


@pytest.mark.parametrize("paper", [{}, {"paperWidth": 8.5, "paperHeight": 11.0, "preferCSSPageSize": False}])
def test_the_sample_prints_on_ten_pages_none_of_them_bare(sample, browser, tmp_path, paper):
    pdf = tmp_path / "report.pdf"
    asked = {"printBackground": True, "preferCSSPageSize": True} | paper
    pdf.write_bytes(base64.b64decode(browser.show(sample).ask("Page.printToPDF", **asked)["data"]))
    pages = pages_of(pdf)
    assert len(pages) <= MOST_PAGES
    lowest = [heights_of(pdf, number) for number in range(1, len(pages) + 1)]
    assert [share for share in lowest[:-1] if share < 1.0 / 3.0] == []
    text = "\n".join(pages)
    assert re.findall(r"(?:\b[A-Z] ){4}", text) == []  # no word of a watermark, letter by letter
    assert all("REHEARSAL: a simulated stand" in page for page in pages)
    assert sample.stat().st_size < MOST_BYTES


def heights_of(pdf, page):
    """Where the lowest word of a page stands above its foot, as a share of the page."""
    command = ["pdftotext", "-bbox", "-f", str(page), "-l", str(page), str(pdf), "-"]
    told = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    height = float(re.search(r'<page width="[\d.]+" height="([\d.]+)"', told)[1])
    ends = [float(y) for y in re.findall(r'yMax="([\d.]+)">', told)]
    return max(y for y in ends if y < 0.95 * height) / height


def test_figures_are_legible_in_print(sample, browser):
    browser.ask("Emulation.setDeviceMetricsOverride", **(WINDOW | {"width": round(184.0 / 25.4 * 96.0)}))
    browser.ask("Emulation.setEmulatedMedia", media="print")
    try:
        smallest = browser.show(sample).value_of(SMALLEST_TEXT)
    finally:
        browser.ask("Emulation.setEmulatedMedia", media="")
        browser.ask("Emulation.setDeviceMetricsOverride", **WINDOW)
    assert smallest * 0.75 >= LEAST_PRINTED  # px to pt


def test_figures_are_legible_and_boxes_hold_what_they_show_on_a_telephone(sample, telephone):
    page = telephone.show(sample)
    assert page.value_of(SMALLEST_TEXT) >= LEAST_ON_TELEPHONE
    width, out, _, unsigned = page.value_of(MEASURE_NARROW)
    assert (width, out, unsigned) == (390, 0, 0)
    assert page.value_of(OVERFULL) == []
    assert page.value_of("[...document.querySelectorAll('.across .drawing')].length") > 0
    assert page.value_of(UNSIGNED_DRAWINGS) == 0
    assert page.value_of(FOLDED) == [0, 0]


def test_no_box_is_smaller_than_what_it_holds_on_a_screen(sample, browser):
    assert browser.show(sample).value_of(OVERFULL) == []


def test_a_figure_is_enlarged_by_its_link_and_put_back(sample, browser):
    page = browser.show(sample)
    drawing = (
        "document.getElementById('full-rate-start-enlarged').querySelector('.drawing').getBoundingClientRect().width"
    )
    before = page.value_of(drawing)
    page.value_of("location.hash = '#full-rate-start-enlarged'")
    assert page.value_of(drawing) == 1600 > before
    page.value_of("location.hash = '#thrust'")
    assert page.value_of(drawing) == before
