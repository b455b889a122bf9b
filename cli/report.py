"""``standbook report``: write one self-contained HTML file from the newest analysis, and print it as PDF if asked."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import RunPath, now, open_page, say, warn
from standbook.daq.errors import EXIT_FINDINGS, UsageError


def report(
    run: RunPath,
    revision: Annotated[str | None, typer.Option("--revision", help="An older analysis, such as A.")] = None,
    for_signature: Annotated[
        bool, typer.Option("--for-signature", help="Demand a report that may be signed; a rehearsal is refused.")
    ] = False,
    vouched_by: Annotated[
        str,
        typer.Option("--vouched-by", help="Who answers for the other logger of an imported run and signs beside."),
    ] = "",
    pdf: Annotated[
        bool, typer.Option("--pdf", help="Print it as PDF too, by the Chromium, Chrome or Edge that is installed.")
    ] = False,
    browser: Annotated[
        Path | None, typer.Option("--browser", metavar="PATH", help="The browser that prints, if not on the path.")
    ] = None,
    show: Annotated[bool, typer.Option("--open", help="Open the report in the browser.")] = False,
) -> None:
    """Write the report of a run as one HTML file: the signatory's page, then the evidence.

    Example: standbook report teasel-2/runs/2031-06-14_HF-02 --open
    """
    from standbook.analysis.report.write import write_report
    from standbook.cli.print_pdf import find_browser, print_pdf

    if browser is not None and not pdf:
        raise UsageError("--browser: says what prints the PDF; add --pdf, or leave it out")
    printer = find_browser(browser) if pdf else None
    path = write_report(run, now=now(), revision=revision, for_signature=for_signature, vouched_by=vouched_by)
    say(f"Report: {path}")
    if show:
        open_page(path)
    if printer is not None:
        say(f"Printed: {print_pdf(path, printer)}")
    elif pdf:
        warn(
            "No Chromium, Chrome or Edge was found, so there is no PDF: open it and print, or name one: --browser PATH"
        )
        raise typer.Exit(EXIT_FINDINGS)
