"""Draw a panel: thick bars what is each run's own, thin bars all; points join inside one configuration only."""

from collections.abc import Sequence

from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from standbook.analysis.campaign_page.series import Panel, Point
from standbook.analysis.campaign_page.stand_series import StandSeries
from standbook.analysis.report.content.number_format import TRADE_UNITS
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import GREY, INK

WIDTH, HEIGHT = style.WIDTH / 2.0, 1.3  # two beside each other on paper [in]
ROOM = 0.3  # of the ordinate, above the points, for the names of configurations
LABELS = 6  # runs named below, at most


def panel_figure(panel: Panel | StandSeries, number: int) -> str:
    """Draw one panel as ``<svg>``, a line with its name where another configuration begins."""
    shown, si = TRADE_UNITS.get(panel.unit, (panel.unit.replace("*", "·"), 1.0))
    points = panel.points
    with style.style():
        figure = style.new_figure(HEIGHT, width=WIDTH)
        axes = figure.subplots()
        if isinstance(panel, StandSeries):
            _joined(axes, range(len(points)), points, 1.0 / si, parts_known=panel.parts_known)
        else:
            order = {point.place: at for at, point in enumerate(points)}
            for one in panel.series:
                places = [order[point.place] for point in one.points]
                _joined(axes, places, one.points, 1.0 / si, parts_known=one.parts_known)
            low, high = axes.get_ylim()
            axes.set_ylim(low, high + (ROOM * (high - low) if panel.breaks else 0.0))
            for at, name in panel.breaks:
                axes.axvline(at - 0.5, color=GREY, linewidth=0.8, linestyle=(0, (4, 2)))
                axes.text(at - 0.45, 0.98, name, transform=axes.get_xaxis_transform(), va="top", ha="left")
        step = max(1, -(-len(points) // LABELS))
        axes.set_xticks(list(range(len(points)))[::step], [point.run for point in points][::step])
        axes.set_title(f"{panel.title}{f', {shown}' if shown else ''}")
        axes.yaxis.set_major_locator(MaxNLocator(3))
        axes.margins(x=0.15)
        return style.to_svg(figure, f"series-{number}", f"{panel.title} from run to run")


def _joined(axes: Axes, places: Sequence[int], points: Sequence[Point], scale: float, *, parts_known: bool) -> None:
    """Draw the points of one configuration."""
    values = [scale * point.value for point in points]
    axes.errorbar(
        places, values, yerr=[scale * p.u for p in points], fmt="none", ecolor=GREY, elinewidth=0.8, capsize=2.0
    )
    if parts_known:
        axes.errorbar(places, values, yerr=[scale * p.u_own for p in points], fmt="none", ecolor=INK, elinewidth=2.2)
    axes.plot(places, values, color=INK, linewidth=0.8, marker="o", markersize=4.0)
