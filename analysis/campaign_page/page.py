"""Write a campaign as one HTML file without script: table of runs, quantities from run to run, the stand. Pure."""

import datetime as dt
from collections.abc import Sequence

from markupsafe import Markup

from standbook.analysis.campaign.run_table import RunRow
from standbook.analysis.campaign.stand_state import CampaignState
from standbook.analysis.campaign_page.figure import panel_figure
from standbook.analysis.campaign_page.series import Panel, panels_of, series_of, single_runs
from standbook.analysis.campaign_page.stand_series import StandSeries, stand_course
from standbook.analysis.report.content.number_format import signs
from standbook.analysis.report.render import css_string, page_environment, page_style

NOT_KNOWN = "--"


def campaign_page(
    name: str, rows: Sequence[RunRow], table: Sequence[Sequence[str]], state: CampaignState, *, at: dt.datetime
) -> str:
    """Return the page.

    Parameters
    ----------
    name : str
        Of the campaign.
    rows : sequence of RunRow
        All runs; rehearsals are counted and not shown.
    table : sequence of rows of str
        Head and rows of what is listed of the tests, as in the terminal.
    state : CampaignState
        What their files say of the stand.
    at : datetime
        When it is written, with its time zone.
    """
    found, course = series_of(rows), stand_course(state)
    drawn = panels_of(found)
    shown: tuple[Panel | StandSeries, ...] = (*drawn, *course.series)
    panels = [
        (Markup(panel_figure(item, number)), signs(item.sentence))  # noqa: S704 - ours
        for number, item in enumerate(shown, start=1)
    ]
    tests = [row for row in rows if row.is_test]
    environment = page_environment("standbook.analysis.campaign_page")
    return environment.get_template("campaign.html.j2").render(
        name=name,
        at=f"{at:%Y-%m-%d %H:%M %Z}",
        head=table[0] if table else (),
        body=table[1:],
        hidden=len(rows) - len(tests),
        panels=panels[: len(drawn)],
        single=single_runs(found),
        stand_panels=panels[len(drawn) :],
        remarks=course.remarks,
        unreadable=[*(f"{row.folder}: {row.why}" for row in rows if row.why), *state.unreadable],
        style=page_style(environment),
        running_head=Markup(css_string(name)),  # noqa: S704 - escaped for a stylesheet
    )
