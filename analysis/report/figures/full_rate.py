"""Draw start and stop of the thrust at full rate: thrust above, chamber pressure below, every sample of both."""

from collections.abc import Mapping
from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes

from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import BLUE, GREY, INK, VERMILION
from standbook.analysis.results.curves import Curve, at_instant
from standbook.daq.config import measurands

BAR = 1e5  # Pa
HEIGHT = 2.2  # in
LEVEL = 0.1  # of the greatest mean thrust: burn time counts from and to it
THIN = 0.7  # pt


@dataclass(frozen=True, slots=True, kw_only=True)
class Marks:
    """Lines that are drawn besides the samples; what is not known is ``None``."""

    t_zero: bool  # times count from T-0
    peak: float | None  # greatest mean thrust [N]
    crossing: float | None  # of a tenth of it [s]


def full_rate(curves: Mapping[str, Curve], which: str, marks: Marks, *, headline: str = "") -> str | None:
    """Draw one of the two windows, ``which`` is "start" or "stop"; ``None`` where the record has none."""
    thrust = curves.get(at_instant(measurands.THRUST, which))
    if thrust is None or thrust.time.size == 0:
        return None
    chamber = curves.get(at_instant(measurands.CHAMBER_PRESSURE, which))
    # every sample is meant: the path must not be simplified
    with style.style(style.SMALL_FONT), mpl.rc_context({"path.simplify": False}):
        figure = style.new_figure(HEIGHT if chamber is not None else 0.6 * HEIGHT, width=style.HALF)
        panels: list[Axes] = list(figure.subplots(1 if chamber is None else 2, 1, sharex=True, squeeze=False)[:, 0])
        _samples(panels[0], thrust, 1.0)
        panels[0].set_ylabel("thrust, N")
        style.thousands(panels[0])
        if marks.peak is not None:
            _ten_percent(panels[0], LEVEL * marks.peak, which)
        if chamber is not None:
            _samples(panels[1], chamber, BAR)
            panels[1].set_ylabel("chamber, bar(a)")
        for axes in panels:
            _instants(axes, thrust.time, marks, named=axes is panels[0])
            axes.set_xlim(float(thrust.time[0]), float(thrust.time[-1]))
        style.time_axis(panels[-1], marks.t_zero)
        told = style.read_aloud(f"Thrust and chamber pressure at the {which}, at full rate", headline)
        return style.to_svg(figure, f"full-rate-{which}", told)


def _samples(axes: Axes, curve: Curve, scale: float) -> None:
    (value,) = curve.columns.values()
    axes.plot(*style.extremes(curve.time, value / scale), color=INK, linewidth=THIN)


def _ten_percent(axes: Axes, level: float, which: str) -> None:
    axes.axhline(level, color=VERMILION, linewidth=1.0, linestyle=(0, (5, 2)), zorder=1)
    ha, x = ("left", 0.01) if which == "stop" else ("right", 0.99)
    axes.text(x, level, "10 %", transform=axes.get_yaxis_transform(), ha=ha, va="bottom", color=VERMILION)


def _instants(axes: Axes, time: np.ndarray, marks: Marks, *, named: bool) -> None:
    """Draw T-0 and the crossing of a tenth where they lie within the window."""
    known = (("T-0", 0.0 if marks.t_zero else None, BLUE), ("", marks.crossing, GREY))
    for name, at, colour in known:
        if at is None or not time[0] <= at <= time[-1]:
            continue
        axes.axvline(at, color=colour, linewidth=1.0, linestyle=(0, (1, 1.5)), zorder=1)
        if named and name:
            axes.text(at, 1.01, name, transform=axes.get_xaxis_transform(), ha="center", va="bottom", color=colour)
