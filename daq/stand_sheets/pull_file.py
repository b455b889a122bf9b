"""Read the result of an in-place pull, ``pulls/LC-1_2031-06-12.toml``: its points, and the terms fitted to them.

Points keep the cell's signal, so that a later revision of its calibration applies to them too.
"""

import datetime as dt
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field

from standbook.daq.config.plan import FileName
from standbook.daq.config.stand_interaction import GREATEST_ANGLE
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Angle, Share

PULLS = "pulls"
FEWEST = 4
BAR = 1e5  # Pa, the unit of the lines in the points
Point = tuple[float, float, float, Literal["up", "down"]]


class PullReference(Document):
    """The cell that told the true force."""

    what: str
    serial: str = Field(min_length=1)
    u: Share  # standard, the same in every point


class PullFile(Document):
    """One pull of one cell."""

    tag: FileName
    date: dt.date
    sheet: str  # that it was made from
    calibration: FileName  # of the cell, that the terms were fitted with
    signal_unit: str
    reference: PullReference
    angle: Angle | None = None  # scale of a two-sided angle between pull and thrust line
    terms: dict[str, str]  # for people: each with its standard uncertainty
    covariance: tuple[tuple[float, ...], ...]  # of the terms, SI
    points: Annotated[tuple[Point, ...], Field(min_length=FEWEST)]  # N, signal, line in bar(g), last move

    @property
    def name(self) -> str:
        """File stem."""
        return f"{self.tag}_{self.date}"

    @property
    def angle_u(self) -> float:
        """Scale of the angle, zero where none is stated. [rad]."""
        return 0.0 if self.angle is None else self.angle.value


def read_pull(path: Path) -> PullFile:
    """Read one pull; its file name must be ``TAG_DATE.toml``.

    Raises
    ------
    ConfigError
        As for :func:`read_document`, or the name says another tag or day, or the angle is none.
    """
    pull = read_document(path, PullFile)
    if path.stem != pull.name:
        raise ConfigError(f"{path}: holds {pull.name}; name the file {pull.name}.toml")
    if pull.angle is not None and not 0.0 <= pull.angle.value < GREATEST_ANGLE:
        raise ConfigError(f'{path}: angle: "{pull.angle.text}" must lie between 0 and 10 deg')
    return pull


def newest_pulls(folder: Path, *, until: dt.date) -> dict[str, PullFile]:
    """Return the newest pull of each cell that is not younger than a day, from ``folder/pulls``.

    Raises
    ------
    ConfigError
        A file is damaged.
    """
    found: dict[str, PullFile] = {}
    for path in sorted((folder / PULLS).glob("*.toml")):
        pull = read_pull(path)
        if pull.date <= until and (pull.tag not in found or pull.date > found[pull.tag].date):
            found[pull.tag] = pull
    return found
