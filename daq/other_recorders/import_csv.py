"""Import a CSV of another logger as a run of a plan, with the same samples, record and manifest.

The file and its mapping are kept in ``raw``; everything is checked before anything is written. How imported values
are represented is told in ``daq.config.csv_mapping``.
"""

import codecs
import csv
import datetime as dt
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from standbook.daq.arrays import Ints
from standbook.daq.config.campaign import Campaign
from standbook.daq.config.csv_mapping import DEVICE, MAPPING_FILE, STREAM, CsvMapping, check_mapping, read_mapping
from standbook.daq.config.printed_counts import counted
from standbook.daq.errors import ConfigError, DataError, RecordError
from standbook.daq.other_recorders.csv_clock import FileClock, file_clock
from standbook.daq.quantity import UNITS
from standbook.daq.recovery.decode_text import CLOCK_STEP, numbered
from standbook.daq.recovery.decode_wire import Channel, DecodedDevice, Stream
from standbook.daq.recovery.device_clock import BootClock, ClockFit, nominal_ns, tolerance_u
from standbook.daq.recovery.late_rows import LONG, long_steps
from standbook.daq.regular_file import TABLE_BYTES, read_regular
from standbook.daq.run.lock import check_lock
from standbook.daq.run.new_run import create_run
from standbook.daq.run.record_summary import NoteRecord, RecordSummary, TZeroRecord
from standbook.daq.run.run_folder import RAW, read_run_files
from standbook.daq.sealing.seal import write_sealed_run
from standbook.daq.storage.durable_file import reason

SEPARATORS = {",": "a comma", ";": "a semicolon", "\t": "a tab", "|": "a bar"}
LEAST_ROWS = 2
MOST_EMPTY = 0.05  # of the rows; where more lack a value, columns of several rates were mixed, or one is dead
EMPTY = frozenset({"", "nan"})  # cells that say that there is no value; others might mean an overload
FEWEST, MOST = 2.0, 100_000.0  # rows a second of a cold flow or a firing; others suggest a wrong clock_unit


@dataclass(frozen=True, slots=True, eq=False)
class CsvTable:
    """The columns of a CSV that a mapping names, as numbers."""

    columns: dict[str, NDArray[np.float64]]  # each (N,)
    line: Ints  # (N,) where each row stands in the file, counted from 1
    empty: int = 0  # rows left out because they lack a value


def import_csv(
    csv_path: Path,
    mapping_path: Path,
    campaign: Campaign,
    *,
    now: dt.datetime,
    software: str,
    rehearsal: bool = False,
) -> tuple[Path, RecordSummary]:
    """Import a CSV as a sealed run.

    Parameters
    ----------
    csv_path, mapping_path : Path
        The other logger's file, and what its columns are.
    campaign : Campaign
        The plan that the run followed, its stand and calibrations.
    now : datetime
        Time of the import, with its zone: a file cannot begin later.
    software : str
        Name and version.
    rehearsal : bool
        The values are simulated.

    Returns
    -------
    folder, summary
        The run folder, and its record.

    Raises
    ------
    ConfigError
        The mapping does not fit the file, the stand or the plan.
    DataError
        A cell is no number, a row is torn, or time runs backwards.
    RecordError
        A file cannot be read, the run folder exists, or the disk refuses.
    """
    mapping = read_mapping(mapping_path)
    check_mapping(mapping, campaign.stand, campaign.calibrations, str(mapping_path))
    if mapping.start > now:
        raise ConfigError(f"{mapping_path}: start {mapping.start} lies in the future; correct it")
    if csv_path.name == MAPPING_FILE:
        raise ConfigError(f"{csv_path}: the mapping is kept under this name in the run; rename the CSV")
    table = read_csv(csv_path, mapping)
    clock = file_clock(table.columns[mapping.clock], table.line, mapping, csv_path)
    device = _device(table, clock, mapping)
    t_zero, missing = _t_zero(table, clock.ticks, device, mapping, csv_path)
    lock = check_lock(campaign)
    folder = create_run(campaign, lock, rehearsal=rehearsal, now=mapping.start, software=software, source="imported")
    try:
        shutil.copyfile(csv_path, folder / RAW / csv_path.name)
        shutil.copyfile(mapping_path, folder / RAW / MAPPING_FILE)
        return folder, write_sealed_run(folder, read_run_files(folder), [device], t_zero, missing)
    except BaseException as error:  # Ctrl-C too
        shutil.rmtree(folder, ignore_errors=True)
        if isinstance(error, OSError):
            raise RecordError(f"{folder}: cannot be written: {reason(error)}") from error
        raise


def read_csv(path: Path, mapping: CsvMapping) -> CsvTable:
    """Read the columns that a mapping names.

    Raises
    ------
    ConfigError
        A column is missing, or the separator is another.
    DataError
        A row is torn, or a cell is no number.
    RecordError
        The file cannot be read.
    """
    rows, lines = _rows(path, mapping)
    header = [cell.strip() for cell in rows[0]]
    _check_header(header, mapping, path)
    crossing = mapping.crossing()
    wanted = [mapping.clock, *mapping.columns, *([crossing.column] if crossing else [])]
    body = []
    for row, line in zip(rows[1:], lines[1:], strict=True):
        if len(row) == len(header) + 1 and not row[-1].strip():  # a separator at the end of each line
            row.pop()
        if len(row) != len(header):
            raise DataError(f"{path} line {line}: {len(row)} cells, the header has {len(header)}; repair or remove it")
        body.append(row)
    if len(body) < LEAST_ROWS:
        raise DataError(f"{path}: {len(body)} rows below the header; nothing to import")
    body, places, empty = _without_empty(body, lines[1:], header, mapping, path)
    columns = {name: _numbers(name, header.index(name), body, places, mapping, path) for name in wanted}
    return CsvTable(columns, np.array(places, np.int64), empty)


def _without_empty(
    body: list[list[str]], lines: list[int], header: Sequence[str], mapping: CsvMapping, path: Path
) -> tuple[list[list[str]], list[int], int]:
    """Leave out the few rows in which a channel has no value: the record shows them as missing."""
    missing = np.zeros(len(body), np.bool_)
    for name in mapping.columns:
        place = header.index(name)
        empty = np.array([row[place].strip().lower() in EMPTY for row in body])
        if np.mean(empty) > MOST_EMPTY:
            raise DataError(
                f'{path} line {lines[int(np.argmax(empty))]}: column "{name}" has no value in {int(empty.sum())} of '
                f"{len(body)} rows; leave it out of the mapping, or export all columns at one rate"
            )
        missing |= empty
    if not missing.any():
        return body, lines, 0
    kept = np.flatnonzero(~missing).tolist()
    if len(kept) < LEAST_ROWS:
        raise DataError(f"{path}: {len(kept)} rows have a value in every mapped column; nothing to import")
    return [body[k] for k in kept], [lines[k] for k in kept], int(missing.sum())


def _rows(path: Path, mapping: CsvMapping) -> tuple[list[list[str]], list[int]]:
    try:
        content = read_regular(path, at_most=TABLE_BYTES)
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {reason(error)}") from error
    text = _decoded(content)
    reader = csv.reader(text.splitlines()[mapping.skip_lines :], delimiter=mapping.separator)
    rows, lines = [], []
    try:
        for row in reader:
            if any(cell.strip() for cell in row):
                rows.append(row)
                lines.append(mapping.skip_lines + reader.line_num)
    except csv.Error as error:
        raise DataError(f"{path} line {mapping.skip_lines + reader.line_num}: not CSV: {error}") from None
    if not rows:
        raise DataError(f"{path}: empty; nothing to import")
    return rows, lines


def _decoded(content: bytes) -> str:
    """Return the text, which spreadsheets of some systems write in two bytes a character."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return content.decode("utf-16", errors="replace")
    head = content[:200]
    for place, name in ((1, "utf-16-le"), (0, "utf-16-be")):  # unmarked: every other byte of Latin letters is zero
        if len(head) > 8 and head[place::2].count(0) > 0.8 * len(head[place::2]):
            return content.decode(name, errors="replace")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("cp1252", errors="replace")  # degree signs of older Windows programs


def _check_header(header: Sequence[str], mapping: CsvMapping, path: Path) -> None:
    if len(header) == 1:
        other = max(SEPARATORS, key=lambda mark: header[0].count(mark))
        advice = f"; its first line looks separated by {SEPARATORS[other]}" if header[0].count(other) else ""
        raise ConfigError(
            f'{path}: only one column found with separator "{mapping.separator}"{advice}; '
            "correct separator in the mapping"
        )
    crossing = mapping.crossing()
    wanted = [mapping.clock, *mapping.columns, *([crossing.column] if crossing else [])]
    problems = [
        f'{path}: no column "{name}"; the file has {", ".join(header)}' for name in wanted if name not in header
    ]
    problems += [f'{path}: two columns are called "{name}"' for name in wanted if header.count(name) > 1]
    if problems:
        raise ConfigError(*problems)


def _numbers(
    name: str, place: int, body: Sequence[Sequence[str]], lines: Sequence[int], mapping: CsvMapping, path: Path
) -> NDArray[np.float64]:
    # A point beside decimal commas may part thousands, and Python would take 1_000 for a number: neither is guessed.
    foreign = "._" if mapping.decimal == "," else "_"
    cells = [row[place].translate(str.maketrans(mapping.decimal + foreign, "." + "?" * len(foreign))) for row in body]
    try:
        values = np.array(cells, dtype=np.float64)
    except ValueError:
        values = np.array([_number(cell) for cell in cells])
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        first = int(bad[0])
        more = f" ({bad.size} such cells)" if bad.size > 1 else ""
        repair = "repair the file, or correct decimal and separator in the mapping"
        if name == mapping.clock and ":" in body[first][place]:
            repair = "a time of day is not read: export seconds or milliseconds since the start"
        elif lines[first] == lines[0]:
            repair += "; remove a line of units below the names"
        raise DataError(
            f'{path} line {lines[first]}: column "{name}": "{body[first][place]}" is not a number{more}; {repair}'
        )
    return values


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return float("nan")


def _device(table: CsvTable, clock: FileClock, mapping: CsvMapping) -> DecodedDevice:
    ticks, tick_hz = clock.ticks, clock.tick_hz
    steps = np.diff(ticks)
    interval = max(1, int(np.median(steps[steps > 0])))
    found = {name: counted(table.columns[name]) for name in mapping.columns}
    counts = np.column_stack([column.counts for column in found.values()])
    channels = tuple(
        Channel(wire=name, type="text", minimum=None, maximum=None, resolution=column.resolution)
        for name, column in found.items()
    )
    lost = long_steps(ticks, interval).lost if clock.fitted is None else clock.fitted.lost
    apart = np.diff(table.columns[mapping.clock], prepend=table.columns[mapping.clock][0])
    rising = apart[apart > 0.0]  # none, where the clock does nothing but roll over
    if clock.fitted is None and rising.size and np.any(apart[1:] == 0.0):
        # spread rows: one more or less at a reading is no gap, a reading left out is
        lost[apart < LONG * np.median(rising)] = 0
    rows = numbered(0, 0, ticks, counts, lost, exact=False, reason=CLOCK_STEP)
    told = [NoteRecord(severity="note", host_ns=None, text=text) for text in _remarks(table, clock, mapping)]
    told += _rate_doubts(ticks, tick_hz, mapping)
    return DecodedDevice(
        device=DEVICE,
        streams=(
            Stream(
                name=STREAM, told=STREAM, interval_ticks=interval, tick_hz=tick_hz, channels=channels, segments=(rows,)
            ),
        ),
        clock=_stated_clock(tick_hz, mapping),
        boots=1,
        edges=(),
        lost_edges=0,
        notes=tuple(told),
        damaged_frames=0,
        damaged_bytes=0,
        undecoded_frames=0,
        torn_bytes=0,
        time_scale=1.0,
    )


def _stated_clock(tick_hz: Fraction, mapping: CsvMapping) -> ClockFit:
    """Return the clock that the mapping states: nothing in a file says how far off it was."""
    tolerance = mapping.clock_tolerance.value
    return ClockFit(
        tick_hz=tick_hz,
        skew=0.0,
        skew_u=tolerance_u(tolerance),
        method="tolerance",
        hull_skew=None,
        hull_skew_u=None,
        tolerance=tolerance,
        boots=(BootClock(0, 0, round(mapping.start.timestamp() * 1e6) * 1000),),
    )


def _rate_doubts(ticks: Ints, tick_hz: Fraction, mapping: CsvMapping) -> list[NoteRecord]:
    """Ask about the unit of a clock by which rows came faster or slower than any recorder writes them."""
    seconds = float(ticks[-1] / tick_hz)
    if FEWEST <= (ticks.size - 1) / seconds <= MOST:
        return []
    text = (
        f'{ticks.size} rows in {seconds:.6g} s of "{mapping.clock}", {(ticks.size - 1) / seconds:.3g} a second: '
        f'is clock_unit = "{mapping.clock_unit}" right? Correct it in the mapping and import again'
    )
    return [NoteRecord(severity="caution", host_ns=None, text=text)]


def _remarks(table: CsvTable, clock: FileClock, mapping: CsvMapping) -> list[str]:
    texts = ["imported: values were calibrated by another logger; clipping and open wires cannot be seen"]
    steps = np.diff(table.columns[mapping.clock])
    if rollovers := int(np.sum(steps < 0)):
        texts.append(f"the clock rolled over {rollovers} times and was unwrapped")
    if clock.remark is not None:
        texts.append(clock.remark)
    elif shared := int(np.sum(steps == 0)):
        texts.append(f"{shared} rows have the time of the row before and were spread evenly until the next time")
    if table.empty:
        texts.append(f"{table.empty} rows lack a value and were left out; they count as missing")
    return texts


def _t_zero(
    table: CsvTable, ticks: Ints, device: DecodedDevice, mapping: CsvMapping, path: Path
) -> tuple[TZeroRecord | None, str | None]:
    """Find T-0 in a column, or take the stated instant on the file's clock."""
    if mapping.t_zero is None:
        return None, "the mapping names no t_zero"
    clock = device.clock
    assert clock is not None  # noqa: S101 - made just above
    seconds = nominal_ns(ticks, clock.tick_hz) / 1e9
    crossing = mapping.crossing()
    if crossing is None:
        stated = mapping.instant()
        first = float(table.columns[mapping.clock][0]) * UNITS["time"][mapping.clock_unit]
        at, u, told = stated.value - first, stated.u, f"stated: {mapping.t_zero}"
        if not seconds[0] <= at <= seconds[-1]:
            raise ConfigError(
                f"{path}: t_zero {mapping.t_zero} lies outside the file, which runs from {first:.6g} s to "
                f"{first + seconds[-1]:.6g} s on its clock; correct it in the mapping"
            )
    else:
        sign = 1.0 if crossing.rising else -1.0
        above = sign * (table.columns[crossing.column] - crossing.level)
        places = np.flatnonzero((above[:-1] < 0.0) & (above[1:] >= 0.0))
        if not places.size:
            raise DataError(
                f'{path}: column "{crossing.column}" never crosses {crossing.level:g} '
                f"{'rising' if crossing.rising else 'falling'}; correct t_zero in the mapping"
            )
        k = int(places[0])
        share = float(-above[k] / (above[k + 1] - above[k]))
        step = float(seconds[k + 1] - seconds[k])
        at, u = float(seconds[k]) + share * step, step / np.sqrt(12.0)
        told = f"{crossing.column} {'rising' if crossing.rising else 'falling'} through {crossing.level:g}"
    host_ns = clock.boots[0].anchor_ns + round(1e9 * at)
    return TZeroRecord(host_ns=host_ns, source=told, u_s=float(u), device=DEVICE), None
