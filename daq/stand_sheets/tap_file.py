"""Read the result of a tap test, ``taps/2031-06-01.toml``: a stand's modes, damping and moving mass."""

import datetime as dt
from pathlib import Path
from typing import Annotated, Self

from pydantic import Field, model_validator

from standbook.daq.config.plan import FileName
from standbook.daq.config.stand import Stand
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Frequency, Mass, Residual, Share

TAPS = "taps"
FULL = "full"  # tanks of which the stand file states modes and moving mass


class TappedMode(Document):
    """One mode, each number with its standard uncertainty."""

    frequency: Frequency  # undamped
    damping: Share
    note: str = ""


class TappedState(Document):
    """The stand with one mass added."""

    added: Residual
    taps: int = Field(ge=1)  # that were used
    modes: Annotated[tuple[TappedMode, ...], Field(min_length=1)]  # lowest first


class TapFile(Document):
    """One tap test."""

    date: dt.date
    tag: FileName  # of the cell that was read
    journal: str  # the recording that every tap can be fitted again from
    tanks: str  # "full, water" or "empty"
    rehearsal: bool = False
    moving_mass: Mass | None = None  # in the first mode, nothing added
    state: Annotated[tuple[TappedState, ...], Field(min_length=1)]

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.state[0].added.value != 0.0:
            raise ValueError("the first state is the stand as it is, with nothing added")
        return self


def read_taps(path: Path) -> TapFile:
    """Read one tap test; its file name is ``DATE.toml``, a number behind it for a further one of the day.

    Raises
    ------
    ConfigError
        As for :func:`read_document`, or the name says another day.
    """
    found = read_document(path, TapFile)
    if not path.stem.startswith(str(found.date)):
        raise ConfigError(f"{path}: holds taps of {found.date}; its name says another day")
    return found


def newest_taps(folder: Path, *, tanks: str = FULL, practised: bool = False) -> tuple[Path, TapFile] | None:
    """Return the newest tap test with such tanks from ``folder/taps``, ``None`` without any.

    ``practised`` ones count where it is asked for: no run is ever judged by them.

    Raises
    ------
    ConfigError
        A file is damaged.
    """
    found = [(path, read_taps(path)) for path in sorted((folder / TAPS).glob("*.toml"))]
    real = [(path, taps) for path, taps in found if (practised or not taps.rehearsal) and taps.tanks.startswith(tanks)]
    return max(real, key=lambda pair: (pair[1].date, pair[0].stem), default=None)


def tapped(stand: Stand, taps: TapFile) -> Stand:
    """Return a stand whose modes, and moving mass where it was found, are those of a tap test."""
    change: dict[str, object] = {"modes": tuple(mode.frequency for mode in taps.state[0].modes)}
    if taps.moving_mass is not None:
        change["moving_mass"] = taps.moving_mass
    return stand.model_copy(update=change)
