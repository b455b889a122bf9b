"""Read a sheet of checks in place, ``checks/2031-06-14_HF-02.toml``: outcomes as found, and the values behind them."""

import datetime as dt
from pathlib import Path
from typing import Literal

from pydantic import Field

from standbook.daq.config.plan import FileName
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError

CHECKS = "checks"
Says = Literal["agrees", "differs", "cannot tell"]


class CheckedOf(Document):
    """What was checked."""

    tag: str
    kind: str  # "zero at ambient", "unit", "swap", ...
    expected: str


class CheckOutcome(Document):
    """What came of it."""

    as_found: str
    says: Says
    surely_seen: str
    sentence: str


class DoneCheck(Document):
    """One check."""

    of: CheckedOf
    outcome: CheckOutcome


class CheckFile(Document):
    """The checks of one plan on one day."""

    plan: FileName
    at: dt.datetime  # with its time zone
    barometer: str
    journal: str  # the recording that every value can be computed again from
    stand_sha256: str = ""  # of the stand file: what was checked before it changed is not checked
    rehearsal: bool = False  # on simulated boards: practice, and no evidence
    left_out: tuple[str, ...] = ()  # steps that were not done
    values: dict[str, float] = Field(default_factory=dict)  # SI, of charts: "zero of LC-1", "shunt step of LC-1"
    check: tuple[DoneCheck, ...] = ()  # none where a first sheet only keeps values

    def of_kind(self, kind: str) -> tuple[DoneCheck, ...]:
        """Return the checks of a kind."""
        return tuple(check for check in self.check if check.of.kind == kind)


def read_checks(path: Path) -> CheckFile:
    """Read one sheet of checks; its file name is ``DATE_PLAN.toml``, a number behind it for a further one of the day.

    Raises
    ------
    ConfigError
        As for :func:`read_document`, or its time has no zone, or the name says another plan or day.
    """
    found = read_document(path, CheckFile)
    if found.at.tzinfo is None:
        raise ConfigError(f"{path}: at: write the time with its zone, like 2031-06-14T09:20:00+02:00")
    if not path.stem.startswith(f"{found.at.date()}_{found.plan}"):
        raise ConfigError(f"{path}: holds the checks of {found.plan} on {found.at.date()}; its name says another")
    return found


def all_checks(campaign: Path) -> tuple[CheckFile, ...]:
    """Return every sheet of checks of a campaign, oldest first.

    Raises
    ------
    ConfigError
        A file is damaged.
    """
    found = [read_checks(path) for path in sorted((campaign / CHECKS).glob("*.toml"))]
    return tuple(sorted(found, key=lambda sheet: sheet.at))
