"""Lead a person through the levels of a calibration while the board is recorded: one line of state, one key a level."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Final

from standbook.analysis.calibration.readings_sheet import read_sheet, tag_and_day
from standbook.analysis.calibration_sheet.journal_levels import as_if_taken, planned_levels, with_taken
from standbook.cli.guided import GuidedRecording, record_guided
from standbook.cli.screen import say, today
from standbook.daq.bench.level_taking import LevelTaking, Planned
from standbook.daq.bench.live_level import LiveLevel
from standbook.daq.bench.recorded_levels import recorded_levels
from standbook.daq.bench.unplanned_run import newest_calibrations
from standbook.daq.config.campaign import STAND_FILE
from standbook.daq.config.stand import read_stand
from standbook.daq.config.toml_document import read_toml
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.run.run_folder import open_run
from standbook.daq.storage.atomic_write import write_atomic

KEYS: Final = (
    "Space takes a level once it stands. Type what the reference shows first where it is not the planned value. "
    "Backspace strikes the last one out. Q ends."
)


def take_levels(
    campaign: Path, tag: str, planned: Sequence[Planned], given: Mapping[str, str], *, rehearsal: bool = False
) -> Path:
    """Record the board of one input, take levels by keys, and seal the recording; return its folder.

    Parameters
    ----------
    campaign : Path
        Holds ``stand.toml``.
    tag : str
        Of the input.
    planned : sequence of Planned
        In the order in which they are to be taken.
    given : mapping of device to path
        Ports that were named.
    rehearsal : bool
        The data may be simulated.

    Raises
    ------
    UsageError
        There is no terminal to read keys from.
    ConfigError, LinkError, RecordError
        As recording has it.
    """
    stand = read_stand(campaign / STAND_FILE)
    supplies = {one.tag: one for one in newest_calibrations(campaign, {i.supply for i in stand.input if i.supply})}
    live = LiveLevel(stand, tag, supplies)
    order = GuidedRecording(
        name=f"{tag}_levels",
        campaign=campaign,
        stand=stand.of_devices(live.devices),
        ports=given,
        rehearsal=rehearsal,
        keys=KEYS,
    )
    return record_guided(order, live, lambda marks: LevelTaking(planned, live, marks))


def take_into_sheet(
    sheet: Path,
    campaign: Path,
    given: Mapping[str, str],
    *,
    rehearsal: bool,
    check: Callable[..., object] = read_sheet,
    ending: str = "",
) -> None:
    """Take the levels that a sheet plans, and write into it what was taken; all of them, or it stays as it is.

    ``check`` reads the sheet with a change of its values, and ``ending`` follows the tag in its name.

    Raises
    ------
    ConfigError
        The sheet plans no levels, is of another day, or its name is no sheet's.
    DataError
        Not all levels were taken; the recording is kept.
    """
    named, day = tag_and_day(sheet)
    tag = named.removesuffix(ending)
    if day != today():
        raise ConfigError(f"{sheet}: levels are taken today, {today()}; the name of a sheet holds its day")
    text, values = read_toml(sheet)
    planned = planned_levels(values, str(sheet))
    check(sheet, change=as_if_taken)  # what else is wrong with it is said before anybody climbs a ladder
    folder = take_levels(campaign, tag, planned, given, rehearsal=rehearsal)
    levels = recorded_levels(open_run(folder), tag)
    if len(levels) != len(planned):
        raise DataError(
            f"{sheet}: {len(levels)} of {len(planned)} levels were taken, so it stays as it is; the recording is kept "
            f"in {folder}"
        )
    write_atomic(sheet, with_taken(text, folder.name, levels).encode("utf-8"))
    say(f"Sheet: {sheet} holds what was taken.")
