"""``standbook hold``: the verdict of a recorded pressure hold, and its short file."""

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from standbook.cli.screen import RunPath, say
from standbook.cli.sheets import free_place, write_new
from standbook.daq.errors import EXIT_FINDINGS, DataError

if TYPE_CHECKING:
    from standbook.analysis.results.hold_results import HoldResult
    from standbook.daq.run.run_folder import Run

SHOWN = ("tight", "leaks, less")


def hold(run: RunPath) -> None:
    """Say whether each tank of a recorded hold is tight, leaks, or cannot be told, and what such a hold sees.

    The run is a pressure hold: planned, recorded and sealed like any other. The verdict stands in holds/DATE_TANK.toml,
    which standbook ready reads. Ends with 10 where a tank leaks more than is wanted or cannot be told.

    Example: standbook hold teasel-2/runs/2031-06-13_PH-01
    """
    if any(found.says not in SHOWN for found in say_holds(run).values()):
        raise typer.Exit(EXIT_FINDINGS)


def say_holds(run: Path) -> "dict[str, HoldResult]":
    """Work a recorded hold out, say what comes of each tank, and write its file."""
    from standbook.daq.run.run_folder import open_run

    record = open_run(run)
    holds = _holds(record, run)
    for name, found in holds.items():
        say(f"{name}: {found.sentence}.")
        if found.trade:
            say(f"  {found.trade}")
    for name, found in holds.items():
        say(f"Hold: {_written(record, name, found)}")
    return holds


def _holds(record: "Run", run: Path) -> "dict[str, HoldResult]":
    from standbook.analysis.dataset.load_run import load_dataset
    from standbook.analysis.kinds.registry import analyse

    results = analyse(load_dataset(record)).results
    if not results.holds:
        said = [finding.text for finding in results.findings if finding.severity != "note"]
        why = said[0] if said else f"it is a {record.info.kind}"
        raise DataError(f"{run}: no hold is shown: {why}")
    return dict(results.holds)


def _written(record: "Run", tank: str, found: "HoldResult") -> Path:
    """Write one tank's file into the campaign that the run lies in."""
    from standbook.analysis.stand_sheets.hold_text import hold_text
    from standbook.daq.config.toml_document import parse_document
    from standbook.daq.stand_sheets.hold_file import HOLDS, HoldFile

    day = dt.datetime.fromisoformat(record.info.created_utc).astimezone().date()
    place = free_place(record.folder.resolve().parent.parent / HOLDS, f"{day}_{tank}")
    text = hold_text(tank, found, date=day, run=record.folder.name, rehearsal=record.info.rehearsal)
    parse_document(text, HoldFile, str(place))  # what is written reads back, or is not written
    write_new(place, text)
    return place
