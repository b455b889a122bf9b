"""What every command shares: the report's way into a browser."""

import webbrowser

import pytest

from standbook.cli.screen import open_page


@pytest.mark.parametrize("found", [True, False])
def test_a_report_opens_in_a_browser_and_where_there_is_none_one_sentence_says_so(tmp_path, monkeypatch, capsys, found):
    opened = []
    monkeypatch.setattr(webbrowser, "open", lambda address: bool(opened.append(address)) or found)
    page = tmp_path / "report_rev-A.html"
    open_page(page)
    assert opened == [page.as_uri()]
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.splitlines() == (
        [] if found else ["No browser can be started here: open the report named above in one."]
    )
