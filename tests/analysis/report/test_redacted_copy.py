"""The report for the public, drawn from replaced data: what is handed to the page, and what is left on the disk."""

import datetime as dt
from dataclasses import replace
from types import SimpleNamespace

import pytest

from standbook.analysis.archive import redacted
from standbook.analysis.archive.redacted import redacted_archive
from standbook.analysis.export.files import Exported
from standbook.analysis.redaction.replacing import Redaction
from standbook.analysis.redaction.secrets import numbered
from standbook.analysis.report import redacted_copy
from standbook.analysis.report.redacted_copy import redacted_page, write_redacted
from standbook.analysis.report.write import Drawn
from standbook.daq.errors import DataError, RecordError
from tests.analysis import report_fixture as fixture

NOW = dt.datetime(2031, 6, 14, 12, 0, tzinfo=dt.UTC)
MANIFEST = "0123456789abcdef" * 4


@pytest.fixture
def run(tmp_path, monkeypatch):
    """A run whose page says what it was drawn from."""
    results = replace(fixture.firing(), article="Teasel of Jo Example")
    place = tmp_path / "2031-06-14_HF-02" / "analysis" / "rev-A"
    place.mkdir(parents=True)

    def drawn(run, *, now, revision):
        return Drawn(place, results, {}, replace(fixture.CONTEXT, signature_allowed=True, created=now.isoformat()))

    def rendered(results, curves, context, parts):
        kind = type(parts).__name__
        return f'<html><body class="a">{results.article}; {context.signature_allowed}; {context.created}; {kind}</body>'

    monkeypatch.setattr(redacted_copy, "drawn_from", drawn)
    monkeypatch.setattr(redacted_copy, "render_report", rendered)
    return SimpleNamespace(folder=place.parent.parent, manifest=SimpleNamespace(sha256=MANIFEST))


def secrets(*pairs):
    return Redaction(numbered(pairs))


def test_data_are_replaced_before_anything_is_drawn_and_nothing_can_be_signed(run):
    page = redacted_page(run, secrets(("name", "Jo Example")), now=NOW)
    assert "Teasel of [name 1]; False; 2031-06-14; PageParts" in page.html
    assert '<body class="a">\n<p class="notice">REDACTED COPY of manifest 01234567...: ' in page.html
    assert page.searched == "searched 2 strings, 0 found"


def test_the_copy_lies_beside_the_report_under_a_name_of_its_own(run):
    path, searched = write_redacted(run, secrets(("name", "Jo Example")), now=NOW)
    assert path == run.folder / "analysis" / "report_rev-A_redacted.html"
    assert "[name 1]" in path.read_text(encoding="utf-8")
    assert searched.endswith("0 found")


def test_a_hit_leaves_no_copy_and_the_report_alone(run):
    other, own = (run.folder / "analysis" / name for name in ("report_rev-A_redacted.html", "report_rev-A.html"))
    other.write_text("older")
    own.write_text("the report")
    with pytest.raises(DataError, match="still holds word 'PageParts'"):
        write_redacted(run, secrets(("word", "PageParts")), now=NOW)
    assert not other.exists()
    assert own.read_text() == "the report"


# --- the archive for the public ---------------------------------------------------------------------------


def opened(run, *, analysed=True, impulse=1.0):
    return SimpleNamespace(
        folder=run.folder,
        is_analysed=analysed,
        results=SimpleNamespace(impulse=impulse),
        record=SimpleNamespace(
            manifest=run.manifest, info=SimpleNamespace(kind="static fire"), folder=run.folder, name=""
        ),
        plan=SimpleNamespace(test=SimpleNamespace(article="Teasel of Jo Example")),
    )


def test_an_archive_for_the_public_holds_tables_and_report_alone(run, monkeypatch):
    asked = []

    def exported(run, export):
        asked.append(tuple(export.kinds))
        return (
            Exported("HF-02_a.csv", b"LC-1 of Jo Example [N]\r\n1.0\r\n"),
            Exported("HF-02_a.json", b'{"by": "Jo Example"}'),
        )

    monkeypatch.setattr(redacted, "exported", exported)
    monkeypatch.setattr(redacted, "redacted_page", lambda *_, **__: SimpleNamespace(html="<p>page</p>"))
    archive, searched = redacted_archive(opened(run), secrets(("name", "Jo Example")), now=NOW)
    files = {entry.name: entry.source for entry in archive.entries}
    assert set(files) == {"README.txt", "report.html", "exports/HF-02_a.csv", "exports/HF-02_a.json"}
    assert files["exports/HF-02_a.csv"] == b"LC-1 of [name 1] [N]\r\n1.0\r\n"
    assert files["README.txt"].startswith(b"REDACTED COPY of manifest 01234567...: ")
    assert b"static fire of Teasel of [name 1]" in files["README.txt"]
    assert b'    channels = pd.read_csv("exports/HF-02_a.csv", index_col=0)' in files["README.txt"]
    assert (archive.folder, archive.missing) == ("2031-06-14_HF-02", ())
    assert searched == "searched 2 strings, 0 found"
    redacted_archive(opened(run, impulse=None), secrets(), now=NOW)
    assert asked == [("csv", "thrust"), ("csv",)]


def test_a_run_without_results_has_no_archive_for_the_public(run):
    with pytest.raises(RecordError, match="analyse it first: standbook analyse"):
        redacted_archive(opened(run, analysed=False), secrets(), now=NOW)
