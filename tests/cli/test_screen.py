"""What every command shares: the report's way into a browser, sentences within 80 columns."""

import webbrowser

import pytest

from standbook.cli.screen import open_page, say_wrapped


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


def test_a_long_sentence_stays_within_80_columns_and_whole(capsys):
    sentence = "By the cell 17.77 +/- 0.26 kg, by containers 17.690 +/- 0.108 kg, which lead: " + "they agree " * 9
    say_wrapped([sentence, "Quiet."])
    lines = capsys.readouterr().out.splitlines()
    assert max(len(line) for line in lines) <= 80
    assert " ".join(" ".join(lines).split()) == f"{sentence}Quiet."
    assert [line[:4].strip() == "" for line in lines] == [False, True, True, False]
