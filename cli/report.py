"""``standbook report``: write one self-contained HTML file from the newest analysis."""

from typing import Annotated

import typer

from standbook.cli.screen import RunPath, now, open_page, say


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
    show: Annotated[bool, typer.Option("--open", help="Open the report in the browser.")] = False,
) -> None:
    """Write the report of a run as one HTML file: the signatory's page, then the evidence.

    Example: standbook report teasel-2/runs/2031-06-14_HF-02 --open
    """
    from standbook.analysis.report.write import write_report

    path = write_report(run, now=now(), revision=revision, for_signature=for_signature, vouched_by=vouched_by)
    say(f"Report: {path}")
    if show:
        open_page(path)
