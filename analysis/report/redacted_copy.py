"""Draw the report of a run for the public: secrets replaced in the data, no signature, proved on the finished bytes."""

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from standbook.analysis.kinds.registry import analysed_kind
from standbook.analysis.redaction.proof import prove, sealed_line, with_first_line
from standbook.analysis.redaction.replacing import Redaction
from standbook.analysis.report.render import render_report
from standbook.analysis.report.write import drawn_from
from standbook.daq.errors import DataError
from standbook.daq.run.revision import page_path, write_page
from standbook.daq.run.run_folder import Run

COPY = "redacted"


class RedactedPage(NamedTuple):
    """A report that was searched."""

    place: Path  # of its revision
    html: str
    searched: str  # how many strings, none of them found


def redacted_page(run: Run, redaction: Redaction, *, now: dt.datetime, revision: str | None = None) -> RedactedPage:
    """Draw the redacted report of an opened run; nothing is written.

    Raises
    ------
    RecordError
        Not analysed, no such revision, or changed.
    DataError
        Something of what must not be published is left in it.
    """
    page = drawn_from(run, now=now, revision=revision)
    results, curves = redaction.data(page.results), redaction.data(page.curves)
    context = replace(redaction.data(page.context), signature_allowed=False)
    html = render_report(results, curves, context, analysed_kind(page.results.kind).page_parts())
    html = with_first_line(html, sealed_line(run.manifest.sha256))
    name = page_path(page.place, copy=COPY).name
    return RedactedPage(page.place, html, prove({redaction.text(name): html.encode("utf-8")}, redaction.secrets))


def write_redacted(
    run: Run, redaction: Redaction, *, now: dt.datetime, revision: str | None = None
) -> tuple[Path, str]:
    """Write the redacted report beside the report; return its path and what was searched.

    Raises
    ------
    RecordError
        As for :func:`redacted_page`; or the disk refuses.
    DataError
        Something is left in it: an older copy of it, which holds the same, is removed.
    """
    try:
        page = redacted_page(run, redaction, now=now, revision=revision)
    except DataError:
        for older in (run.folder / "analysis").glob(f"report_rev-{revision or '*'}_{COPY}.html"):
            older.unlink()
        raise
    return write_page(page.place, page.html, copy=COPY), page.searched
