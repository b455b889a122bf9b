"""Draw the spectra of a firing on one pair of logarithmic axes, named peaks marked."""

from collections.abc import Mapping

from matplotlib.axes import Axes
from matplotlib.ticker import NullFormatter

from standbook.analysis.firing.stability_findings import frequencies
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import BLUE, GREEN, GREY, INK, VERMILION
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.firing_results import Line, Stability

LOOKS = ((INK, "-"), (BLUE, (0, (5, 2))), (VERMILION, (0, (1, 1.2))), (GREEN, (0, (4, 1.5, 1, 1.5))))
SHORT = {"mains": "mains", "stand mode": "stand", "coherent": "chamber + feed", "alias": "alias", "undecided": "?"}
MOST_MARKS = 8
ROWS = 4  # of labels, one below the other so that neighbours do not meet


def spectrum(curves: Mapping[str, Curve], steady: Stability, *, headline: str = "") -> str | None:
    """Draw the chamber and at most three other channels, those with peaks first; ``headline`` is read aloud."""
    known = {name.removeprefix("spectrum/"): curve for name, curve in curves.items() if name.startswith("spectrum/")}
    if steady.channel not in known:
        return None
    told = [line.channel for line in steady.lines]
    others = sorted((tag for tag in known if tag != steady.channel), key=lambda tag: (tag not in told, tag))
    with style.style():
        figure = style.new_figure(2.0)
        axes = figure.subplots()
        for tag, (colour, dash) in zip([steady.channel, *others], LOOKS, strict=False):
            curve = known[tag]
            axes.plot(curve.time, curve.columns["density"], color=colour, linestyle=dash, linewidth=1.0, label=tag)
        axes.set_xscale("log")
        axes.set_yscale("log")
        for axis in (axes.xaxis, axes.yaxis):  # mathematics is not set in the report
            axis.set_major_formatter(lambda value, _: f"{value:g}")
            axis.set_minor_formatter(NullFormatter())
        axes.set_xlim(2.0, float(known[steady.channel].time[-1]))
        axes.set_xlabel("frequency, Hz")
        axes.set_ylabel("amplitude density\nover mean, 1/√Hz")
        axes.axvspan(
            steady.highest_frequency, axes.get_xlim()[1], facecolor="none", edgecolor=GREY, hatch="////", linewidth=0.0
        )
        _mark(axes, _distinct(steady.lines))
        style.legend(axes)
        aloud = style.read_aloud("Spectra of chamber pressure and other channels with named peaks", headline)
        return style.to_svg(figure, "spectrum", aloud)


def _distinct(lines: tuple[Line, ...]) -> list[Line]:
    """Return one line for each frequency and name, the largest."""
    kept: dict[tuple[str, int], Line] = {}
    for line in sorted(lines, key=lambda line: -max(line.amplitude_at_start, line.amplitude_at_end)):
        kept.setdefault((line.name, round(line.frequency_at_end)), line)
    return sorted(list(kept.values())[:MOST_MARKS], key=lambda line: line.frequency_at_end)


def _mark(axes: Axes, lines: list[Line]) -> None:
    for row, line in enumerate(lines):
        at = line.frequency_at_end
        axes.axvline(at, color=GREY, linewidth=0.7, linestyle=(0, (1, 2)), zorder=1)
        axes.annotate(
            f"{frequencies(line)} {SHORT[line.name]}",
            xy=(at, 1.0),
            xycoords=axes.get_xaxis_transform(),
            xytext=(2, -2 - 11 * (row % ROWS)),
            textcoords="offset points",
            va="top",
            ha="left",
            color=INK,
        )
