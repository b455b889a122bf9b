"""Draw each impulse with its interval and the bound that decides on one line, the limit across it. [N*s]."""

from collections.abc import Sequence

from matplotlib.axes import Axes

from standbook.analysis.report.content import number_format, sentences
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import BLUE, FONT, HATCH, INK, VERMILION
from standbook.analysis.results.results import ImpulseResult, Verdict

NAME = 1.8  # in; the width of a bound's name, with room to spare
NARROW = 3.6  # in; the width of the drawing for a telephone
Row = tuple[str, ImpulseResult, Verdict]


def ruler(rows: Sequence[Row], *, narrow: bool = False) -> str | None:
    """Draw impulses with their expanded uncertainty, and the bound held against the limit where it lies farther."""
    if not rows:
        return None
    limit = rows[0][2].limit
    bounds = [deciding_bound(impulse, verdict) for _, impulse, verdict in rows]
    marked = any(bound is not None for bound in bounds)
    with style.style():
        figure = style.new_figure(0.6 + (0.34 if marked else 0.26) * len(rows), width=NARROW if narrow else style.WIDTH)
        axes = figure.subplots()
        _scale(axes, rows, bounds, limit)
        axes.axvspan(limit, axes.get_xlim()[1], facecolor="none", edgecolor=HATCH, hatch="////", linewidth=0.0)
        axes.axvline(limit, color=VERMILION, linewidth=1.8)
        for row, ((_, impulse, verdict), bound) in enumerate(zip(rows, bounds, strict=True)):
            if bound is not None:
                _bound(axes, row, (impulse.value, bound), verdict, NAME / figure.get_figwidth())
            _interval(axes, row, impulse)
        _name_limit(axes, limit)
        axes.set_yticks(range(len(rows)), [label for label, _, _ in rows])
        axes.tick_params(axis="y", length=0)
        axes.grid(visible=False)
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_formatter(lambda value, _: f"{value:,.0f}")
        told = "; blue: the bound that decides" if marked else ""
        if narrow:
            axes.locator_params(axis="x", nbins=5)
            axes.set_xlabel("total impulse, N·s; bar: 95 % interval")
        else:
            axes.set_xlabel(f"total impulse, N·s; bar: 95 % interval{' of the cell' if marked else ''}{told}")
        return style.to_svg(
            figure, "ruler-narrow" if narrow else "ruler", f"Impulse with expanded uncertainty against the limit{told}"
        )


def deciding_bound(impulse: ImpulseResult, verdict: Verdict) -> float | None:
    """Return the upper bound held against the limit, where it lies beyond what the bar shows; else ``None``."""
    if verdict.upper_bound is None or verdict.withheld or impulse.lower_bound_only:
        return None
    return verdict.upper_bound if verdict.upper_bound > impulse.value + impulse.expanded + impulse.unseen else None


def _scale(axes: Axes, rows: Sequence[Row], bounds: Sequence[float | None], limit: float) -> None:
    low = min(limit, *(impulse.value - impulse.expanded for _, impulse, _ in rows))
    highs = [impulse.value + impulse.expanded + impulse.unseen for _, impulse, _ in rows]
    high = max(limit, 1.0, *highs, *(bound for bound in bounds if bound is not None))
    axes.set_xlim(low - 0.12 * (high - low), high + 0.30 * (high - low))
    axes.set_ylim(len(rows) - 0.45, -0.55 if not any(bounds) else -0.75)


def _name_limit(axes: Axes, limit: float) -> None:
    axes.annotate(
        f"limit {number_format.fixed(limit, 0)} N·s",
        (limit, 1.0),
        xycoords=axes.get_xaxis_transform(),
        xytext=(0, 3),
        textcoords="offset points",
        ha="center",
        va="bottom",
        color=VERMILION,
        fontsize=FONT,
    )


def _bound(axes: Axes, row: int, ends: tuple[float, float], verdict: Verdict, share: float) -> None:
    """Mark a bound, a thin line from the value to it, its name (a share of the width) above where there is room."""
    value, bound = ends
    axes.plot([value, bound], [row, row], color=BLUE, linewidth=1.3)
    axes.plot([bound, bound], [row - 0.2, row + 0.2], color=BLUE, linewidth=2.4, solid_capstyle="butt")
    low, high = axes.get_xlim()
    place, limit = ((at - low) / (high - low) for at in (bound, verdict.limit))
    to_the_right = place < share or place - share < limit <= place
    axes.annotate(
        f"bound by {sentences.raising_route(verdict)}" if verdict.raised_by else "upper bound",
        (bound, row - 0.2),
        xytext=(-2 if to_the_right else 2, 1),
        textcoords="offset points",
        ha="left" if to_the_right else "right",
        va="bottom",
        color=BLUE,
        fontsize=FONT,
    )


def _interval(axes: Axes, row: int, impulse: ImpulseResult) -> None:
    low, high = impulse.value - impulse.expanded, impulse.value + impulse.expanded
    axes.plot([low, high], [row, row], color=INK, linewidth=3.0, solid_capstyle="butt")
    axes.plot([impulse.value], [row], marker="o", markersize=7, color=INK, markeredgecolor="white")
    if impulse.lower_bound_only:
        right = axes.get_xlim()[1]
        axes.annotate(
            "",
            (high + 0.5 * (right - high), row),
            (high, row),
            arrowprops={"arrowstyle": "->", "color": INK, "linewidth": 1.3, "linestyle": (0, (2, 1.5))},
        )
    elif impulse.unseen > 0.0:
        axes.plot([high, high + impulse.unseen], [row, row], color=INK, linewidth=1.3, linestyle=(0, (2, 1.5)))
