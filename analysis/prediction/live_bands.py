"""Prepare the locked prediction for the live screen: the expected reading so many seconds after T-0.

SI. The prediction counts from the opening of the valves and knows no ignition delay; T-0 is the fire command. So a
band covers whatever start up to ``START_DOUBT`` after T-0 would give, and says nothing before that.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.results.prediction import Band, Prediction
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Input, Stand

START_DOUBT: Final = 0.5  # [s] from the fire command to thrust, at most; common practice, no source

Bands = Callable[[str, float], tuple[float, float] | None]


@dataclass(frozen=True, slots=True)
class LivePrediction:
    """Predicted bands that a screen compares with readings."""

    bands: Bands  # lowest and highest predicted value of a tag, so many seconds after T-0
    expelled_weight: Callable[[float], float] | None  # of what has left by then, nominal [N]


def live_prediction(
    text: str, plan: Plan, stand: Stand, calibrations: Mapping[str, Calibration]
) -> LivePrediction | None:
    """Read a locked prediction for a live screen; ``None`` where the kind of test has none.

    Raises
    ------
    DataError
        It cannot be read.
    """
    if text.strip() == "null":
        return None
    prediction = Prediction.from_json(text)
    return LivePrediction(
        live_bands(prediction, stand, calibrations), _expelled_weight(prediction, plan.site.gravity.value)
    )


def live_bands(prediction: Prediction, stand: Stand, calibrations: Mapping[str, Calibration]) -> Bands:
    """Return the function of a tag's lowest and highest predicted value at a time after T-0.

    Parameters
    ----------
    prediction : Prediction
        As locked; pressures absolute.
    stand : Stand
        Says what a tag measures.
    calibrations : mapping of tag to Calibration
        A band is in the reference of its tag's calibration.

    Notes
    -----
    Thrust is what the engine gives, without the weight that a cell under a vertical stand reads besides. Several
    cells share the thrust, so that none has a band. ``None``: the prediction says nothing of this tag, or nothing at
    this time.
    """
    found = {item.tag: band for item in stand.input if (band := _band_of(prediction, stand, item)) is not None}
    taken_off = {
        tag: prediction.ambient_pressure if tag in calibrations and calibrations[tag].reference == "gauge" else 0.0
        for tag in found
    }

    def bands(tag: str, after: float) -> tuple[float, float] | None:
        if tag not in found:
            return None
        extremes = _extremes(prediction.time, found[tag], after)
        return None if extremes is None else (extremes[0] - taken_off[tag], extremes[1] - taken_off[tag])

    return bands


def _expelled_weight(prediction: Prediction, gravity: float) -> Callable[[float], float] | None:
    of_liquid = f"{measurands.LIQUID_MASS}/"
    aboard = [band.nominal for name, band in prediction.quantities.items() if name.startswith(of_liquid)]
    if not aboard:
        return None
    mass = np.sum(aboard, axis=0)
    known = np.isfinite(mass)
    time, weight = prediction.time[known], gravity * (mass[known][0] - mass[known])
    return lambda after: float(np.interp(after, time, weight))


def _band_of(prediction: Prediction, stand: Stand, item: Input) -> Band | None:
    name = measurands.of_tank(item.measures, item.tank)
    if item.measures == measurands.THRUST and len(stand.measuring(measurands.THRUST)) > 1:
        return None
    return prediction.quantities.get(name)


def _extremes(time: NDArray[np.float64], band: Band, after: float) -> tuple[float, float] | None:
    """Return the ends of a band over all starts that are possible."""
    if not time[0] + START_DOUBT <= after <= time[-1]:
        return None
    ends = np.array([after - START_DOUBT, after])
    inside = (time > ends[0]) & (time < ends[1])
    low = np.concatenate([np.interp(ends, time, band.low), band.low[inside]])
    high = np.concatenate([np.interp(ends, time, band.high), band.high[inside]])
    if not (np.isfinite(low).all() and np.isfinite(high).all()):
        return None
    return float(low.min()), float(high.max())
