"""``standbook campaign``: write one page on all runs of a campaign, and say how each quantity moved from run to run."""

from pathlib import Path
from typing import Annotated

import typer

from standbook.cli.screen import now, open_page, say, say_all
from standbook.cli.text_table import table_rows
from standbook.daq.errors import EXIT_FINDINGS, RecordError

PAGE = "campaign.html"


def campaign(
    folder: Annotated[Path, typer.Argument(metavar="CAMPAIGN", help="The campaign's folder.")] = Path(),
    show: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
) -> None:
    """Write CAMPAIGN/campaign.html: the table of runs, and flow areas, exponents and c* from run to run.

    Runs of one configuration and kind are pooled, what all have in common beside and never inside an average; drifts
    and steps are named at 1 in 100 by chance. Rehearsals are never pooled. Exit code 10 where a run cannot be read.

    Example: standbook campaign teasel-2 --open
    """
    from standbook.analysis.campaign.run_table import campaign_runs
    from standbook.analysis.campaign_page.page import campaign_page
    from standbook.analysis.campaign_page.series import series_of
    from standbook.cli.runs import columns_of
    from standbook.daq.storage.atomic_write import write_atomic
    from standbook.daq.storage.durable_file import reason

    rows = campaign_runs(folder)
    tests = [row for row in rows if row.is_test]
    table = table_rows(columns_of(tests)) if tests else ()
    page = campaign_page(folder.resolve().name, rows, table, at=now().astimezone())
    place = folder / PAGE
    try:
        write_atomic(place, page.encode("utf-8"))
    except OSError as error:
        raise RecordError(f"{place}: cannot be written: {reason(error)}") from error
    say(f"{len(tests)} runs of tests, {len(rows) - len(tests)} rehearsals or recordings without a plan beside them.")
    say_all(f"{series.title}: {series.sentence}" for series in series_of(rows))
    say(f"Page: {place}")
    if show:
        open_page(place)
    if any(row.why for row in rows):
        raise typer.Exit(EXIT_FINDINGS)
