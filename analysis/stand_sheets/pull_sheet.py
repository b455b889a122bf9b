"""Read the sheet of an in-place pull, ``readings/LC-1_pull_2031-06-12.toml``: what was read, nothing computed.

A reference cell pulls in the thrust line, hoses on; one run up and down with the lines empty, one at pressure.
"""

import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Self

from pydantic import Field, model_validator

from standbook.analysis.calibration.readings_sheet import tag_and_day
from standbook.daq.config.plan import FileName
from standbook.daq.config.stand_interaction import GREATEST_ANGLE
from standbook.daq.config.toml_document import Change, Document, read_document
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import Angle, Pressure, Quantity, Share
from standbook.daq.stand_sheets.typed_reading import LevelReading, Row, SignalUnit

ENDING = "_pull"  # of the tag in a sheet's name
LARGEST_U = 0.05  # of a reference: above it nothing is compared


class PulledCell(Document):
    """The stand's cell."""

    serial: str = Field(min_length=1)
    signal_unit: SignalUnit


class ReferenceCell(Document):
    """The cell that tells the true force."""

    what: str
    serial: str = Field(min_length=1)
    certificate_u: Share  # standard, of reading
    valid_until: dt.date | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not 0.0 < self.certificate_u.value < LARGEST_U:
            raise ValueError(f'certificate_u "{self.certificate_u.text}" is no reference\'s; write one like "0.2 %"')
        return self


class PullRun(Document):
    """Forces up and down at one pressure of the lines."""

    line: Pressure
    readings: tuple[Row, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.line.reference != "gauge":
            raise ValueError(f'line "{self.line.text}" must be a gauge pressure, like "31 bar(g)"')
        return self


class PullSheet(Document):
    """One pull of one cell."""

    tag: FileName
    by: str = ""
    journal: str | None = None  # the recording that its signals were filled in from
    sensor: PulledCell
    reference: ReferenceCell
    angle: Angle = Quantity(value=0.0, u=0.0, dimension="angle", reference=None, text="0 deg")
    run: tuple[PullRun, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not 0.0 <= self.angle.value < GREATEST_ANGLE:
            raise ValueError(f'angle "{self.angle.text}" must lie between 0 and 10 deg: it is pull against cell')
        for number, run in enumerate(self.run, start=1):
            _check_readings(number, run.readings, self.sensor.signal_unit)
        return self

    @property
    def readings(self) -> tuple[LevelReading, ...]:
        """Every force read, run after run."""
        return tuple(reading for run in self.run for reading in run.readings)


def _check_readings(number: int, readings: Sequence[LevelReading], unit: str) -> None:
    for place, reading in enumerate(readings, start=1):
        if reading.level.dimension != "force":
            raise ValueError(f'run {number}, reading {place}: "{reading.level.text}" is no force, like "400 N"')
        if reading.signal_unit != unit:
            raise ValueError(
                f"run {number}, reading {place}: a signal in {reading.signal_unit}, but sensor.signal_unit is {unit}"
            )


def is_pull_sheet(path: Path) -> bool:
    """Tell by its name whether a sheet is of a pull."""
    return path.stem.rpartition("_")[0].endswith(ENDING)


def read_pull_sheet(path: Path, *, change: Change | None = None) -> tuple[PullSheet, dt.date]:
    """Read one sheet; its file name, ``TAG_pull_DATE.toml``, holds the day. ``change`` fills in a journal's signals.

    Raises
    ------
    ConfigError
        As for :func:`read_document`; the name says another tag or no day; or the reference was out of date.
    """
    if not is_pull_sheet(path):
        raise ConfigError(f"{path}: name the sheet of a pull TAG_pull_DATE.toml, like LC-1_pull_2031-06-12.toml")
    tag, day = tag_and_day(path)
    sheet = read_document(path, PullSheet, change=change)
    if tag.removesuffix(ENDING) != sheet.tag:
        raise ConfigError(f"{path}: tag: the sheet is of {sheet.tag}, its name of {tag.removesuffix(ENDING)}")
    until = sheet.reference.valid_until
    if until is not None and until < day:
        raise ConfigError(
            f"{path}: reference.valid_until: {sheet.reference.serial} was in date until {until}, the pull is of {day}; "
            "compare the reference first, it may claim nothing"
        )
    return sheet, day
