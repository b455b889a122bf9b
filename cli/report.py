"""``standbook report``: write one self-contained HTML file from the newest analysis, and print it as PDF if asked."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import Hide, Redacted, RunPath, check_hide, now, open_page, say, warn
from standbook.daq.errors import EXIT_FINDINGS, RecordError, UsageError

NO_BROWSER = "No Chromium, Chrome or Edge was found, so there is no PDF: open it and print, or name one: --browser PATH"


def report(
    run: RunPath,
    revision: Annotated[str | None, typer.Option("--revision", help="An older analysis, such as A.")] = None,
    for_signature: Annotated[
        bool, typer.Option("--for-signature", help="Demand a report that may be signed; a rehearsal is refused.")
    ] = False,
    vouched_by: Annotated[
        str, typer.Option("--vouched-by", help="Who answers for the other logger of an import and signs beside.")
    ] = "",
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Print it as PDF too, by the Chromium, Chrome or Edge that is installed.")
    ] = False,
    browser: Annotated[
        Path | None, typer.Option("--browser", metavar="PATH", help="The browser that prints, if not on the path.")
    ] = None,
    redacted: Redacted = False,
    hide: Hide = None,
    show: Annotated[bool, typer.Option("--open", help="Open the report in the browser.")] = False,
) -> None:
    """Write the report of a run as one HTML file: the signatory's page, then the evidence.

    Of a recording that bench made it is the bench report of two pages, which nobody can sign.
    With --redacted a copy for the public, beside it: what private.toml of the campaign lists, and what the run's own
    files tell of people and devices, is replaced before anything is drawn, and the finished file is searched for all of
    it. Where one string is left no file is (7).

    Example: standbook report teasel-2/runs/2031-06-14_HF-02 --open
    """
    from standbook.cli.print_pdf import find_browser, print_pdf

    if browser is not None and not pdf:
        raise UsageError("--browser: says what prints the PDF; add --pdf, or leave it out")
    printer = find_browser(browser) if pdf else None
    hidden = check_hide(hide, redacted=redacted)
    if redacted:
        if for_signature or vouched_by:
            raise UsageError("--redacted: a copy that lacks its names cannot be signed; leave --for-signature out")
        path = _redacted(run, revision, hidden)
    else:
        path = _written(run, revision, for_signature=for_signature, vouched_by=vouched_by)
        say(f"Report: {path}")
    if show:
        open_page(path)
    if printer is not None:
        say(f"Printed: {print_pdf(path, printer)}")
    elif pdf:
        warn(NO_BROWSER)
        raise typer.Exit(EXIT_FINDINGS)


def _written(run: Path, revision: str | None, *, for_signature: bool, vouched_by: str) -> Path:
    """Write the report of an analysis, or of a recording without a plan, of which there is none to sign."""
    from standbook.daq.bench.unplanned_run import is_bench_run

    if is_bench_run(run) and not (for_signature or vouched_by or revision):
        from standbook.analysis.bench_report.write import write_bench_report

        return write_bench_report(run)[0]
    from standbook.analysis.report.write import write_report

    return write_report(run, now=now(), revision=revision, for_signature=for_signature, vouched_by=vouched_by)


def _redacted(run: Path, revision: str | None, hidden: tuple[str, ...]) -> Path:
    from standbook.analysis.redaction.run_redaction import redaction_of
    from standbook.analysis.report.redacted_copy import write_redacted
    from standbook.daq.bench.unplanned_run import is_bench_run
    from standbook.daq.run.run_folder import open_run

    if is_bench_run(run):
        raise RecordError(f"{run}: was recorded without a plan; of its report there is no redacted copy")
    folder = run.resolve()
    path, searched = write_redacted(open_run(folder), redaction_of(folder, hidden), now=now(), revision=revision)
    say(f"Redacted report: {path}")
    say(f"{searched}.")
    return path
