"""Curves for figures and for readers: columns over time after T-0, SI, each with its unit.

Thinned for drawing; numbers that are quoted never come from here.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from standbook.daq.errors import RecordError

SPECTRAL_UNIT = "1/Hz^0.5"  # of an amplitude density; such a curve runs over frequency
SCHEMA = pa.schema(
    [
        ("curve", pa.dictionary(pa.int32(), pa.string())),
        ("column", pa.dictionary(pa.int32(), pa.string())),
        ("unit", pa.dictionary(pa.int32(), pa.string())),
        ("time_s", pa.float64()),
        ("value", pa.float32()),  # for drawing; seven digits
    ]
)


@dataclass(frozen=True, slots=True)
class Curve:
    """Columns that share one time axis."""

    time: NDArray[np.float64]  # (N,) [s] after T-0; of a spectrum the frequency [Hz]
    columns: Mapping[str, NDArray[np.float64]]  # each (N,)
    unit: str  # of every column, SI


def envelope(
    time: NDArray[np.float64], value: NDArray[np.float64], bins: int
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Thin a dense record to time, least, mean and greatest of equal bins of samples; NaN are left out."""
    bins = max(1, min(bins, time.size))
    edges = np.linspace(0, time.size, bins + 1).astype(np.int64)
    starts, sizes = edges[:-1], np.diff(edges)
    low = np.fmin.reduceat(value, starts)
    high = np.fmax.reduceat(value, starts)
    seen = np.isfinite(value)
    number = np.add.reduceat(seen.astype(np.float64), starts)
    total = np.add.reduceat(np.where(seen, value, 0.0), starts)
    mean = np.divide(total, number, out=np.full(bins, np.nan), where=number > 0)
    return np.add.reduceat(time, starts) / sizes, low, mean, high


def write_curves(path: Path, curves: Mapping[str, Curve]) -> None:
    """Write curves as one long Parquet table."""
    parts = [
        pa.Table.from_arrays(
            [
                *(_repeated(word, curve.time.size) for word in (name, column, curve.unit)),
                _from_memory(pa.float64(), curve.time.astype(np.float64)),
                _from_memory(pa.float32(), values.astype(np.float32)),
            ],
            schema=SCHEMA,
        )
        for name, curve in curves.items()
        for column, values in curve.columns.items()
    ]
    table = pa.concat_tables(parts).unify_dictionaries() if parts else SCHEMA.empty_table()
    pq.write_table(
        table,
        path,
        compression="zstd",
        use_dictionary=["curve", "column", "unit", "time_s"],
        column_encoding={"value": "BYTE_STREAM_SPLIT"},
    )


def _repeated(word: str, times: int) -> Any:  # noqa: ANN401 - pyarrow has no types
    text = word.encode()
    ends = pa.py_buffer(np.array([0, len(text)], np.int32))
    words = pa.Array.from_buffers(pa.string(), 1, [None, ends, pa.py_buffer(text)])
    return pa.DictionaryArray.from_arrays(_from_memory(pa.int32(), np.zeros(times, np.int32)), words)


def _from_memory(kind: Any, values: NDArray[Any]) -> Any:  # noqa: ANN401 - pyarrow has no types
    # Arrow's own way from numpy would first import pandas, which takes a third of a second.
    return pa.Array.from_buffers(kind, values.size, [None, pa.py_buffer(np.ascontiguousarray(values))])


def read_curves(path: Path) -> dict[str, Curve]:
    """Read what :func:`write_curves` wrote.

    Raises
    ------
    RecordError
        The file is missing or damaged.
    """
    try:
        frame = pq.read_table(path, schema=SCHEMA).to_pandas()
    except (OSError, pa.ArrowInvalid) as error:
        raise RecordError(f"{path}: curves cannot be read ({error}); analyse the run again") from None
    found: dict[str, Curve] = {}
    for name, group in frame.groupby("curve", observed=True, sort=False):
        columns = {
            str(column): part["value"].to_numpy().astype(np.float64)
            for column, part in group.groupby("column", observed=True, sort=False)
        }
        first = group[group["column"] == next(iter(columns))]
        found[str(name)] = Curve(first["time_s"].to_numpy(), columns, str(group["unit"].iloc[0]))
    return found
