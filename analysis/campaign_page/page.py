"""Write a campaign as one HTML file without script: the table of runs, then each quantity from run to run. Pure."""

import datetime as dt
from collections.abc import Sequence

from markupsafe import Markup

from standbook.analysis.campaign.run_table import RunRow
from standbook.analysis.campaign_page.figure import series_figure
from standbook.analysis.campaign_page.series import series_of
from standbook.analysis.report.render import css_string, page_environment, page_style

NOT_KNOWN = "--"


def campaign_page(name: str, rows: Sequence[RunRow], table: Sequence[Sequence[str]], *, at: dt.datetime) -> str:
    """Return the page.

    Parameters
    ----------
    name : str
        Of the campaign.
    rows : sequence of RunRow
        All runs; rehearsals are counted and not shown.
    table : sequence of rows of str
        Head and rows of what is listed of the tests, as in the terminal.
    at : datetime
        When it is written, with its time zone.
    """
    series = series_of(rows)
    figures = [Markup(series_figure(item, number)) for number, item in enumerate(series, start=1)]  # noqa: S704 - ours
    tests = [row for row in rows if row.is_test]
    environment = page_environment("standbook.analysis.campaign_page")
    return environment.get_template("campaign.html.j2").render(
        name=name,
        at=f"{at:%Y-%m-%d %H:%M %Z}",
        head=table[0] if table else (),
        body=table[1:],
        hidden=len(rows) - len(tests),
        panels=list(zip(figures, (item.sentence for item in series), strict=True)),
        unreadable=[(row.folder, row.why) for row in rows if row.why],
        style=page_style(environment),
        running_head=Markup(css_string(name)),  # noqa: S704 - escaped for a stylesheet
    )
