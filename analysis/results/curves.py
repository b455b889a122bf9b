"""Curves for figures and for readers: columns over time after T-0, SI, each with its unit.

Thinned for drawing; numbers that are quoted never come from here.
"""

from collections.abc import Iterator, Mapping
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
        with path.open("rb") as file:
            table = pq.ParquetFile(file).read([field.name for field in SCHEMA]).combine_chunks()
    except (OSError, pa.ArrowException, KeyError) as error:
        raise RecordError(f"{path}: curves cannot be read ({error}); analyse the run again") from None
    time, value = (_to_memory(table, name) for name in ("time_s", "value"))
    curve, column, unit = (_words(table, name) for name in ("curve", "column", "unit"))
    found: dict[str, Curve] = {}
    for name, at in _apart(curve, np.arange(time.size)):
        columns = dict(_apart(column, at))
        of_first = next(iter(columns.values()))
        found[name] = Curve(
            time[of_first],
            {name: value[of].astype(np.float64) for name, of in columns.items()},
            unit.words[unit.of[at[0]]],
        )
    return found


@dataclass(frozen=True, slots=True)
class _Words:
    """A column of few words, each row by its number."""

    words: list[str]
    of: NDArray[np.int32]  # (N,)


def _words(table: Any, name: str) -> _Words:  # noqa: ANN401 - pyarrow has no types
    if not table.num_rows:
        return _Words([], np.empty(0, np.int32))
    chunk = table.column(name).chunk(0)
    return _Words(chunk.dictionary.to_pylist(), np.asarray(np.from_dlpack(chunk.indices)))


def _to_memory(table: Any, name: str) -> NDArray[Any]:  # noqa: ANN401 - pyarrow has no types
    return np.asarray(np.from_dlpack(table.column(name).chunk(0))) if table.num_rows else np.empty(0)


def _apart(column: _Words, at: NDArray[np.int64]) -> Iterator[tuple[str, NDArray[np.int64]]]:
    """Yield each word of these rows, in the order of their first, with its rows."""
    numbers = column.of[at]
    seen, first = np.unique(numbers, return_index=True)
    for number in seen[np.argsort(first)]:
        yield column.words[number], at[numbers == number]
