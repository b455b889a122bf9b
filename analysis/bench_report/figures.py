"""Draw one column of a bench recording: all its rows in a narrow picture, and its amplitude spectrum beside."""

from typing import Final

import numpy as np

from standbook.analysis.bench_report.column_facts import ColumnFacts
from standbook.analysis.report.figures import style
from standbook.analysis.report.figures.style import BLUE, ENVELOPE, ENVELOPE_EDGE, INK
from standbook.analysis.signal.spectra import LOWEST, NOISE_WIDTH, Spectrum
from standbook.daq.arrays import Array

HEIGHT: Final = 0.96  # of one picture, two beside each other on paper [in]
NUMBERS: Final = 3  # along an ordinate


def trace_figure(column: ColumnFacts, time: Array, value: Array, number: int) -> str:
    """Draw a column's rows as ``<svg>``: means of neighbouring rows within their minimum and maximum.

    Parameters
    ----------
    column : ColumnFacts
        Whose rows these are.
    time, value : (N,) array
        After the first row [s], in the column's unit.
    number : int
        Of the picture on its page.
    """
    middle, mean, low, high = style.blocks(time, value, value, value)
    with style.style(style.SMALL_FONT):
        figure = style.new_figure(HEIGHT, width=style.HALF)
        axes = figure.subplots()
        axes.fill_between(middle, low, high, facecolor=ENVELOPE, edgecolor=ENVELOPE_EDGE, linewidth=0.4)
        axes.plot(middle, mean, color=INK, linewidth=0.9)
        axes.set_xlim(0.0, float(time[-1]) or 1.0)
        axes.locator_params(axis="y", nbins=NUMBERS)
        axes.set_xlabel("time after the first row, s")
        style.thousands(axes)
        told = style.read_aloud(
            f"{column.tag} over time", f"{column.minimum:.6g} to {column.maximum:.6g} {column.unit}"
        )
        return style.to_svg(figure, f"trace-{number}", told)


def spectrum_figure(column: ColumnFacts, found: Spectrum, number: int) -> str:
    """Draw a column's amplitude spectrum as ``<svg>``; as for :func:`trace_figure`."""
    frequency, amplitude = (one[LOWEST:] for one in (found.frequency, amplitudes(found)))
    size = -(-frequency.size // style.MOST_BLOCKS)
    firsts = np.arange(0, frequency.size, size)
    with style.style(style.SMALL_FONT):
        figure = style.new_figure(HEIGHT, width=style.HALF)
        axes = figure.subplots()
        axes.plot(frequency[firsts], np.maximum.reduceat(amplitude, firsts), color=BLUE, linewidth=0.9)
        axes.set_xlim(0.0, float(found.frequency[-1]))
        axes.set_ylim(0.0)
        axes.locator_params(axis="y", nbins=NUMBERS)
        axes.set_xlabel("frequency, Hz")
        style.thousands(axes)
        strongest = column.peaks[0] if column.peaks else None
        headline = f"strongest line at {strongest.frequency:.1f} Hz" if strongest else "no line stands out"
        return style.to_svg(figure, f"spectrum-{number}", style.read_aloud(f"spectrum of {column.tag}", headline))


def amplitudes(found: Spectrum) -> Array:
    r"""Return the amplitude of the sine that would show each bin's density. (K,).

    Notes
    -----
    A sine of amplitude a has the power :math:`a^2/2`; under a Hann window its own bin holds it as if spread over
    ``NOISE_WIDTH`` bins. Source: [Harris1978].
    """
    return np.sqrt(2.0 * NOISE_WIDTH * found.resolution * found.density)
