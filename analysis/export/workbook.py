"""Write a run as a workbook: values only, numbers as numbers, units in the headers; no formula, macro or link."""

import datetime as dt
import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from standbook.analysis.data_frames import TIME
from standbook.analysis.export.csv_files import identity
from standbook.analysis.export.shown_columns import shown
from standbook.analysis.opened_run import Run
from standbook.analysis.results.results import ImpulseResult
from standbook.daq.display_units import Chosen

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet._write_only import WriteOnlyWorksheet as Sheet

MOST_ROWS = 1_048_575  # below the header; what a sheet holds
BLOCKS = 100.0  # block means a second
Row = Sequence[object]


def workbook(run: Run, frame: pd.DataFrame, chosen: Chosen) -> bytes:
    """Return an xlsx file: About, Results, Budget, Events, Findings, Thrust, Channels, as far as there are such.

    Thrust and channels are in the chosen units; results and budget are as they are stored.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    book.properties.creator = "standbook"
    book.properties.created = book.properties.modified = dt.datetime(1980, 1, 1)  # noqa: DTZ001 - as in a zip
    means, length = block_means(frame)
    about = [*identity(run).items(), ("channels: block length [s]", length)]
    _sheet(book, "About", ("what", "value"), about)
    if run.is_analysed:
        _results(book, run)
        if run.results.impulse is not None:
            thrust = run.thrust()
            values, unit = shown(thrust.to_numpy(), "N", chosen)
            _sheet(book, "Thrust", (TIME, f"thrust [{unit}]"), zip(thrust.index, values, strict=True))
    units = frame.attrs["units"]
    head = (TIME, *(f"{tag} [{units[tag]}]" for tag in frame.columns))
    _sheet(book, "Channels", head, means)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _results(book: "Workbook", run: Run) -> None:
    results, table = run.results, run.table()
    columns = (table.index, table["value"], table["u"], 2.0 * table["u"].astype(float), table["unit"])
    rows = list(zip(*columns, strict=True))
    _sheet(book, "Results", ("quantity", "value", "u", "U (k = 2)", "unit"), rows)
    _sheet(book, "Budget", ("impulse", "source", "u [N*s]"), list(_budget(results.impulse, "site")))
    events = [(event.name, event.time, event.u, event.method) for event in results.events]
    _sheet(book, "Events", ("event", TIME, "u [s]", "method"), events)
    found = [(f.severity, f.channel or "run", f.time, f.text) for f in results.findings]
    _sheet(book, "Findings", ("rank", "about", TIME, "finding"), found)


def _budget(impulse: ImpulseResult | None, place: str) -> Iterable[Row]:
    return [] if impulse is None else [(place, term.source, term.u) for term in impulse.budget]


def block_means(frame: pd.DataFrame) -> tuple[list[Row], float]:
    """Return means over blocks, ``BLOCKS`` a second or as many as a sheet holds, and their length. [s].

    Each row: mean instant, then the mean of each column; a block without a number is empty.
    """
    time = frame.index.to_numpy()
    span = float(time[-1] - time[0]) if time.size > 1 else 0.0
    length = max(1.0 / BLOCKS, span / (MOST_ROWS - 1))
    number = np.floor((time - time[0]) / length).astype(int)
    grouped = frame.reset_index(drop=True).groupby(number).mean()
    instants = pd.Series(time).groupby(number).mean()
    rows = zip(instants.to_numpy(), *(grouped[tag].to_numpy() for tag in frame.columns), strict=True)
    return [tuple(None if value != value else float(value) for value in row) for row in rows], length


def _sheet(book: "Workbook", title: str, head: Row, rows: Iterable[Row]) -> None:
    """Write one sheet, its header row frozen; texts are texts, whatever they begin with."""
    sheet = book.create_sheet(title)
    sheet.freeze_panes = "A2"
    sheet.append([_cell(sheet, value) for value in head])
    for row in rows:
        sheet.append([_cell(sheet, value) for value in row])


def _cell(sheet: "Sheet", value: object) -> object:
    from openpyxl.cell import WriteOnlyCell

    if isinstance(value, bool) or value is None:
        return "" if value is None else str(value).lower()
    if isinstance(value, int | float | np.floating | np.integer):
        return float(value)
    cell = WriteOnlyCell(sheet, value=str(value))
    cell.data_type = "s"  # not a formula, even where it begins with an equals sign
    return cell
