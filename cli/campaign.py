"""``standbook campaign``: write one page on all runs of a campaign, and say how each quantity moved from run to run."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import Hide, Redacted, check_hide, now, open_page, say, say_all
from standbook.cli.text_table import table_rows
from standbook.daq.errors import EXIT_FINDINGS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from standbook.analysis.campaign.run_table import RunRow
    from standbook.analysis.campaign.stand_state import CampaignState

PAGE = "campaign.html"
REDACTED_PAGE = "campaign_redacted.html"


def campaign(
    folder: Annotated[Path, typer.Argument(metavar="CAMPAIGN", help="The campaign's folder.")] = Path(),
    redacted: Redacted = False,
    hide: Hide = None,
    show: Annotated[bool, typer.Option("--open", help="Open the page in the browser.")] = False,
) -> None:
    """Write CAMPAIGN/campaign.html: the table of runs, each quantity from run to run, and how the stand moved.

    Runs of one configuration and kind are pooled, what all have in common beside and never inside an average; drifts
    and steps are named at 1 in 100 by chance, in zeros, spans, throat and clocks too. Rehearsals are never pooled.
    Exit code 10 where a run cannot be read.
    With --redacted a copy for the public, CAMPAIGN/campaign_redacted.html.

    Example: standbook campaign teasel-2 --open
    """
    from standbook.analysis.campaign.run_table import campaign_runs
    from standbook.analysis.campaign.stand_state import campaign_state
    from standbook.analysis.campaign_page.page import campaign_page
    from standbook.analysis.campaign_page.series import panels_of, series_of, single_runs
    from standbook.analysis.campaign_page.stand_series import stand_course
    from standbook.cli.runs import columns_of
    from standbook.daq.storage.atomic_write import write_atomic

    hidden = check_hide(hide, redacted=redacted)
    rows = campaign_runs(folder)
    tests = [row for row in rows if row.is_test]
    table = table_rows(columns_of(tests)) if tests else ()
    state = campaign_state(folder, rows)
    page = campaign_page(folder.resolve().name, rows, table, state, at=now().astimezone())
    place = folder / PAGE
    if redacted:
        place = folder / REDACTED_PAGE
        page = _redacted(folder, rows, state, hidden)
    write_atomic(place, page.encode("utf-8"))
    say(f"{len(tests)} runs of tests, {len(rows) - len(tests)} rehearsals or recordings without a plan beside them.")
    course = stand_course(state)
    found = series_of(rows)
    say_all(f"{panel.title}: {panel.sentence}" for panel in panels_of(found))
    say_all(single_runs(found))
    say_all(f"{series.title}: {series.sentence}" for series in course.series)
    say_all(course.remarks)
    say_all(f"REVIEW: {why}" for why in state.unreadable)
    say(f"Page: {place}")
    if show:
        open_page(place)
    if state.unreadable or any(row.why for row in rows):
        raise typer.Exit(EXIT_FINDINGS)


def _redacted(folder: Path, rows: "Sequence[RunRow]", state: "CampaignState", hidden: tuple[str, ...]) -> str:
    """Return the page without secrets, and say what it was searched for; an older copy does not outlive a hit."""
    from standbook.analysis.campaign_page.page import campaign_page
    from standbook.analysis.redaction.proof import prove, with_first_line
    from standbook.analysis.redaction.replacing import INSTANT
    from standbook.analysis.redaction.run_redaction import redaction_of_campaign
    from standbook.cli.runs import columns_of
    from standbook.daq.config.campaign import RUNS
    from standbook.daq.errors import DataError

    runs = sorted(path for path in (folder / RUNS).iterdir() if path.is_dir())
    redaction = redaction_of_campaign(folder, runs, hidden)
    told = redaction.data(tuple(rows))
    tests = [row for row in told if row.is_test]
    table = [[redaction.text(cell) for cell in line] for line in table_rows(columns_of(tests))] if tests else ()
    html = campaign_page(
        redaction.text(folder.resolve().name), told, table, redaction.data(state), at=now().astimezone()
    )
    page = with_first_line(INSTANT.sub(r"\1", html), f"REDACTED COPY of {len(rows)} runs.")
    try:
        say(f"{prove({REDACTED_PAGE: page.encode('utf-8')}, redaction.secrets)}.")
    except DataError:
        (folder / REDACTED_PAGE).unlink(missing_ok=True)
        raise
    return page
