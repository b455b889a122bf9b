"""Whatever somebody typed stands on a page as text: nothing in it commands a page, a stylesheet or a terminal."""

import dataclasses

import pytest

from standbook.analysis.results.quantities import Measured
from standbook.daq.printable import printable_lines
from tests.analysis.report_fixture import CONTEXT, firing, firing_curves, rendered
from tests.payloads import PAYLOADS

MARKUP = ("<script>alert(1)</script>", '"><img src=x onerror=alert(1)>', "</style><b>")
HOSTILE = "".join((*PAYLOADS, *MARKUP, "{{ 7 * 7 }}", "&lt;"))
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
    assert len(changed) >= 60
    assert len(set(changed)) >= 20
    results = firing()
    marked = dataclasses.replace(results, run=results.run + HOSTILE)
    return rendered(marked, firing_curves(), context)


def test_no_character_that_commands_is_left(page):
    assert printable_lines(page) == page


@pytest.mark.parametrize("payload", MARKUP)
def test_no_markup_is_taken_for_one(page, payload):
    assert payload not in page


def test_what_was_typed_can_be_read(page):
    assert "\\x1b[2J" in page
    assert "\\u202eturned" in page
    assert "&lt;script&gt;alert(1)&lt;/script&gt;" in page
    assert "{{ 7 * 7 }}&amp;lt;" in page
