"""The page of readiness on paper and on screens: facts on one sheet, however many are open; charts on a second one."""

import dataclasses

import pytest

from standbook.analysis.readiness.campaign_facts import campaign_facts
from standbook.analysis.readiness.chart_figure import chart_figures, chart_words
from standbook.analysis.readiness.charts import charts_of
from standbook.analysis.readiness.fact import ranked
from standbook.analysis.readiness.live_facts import live_facts
from standbook.analysis.readiness.page import ready_page
from tests.analysis.readiness.test_charts import CELL, TWIN, sheets
from tests.analysis.readiness.test_facts import NOW, clean  # noqa: F401 - a fixture
from tests.browser import EXECUTABLE

SECOND = "printed, that is a second sheet"
VALUES = {
    f"{what}_of_{tag}": [middle, *(middle + step * (k % 3) for k in range(9))]
    for tag in ("LC-1", "LC-2")
    for what, middle, step in (("zero", 0.0, 1.0), ("shunt_step", 1.45, 1e-4))
}
OPEN = {"checks": (), "taps": None, "holds": {}, "proofs": {}, "load": None, "lock": "not locked"}


@pytest.fixture(scope="module")
def bare(clean):  # noqa: F811
    """Most facts of a stand at which little was done yet."""
    facts = (
        *campaign_facts(dataclasses.replace(clean, **OPEN)),
        *live_facts(clean.plan, clean.stand, None),
    )
    return ranked(facts)


@pytest.fixture(scope="module")
def charts():
    drawn = charts_of(sheets(**VALUES), {"LC-1": CELL, "LC-2": TWIN})
    return chart_figures(drawn), chart_words(drawn)


def test_a_page_says_where_its_charts_are_and_nothing_of_charts_that_it_has_not(clean, bare, charts):  # noqa: F811
    page = ready_page(bare, (), clean.plan.test, at=NOW, rehearsal=False, charts=charts)
    assert page.count("<figure>") == 1
    assert SECOND in page
    assert SECOND not in ready_page(bare, (), clean.plan.test, at=NOW, rehearsal=False)


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.skipif(EXECUTABLE is None, reason="needs a browser: apt-get update && apt-get install -y chromium")
def test_twenty_open_facts_print_on_one_sheet_and_charts_on_a_second(browser, clean, bare, charts, tmp_path):  # noqa: F811
    assert sum(fact.is_open for fact in bare) >= 20
    path = tmp_path / "ready.html"
    for drawn, printed in ((((), ""), 1), (charts, 2)):
        path.write_text(ready_page(bare, (), clean.plan.test, at=NOW, rehearsal=True, charts=drawn), "utf-8")
        shown = browser.show(path)
        assert shown.asked_for == [path.as_uri()]
        for width in (390, 1280):
            shown.ask("Emulation.setDeviceMetricsOverride", width=width, height=1000, deviceScaleFactor=1, mobile=False)
            assert shown.value_of("document.documentElement.scrollWidth") <= width
        (tmp_path / f"ready{printed}.pdf").write_bytes(shown.printed())
        assert shown.printed().count(b"/Type /Page\n") == printed
