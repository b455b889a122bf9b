"""Places of readings sheets and of what is made from them, shared by the commands that read or write them."""

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING

from standbook.cli.screen import today
from standbook.daq.errors import ConfigError, RecordError

if TYPE_CHECKING:
    from standbook.daq.config.campaign import Campaign


def campaign_of(sheet: Path) -> Path:
    """Return the campaign that a sheet lies in.

    Raises
    ------
    ConfigError
        It does not lie in a campaign's folder of sheets.
    """
    from standbook.analysis.calibration.readings_sheet import FOLDER

    folder = sheet.resolve().parent
    if folder.name != FOLDER:
        raise ConfigError(f"{sheet}: a readings sheet lies in the {FOLDER} folder of a campaign; move it there")
    return folder.parent


def check_day(sheet: Path, day: dt.date) -> None:
    """Refuse a sheet of a day to come; ``ConfigError``."""
    if day > today():
        raise ConfigError(f"{sheet}: {day} is still to come; the name of a sheet holds the day it was read")


def make_folder(folder: Path) -> None:
    """Make a folder of a campaign where it is not there yet; ``RecordError`` where the disk refuses."""
    from standbook.daq.storage.durable_file import reason

    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise RecordError(f"{folder}: cannot be made: {reason(error)}") from error


def cell_of(campaign: "Campaign") -> str:
    """Return the tag of the load cell that a plan names a calibration of; ``ConfigError`` where it names none."""
    from standbook.daq.config import measurands

    for item in campaign.stand.measuring(measurands.THRUST):
        if item.tag in campaign.calibrations:
            return item.tag
    raise ConfigError(f"{campaign.plan_path}: names no calibration of a load cell; this is read by one")


def free_place(folder: Path, stem: str) -> Path:
    """Return the place of the next file of a day: ``STEM.toml``, then ``STEM_2.toml`` and so on."""
    place, number = folder / f"{stem}.toml", 2
    while place.exists():
        place, number = folder / f"{stem}_{number}.toml", number + 1
    return place


def write_new(place: Path, text: str) -> None:
    """Write a file that is not there yet, its folder made; what exists is never written over.

    Raises
    ------
    ConfigError
        It exists.
    RecordError
        The disk refuses.
    """
    from standbook.daq.storage.atomic_write import write_atomic

    if place.exists():
        raise ConfigError(f"{place}: exists already; nothing was written")
    make_folder(place.parent)
    write_atomic(place, text.encode("utf-8"))
