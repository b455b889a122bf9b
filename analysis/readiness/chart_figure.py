"""Draw charts of zeros and shunt steps, check by check, with the limits that each value was held against."""

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from standbook.analysis.readiness.charts import Chart
from standbook.analysis.report.content import number_format
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import BAND, GREY, INK, VERMILION
from standbook.analysis.stand_checks.charts import OWN_LIMITS

MOST = 4  # charts on one printed sheet
WIDTH, HEIGHT = style.WIDTH / 2.0, 1.0  # of one chart, two beside each other on paper [in]
LABELS = 4  # dates below a chart, at most


def chart_figures(charts: Sequence[Chart]) -> tuple[str, ...]:
    """Draw the first few charts, each by itself."""
    with style.style():
        return tuple(_figure(chart) for chart in charts[:MOST])


def _figure(chart: Chart) -> str:
    figure = style.new_figure(HEIGHT, width=WIDTH)
    _draw(figure.subplots(), chart)
    name = chart.name.replace(" ", "-")
    return style.to_svg(figure, f"chart-{name}", f"{chart.name} from check to check, with its limits")


def _draw(axes: Axes, chart: Chart) -> None:
    number = np.arange(chart.value.size)
    limits = [chart.limits_before(k) for k in range(1, chart.value.size)]
    for k, before in enumerate(limits, start=1):
        axes.fill_between([k - 0.5, k + 0.5], before.low, before.high, color=BAND, linewidth=0.0)
        axes.plot([k - 0.5, k + 0.5], [before.middle] * 2, color=GREY, linewidth=0.8)
    axes.plot(number, chart.value, color=INK, linewidth=0.9, marker="o", markersize=3.5)
    out = chart.outside.astype(np.int64)
    axes.plot(out, chart.value[out], color=VERMILION, linestyle="none", marker="D", markersize=6.0, fillstyle="none")
    axes.set_title(f"{chart.name}, {chart.unit}")
    places = np.unique(np.linspace(0, number[-1], min(LABELS, number.size)).round().astype(np.int64))
    axes.set_xticks(places, [f"{chart.at[k]:%m-%d}" for k in places])
    axes.yaxis.set_major_locator(MaxNLocator(3))


def chart_words(charts: Sequence[Chart]) -> str:
    """Say what the pictures show, and how often a good value falls outside."""
    said = [
        f"Shaded: limits by the checks before; by the calibration's zero uncertainty or 0.02 % of the step, from "
        f"{OWN_LIMITS} on by their own scatter. Diamond: outside."
    ]
    for chart in charts[:MOST]:
        before = chart.limits_before(chart.value.size - 1)
        place = "outside" if chart.value.size - 1 in chart.outside else "inside"
        middle, half = number_format.round_pair(before.middle, before.high - before.middle)
        said.append(
            f"{chart.name}: the newest of {chart.value.size} {place} {middle} ± {half} {chart.unit} (by chance 1 in "
            f"{1.0 / before.by_chance:.0f})."
        )
    if len(charts) > MOST:
        said.append(f"{len(charts) - MOST} more lie nearer to their middle and are not drawn.")
    return " ".join(said)
