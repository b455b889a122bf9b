"""Convert a run, its results and its curves to pandas data frames, for notebooks. SI; pressures absolute.

Nothing is computed here. Units stand in ``DataFrame.attrs["units"]`` or in a column of their own.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.results.curves import SPECTRAL_UNIT, Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import ImpulseResult, Results
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.config.calibration import from_si
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import SI_UNIT

Units = Literal["stored", "SI"]
TIME = "time after T-0 [s]"


def channel_table(dataset: Dataset, stream: str) -> pd.DataFrame:
    """Return the readings of one stream, one column a tag, indexed by time after T-0. [s].

    Parameters
    ----------
    dataset : Dataset
        The run.
    stream : str
        ``"cradle-a/fast"``; ``KeyError`` when it has no channel.

    Notes
    -----
    Each channel's latency is a fraction of a row and is left out of the common index; the exact times of one
    channel are ``dataset.channels[tag].time``.
    """
    channels = {tag: channel for tag, channel in dataset.channels.items() if channel.stream == stream}
    if not channels:
        raise KeyError(stream)
    first = next(iter(channels.values()))
    index = pd.Index(first.time + first.calibration.latency.value, name="time_s")
    frame = pd.DataFrame({tag: channel.reading for tag, channel in channels.items()}, index=index)
    frame.attrs["units"] = {tag: SI_UNIT[channel.calibration.dimension] for tag, channel in channels.items()}
    return frame


def run_frame(
    dataset: Dataset,
    tags: Sequence[str] | None = None,
    *,
    start: float | None = None,
    end: float | None = None,
    units: Units = "stored",
) -> pd.DataFrame:
    """Return readings of several channels, indexed by time after T-0 [s]; a row that one of them lacks is not a number.

    Parameters
    ----------
    dataset : Dataset
        The run.
    tags : sequence of str, optional
        All channels when ``None``.
    start, end : float, optional
        First and last instant. [s]
    units : "stored" or "SI"
        The calibrations' own, gauge where they are, or SI with absolute pressures.

    Raises
    ------
    DataError
        A tag that the run does not have, or no channel with a calibration.
    """
    if not dataset.channels:
        raise DataError(f"{dataset.run}: no channel of it has a calibration; its counts stand in its samples folder")
    wanted = list(dataset.channels) if not tags else list(tags)
    if unknown := [tag for tag in wanted if tag not in dataset.channels]:
        raise DataError(f"{dataset.run}: no channel {unknown[0]}; it has {', '.join(dataset.channels)}")
    channels = {tag: dataset.channels[tag] for tag in wanted}
    streams: dict[str, dict[str, Array]] = {}
    for tag, channel in channels.items():
        streams.setdefault(channel.stream, {})[tag] = _values(dataset, channel, units)
    parts = [pd.DataFrame(part, index=_rows(channels[next(iter(part))])) for part in streams.values()]
    frame = pd.concat(parts, axis=1).sort_index()[wanted] if len(parts) > 1 else parts[0]
    frame.index.name = TIME
    frame = frame.loc[slice(start, end)]
    frame.attrs = {
        "units": {
            tag: SI_UNIT[c.calibration.dimension] if units == "SI" else c.calibration.reading_unit
            for tag, c in channels.items()
        },
        "reference": {
            tag: "absolute" if units == "SI" and c.calibration.dimension == "pressure" else c.calibration.reference
            for tag, c in channels.items()
        },
        "calibration": {tag: c.calibration.name for tag, c in channels.items()},
    }
    return frame


def _rows(channel: Channel) -> Array:
    """Return when the rows of a channel's stream were taken, its own latency left out, to the nanosecond. [s]."""
    return np.asarray(np.round(channel.time + channel.calibration.latency.value, 9))


def _values(dataset: Dataset, channel: Channel, units: Units) -> Array:
    """Return readings in SI, or as the calibration has them."""
    if units == "SI":
        return channel.reading
    gauge = channel.calibration.reference == "gauge"
    ambient = dataset.plan.site.ambient_pressure.value if gauge else 0.0
    return np.asarray(from_si(channel.reading - ambient, channel.calibration))


def thrust_series(record: ThrustRecord, burn: Burn) -> "pd.Series[float]":
    """Return thrust over its window as the impulse integral sees it, indexed by time after T-0 [s]. [N]."""
    seen, window = record.record(), burn.window
    inside = (seen.time > window.start) & (seen.time < window.end)
    edges = np.interp([window.start, window.end], seen.time, seen.value)
    time = np.concatenate(([window.start], seen.time[inside], [window.end]))
    thrust = np.concatenate((edges[:1], seen.value[inside], edges[1:]))
    series = pd.Series(thrust, index=pd.Index(time, name=TIME), name="thrust [N]")
    series.attrs = {"units": "N", "cell": record.cell.tag, "calibration": record.cell.calibration.name}
    return series


def events_table(results: Results) -> pd.DataFrame:
    """Return the events, one row each: name, time after T-0 [s], u [s], method."""
    rows = [(event.name, event.time, event.u, event.method) for event in results.events]
    return pd.DataFrame(rows, columns=["event", TIME, "u [s]", "method"])


def results_table(results: Results) -> pd.DataFrame:
    """Return every measured quantity, one row each: name, value, standard uncertainty u, unit."""
    rows = list(_measured(results, ""))
    return pd.DataFrame(rows, columns=["quantity", "value", "u", "unit"]).set_index("quantity")


def findings_table(results: Results) -> pd.DataFrame:
    """Return the findings, one row each."""
    names = [field.name for field in fields(Finding)]
    return pd.DataFrame([[getattr(found, name) for name in names] for found in results.findings], columns=names)


def curve_table(curve: Curve) -> pd.DataFrame:
    """Return one curve, indexed by time after T-0 [s]; a spectrum by frequency [Hz]."""
    over = "frequency_hz" if curve.unit == SPECTRAL_UNIT else "time_s"
    frame = pd.DataFrame(dict(curve.columns), index=pd.Index(curve.time, name=over))
    frame.attrs["units"] = dict.fromkeys(curve.columns, curve.unit)
    return frame


def _measured(value: Any, name: str) -> Iterator[tuple[str, float, float, str]]:  # noqa: ANN401
    if isinstance(value, Measured | ImpulseResult):
        yield name, value.value, value.u, value.unit
    elif is_dataclass(value):
        for field in fields(value):
            yield from _measured(getattr(value, field.name), f"{name}.{field.name}".lstrip("."))
    elif isinstance(value, Mapping):
        for key, item in value.items():
            yield from _measured(item, f"{name}.{key}".lstrip("."))
