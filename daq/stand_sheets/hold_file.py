"""Read the verdict of a pressure hold, ``holds/2031-06-13_oxidiser.toml``."""

import datetime as dt
from pathlib import Path
from typing import Literal

from standbook.daq.config.plan import FileName
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError

HOLDS = "holds"
Said = Literal["tight", "leaks, more", "leaks, less", "supply leaks in", "cannot tell"]


class HoldSetup(Document):
    """What was held, and how."""

    tank: FileName
    gas: str
    pressure: str  # at the beginning of the hold, "31.0 bar(g)"
    gas_volume: str  # "14.6 +/- 0.1 L"
    settled: str  # before it counted
    held: str
    thermometers: int
    sun: Literal["shade", "sun"]


class HoldOutcome(Document):
    """What came of it."""

    rate: str  # "0.012 +/- 0.013 g/min"
    detection_limit: str
    wanted: str
    says: Said
    verdict: str  # in a sentence


class HoldFile(Document):
    """One hold of one tank."""

    date: dt.date
    run: str  # the recording that it comes from
    rehearsal: bool = False
    setup: HoldSetup
    result: HoldOutcome


def read_hold(path: Path) -> HoldFile:
    """Read one hold; its file name is ``DATE_TANK.toml``, a number behind it for a further one of the day.

    Raises
    ------
    ConfigError
        As for :func:`read_document`, or the name says another tank or day.
    """
    found = read_document(path, HoldFile)
    if not path.stem.startswith(f"{found.date}_{found.setup.tank}"):
        raise ConfigError(f"{path}: holds {found.setup.tank} on {found.date}; its name says another")
    return found


def newest_holds(campaign: Path) -> dict[str, HoldFile]:
    """Return the newest hold of each tank.

    Raises
    ------
    ConfigError
        A file is damaged.
    """
    holds = [read_hold(path) for path in sorted((campaign / HOLDS).glob("*.toml"))]
    return {hold.setup.tank: hold for hold in sorted(holds, key=lambda hold: hold.date)}
