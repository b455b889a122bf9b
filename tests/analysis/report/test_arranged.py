"""Every figure of a report, as it is arranged: nothing stands out of the drawing, nothing covers the axes below."""

from dataclasses import dataclass

import pytest

from standbook.analysis.report.figures import style
from tests.analysis import report_fixture as fixture

TOLERANCE = 0.02  # in; a browser's font changes a number's width by more


@dataclass(frozen=True)
class Seen:
    """Sides of a drawing beyond which something stands, and its axes. [in]."""

    out: dict
    axes: list  # pairs of axes and what stands above them
    size: tuple


def seen(figure):
    """Measure a figure while its style holds: numbers that are drawn later have another size."""
    width, height = figure.get_size_inches()
    box = figure.get_tightbbox()
    out = {"left": -box.x0, "below": -box.y0, "right": box.x1 - width, "above": box.y1 - height}
    axes = []
    for one in figure.axes:
        legend, extent = one.get_legend(), one.get_window_extent()
        top = max(extent.y1, legend.get_window_extent().y1) if legend else extent.y1
        axes.append((extent.x0 / 72, extent.x1 / 72, extent.y0 / 72, extent.y1 / 72, top / 72))
    return Seen({side: far for side, far in out.items() if far > TOLERANCE}, axes, (width, height))


@pytest.fixture(scope="module")
def figures():
    drawn = {}
    write = style.to_svg

    def keep(figure, name, description):
        text = write(figure, name, description)
        drawn[name] = seen(figure)
        return text

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(style, "to_svg", keep)
        curves = fixture.firing_curves() | fixture.full_rate_windows()
        fixture.rendered(fixture.firing(), curves, fixture.CONTEXT)
        fixture.rendered(*fixture.water_flow())
    return drawn


@pytest.mark.slow
def test_nothing_stands_out_of_a_drawing(figures):
    assert len(figures) >= 12
    assert {name: one.out for name, one in figures.items() if one.out} == {}


def test_a_title_stands_in_the_drawing_too():
    with style.style():
        figure = style.new_figure(1.3, width=style.WIDTH / 2.0)
        axes = figure.subplots()
        axes.plot([0.0, 1.0], [0.0, 1.0])
        axes.set_title("zero of PT-11 (r02)")
        style.to_svg(figure, "titled", "titled")
        assert seen(figure).out == {}


@pytest.mark.slow
def test_axes_take_most_of_their_drawing_and_leave_each_other_room(figures):
    for name, one in figures.items():
        width, height = one.size
        assert all(right - left > 0.6 * width for left, right, *_ in one.axes), name
        assert sum(above - below for _, _, below, above, _ in one.axes) > 0.25 * height, name
        for (_, _, bottom, *_), (*_, top) in zip(one.axes, one.axes[1:], strict=False):
            assert top < bottom + TOLERANCE, name
