"""Sheets drawn with every error that the uncertainty claims, for studies of coverage."""

from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.level_fit import Levels


@dataclass(frozen=True, kw_only=True)
class Drawn:
    """Relative to full scale: what one sheet is drawn with, standard deviations but for loop and bow."""

    run: float = 2e-4  # of span, from run to run
    loop: float = 1.5e-4  # width
    repeat: float = 2e-4
    bow: float = 0.0  # 4 bow x (1 - x)


def ways(levels):
    """Give the levels of one run and whether each was reached on the way up."""
    shares = np.linspace(0.0, 1.0, levels)
    return np.concatenate([shares, shares[-2::-1]]), np.arange(2 * levels - 1) < levels


def drawn_sheet(random, drawn, reference_error, *, levels=6, runs=3):
    """Draw a sheet of full scale 1; ``reference_error`` gives what the reference reads too much at levels."""
    share, up = ways(levels)
    error = reference_error(np.linspace(0.0, 1.0, levels))
    signal, reading, run, ups, zero = [], [], [], [], []
    for number in range(runs):
        gain = 1.0 + drawn.run * random.standard_normal()
        load = share - np.interp(share, np.linspace(0.0, 1.0, levels), error)
        way = np.where(up, -0.5, 0.5) * drawn.loop * 4.0 * share * (1.0 - share)
        seen = gain * load + 4.0 * drawn.bow * load * (1.0 - load) + way
        signal.append(0.01 * random.standard_normal() + seen + drawn.repeat * random.standard_normal(share.size))
        reading.append(share)
        run.append(np.full(share.size, float(number)))
        ups.append(up)
        zero.append(share == 0.0)
    return Levels(
        signal=np.concatenate(signal),
        reading=np.concatenate(reading),
        run=np.concatenate(run),
        up=np.concatenate(ups),
        zero=np.concatenate(zero),
    )


def later_signal(random, drawn, load):
    """Draw the signal of a later single reading, zero taken off, anywhere between the two ways of the loop."""
    way = random.uniform(-0.5, 0.5) * drawn.loop * 4.0 * load * (1.0 - load)
    gain = 1.0 + drawn.run * random.standard_normal()
    return gain * load + 4.0 * drawn.bow * load * (1.0 - load) + way
