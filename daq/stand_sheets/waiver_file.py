"""Read the waivers of one plan, ``waivers/HF-02.toml``: what the crew decided to fire without, and who decided it.

A waiver is a record, not a switch: the fact keeps its place and its doubt.
"""

import datetime as dt
from pathlib import Path

from pydantic import Field, field_validator

from standbook.daq.config.plan import FileName
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError

WAIVERS = "waivers"


class Waiver(Document):
    """One fact that the crew goes without."""

    fact: str = Field(min_length=1)  # as standbook ready names it
    ruins: str = Field(min_length=1)  # in numbers, as standbook ready says it
    role: str = Field(min_length=1)  # who decided
    reason: str = Field(min_length=1)
    at: dt.datetime

    @field_validator("at")
    @classmethod
    def _zoned(cls, at: dt.datetime) -> dt.datetime:
        if at.tzinfo is None:
            raise ValueError("write the time with its zone, like 2031-06-14T09:20:00+02:00")
        return at


class WaiverFile(Document):
    """The waivers of one plan number."""

    plan: FileName
    waiver: tuple[Waiver, ...] = Field(min_length=1)


def read_waivers(campaign: Path, plan: str) -> tuple[Waiver, ...]:
    """Return the waivers of a plan, none where no file is there.

    Raises
    ------
    ConfigError
        The file is damaged, or is of another plan.
    """
    path = campaign / WAIVERS / f"{plan}.toml"
    if not path.exists():
        return ()
    found = read_document(path, WaiverFile)
    if found.plan != plan:
        raise ConfigError(f"{path}: plan: holds waivers of {found.plan}; a waiver is for one plan number only")
    return found.waiver
