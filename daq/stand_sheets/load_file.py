"""Read what the stand's cell said of a load, ``loads/2031-06-14_HF-02.toml``."""

import datetime as dt
from pathlib import Path
from typing import Literal

from standbook.daq.config.plan import FileName
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Mass, Residual

LOADS = "loads"


class LoadFile(Document):
    """One filling."""

    plan: FileName
    at: dt.datetime  # with its time zone
    journal: str  # the recording that it can be computed again from
    rehearsal: bool = False
    by_cell: Residual
    containers: Mass  # as the plan states it; it leads
    says: Literal["agrees", "differs", "cannot tell"]
    boil_off: str = ""  # in words; empty: nobody waited, or no record of the unloaded cell was given


def newest_load(campaign: Path, plan: str) -> LoadFile | None:
    """Return the newest load of a plan, ``None`` without one.

    Raises
    ------
    ConfigError
        A file is damaged, or its time has no zone.
    """
    found = []
    for path in sorted((campaign / LOADS).glob("*.toml")):
        load = read_document(path, LoadFile)
        if load.at.tzinfo is None:
            raise ConfigError(f"{path}: at: write the time with its zone, like 2031-06-14T09:20:00+02:00")
        if load.plan == plan:
            found.append(load)
    return max(found, key=lambda load: load.at, default=None)
