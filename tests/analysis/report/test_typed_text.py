"""Whatever somebody typed stands on a page as text: nothing in it commands a page, a stylesheet or a terminal."""

import dataclasses
import json

import pytest

from standbook.analysis.results.quantities import Measured
from standbook.daq.printable import printable, printable_lines
from tests.analysis.report_fixture import CONTEXT, EARLIER, firing, firing_curves, rendered
from tests.browser import EXECUTABLE
from tests.payloads import PAGE_PAYLOADS, PAYLOADS

HOSTILE = "".join((*PAYLOADS, *PAGE_PAYLOADS, "{{ 7 * 7 }}", "&lt;"))
FIELDS = 60  # at least, that somebody types
# What in a page can act, or is no element of a report.
FOREIGN = """[...document.querySelectorAll('*')].filter(e =>
/^(script|iframe|img|link|meta|base|object|embed|form|b)$/i.test(e.localName)
|| [...e.attributes].some(a => /^on/i.test(a.name) || (a.name === 'href' && !a.value.startsWith('#')))
).map(e => e.outerHTML)"""
# As a fault of ours would put them on a page: between tags, and as an attribute.
RAW = """(payloads => payloads.map(p => {
const page = new DOMParser().parseFromString(`<p title="${p}">${p}</p>`, 'text/html');
const e = page.querySelector('p');
return e.title === p && page.body.textContent === p && page.body.children.length === 1;
}))"""
WORDS = {"nozzle", "unit", "reading_unit", "signal_unit", "kind", "exponent_basis", "run_out_first"}  # not typed freely
DATES = {"created", "date", "valid_until", "locked_at", "sha256", "manifest_sha256"}


def typed(value, changed, name=""):
    """Return a value with every text in it that somebody may type made hostile."""
    if isinstance(value, str):
        if not value or name in WORDS | DATES:
            return value
        changed.append(name)
        return value + HOSTILE
    if isinstance(value, tuple):
        return tuple(typed(item, changed, name) for item in value)
    if dataclasses.is_dataclass(value) and not isinstance(value, Measured):
        fields = {f.name: typed(getattr(value, f.name), changed, f.name) for f in dataclasses.fields(value)}
        return dataclasses.replace(value, **fields)
    return value


@pytest.fixture(scope="module")
def page():
    changed = []
    context = typed(CONTEXT, changed)
    assert len(changed) >= FIELDS
    assert len(set(changed)) >= 20
    earlier = typed(EARLIER, changed)
    context = dataclasses.replace(context, earlier=earlier)
    results = firing()
    marked = dataclasses.replace(results, run=results.run + HOSTILE)
    return rendered(marked, firing_curves(), context)


def test_no_character_that_commands_is_left(page):
    assert printable_lines(page) == page


@pytest.mark.parametrize("payload", [payload for payload in PAGE_PAYLOADS if "&" not in payload])
def test_no_markup_is_taken_for_one(page, payload):
    assert payload not in page


def test_what_was_typed_can_be_read(page):
    assert "\\x1b[2J" in page
    assert "\\u202eturned" in page
    assert "&lt;script&gt;ran=1&lt;/script&gt;" in page
    assert "{{ 7 * 7 }}&amp;lt;" in page


@pytest.mark.browser
@pytest.mark.slow
@pytest.mark.skipif(EXECUTABLE is None, reason="needs a browser: apt-get update && apt-get install -y chromium")
def test_a_browser_runs_loads_and_adds_nothing_of_what_was_typed_and_shows_it(page, browser, tmp_path):
    """Every payload in every field at once: what one of them could do alone it would do here."""
    assert not any(browser.value_of(f"{RAW}({json.dumps(PAGE_PAYLOADS)})"))  # they do harm where nobody stops them
    hostile = tmp_path / "report.html"
    hostile.write_text(page, encoding="utf-8")
    browser.show(hostile)
    charset, viewport = browser.value_of(FOREIGN)
    assert charset == '<meta charset="utf-8">'
    assert viewport.startswith('<meta name="viewport"')
    assert browser.value_of("typeof ran") == "undefined"
    assert browser.asked_for == [hostile.as_uri()]
    seen = browser.value_of("document.body.innerText")
    for payload in (*PAYLOADS, *PAGE_PAYLOADS):
        assert seen.count(printable(payload)) >= FIELDS, payload
