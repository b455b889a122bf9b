"""Draw channels of a run for a notebook: one figure, units on its axes, no global state."""

from typing import TYPE_CHECKING

import numpy as np

from standbook.analysis.data_frames import TIME
from standbook.analysis.opened_run import Run
from standbook.analysis.prediction.live_bands import live_bands
from standbook.analysis.results.prediction import Prediction
from standbook.daq.config import measurands
from standbook.daq.errors import DataError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INCHES = (8.0, 2.6)  # of one channel
BAND_POINTS = 200


def plot(run: Run, *names: str, window: tuple[float, float] | None = None, band: bool = False) -> "Figure":
    """Draw channels, one below the other, every sample.

    Parameters
    ----------
    run : Run
        Opened.
    names : str
        Tags, or ``"thrust"`` for thrust with zeros and weight taken out.
    window : tuple of float, optional
        First and last instant after T-0. [s]
    band : bool
        The predicted 95 % band behind what it says something of.

    Raises
    ------
    DataError
        No name was given, a tag that the run does not have, or thrust of a run without.
    """
    from matplotlib.figure import Figure

    if not names:
        raise DataError(f"{run.folder.name}: name what is drawn: {', '.join(run.dataset.channels)}")
    start, end = window if window is not None else (None, None)
    figure = Figure(figsize=(INCHES[0], INCHES[1] * len(names)), layout="constrained")
    all_axes = np.atleast_1d(figure.subplots(len(names), 1, sharex=True))
    for axes, name in zip(all_axes, names, strict=True):
        if name == measurands.THRUST:
            series, unit = run.thrust().loc[slice(start, end)], "N"
        else:
            frame = run.frame([name], start=start, end=end)
            series, unit = frame[name], frame.attrs["units"][name]
        axes.plot(series.index, series.to_numpy(), linewidth=0.8, color="black")
        axes.set_ylabel(f"{name} [{unit}]")
        if band:
            _draw_band(axes, run, name, series.index.to_numpy())
    all_axes[-1].set_xlabel(TIME)
    mark = " (REHEARSAL)" if run.record.info.rehearsal else ""
    all_axes[0].set_title(f"{run.folder.name}{mark}", loc="left", fontsize="medium")
    return figure


def _draw_band(axes: "Axes", run: Run, name: str, time: np.ndarray) -> None:
    """Shade the predicted band where there is one, in the unit of the channel."""
    record = run.record
    if record.prediction_text is None or not time.size:
        return
    tags = [item.tag for item in record.stand.measuring(measurands.THRUST)] if name == measurands.THRUST else [name]
    bands = live_bands(Prediction.from_json(record.prediction_text), record.stand, record.calibrations)
    scale = record.calibrations[tags[0]].scale if tags and tags[0] in record.calibrations else 1.0
    instants = np.linspace(time[0], time[-1], BAND_POINTS)
    found = [(t, ends) for t in instants if tags and (ends := bands(tags[0], float(t))) is not None]
    if found:
        at, low, high = (np.array(part) for part in zip(*((t, *ends) for t, ends in found), strict=True))
        axes.fill_between(at, low / scale, high / scale, color="0.85", zorder=0)
