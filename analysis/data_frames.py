"""Convert a run, its results and its curves to pandas data frames, for notebooks. SI; pressures absolute.

Nothing is computed here. Units stand in ``DataFrame.attrs["units"]`` or in a column of their own.
"""

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import pandas as pd

from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.results.curves import SPECTRAL_UNIT, Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import ImpulseResult, Results
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import SI_UNIT


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
