"""Draw what the curve of a sheet misses each reading by, with the band of a later reading and the last revision."""

from collections.abc import Callable, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator

from standbook.analysis.calibration_sheet.calibrate import Calibrated
from standbook.analysis.calibration_sheet.sheet_sentences import plain_unit
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import BAND, BLUE, GREEN, GREY, INK, VERMILION

COLOURS = (INK, BLUE, VERMILION, GREEN, GREY)
MARKS = ("o", "s", "D", "P", "X")
BAND_POINTS = 60
HEIGHT = 2.7  # [in]


def residual_figures(c: Calibrated) -> tuple[str, str]:
    """Draw the residuals, filled signs on the way up and open ones on the way down; and the band, a figure of its own.

    Two figures, so that a narrow screen may put one below the other.
    """
    return (
        _drawn(c, (_runs,), "residuals", "curve minus level", "Departure of the fitted curve from every reading"),
        _drawn(c, (_band, _last), "band", "departure", "Band that holds 95 % of later readings"),
    )


def _drawn(c: Calibrated, parts: Sequence[Callable[[Axes, Calibrated], None]], name: str, what: str, says: str) -> str:
    with style.style(style.SMALL_FONT):
        figure = style.new_figure(HEIGHT, width=style.HALF)
        axes = figure.subplots()
        for part in parts:
            part(axes, c)
        axes.axhline(0.0, color=GREY, linewidth=0.8)
        axes.set_xlabel(f"level on the sensor, {c.unit}")
        axes.set_ylabel(f"{what}, {plain_unit(c.unit)}")
        axes.yaxis.set_major_locator(MaxNLocator(6))
        style.legend(axes, columns=3)
        return style.to_svg(figure, name, says)


def _band(axes: Axes, c: Calibrated) -> None:
    """Shade the 95 % interval of a later single reading."""
    level = np.linspace(c.levels.reading.min(), c.levels.reading.max(), BAND_POINTS)
    half = np.array([c.reading_u(float(x)).expanded for x in level])
    axes.fill_between(level, -half, half, color=BAND, linewidth=0.0, label="a later reading, 95 %")


def _runs(axes: Axes, c: Calibrated) -> None:
    for run in range(c.levels.runs):
        colour, mark = COLOURS[run % len(COLOURS)], MARKS[run % len(MARKS)]
        for way, face in ((c.levels.up, colour), (~c.levels.up, "white")):
            own = way & (c.levels.run == run)
            axes.plot(
                c.levels.reading[own],
                c.fit.residual[own],
                linestyle="none",
                marker=mark,
                markersize=4.0,
                markerfacecolor=face,
                markeredgecolor=colour,
                label=f"run {run + 1}" if way is c.levels.up else None,
            )


def _last(axes: Axes, c: Calibrated) -> None:
    """Draw the last revision's curve less the levels, mean of each level."""
    if c.comparison is None:
        return
    level = c.levels.level
    numbers = np.unique(level)
    x, y = (
        np.array([float(np.mean(of[level == n])) for n in numbers])
        for of in (c.levels.reading, c.comparison.difference)
    )
    axes.plot(x, y, color=VERMILION, linewidth=1.2, linestyle=(0, (5, 2)), label=f"{c.comparison.revision} minus level")
