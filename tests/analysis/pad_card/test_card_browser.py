"""The pad card as a browser prints it: one page of either paper, digits large enough, black on white."""

import shutil

import pytest

from standbook.analysis.pad_card.card import pad_card
from standbook.analysis.pad_card.page import PAPERS, pad_card_page
from standbook.daq.config.plan import Decision
from tests.browser import EXECUTABLE, pages_of

pytestmark = [
    pytest.mark.browser,
    pytest.mark.slow,
    pytest.mark.skipif(EXECUTABLE is None or shutil.which("pdftotext") is None, reason="needs a browser and poppler"),
]
SIZES = """(() => {
const px = e => parseFloat(getComputedStyle(e).fontSize) * 0.75;
const digits = [...document.querySelectorAll('tr.bands td')].map(px);
const words = [...document.querySelectorAll('body *')].filter(e => e.textContent.trim()).map(px);
const boxes = [...document.querySelectorAll('.box')].map(e => e.getBoundingClientRect().height / 96 * 25.4);
const colours = new Set([...document.querySelectorAll('body *')].map(e => getComputedStyle(e).color));
return [Math.min(...digits), Math.min(...words), Math.min(...boxes), [...colours]];
})()"""


@pytest.fixture
def crowded(hf02_campaign, hf02_prediction):
    c = hf02_campaign
    rules = tuple(
        Decision(call=call, words=60 * "m") for call in ("hold", "hold", "abort", "abort", "repeat", "repeat")
    )
    plan = c.plan.model_copy(update={"decision": rules})
    return pad_card(plan, c.stand, c.calibrations, hf02_prediction, heading="LOCKED 2031-06-14 09:12 UTC 16f535f0")


@pytest.mark.parametrize("paper", PAPERS)
def test_it_is_one_page(crowded, paper, browser, tmp_path):
    page, pdf = tmp_path / "card.html", tmp_path / "card.pdf"
    page.write_text(pad_card_page(crowded, paper=paper, rehearsal=True), encoding="utf-8")
    pdf.write_bytes(browser.show(page).printed())
    (text,) = pages_of(pdf)
    assert "16f535f0" in text
    assert "never authority to approach" in text


def test_digits_words_and_boxes_are_large_enough_and_black(crowded, browser, tmp_path):
    page = tmp_path / "card.html"
    page.write_text(pad_card_page(crowded), encoding="utf-8")
    digits, words, boxes, colours = browser.show(page).value_of(SIZES)
    assert digits >= 14.0
    assert words >= 9.0
    assert boxes >= 7.9
    assert colours == ["rgb(0, 0, 0)"]
