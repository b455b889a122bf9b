"""Write and read the samples file: one Parquet file per stream of a device, readable by any program.

Columns: ``sequence``, ``boot``, ``ticks`` (unwrapped), ``host_time`` (UTC), and for a tag ``PT-11.counts`` with
``PT-11`` in the calibration's reading unit; an input that the stand does not name is ``wire:adc7.counts``. Units,
pressure references and calibration revisions stand in the field metadata and again, as JSON, under the file key
``standbook``. A file without that key is refused. Counts are what everything can be computed from again; readings
are for readers without our code. Rows are only written in order, never filled.
"""

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from standbook.daq.config.signal_conversion import Rails
from standbook.daq.errors import RecordError
from standbook.daq.quantity import dimension_of, parse_unit
from standbook.daq.regular_file import check_regular
from standbook.daq.storage.atomic_write import atomic_path

FILE_KEY = "standbook"
FORMAT = 1
ROW_GROUP = 1 << 17  # rows; bounds the memory of writing
COUNTS = ".counts"
FEW_VALUES = 1 / 8  # of the rows: with fewer different readings a dictionary beats any other encoding (measured)
NO_RAILS = Rails(-(2**63), 2**63 - 1)  # a source that states none: nothing counts as clipped

_FIXED = [
    pa.field("sequence", pa.int64(), nullable=False, metadata={"unit": "rows since the device started"}),
    pa.field("boot", pa.int32(), nullable=False, metadata={"unit": "starts of the device"}),
    pa.field("ticks", pa.int64(), nullable=False, metadata={"unit": "device ticks, unwrapped"}),
    pa.field("host_time", pa.timestamp("ns", tz="UTC"), nullable=False, metadata={"unit": "UTC"}),
]
DELAYS = ("skew", "latency")  # of a column, written where they are not zero
_INTEGERS = ((np.int8, pa.int8()), (np.int16, pa.int16()), (np.int32, pa.int32()), (np.int64, pa.int64()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One channel in a samples file."""

    wire: str
    tag: str | None
    type: str
    minimum: int | None
    maximum: int | None
    resolution: float = 1.0
    skew: float = 0.0  # converted so long after its row's time [s]
    latency: float = 0.0  # that the converter's filter is behind its input [s]
    reading_unit: str | None = None  # ``None``: counts only
    calibration: str | None = None

    @property
    def name(self) -> str:
        """Name of the reading's column, and of the counts' without its ending."""
        return self.tag if self.tag is not None else f"wire:{self.wire}"

    @property
    def rails(self) -> Rails:
        """Counts at the rails."""
        if self.minimum is None or self.maximum is None:
            return NO_RAILS
        return Rails(self.minimum, self.maximum)


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplesHeader:
    """Metadata of a samples file."""

    run: str
    rehearsal: bool
    device: str
    stream: str
    time_scale: float
    tick_hz: float
    interval_ticks: int
    columns: tuple[Column, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Piece:
    """Consecutive rows, ready to write."""

    sequence: NDArray[np.int64]  # (N,)
    boot: int
    ticks: NDArray[np.int64]  # (N,)
    host_ns: NDArray[np.int64]  # (N,)
    counts: NDArray[np.integer]  # (N, C)
    readings: Mapping[str, NDArray[np.float64]]  # by tag, each (N,), in the reading unit


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Samples:
    """A samples file as read: counts only, since readings follow from them."""

    header: SamplesHeader
    sequence: NDArray[np.int64]  # (N,)
    boot: NDArray[np.int32]  # (N,)
    ticks: NDArray[np.int64]  # (N,)
    host_ns: NDArray[np.int64]  # (N,)
    counts: Mapping[str, NDArray[np.int64]]  # by tag, or ``wire:NAME`` where the stand names none


def write_samples(path: Path, header: SamplesHeader, pieces: Iterable[Piece]) -> int:
    """Write a samples file whole, and return its number of rows.

    Raises
    ------
    RecordError
        The disk refused.
    """
    rows = 0
    with (
        atomic_path(path) as beside,
        beside.open("wb") as file,
    ):  # by name it would have to be UTF-8, and could be a URI
        writer = None
        try:
            for piece in pieces:
                if writer is None:
                    schema = _schema(header, piece)
                    writer = pq.ParquetWriter(file, schema, **_encodings(header, piece))
                writer.write_table(_table(schema, header, piece), row_group_size=ROW_GROUP)
                rows += piece.sequence.size
        finally:
            if writer is not None:
                writer.close()
        if writer is None:
            raise ValueError(f"{path}: no rows to write")
    return rows


def _smallest(column: Column) -> Any:  # noqa: ANN401 - pyarrow has no types
    """Choose the smallest integer that holds the channel's type whatever the rows say, for equal files."""
    bits = {"u8": 16, "i16": 16, "u16": 32, "i24": 32, "i32": 32}.get(column.type, 64)
    return next(arrow for kind, arrow in _INTEGERS if np.iinfo(kind).bits >= bits)


def _schema(header: SamplesHeader, piece: Piece) -> Any:  # noqa: ANN401 - pyarrow has no types
    fields = list(_FIXED)
    for column in header.columns:
        about = _about(column)
        fields.append(
            pa.field(
                column.name + COUNTS,
                _smallest(column),
                nullable=False,
                metadata={**{key: str(about[key]) for key in about if key != "reference"}, "unit": "counts"},
            )
        )
        if column.name in piece.readings:
            told = {key: str(value) for key, value in about.items() if value is not None}
            fields.append(pa.field(column.name, pa.float64(), nullable=False, metadata=told))
    return pa.schema(fields, metadata={FILE_KEY: json.dumps(_told(header), ensure_ascii=False)})


def _about(column: Column) -> dict[str, Any]:
    reference = None
    if column.reading_unit is not None:
        reference = parse_unit(column.reading_unit, dimension_of(column.reading_unit))[1]
    return {
        "wire": column.wire,
        "tag": column.tag,
        "type": column.type,
        "minimum": column.minimum,
        "maximum": column.maximum,
        "resolution": column.resolution,
        **{key: getattr(column, key) for key in DELAYS if getattr(column, key)},
        "unit": column.reading_unit,
        "reference": reference,
        "calibration": column.calibration,
    }


def _told(header: SamplesHeader) -> dict[str, Any]:
    return {
        "format": FORMAT,
        "run": header.run,
        "rehearsal": header.rehearsal,
        "device": header.device,
        "stream": header.stream,
        "time_scale": header.time_scale,
        "tick_hz": header.tick_hz,
        "interval_ticks": header.interval_ticks,
        "columns": {column.name: _about(column) for column in header.columns},
    }


def _encodings(header: SamplesHeader, piece: Piece) -> dict[str, Any]:
    """Choose how columns are packed, from the first rows."""
    whole = ["sequence", "ticks", "host_time", *(column.name + COUNTS for column in header.columns)]
    packed = dict.fromkeys(whole, "DELTA_BINARY_PACKED")
    dictionary = ["boot"]
    for tag, reading in piece.readings.items():
        if np.unique(reading).size <= FEW_VALUES * reading.size:
            dictionary.append(tag)
        else:
            packed[tag] = "BYTE_STREAM_SPLIT"
    return {
        "compression": "zstd",
        "compression_level": 3,
        "use_dictionary": dictionary,
        "column_encoding": packed,
        "write_statistics": True,
        "version": "2.6",
    }


def _table(schema: Any, header: SamplesHeader, piece: Piece) -> Any:  # noqa: ANN401 - pyarrow has no types
    boot = np.full(piece.sequence.size, piece.boot, np.int32)
    arrays = [piece.sequence, boot, piece.ticks, piece.host_ns.view("datetime64[ns]")]
    by_channel = np.ascontiguousarray(piece.counts.T)
    for column, counts in zip(header.columns, by_channel, strict=True):
        arrays.append(counts)
        if column.name in piece.readings:
            arrays.append(piece.readings[column.name])
    return pa.Table.from_arrays(
        [pa.array(values).cast(field.type) for values, field in zip(arrays, schema, strict=True)], schema=schema
    )


def read_header(path: Path) -> SamplesHeader:
    """Read the metadata of a samples file.

    Raises
    ------
    RecordError
        It is damaged, or not one of ours.
    """
    try:
        check_regular(path)
        with path.open("rb") as file:
            return _header(path, pq.read_schema(file))
    except (OSError, pa.ArrowException) as error:
        raise _damaged(path, error) from None


def read_samples(path: Path) -> Samples:
    """Read rows and counts of a samples file.

    Raises
    ------
    RecordError
        As for :func:`read_header`.
    """
    try:
        check_regular(path)
        with path.open("rb") as file:
            header = _header(path, pq.read_schema(file))
            # Column by column, so that no column is held twice while the others wait.
            content = pq.ParquetFile(file)
            sequence, ticks, host_ns = (_integers(content, name) for name in ("sequence", "ticks", "host_time"))
            boot = _integers(content, "boot", np.int32)
            counts = {column.name: _integers(content, column.name + COUNTS) for column in header.columns}
            return Samples(header=header, sequence=sequence, boot=boot, ticks=ticks, host_ns=host_ns, counts=counts)
    except (OSError, pa.ArrowException, KeyError) as error:
        raise _damaged(path, error) from None


def _integers(content: Any, name: str, kind: type[np.integer] = np.int64) -> NDArray[Any]:  # noqa: ANN401
    # In parts into memory of numpy's: what Arrow takes for a whole column it would keep for good. Its own way to
    # numpy would first import pandas, which takes half a second.
    values = np.empty(content.metadata.num_rows, kind)
    begin = 0
    for batch in content.iter_batches(batch_size=ROW_GROUP, columns=[name]):
        column = batch.column(name)
        if pa.types.is_timestamp(column.type):
            column = column.view(pa.int64())
        values[begin : begin + len(column)] = np.from_dlpack(column)
        begin += len(column)
    return values


def _damaged(path: Path, error: Exception) -> RecordError:
    first = str(error).partition("\n")[0]
    return RecordError(
        f"{path}: not a readable Parquet file ({first}); take it from the second copy, or rebuild it: "
        "standbook recover RUN --into NEW_FOLDER"
    )


def _header(path: Path, schema: Any) -> SamplesHeader:  # noqa: ANN401 - pyarrow has no types
    text = (schema.metadata or {}).get(FILE_KEY.encode())
    if text is None:
        raise RecordError(
            f'{path}: has no "{FILE_KEY}" key, so its units and references are not known; '
            "import it with a mapping instead: standbook import"
        )
    try:
        told = json.loads(text)
        columns = tuple(_column(about) for about in told["columns"].values())
        if told["format"] != FORMAT:
            raise RecordError(f"{path}: samples format {told['format']} is not {FORMAT}; use the version that wrote it")
        return SamplesHeader(
            run=told["run"],
            rehearsal=told["rehearsal"],
            device=told["device"],
            stream=told["stream"],
            time_scale=told["time_scale"],
            tick_hz=told["tick_hz"],
            interval_ticks=told["interval_ticks"],
            columns=columns,
        )
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise RecordError(
            f'{path}: its "{FILE_KEY}" key is damaged ({error}); rebuild it: standbook recover RUN --into NEW_FOLDER'
        ) from None


def _column(about: Mapping[str, Any]) -> Column:
    named = {key: about[key] for key in ("wire", "tag", "type", "minimum", "maximum", "resolution", "calibration")}
    named |= {key: about[key] for key in DELAYS if key in about}
    return Column(**named, reading_unit=about["unit"])
