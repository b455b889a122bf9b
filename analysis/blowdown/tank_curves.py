"""Curves of one tank for figures, firing or cold flow alike: pressure, what fit and prediction leave, ullage.

SI, absolute pressures; times in seconds after T-0. Thinned; nothing quoted in results comes from here.
"""

import numpy as np

from standbook.analysis.blowdown.exponent import Exponent
from standbook.analysis.blowdown.record import AveragedDischarge
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.results.curves import Curve, envelope
from standbook.analysis.results.prediction import Prediction
from standbook.daq.arrays import Array
from standbook.daq.config import measurands

POINTS = 1500


def predicted_columns(prediction: Prediction | None, name: str, time: Array, delay: float) -> dict[str, Array]:
    """Return nominal and band of one predicted quantity at the times wanted; not a number beyond its end.

    ``delay`` [s] is added to the prediction's times.
    """
    band = prediction.quantities.get(name) if prediction is not None else None
    if prediction is None or band is None:
        return {}
    columns = {"predicted": band.nominal, "predicted_low": band.low, "predicted_high": band.high}
    return {
        key: np.asarray(np.interp(time, prediction.time + delay, values, left=np.nan, right=np.nan))
        for key, values in columns.items()
    }


def measured_curve(
    time: Array,
    value: Array,
    low: float,
    high: float,
    unit: str,
    *,
    prediction: Prediction | None,
    name: str,
    delay: float,
) -> Curve:
    """Return a channel between two instants as envelope and mean, beside its prediction.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s] and samples, SI.
    low, high : float
        What to draw. [s]
    unit : str
        SI.
    prediction, name, delay
        As for `predicted_columns`.
    """
    inside = (time >= low) & (time <= high)
    at, least, mean, most = envelope(time[inside], value[inside], POINTS)
    columns = {"low": least, "mean": mean, "high": most}
    return Curve(at, columns | predicted_columns(prediction, name, at, delay), unit)


def tank_curves(
    channel: Channel,
    tank: str,
    low: float,
    high: float,
    *,
    prediction: Prediction | None,
    delay: float,
    flow: AveragedDischarge | None = None,
    exponent: Exponent | None = None,
) -> dict[str, Curve]:
    """Return the curves of one tank that are known.

    Parameters
    ----------
    channel : Channel
        Its pressure.
    tank : str
        Its name.
    low, high : float
        What to draw. [s]
    prediction, delay
        As for `predicted_columns`.
    flow, exponent : AveragedDischarge, Exponent, optional
        The averaged flow and the law fitted to it; both or none.
    """
    quantity = measurands.of_tank(measurands.TANK_PRESSURE, tank)
    measured = measured_curve(
        channel.time, channel.reading, low, high, "Pa", prediction=prediction, name=quantity, delay=delay
    )
    found: dict[str, Curve] = {}
    columns = dict(measured.columns)
    residual: dict[str, Array] = {}
    if exponent is not None and flow is not None:
        law = _law(flow, exponent)
        found[f"ullage/{tank}"] = law
        pressure = exponent.start_pressure.value * np.exp(law.columns["fit"])
        fit = np.interp(measured.time, law.time, pressure, left=np.nan, right=np.nan)
        columns["fit"] = np.asarray(fit)
        residual["fit"] = columns["mean"] - fit
    if "predicted" in columns:
        residual["predicted"] = columns["mean"] - columns["predicted"]
        residual["band_low"] = columns["predicted_low"] - columns["predicted"]
        residual["band_high"] = columns["predicted_high"] - columns["predicted"]
    found[quantity] = Curve(measured.time, columns, "Pa")
    if residual:
        found[f"tank residual/{tank}"] = Curve(measured.time, residual, "Pa")
    return found


def _law(flow: AveragedDischarge, exponent: Exponent) -> Curve:
    """Return how the ullage's pressure fell with its volume, both as logarithms, beside the law fitted to it."""
    start = exponent.start_pressure.value
    total, partial = flow.drive_integral()
    volume = (flow.expelled_mass or 0.0) / flow.density * partial / total
    L = np.log1p(volume / (flow.ullage_volume or np.nan))
    law = -(exponent.start.value * L + exponent.drift.value * L**2)
    return Curve(
        flow.time,
        {"log_volume_ratio": L, "log_pressure_ratio": np.log(flow.pressure / start), "fit": np.asarray(law)},
        "1",
    )
