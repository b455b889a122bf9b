"""Draw a series: thick bars what is each run's own, thin bars all; points joined, for they are of one configuration."""

from matplotlib.ticker import MaxNLocator

from standbook.analysis.campaign_page.series import Series
from standbook.analysis.campaign_page.stand_series import StandSeries
from standbook.analysis.report.content.number_format import TRADE_UNITS
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import GREY, INK

Panel = Series | StandSeries
WIDTH, HEIGHT = style.WIDTH / 2.0, 1.3  # two beside each other on paper [in]
LABELS = 6  # runs named below, at most


def series_figure(series: Panel, number: int) -> str:
    """Draw one series as ``<svg>``."""
    scale, unit = _unit(series)
    place = range(len(series.points))
    values = [scale * point.value for point in series.points]
    with style.style():
        figure = style.new_figure(HEIGHT, width=WIDTH)
        axes = figure.subplots()
        whole, own = ([scale * u for u in us] for us in zip(*((p.u, p.u_own) for p in series.points), strict=True))
        axes.errorbar(place, values, yerr=whole, fmt="none", ecolor=GREY, elinewidth=0.8, capsize=2.0)
        if series.parts_known:
            axes.errorbar(place, values, yerr=own, fmt="none", ecolor=INK, elinewidth=2.2)
        axes.plot(place, values, color=INK, linewidth=0.8, marker="o", markersize=4.0)
        step = max(1, -(-len(values) // LABELS))
        axes.set_xticks(list(place)[::step], [point.run for point in series.points][::step])
        axes.set_title(f"{series.title}{f', {unit}' if unit else ''}")
        axes.yaxis.set_major_locator(MaxNLocator(3))
        axes.margins(x=0.15)
        return style.to_svg(figure, f"series-{number}", f"{series.title} from run to run")


def _unit(series: Panel) -> tuple[float, str]:
    """Return what SI values are multiplied by to be shown, and the unit they are shown in."""
    shown, si = TRADE_UNITS.get(series.unit, (series.unit.replace("*", "·"), 1.0))
    return 1.0 / si, shown
