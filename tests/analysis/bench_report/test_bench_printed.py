"""The bench report on paper and on screens: two sheets whatever is in it, nothing wider than its screen."""

import dataclasses

import pytest

from standbook.analysis.bench_report.column_facts import AtEnd, Held
from standbook.analysis.bench_report.page import MOST_DRAWN, bench_page, drawn
from standbook.analysis.bench_report.run_facts import bench_facts
from standbook.analysis.bench_report.write import drawn_rows
from standbook.daq.run.run_folder import open_run
from tests.analysis.bench_report.bench_run import framed_run, lined_run, wide
from tests.browser import EXECUTABLE

NOTE = "clock is +122 ppm against the computer, beyond the declared 50 ppm; arrivals alone decide; correct the stand"
STEPS = ("rename the tags", "standbook calibrate bench/readings/a_2031-06-14.toml --new")


def few(place):
    run = open_run(framed_run(place / "few", drop=(20,)))
    facts = bench_facts(run)
    return bench_page(facts, drawn_rows(run, facts), STEPS)


def full(place):
    """As many columns as a board may print, each with all that can be wrong, and more notes than there is room for."""
    run = open_run(lined_run(place / "full", wide(24)))
    facts = bench_facts(run)
    wrong = {
        "held": Held(start=123.45, length=12.34, value=-12345.6),
        "ends": (AtEnd(value=-8_388_608.0, rows=1234, is_known=True), AtEnd(value=8_388_607.0, rows=99, is_known=True)),
    }
    (stream,) = facts.streams
    columns = tuple(dataclasses.replace(column, **wrong) for column in stream.columns)
    streams = (dataclasses.replace(stream, columns=columns),)
    facts = dataclasses.replace(facts, streams=streams, notes=(NOTE,) * 6, boots=3, rehearsal=True)
    assert len(drawn(facts)) == MOST_DRAWN
    return bench_page(facts, drawn_rows(run, facts), STEPS)


@pytest.mark.slow
@pytest.mark.browser
@pytest.mark.skipif(EXECUTABLE is None, reason="needs a browser: apt-get update && apt-get install -y chromium")
@pytest.mark.parametrize("made", [few, full])
def test_it_prints_on_two_sheets_and_fits_a_telephone(browser, tmp_path, made):
    path = tmp_path / "bench.html"
    path.write_text(made(tmp_path), encoding="utf-8")
    shown = browser.show(path)
    assert shown.asked_for == [path.as_uri()]
    for width in (390, 1280):
        shown.ask("Emulation.setDeviceMetricsOverride", width=width, height=1000, deviceScaleFactor=1, mobile=False)
        assert shown.value_of("document.documentElement.scrollWidth") <= width
    printed = shown.printed()
    (tmp_path / "bench.pdf").write_bytes(printed)
    assert printed.count(b"/Type /Page\n") == 2
