"""``standbook pull``: what hoses and flexures beside the load cell carry, from a pull in place."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from standbook.cli.screen import say, say_all
from standbook.cli.sheets import campaign_of, check_day, write_new
from standbook.daq.errors import EXIT_FINDINGS, ConfigError, UsageError

if TYPE_CHECKING:
    from standbook.daq.config.calibration import Calibration


def pull(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="What was read: CAMPAIGN/readings/TAG_pull_DATE.toml")],
    port: Annotated[
        list[str] | None,
        typer.Option("--port", metavar="DEVICE=PATH", help="Take the sheet's forces from this board first."),
    ] = None,
    rehearsal: Annotated[
        bool, typer.Option("--rehearsal", help="The board is simulated: nothing becomes a pull.")
    ] = False,
    new: Annotated[bool, typer.Option("--new", help="Write a sheet of forces to be taken, and end.")] = False,
) -> None:
    """Fit a pull against a reference cell, hoses on, lines empty and at pressure, and write pulls/TAG_DATE.toml.

    The newest pull before the run's day takes the place of [stand_interaction] in the cell's calibration, with its
    dependence on pressure. Ends with 10 where a term could not be determined.

    Example: standbook pull teasel-2/readings/LC-1_pull_2031-06-12.toml
    """
    if new and (port or rehearsal):
        raise UsageError("--new writes a sheet and ends; give the other options when its forces are taken")
    if rehearsal and not port:
        raise UsageError("--rehearsal goes with --port: it says that the board there is simulated")
    campaign = campaign_of(sheet)
    if new:
        _write_sheet(sheet, campaign)
        return
    if port:
        from standbook.analysis.stand_sheets.pull_sheet import ENDING, read_pull_sheet
        from standbook.cli.record import ports_of
        from standbook.cli.take_levels import take_into_sheet

        take_into_sheet(sheet, campaign, ports_of(port), rehearsal=rehearsal, ending=ENDING, check=read_pull_sheet)
    if not fit_pull_sheet(sheet, campaign):
        raise typer.Exit(EXIT_FINDINGS)


def fit_pull_sheet(sheet: Path, campaign: Path) -> bool:
    """Fit a sheet, say and write what came of it; tell whether all terms were determined."""
    from standbook.analysis.calibration_sheet.journal_levels import is_rehearsed, signals_filled_in
    from standbook.analysis.stand_sheets.pull_result import pull_of_sheet
    from standbook.analysis.stand_sheets.pull_sheet import read_pull_sheet
    from standbook.analysis.stand_sheets.pull_text import pull_text
    from standbook.daq.config.toml_document import parse_document
    from standbook.daq.stand_sheets.pull_file import PULLS, PullFile

    read, day = read_pull_sheet(sheet, change=lambda values: signals_filled_in(values, campaign, str(sheet)))
    check_day(sheet, day)
    written = f"{sheet.resolve().parent.name}/{sheet.name}"
    found = pull_of_sheet(read, day, _calibration(campaign, read.tag, sheet), written=written, name=str(sheet))
    place = campaign / PULLS / f"{found.file.name}.toml"
    text = pull_text(found.file)
    parse_document(text, PullFile, str(place))  # what is written reads back, or is not written
    if is_rehearsed(read.journal, campaign):
        say("REHEARSAL: the forces are simulated; no pull is written. It would be:")
        say_all(found.sentences)
        return found.complete
    write_new(place, text)
    say_all(found.sentences)
    say(f"Pull: {place}")
    return found.complete


def _calibration(campaign: Path, tag: str, sheet: Path) -> "Calibration":
    from standbook.daq.bench.unplanned_run import newest_calibrations

    found = newest_calibrations(campaign, {tag})
    if not found:
        raise ConfigError(f"{sheet}: tag: {tag} has no calibration in {campaign}; calibrate it first")
    return found[0]


def _write_sheet(sheet: Path, campaign: Path) -> None:
    from standbook.analysis.calibration.readings_sheet import tag_and_day
    from standbook.analysis.stand_sheets.new_pull_sheet import new_pull_text
    from standbook.analysis.stand_sheets.pull_sheet import ENDING, is_pull_sheet
    from standbook.daq.config import measurands
    from standbook.daq.config.campaign import STAND_FILE
    from standbook.daq.config.stand import read_stand

    if not is_pull_sheet(sheet):
        raise ConfigError(f"{sheet}: name the sheet of a pull TAG_pull_DATE.toml, like LC-1_pull_2031-06-12.toml")
    tag = tag_and_day(sheet)[0].removesuffix(ENDING)
    cells = {item.tag: item for item in read_stand(campaign / STAND_FILE).measuring(measurands.THRUST)}
    if tag not in cells:
        raise ConfigError(f"{sheet}: {STAND_FILE} has no load cell {tag}; it has {', '.join(sorted(cells)) or 'none'}")
    write_new(sheet, new_pull_text(cells[tag], _calibration(campaign, tag, sheet)))
    say(f"Sheet: {sheet}. Write the reference cell and the line pressures, then take the forces:")
    say(f"  standbook pull {sheet} --port {cells[tag].device}=PATH")
