"""How a run shows itself in a notebook."""

import dataclasses
import html.parser
import re

import standbook as sb
from standbook.analysis.notebook import ROWS, results_html
from tests.repository import ROOT

FIRING = next((ROOT / "sample_runs/teasel-2/runs").glob("*_HF-02_rehearsal"))


class Tags(html.parser.HTMLParser):
    """Collect the tags and the words between them."""

    def __init__(self, text):
        super().__init__()
        self.tags, self.words = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)

    def handle_data(self, data):
        self.words.append(data)


def test_a_run_shows_its_verdict_a_banner_and_eight_rows():
    run = sb.open_run(FIRING)
    shown = Tags(run._repr_html_())
    assert shown.words[0] == "REHEARSAL: simulated data"
    assert shown.words[1] == f"{FIRING.name}, static fire, rev-{run.results.revision}"
    assert any(re.match("WITHIN: At site .*40,960", words) for words in shown.words)
    assert shown.tags.count("tr") == 1 + ROWS
    assert "total impulse" in shown.words
    assert "script" not in shown.tags


def test_what_was_typed_is_escaped_and_a_bound_is_called_one():
    results = sb.open_run(FIRING).results
    bound = dataclasses.replace(results.impulse, lower_bound_only=True)
    shown = Tags(results_html("<b>x</b>", dataclasses.replace(results, impulse=bound, rehearsal=False, verdicts={})))
    assert "b" not in shown.tags
    assert shown.words[0].startswith("<b>x</b>, ")
    assert "total impulse (recorded part, a lower bound)" in shown.words
