"""Draw the figures of the report, each from curves to inline SVG; ``None`` where its curve is not known.

Curves come in SI; axes are in trade units: bar(a), N, N·s. No number is computed here that is quoted.
"""

from collections.abc import Callable, Mapping, Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray
from scipy import constants

from standbook.analysis.report.content import number_format
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import (
    BLUE,
    FIT,
    GREEN,
    GREY,
    INK,
    MEASURED,
    MIN_MAX,
    PREDICTED,
    PREDICTED_BAND,
    VERMILION,
)
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.results import EventResult, Verdict, Window
from standbook.daq.config import measurands

BAR = constants.bar
DOTS = 60  # drawn on the pressure-volume figure, so that the fit shows between them
STIFFNESS_CUSTOM = (0.15, 0.20)  # a designers' rule of thumb, from memory
LINES = {"oxidiser": (BLUE, (0, (5, 2))), "fuel": (VERMILION, "-")}
THUMBNAIL_FONT = 10.0  # pt; it prints at three quarters of its size
Curves = Mapping[str, Curve]
Size = tuple[float, float, float]  # width, height [in], text [pt]


def thrust(curves: Curves, events: Sequence[EventResult], window: Window | None, *, headline: str = "") -> str | None:
    """Draw thrust with its envelope, prediction, window and numbered events."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes = figure.subplots()
        _measured_and_predicted(axes, curve, 1.0)
        axes.set_ylabel("thrust, N")
        axes.axhline(0.0, color=GREY, linewidth=0.7)
        _finish(axes, curve, window)
        style.mark_events(axes, events)
        axes.legend(loc="lower left", bbox_to_anchor=(0.16, 0.06), ncols=2)

    title = "Thrust against time, with prediction, integration window and events"
    return _make(curves, measurands.THRUST, 1.95, title, draw, headline=headline)


def thrust_thumbnail(curves: Curves, window: Window | None, *, headline: str = "") -> str | None:
    """Draw a small thrust curve for page one: the mean as a line, minimum to maximum in grey."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes = figure.subplots()
        whole = curve.columns["mean"]
        low, high = curve.columns.get("low", whole), curve.columns.get("high", whole)
        time, mean, low, high = style.blocks(curve.time, whole, low, high)
        style.shade_window(axes, window)
        axes.fill_between(time, low, high, **MIN_MAX)
        axes.plot(time, mean, **MEASURED)
        axes.set_ylabel("thrust, N")
        style.time_axis(axes)
        style.thousands(axes)
        axes.set_xlim(float(time[0]), float(time[-1]))

    size: Size = (3.35, 1.35, THUMBNAIL_FONT)
    return _make(curves, measurands.THRUST, size, "Thrust against time", draw, name="thumbnail", headline=headline)


def first_pressure(
    curves: Curves, tank: str, window: tuple[float, float] | None, *, narrow: bool = False, headline: str = ""
) -> str | None:
    """Draw the tank pressure for page one of a flow or a hold; ``narrow`` for a telephone."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes = figure.subplots()
        style.shade_window(axes, window)
        if "predicted" in curve.columns:
            time, predicted = style.thin(curve.time, curve.columns["predicted"])
            axes.plot(time, predicted / BAR, **PREDICTED)
        time, mean = style.thin(curve.time, curve.columns["mean"])
        axes.plot(time, mean / BAR, **MEASURED)
        style.legend(axes)
        axes.set_ylabel("pressure, bar(a)")
        style.time_axis(axes)
        axes.set_xlim(float(time[0]), float(time[-1]))

    name = measurands.of_tank(measurands.TANK_PRESSURE, tank)
    size: Size = (style.HALF, 2.2, style.SMALL_FONT) if narrow else (style.WIDTH, 2.6, style.FONT)
    called = "first-pressure-narrow" if narrow else "first-pressure"
    return _make(curves, name, size, f"{tank} tank pressure against time", draw, name=called, headline=headline)


def load_cell(curves: Curves, window: Window | None, *, headline: str = "") -> str | None:
    """Draw the load-cell reading and the weight correction."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes = figure.subplots()
        time, mean = style.thin(curve.time, curve.columns["mean"])
        axes.plot(time, mean, **{**MEASURED, "label": "load cell, zeroed"})
        if "weight" in curve.columns:
            (weight,) = style.thin(curve.time, curve.columns["weight"])[1:]
            axes.plot(time, weight, **{**FIT, "label": "weight correction"})
        axes.axhline(0.0, color=GREY, linewidth=0.7)
        axes.set_ylabel("force, N")
        style.legend(axes)
        _finish(axes, curve, window)

    title = "Load cell force and weight correction against time"
    return _make(curves, "load cell", half(1.7), title, draw, headline=headline)


def cumulative_impulse(curves: Curves, verdict: Verdict | None, *, headline: str = "") -> str | None:
    """Draw the cumulative impulse with its band against the limit."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes = figure.subplots()
        time, value = style.thin(curve.time, curve.columns["value"])
        if {"low", "high"} <= set(curve.columns):
            _, low, high = style.thin(curve.time, curve.columns["low"], curve.columns["high"])
            axes.fill_between(time, low, high, **{**MIN_MAX, "label": "95 % band"})
        axes.plot(time, value, **{**MEASURED, "label": "impulse so far"})
        if verdict is not None:
            axes.axhline(verdict.limit, color=VERMILION, linewidth=1.5, label="_limit")
            text = f"limit {number_format.fixed(verdict.limit, 0)} N·s"
            axes.text(float(time[-1]), verdict.limit, text, va="bottom", ha="right", color=VERMILION)
            axes.set_ylim(0.0, 1.12 * float(np.fmax.reduce(value, initial=verdict.limit)))
        axes.set_ylabel("cumulative impulse, N·s")
        style.legend(axes)
        _finish(axes, curve, None)

    title = "Cumulative impulse against the limit"
    return _make(curves, "cumulative impulse", half(1.7), title, draw, headline=headline)


def tank_pressure(
    curves: Curves, tank: str, window: tuple[float, float] | None, *, t_zero: bool = True, headline: str = ""
) -> str | None:
    """Draw one tank's pressure with prediction and fit; residuals below on the same time axis."""

    def draw(figure: Figure, curve: Curve) -> None:
        residual = curves.get(f"tank residual/{tank}")
        if residual is None:
            axes, below = figure.subplots(), None
        else:
            axes, below = figure.subplots(2, 1, sharex=True, height_ratios=(1.9, 1.0))
        _measured_and_predicted(axes, curve, BAR)
        if "fit" in curve.columns:
            time, fit = style.thin(curve.time, curve.columns["fit"])
            axes.plot(time, fit / BAR, **FIT)
        axes.set_ylabel("pressure, bar(a)")
        style.legend(axes, columns=2)
        _finish(axes, curve, window, t_zero=t_zero)
        if below is not None and residual is not None:
            axes.set_xlabel("")
            _residuals(below, residual)
            style.shade_window(below, window)
            style.time_axis(below, t_zero)

    name = measurands.of_tank(measurands.TANK_PRESSURE, tank)
    title = f"{tank} tank pressure against time with residuals"
    return _make(curves, name, half(2.4), title, draw, headline=headline)


def ullage(curves: Curves, tank: str, *, headline: str = "") -> str | None:
    """Draw pressure against gas volume of one tank in logarithms; the slope is minus the exponent."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes, columns = figure.subplots(), curve.columns
        x, y = style.thin(columns["log_volume_ratio"], columns["log_pressure_ratio"], most=DOTS)
        axes.plot(
            x, y, linestyle="none", marker="o", markersize=3.0, markerfacecolor="white", color=INK, label="measured"
        )
        if "fit" in columns:
            x, fit = style.thin(columns["log_volume_ratio"], columns["fit"])
            axes.plot(x, fit, **FIT)
        axes.set_xlabel("ln(gas volume / gas volume at start)")
        axes.set_ylabel("ln(pressure /\npressure at start)")
        axes.legend(loc="upper right")

    title = f"Logarithm of pressure against logarithm of gas volume, {tank} tank"
    return _make(curves, f"ullage/{tank}", half(1.6), title, draw, headline=headline)


def chamber_pressure(curves: Curves, window: Window | None, *, headline: str = "") -> str | None:
    """Draw the chamber pressure with its prediction."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes = figure.subplots()
        _measured_and_predicted(axes, curve, BAR)
        axes.set_ylabel("chamber pressure, bar(a)")
        style.legend(axes, columns=2)
        _finish(axes, curve, window)

    title = "Chamber pressure against time"
    return _make(curves, measurands.CHAMBER_PRESSURE, half(2.0), title, draw, headline=headline)


def injector_stiffness(curves: Curves, *, headline: str = "") -> str | None:
    """Draw the injector pressure-drop ratio of each side."""

    def draw(figure: Figure, curve: Curve) -> None:
        axes = figure.subplots()
        low, high = STIFFNESS_CUSTOM
        axes.axhspan(low, high, facecolor="none", edgecolor=GREY, hatch="////", linewidth=0.0, label="0.15 to 0.20")
        for side, column in curve.columns.items():
            colour, dash = LINES.get(side, (GREEN, (0, (1, 1))))
            time, values = style.thin(curve.time, column)
            axes.plot(time, values, color=colour, linestyle=dash, linewidth=1.3, label=side)
        axes.set_ylabel("pressure drop /\nchamber pressure")
        axes.set_ylim(bottom=0.0)
        style.legend(axes)
        _finish(axes, curve, None)

    title = "Injector pressure-drop ratio of both sides against time"
    return _make(curves, "injector stiffness", half(2.0), title, draw, headline=headline)


def _measured_and_predicted(axes: Axes, curve: Curve, scale: float) -> None:
    columns = curve.columns
    if {"predicted_low", "predicted_high"} <= set(columns):
        time, low, high = style.thin(curve.time, columns["predicted_low"], columns["predicted_high"])
        axes.fill_between(time, low / scale, high / scale, **PREDICTED_BAND)
    if {"low", "high"} <= set(columns):
        time, low, high = style.thin(curve.time, columns["low"], columns["high"])
        axes.fill_between(time, low / scale, high / scale, **MIN_MAX)
    if "predicted" in columns:
        time, predicted = style.thin(curve.time, columns["predicted"])
        axes.plot(time, predicted / scale, **PREDICTED)
    time, mean = style.thin(curve.time, columns["mean"])
    axes.plot(time, mean / scale, **MEASURED)


def _residuals(axes: Axes, curve: Curve) -> None:
    columns = curve.columns
    if {"band_low", "band_high"} <= set(columns):
        time, low, high = style.thin(curve.time, columns["band_low"], columns["band_high"])
        axes.fill_between(time, low / BAR, high / BAR, **{**PREDICTED_BAND, "label": None})
    for name, look in (("predicted", PREDICTED), ("fit", FIT)):
        if name in columns:
            time, values = style.thin(curve.time, columns[name])
            axes.plot(time, values / BAR, **{**look, "label": f"less {look['label']}"})
    axes.axhline(0.0, color=GREY, linewidth=0.7)
    axes.set_ylabel("difference,\nbar")
    axes.locator_params(axis="y", nbins=4)
    style.legend(axes)


def _finish(axes: Axes, curve: Curve, window: Window | tuple[float, float] | None, *, t_zero: bool = True) -> None:
    style.shade_window(axes, window)
    style.time_axis(axes, t_zero)
    style.thousands(axes)
    time: NDArray[np.float64] = curve.time
    axes.set_xlim(float(time[0]), float(time[-1]))


def half(height: float) -> Size:
    """Return the size of a figure in one of two columns: its height is given. [in], [in], [pt]."""
    return style.HALF, height, style.SMALL_FONT


def _make(
    curves: Curves,
    curve: str,
    size: Size | float,
    description: str,
    draw: Callable[[Figure, Curve], None],
    *,
    name: str | None = None,
    headline: str = "",
) -> str | None:
    if curve not in curves or curves[curve].time.size == 0:
        return None
    width, height, font = (style.WIDTH, size, style.FONT) if isinstance(size, float) else size
    with style.style(font):
        figure = style.new_figure(height, width=width)
        draw(figure, curves[curve])
        told = style.read_aloud(description, headline)
        return style.to_svg(figure, name or curve.replace("/", "-").replace(" ", "-"), told)
