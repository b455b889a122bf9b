"""Write two runs side by side as one HTML file without script: curves, their difference, numbers, what was changed."""

import datetime as dt
from collections.abc import Sequence

from markupsafe import Markup
from scipy.constants import bar

from standbook.analysis.campaign.comparison import RunComparison
from standbook.analysis.campaign_page.curve_pairs import Align, CurvePair
from standbook.analysis.report.content.number_format import signs
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import BLUE, GREY, INK
from standbook.analysis.report.render import css_string, page_environment, page_style

HEIGHT = 3.4  # of one quantity with its difference [in]
SINCE = {"t0": "T-0", "opening": "the first valve's opening", "thrust-start": "the start of thrust"}


def comparison_page(
    found: RunComparison,
    lines: Sequence[str],
    pairs: Sequence[CurvePair],
    *,
    align: Align,
    rehearsal: bool,
    at: dt.datetime,
) -> str:
    """Return the page.

    Parameters
    ----------
    found : RunComparison
        Names of both runs, and what was changed.
    lines : sequence of str
        Each quantity's difference in words, as in the terminal.
    pairs : sequence of CurvePair
    align : Align
        What both runs' times count from.
    rehearsal : bool
        Both are.
    at : datetime
        When it is written, with its time zone.
    """
    environment = page_environment("standbook.analysis.campaign_page")
    return environment.get_template("comparison.html.j2").render(
        first=found.first,
        second=found.second,
        at=f"{at:%Y-%m-%d %H:%M %Z}",
        rehearsal=rehearsal,
        since=SINCE[align],
        lines=[signs(line) for line in lines],
        changes=found.changes,
        figures=[Markup(pair_figure(pair, found, number, align)) for number, pair in enumerate(pairs, 1)],  # noqa: S704
        style=page_style(environment),
        running_head=Markup(css_string(f"{found.second} less {found.first}")),  # noqa: S704 - escaped for a stylesheet
    )


def pair_figure(pair: CurvePair, found: RunComparison, number: int, align: Align) -> str:
    """Draw one quantity of both runs, and below it the second less the first, as ``<svg>``."""
    scale, unit = (bar, "bar(a)") if pair.unit == "Pa" else (1.0, pair.unit)
    difference_unit = "bar" if pair.unit == "Pa" else pair.unit
    with style.style():
        figure = style.new_figure(HEIGHT)
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3.0, 1.3))
        time, value = style.thin(*pair.first)
        above.plot(time, value / scale, color=INK, linewidth=1.3, label=found.first)
        time, value = style.thin(*pair.second)
        above.plot(time, value / scale, color=BLUE, linewidth=1.3, linestyle=(0, (5, 2)), label=found.second)
        above.set_ylabel(f"{pair.name.replace('/', ', ')}, {unit}")
        style.legend(above, columns=1)
        time, value = style.thin(*pair.difference)
        below.axhline(0.0, color=GREY, linewidth=0.7)
        below.plot(time, value / scale, color=INK, linewidth=1.0)
        below.set_ylabel(f"difference, {difference_unit}")
        below.set_xlabel(f"time after {SINCE[align]}, s")
        return style.to_svg(figure, f"pair-{number}", f"{pair.name} of both runs, and their difference")
