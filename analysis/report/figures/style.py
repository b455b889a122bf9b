"""Style every figure of the report and convert it to inline SVG. Holds no data.

Text stays text, so that it can be searched, read aloud and printed sharp; the page's own font replaces
matplotlib's, which is wider, so labels that fit here fit there. Lines differ by dash as well as by colour.
"""

import io
import re
from collections.abc import Sequence
from contextlib import AbstractContextManager
from itertools import pairwise
from typing import Any, Literal

import matplotlib as mpl
import numpy as np
from markupsafe import escape
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_svg import FigureCanvasSVG, RendererSVG
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from standbook.analysis.report.content import number_format
from standbook.analysis.results.results import EventResult, Window

WIDTH = 7.0  # of a full figure [in]: the text width of an A4 page, so that 9 pt print as 9 pt
HALF = 3.4  # of a figure in one of two columns [in]
FONT = 9.0  # [pt]; all text of a figure has this size, so that none is too small on a telephone
SMALL_FONT = 8.0  # of a half figure [pt]
MOST_POINTS = 500  # of one drawn line
MOST_SAMPLES = 5000  # of one line at full rate: about 75 kB, so that no record makes a page too large to send
MOST_BLOCKS = 400  # of the small thrust curve: each a few periods of a stand that rings
POINTS = 72.0  # in an inch; what a figure is measured in
EDGE, TICK, LABEL = 2.0, 7.0, 4.0  # [pt]: round the figure, from axes to tick label, from there to the axis label
PLACES: tuple[Literal["left", "center", "right"], ...] = ("left", "center", "right")  # of a title
LINE = 1.12  # height of a line of text, in sizes of its font
LAST_LABEL = 11.0  # [pt]: how far the last number of an abscissa may stand out to the right
GAP_STEPS = 6.0  # usual distances between points; a wider one is a gap of the record

# Okabe and Ito's palette, told apart by people with any common colour blindness.
INK, BLUE, VERMILION, GREEN, GREY = "#1b1f23", "#0072b2", "#c44e00", "#00785a", "#6a737d"
BAND, ENVELOPE, SHADE = "#cfe3f2", "#c9ccd1", "#f3f1ea"
MEASURED: dict[str, Any] = {"color": INK, "linewidth": 1.3, "label": "measured"}
PREDICTED: dict[str, Any] = {"color": BLUE, "linewidth": 1.3, "linestyle": (0, (5, 2)), "label": "predicted"}
BAND_EDGE, ENVELOPE_EDGE, HATCH = "#3f86b8", "#80868e", "#b07a55"  # 3:1 on paper: a fill alone is too faint to mean
PREDICTED_BAND: dict[str, Any] = {
    "facecolor": BAND,
    "edgecolor": BAND_EDGE,
    "linewidth": 0.5,
    "label": "predicted 95 % band",
}
MIN_MAX: dict[str, Any] = {
    "facecolor": ENVELOPE,
    "edgecolor": ENVELOPE_EDGE,
    "linewidth": 0.4,
    "label": "min-max envelope",
}
FIT: dict[str, Any] = {"color": VERMILION, "linewidth": 1.3, "linestyle": (0, (1, 1.2)), "label": "fit"}

_STYLE: Any = {
    "font.family": "DejaVu Sans",  # comes with matplotlib, so layout is the same everywhere
    "axes.titlelocation": "left",
    "axes.titleweight": "bold",
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.axisbelow": True,
    "axes.unicode_minus": True,
    "grid.color": "#e4e6e8",
    "grid.linewidth": 0.6,
    "xtick.color": GREY,
    "ytick.color": GREY,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "legend.handlelength": 2.2,
    "legend.handletextpad": 0.5,
    "legend.columnspacing": 1.1,
    "hatch.linewidth": 0.5,
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
    "svg.fonttype": "none",
    "path.simplify": True,
}


_SIZES: Any = ("font.size", "axes.labelsize", "axes.titlesize", "xtick.labelsize", "ytick.labelsize", "legend.fontsize")


def style(font: float = FONT) -> AbstractContextManager[None]:
    """Apply the report's style for the time of one figure, all its text of one size. [pt]."""
    return mpl.rc_context({**_STYLE, **dict.fromkeys(_SIZES, font)})


def new_figure(height: float, *, width: float = WIDTH) -> Figure:
    """Make an empty figure. [in]."""
    return Figure(figsize=(width, height), dpi=POINTS)


def thin(
    time: NDArray[np.float64], *columns: NDArray[np.float64], most: int = MOST_POINTS
) -> list[NDArray[np.float64]]:
    """Keep about ``most`` points, the last among them; the columns hold means already.

    Where the record has a gap the columns get a NaN: no line is drawn across what nobody saw.
    """
    if time.size > most:
        kept = np.unique(np.linspace(0, time.size - 1, most).round().astype(np.int64))
        time, columns = time[kept], tuple(column[kept] for column in columns)
    steps = np.diff(time)
    gaps = np.flatnonzero(steps > GAP_STEPS * np.median(steps)) if steps.size else np.empty(0, np.int64)
    middle = time[gaps] + steps[gaps] / 2.0
    return [np.insert(time, gaps + 1, middle), *(np.insert(column, gaps + 1, np.nan) for column in columns)]


def blocks(
    time: NDArray[np.float64],
    mean: NDArray[np.float64],
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    most: int = MOST_BLOCKS,
) -> list[NDArray[np.float64]]:
    """Average neighbouring points to about ``most`` blocks, none across a gap, each with its minimum and maximum."""
    steps = np.diff(time)
    gaps = np.flatnonzero(steps > GAP_STEPS * np.median(steps)) + 1 if steps.size else np.empty(0, np.int64)
    size = -(-time.size // most)
    firsts = np.concatenate([np.arange(a, b, size) for a, b in pairwise((0, *gaps.tolist(), time.size))])
    counts = np.diff(np.append(firsts, time.size))
    middle, average = (np.add.reduceat(column, firsts) / counts for column in (time, mean))
    return thin(middle, average, np.fmin.reduceat(low, firsts), np.fmax.reduceat(high, firsts))


def extremes(
    time: NDArray[np.float64], value: NDArray[np.float64], most: int = MOST_SAMPLES
) -> list[NDArray[np.float64]]:
    """Keep every sample where there are at most ``most``; else the minimum and maximum of equal parts, in order."""
    if time.size <= most:
        return thin(time, value, most=most)
    size = samples_in_one(time.size, most)
    firsts = np.arange(0, time.size, size)
    ends = [*firsts[1:].tolist(), time.size]
    kept: list[int] = []
    for first, end in zip(firsts.tolist(), ends, strict=True):
        part = value[first:end]
        kept += sorted({first + int(np.argmin(part)), first + int(np.argmax(part))})
    return thin(time[kept], value[kept], most=len(kept))


def samples_in_one(samples: int, most: int = MOST_SAMPLES) -> int:
    """Count the samples of which :func:`extremes` draws minimum and maximum; 1 where it draws every one."""
    return 1 if samples <= most else -(-2 * samples // most)


def thousands(axes: Axes) -> None:
    """Write the ordinate's numbers with thousands separators."""
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.6g}".replace("-", number_format.MINUS)))


def time_axis(axes: Axes, t_zero: bool = True) -> None:
    """Label the time axis."""
    axes.set_xlabel("time after T-0, s" if t_zero else "time after the first row, s")


def legend(axes: Axes, *, columns: int = 4) -> None:
    """Put a one-line legend above the axes, out of the data's way."""
    handles, labels = axes.get_legend_handles_labels()
    if handles:
        axes.legend(handles, labels, loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=columns, borderaxespad=0.2)


def shade_window(axes: Axes, window: Window | tuple[float, float] | None) -> None:
    """Shade the integration window."""
    if window is None:
        return
    start, end = (window.start, window.end) if isinstance(window, Window) else window
    axes.axvspan(start, end, facecolor=SHADE, edgecolor="none", zorder=0)
    for edge in (start, end):
        axes.axvline(edge, color=GREY, linewidth=0.8, zorder=1)


def mark_events(axes: Axes, events: Sequence[EventResult]) -> None:
    """Write event numbers along the top, spread apart where they stand close."""
    low, high = axes.get_xlim()
    seen = [(number, event.time) for number, event in enumerate(events, start=1) if low <= event.time <= high]
    gap = 0.036 * (high - low)
    places = _spread([time for _, time in seen], gap, low, high)
    for (number, time), place in zip(seen, places, strict=True):
        axes.axvline(time, color=GREY, linewidth=0.7, linestyle=(0, (1, 2)), zorder=1)
        axes.annotate(
            str(number),
            xy=(time, 1.0),
            xycoords=axes.get_xaxis_transform(),
            xytext=(place, 1.07),
            textcoords=axes.get_xaxis_transform(),
            ha="center",
            va="center",
            fontsize=FONT,
            bbox={"boxstyle": "circle,pad=0.18", "facecolor": "white", "edgecolor": GREY, "linewidth": 0.7},
            arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.6, "shrinkA": 0, "shrinkB": 0},
            annotation_clip=False,
        )


def read_aloud(what: str, headline: str = "") -> str:
    """Write what is read aloud in place of a figure: what it draws, then its main number; escaped."""
    return str(escape(f"{what}: {headline}" if headline else what))


def to_svg(figure: Figure, name: str, description: str) -> str:
    """Write a figure as one ``<svg>`` element to be put into HTML.

    ``name`` makes its identifiers unique on the page; ``description`` is read aloud in place of the picture
    and must already be escaped.
    """
    _arrange(figure)
    stream = io.StringIO()
    canvas: Any = FigureCanvasSVG(figure)
    figure.set_facecolor("none")
    for axes in figure.axes:
        axes.set_facecolor("none")
    with mpl.rc_context({"svg.hashsalt": name}):
        # Straight to the canvas: the figure's own way would draw it once more, for a bounding box that nobody asks for.
        canvas.print_svg(stream, metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
    text = stream.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r"<(metadata|style)\b.*?</\1>", "", text, flags=re.DOTALL)  # its style is in the page's stylesheet
    text = re.sub(r' xmlns(:xlink)?="[^"]*"', "", text).replace("xlink:href", "href")
    text = re.sub(r'\bid="', f'id="{name}-', text)
    text = re.sub(r"url\(#", f"url(#{name}-", text)
    text = re.sub(r'href="#', f'href="#{name}-', text)
    text = re.sub(r'\b(?:d|x|y|transform|points)="[^"]*"', _shorten, text)
    text = re.sub(r"font: ([^;\"]*?) ?'[^;\"]*", r"font: \1 sans-serif", text)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"\n\s*", "\n", text)
    return text.replace("<svg ", f'<svg role="img" aria-label="{description}" ', 1)


def _arrange(figure: Figure) -> None:
    """Give axes that stand one above the other the room that their labels leave.

    Notes
    -----
    Only what varies is measured: what stands above the axes, then the ordinates, whose ticks depend on the height that
    is left. The library's own layout measures everything twice, which was half of a report's time.
    """
    width, height = (POINTS * side for side in figure.get_size_inches())
    renderer: RendererBase = RendererSVG(width, height, io.StringIO())  # type: ignore[no-untyped-call]
    above = [_above(axes, renderer) for axes in figure.axes]
    below = [_below(axes) for axes in figure.axes]
    between = [upper + lower + EDGE for upper, lower in zip(below, above[1:], strict=False)]
    room = height - above[0] - below[-1] - 2.0 * EDGE - sum(between)
    figure.subplots_adjust(
        right=1.0 - (LAST_LABEL + EDGE) / width,
        bottom=(below[-1] + EDGE) / height,
        top=1.0 - (above[0] + EDGE) / height,
        hspace=max(between, default=0.0) / (room / len(above)),
    )
    left = max(_beside(axes, renderer) for axes in figure.axes)
    figure.subplots_adjust(left=(left + EDGE) / width)


def _above(axes: Axes, renderer: RendererBase) -> float:
    """Return how far legend, text and title stand out above the axes, at least half a number of the ordinate. [pt]."""
    drawn = [one.get_tightbbox(renderer) for one in (axes.get_legend(), *axes.texts) if one is not None]
    top = max([box.y1 for box in drawn if box is not None], default=0.0) - axes.get_window_extent(renderer).y1
    line = float(LINE * mpl.rcParams["font.size"])
    title = mpl.rcParams["axes.titlepad"] + line if any(axes.get_title(loc) for loc in PLACES) else 0.0
    return float(max(top, title, 0.5 * line))


def _below(axes: Axes) -> float:
    """Return the height of the abscissa's numbers and name. [pt]."""
    line = float(LINE * mpl.rcParams["font.size"])
    numbered = axes.xaxis.get_tick_params().get("labelbottom", True)
    return (TICK + line if numbered else 0.0) + (LABEL + line if axes.get_xlabel() else 0.0)


def _beside(axes: Axes, renderer: RendererBase) -> float:
    """Return the width of the ordinate's numbers and name. [pt]."""
    box = axes.yaxis.get_tightbbox(renderer)
    return float(axes.get_window_extent(renderer).x0 - box.x0) if box is not None else 0.0


def _shorten(attribute: re.Match[str]) -> str:
    return re.sub(r"(\d\.\d\d)\d+", r"\1", attribute[0])  # 0.01 pt is finer than any printer


def _spread(times: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    places: list[float] = []
    for time in times:
        places.append(max(time, places[-1] + gap) if places else max(time, low))
    for index in range(len(places) - 1, -1, -1):
        ceiling = high if index == len(places) - 1 else places[index + 1] - gap
        places[index] = min(places[index], ceiling)
    return places
