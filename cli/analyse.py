"""``standbook analyse``: analyse a sealed run into a new revision."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import AsJson, RunPath, say, say_all
from standbook.daq.errors import EXIT_FINDINGS

NEWEST = "newest"


def analyse(
    run: RunPath,
    calibration: Annotated[
        list[Path] | None,
        typer.Option("--calibration", metavar="FILE", help="Use this later calibration instead of the locked one."),
    ] = None,
    revision: Annotated[
        str | None,
        typer.Option("--revision", metavar="REV", help="Print this revision, such as A or newest, and make none."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Analyse a sealed run into a new revision; exit code 10 when a finding or a verdict needs review.

    With --revision nothing is written: what an earlier analysis found is printed again.

    Example: standbook analyse teasel-2/runs/2031-06-14_HF-02
    """
    from standbook.analysis.analyse import analyse_run
    from standbook.analysis.report.terminal_summary import terminal_summary
    from standbook.analysis.results.json_codec import to_json
    from standbook.analysis.results.saved_results import read_results
    from standbook.daq.software import software

    if revision is not None and calibration:
        raise typer.BadParameter("an earlier revision keeps the calibrations that it was made with: leave one out")
    if revision is None:
        folder, results = analyse_run(run, calibrations=tuple(calibration or ()), software=software())
        head = f"Analysed {run} into {folder.name}:"
    else:
        folder, results = read_results(run, None if revision == NEWEST else revision)
        head = f"{folder.name} of {run}:"
    if as_json:
        say(to_json(results))
    else:
        say(head)
        say_all(terminal_summary(results))
        say(f"Next: standbook report {run}")
    if results.needs_review:
        raise typer.Exit(EXIT_FINDINGS)
