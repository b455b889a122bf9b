"""Read a readings sheet, ``readings/PT-11_2031-06-02.toml``: what was read on the bench, nothing computed.

Every key is used by the calibration or refused here. Signals stay in the unit of the sensor's kind.
"""

import datetime as dt
import math
import re
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from standbook.daq.config.plan import FileName
from standbook.daq.config.toml_document import Change, Document, read_document
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import (
    Acceleration,
    Angle,
    Density,
    Duration,
    Height,
    Mass,
    Pressure,
    Quantity,
    Temperature,
)
from standbook.daq.stand_sheets.typed_reading import (
    AnyQuantity,
    CertifiedShare,
    CertifiedU,
    Row,
    SignalUnit,
    SignedLength,
    ZeroRow,
    any_quantity,
    lacking,
    ratio_hint,
)

FOLDER = "readings"
LEAST_LEVELS = 5
SAME_LEVEL = 0.01  # of the range of the levels; repeats of one level lie closer together
SHORTEST = 5  # s from one level to the next: a level is the mean of that many seconds at least
UNSETTLED = 1e-3  # of the range of the signal, standard uncertainty of one mean: judgement
REFERENCES = ("test gauge", "dead weights", "reference cell", "dead-weight tester", "thermometer", "multimeter")
_CLASS = re.compile(r"^\s*([\d.]+)\s*%\s*of\s+(.+?)\s*$")
WEIGHT_CLASSES = {"M1": 5e-5, "M2": 1.6e-4, "M3": 5e-4}
"""Greatest error of a weight from 1 kg up, relative: OIML R 111 as a national regulation prints it, confirmed."""


def _known_reference(what: str) -> str:
    if what == "barometer":
        raise ValueError("a barometer shows one pressure, and a curve needs five; write it into place.barometer")
    if what not in REFERENCES:
        raise ValueError(f'"{what}" is no reference that is known here; write one of {", ".join(REFERENCES)}')
    return what


def _readable_class(text: str) -> str:
    if text not in WEIGHT_CLASSES:
        _span_class(text)
    return text


def _span_class(text: str) -> tuple[float, Quantity]:
    match = _CLASS.match(text[:100])
    if match is None:
        raise ValueError(f'class "{text}" is not understood; write "0.25 % of 60 bar(g)", or "M1" of weights')
    return float(match[1]) / 100.0, any_quantity(match[2])


class SheetSensor(Document):
    """The sensor on the bench."""

    serial: str = Field(min_length=1)
    state: Literal["as found", "as left"]
    signal_unit: SignalUnit
    what: str = ""  # in words; none: as in the last revision
    range: tuple[AnyQuantity, AnyQuantity] | None = None  # that it is made for; none: as in the last revision
    reading_unit: str | None = None  # none: as in the last revision, else that of the levels
    zero_uncertainty: AnyQuantity | None = None  # how far zero moves between calibrations; none: as in the last
    latency: Duration | None = None  # none: as in the last revision
    temperature_range: Temperature | None = None  # in K: by how much it may be warmer or colder in use


class SheetReference(Document):
    """What the levels were read on, and what it may claim."""

    what: Annotated[str, AfterValidator(_known_reference)]
    serial: str = Field(min_length=1)
    of_class: Annotated[str, AfterValidator(_readable_class)] | None = Field(default=None, alias="class")
    certificate_u: CertifiedShare | None = None  # standard, or U with its k; of reading: alike at every level
    certificate_level_u: CertifiedU | None = None  # the same beside it: differs from level to level
    scale_interval: AnyQuantity | None = None  # of the scale that weighed the masses, or of the reference's own reading
    weights: tuple[Mass, ...] = ()  # one after the other as they are stacked, each with its u
    weights_density: Density | None = None  # of what hangs; none: 8000 kg/m3
    gravity: Acceleration | None = None  # where a scale that weighs force, or a tester, was adjusted
    valid_until: dt.date | None = None

    @model_validator(mode="before")
    @classmethod
    def _expanded(cls, values: Any) -> Any:  # noqa: ANN401
        for key in ("k", "U", "certificate_U", "certificate_k", "coverage_factor"):
            if isinstance(values, dict) and key in values:
                raise ValueError(f'no key is called {key}; write U and its k in one: certificate_u = "0.02 % (k = 2)"')
        return values

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.gravity is not None and not 9.7 < self.gravity.value < 9.9:
            raise ValueError(f'gravity "{self.gravity.text}" is none of this earth; write one like "9.8126 m/s2"')
        if self.weights_density is not None and not 100.0 < self.weights_density.value < 25_000.0:
            raise ValueError(f'weights_density "{self.weights_density.text}" is not credible; look at its unit')
        return self

    @property
    def span_class(self) -> tuple[float, Quantity] | None:
        """Return the class as a share and the span that it is of; ``None`` where none of that kind is stated."""
        return None if self.of_class is None or self.of_class in WEIGHT_CLASSES else _span_class(self.of_class)


CREDIBLE = {
    "height": (0.0, 9000.0),  # m
    "sensor_above_reference": (-100.0, 100.0),  # m
    "liquid_density": (0.01, 25_000.0),  # kg/m³
    "air_density": (0.3, 2.0),
    "barometer": (3e4, 1.2e5),  # Pa
}
"""Between which values a place lies, in SI: beyond them a unit is wrong."""


class Place(Document):
    """What lies between reference and sensor, and where on earth."""

    liquid: str = ""  # or the gas, in the line
    liquid_density: Density | None = None
    sensor_above_reference: SignedLength | None = None
    latitude: Angle | None = None
    height: Height | None = None  # above the sea
    barometer: Pressure | None = None
    air_density: Density | None = None  # none: 1.2 kg/m3

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.latitude is not None and abs(self.latitude.value) > math.pi / 2.0:
            raise ValueError(f'latitude "{self.latitude.text}" must lie between -90 and 90 deg')
        if self.barometer is not None and self.barometer.reference != "absolute":
            raise ValueError(f'barometer "{self.barometer.text}" must be absolute, like "97.8 kPa(a)"')
        for name, (low, high) in CREDIBLE.items():
            typed: Quantity | None = getattr(self, name)
            if typed is not None and not (low <= typed.value <= high and typed.u <= high - low):
                raise ValueError(f'{name} "{typed.text}" is not credible here; look at its unit')
        return self


class Run(Document):
    """Once up and down, without a touch on sensor and cable in between."""

    temperature: Temperature | None = None
    readings: tuple[Row, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> Self:
        for number, (one, other) in enumerate(pairwise(self.readings), start=2):
            seconds = _seconds(other.time) - _seconds(one.time)
            if seconds < SHORTEST:
                raise ValueError(
                    f"reading {number} is {seconds:g} s after the one before it; a level is the mean of "
                    f"{SHORTEST} s at least, taken after it has settled"
                )
            step = (other.level.value - one.level.value) * (1.0 if other.way == "up" else -1.0)
            if one.way == other.way and step < 0.0:
                raise ValueError(
                    f'reading {number}, "{other.level.text}", turns back on the way {other.way}; '
                    "repeat a level that was overshot from where it came"
                )
        return self


class GoodFor(Document):
    """Where the sensor matters most, and what the objective allows there."""

    at: AnyQuantity
    allowed: AnyQuantity | None = None  # standard uncertainty that the objective allows


class Creep(Document):
    """Top load held, then zero: two readings at the top and two at zero, 30 min apart."""

    readings: tuple[Row, Row, Row, Row]


class ReadingsSheet(Document):
    """One sensor, one reference, one day."""

    tag: FileName
    by: str = ""
    journal: str | None = None  # the recording that its signals were filled in from
    sensor: SheetSensor
    reference: SheetReference
    place: Place = Place()
    valid_until: dt.date | None = None  # none: twelve months
    good_for: GoodFor | None = None
    creep: Creep | None = None
    zero_at: tuple[ZeroRow, ...] = ()  # zeros at two temperatures or more
    run: tuple[Run, ...] = Field(min_length=1)

    @model_validator(mode="before")
    @classmethod
    def _rows_of_four(cls, values: Any) -> Any:  # noqa: ANN401
        """Say once what all readings lack: a fault of the form is in every one of them."""
        if isinstance(values, dict) and (said := lacking(values.get("run"))):
            raise ValueError(said)
        return values

    @field_validator("run")
    @classmethod
    def _whole(cls, runs: tuple[Run, ...], info: ValidationInfo) -> tuple[Run, ...]:
        _check_alike(runs, info.data.get("sensor"))
        _check_levels(runs)
        _check_signals(runs)
        return runs

    @property
    def levels(self) -> tuple[Quantity, ...]:
        """Every level read, run after run."""
        return tuple(reading.level for run in self.run for reading in run.readings)


def _seconds(time: dt.time) -> float:
    return 3600.0 * time.hour + 60.0 * time.minute + time.second + 1e-6 * time.microsecond


def _check_alike(runs: tuple[Run, ...], sensor: Any) -> None:  # noqa: ANN401 - missing where it was faulty itself
    first = runs[0].readings[0].level
    for number, run in enumerate(runs, start=1):
        for place, reading in enumerate(run.readings, start=1):
            level = reading.level
            if (level.dimension, level.reference) != (first.dimension, first.reference):
                raise ValueError(
                    f'run {number}, reading {place}: "{level.text}" is not of the kind of "{first.text}"; '
                    "a sheet holds levels of one kind and one reference"
                )
            if isinstance(sensor, SheetSensor) and reading.signal_unit != sensor.signal_unit:
                raise ValueError(
                    f"run {number}, reading {place}: a signal in {reading.signal_unit}, but sensor.signal_unit is "
                    f"{sensor.signal_unit}{ratio_hint(reading.signal, reading.signal_unit, sensor.signal_unit)}"
                )


def _check_levels(runs: tuple[Run, ...]) -> None:
    for number, run in enumerate(runs, start=1):
        levels = sorted(reading.level.value for reading in run.readings)
        apart = SAME_LEVEL * (levels[-1] - levels[0])
        count = 1 + sum(other - one > apart for one, other in pairwise(levels))
        if count < LEAST_LEVELS or apart == 0.0:
            raise ValueError(f"run {number}: {count} levels; a calibration needs {LEAST_LEVELS} at least, up and down")
        for way in ("up", "down"):
            if sum(reading.way == way for reading in run.readings) < LEAST_LEVELS - 1:
                raise ValueError(
                    f"run {number}: no way {way} of {LEAST_LEVELS - 1} levels or more; "
                    "without both the loop is not known"
                )


def _check_signals(runs: tuple[Run, ...]) -> None:
    signals = [reading.signal for run in runs for reading in run.readings]
    levels = [reading.level.value for run in runs for reading in run.readings]
    span, reach = max(signals) - min(signals), max(levels) - min(levels)
    for number, run in enumerate(runs, start=1):
        for place, (one, other) in enumerate(pairwise(run.readings), start=2):
            if one.signal == other.signal and abs(one.level.value - other.level.value) > SAME_LEVEL * reach:
                raise ValueError(
                    f"run {number}, reading {place}: the signal stayed at {other.signal:g} from "
                    f'"{one.level.text}" to "{other.level.text}"; the channel is frozen or a row was copied'
                )
        for place, reading in enumerate(run.readings, start=1):
            if reading.signal_u > UNSETTLED * span:
                raise ValueError(
                    f"run {number}, reading {place}: the mean is uncertain by {reading.signal_u:g}, more than "
                    f"{100 * UNSETTLED:g} % of the range of signals; wait until the level has settled and read it again"
                )


def read_sheet(path: Path, *, change: Change | None = None) -> tuple[ReadingsSheet, dt.date]:
    """Read one sheet; its file name, ``TAG_DATE.toml``, holds the day. ``change`` fills in signals of a journal.

    Raises
    ------
    ConfigError
        As for :func:`read_document`, or the name says another tag or no day.
    """
    tag, date = tag_and_day(path)
    sheet = read_document(path, ReadingsSheet, change=change)
    if tag != sheet.tag:
        raise ConfigError(f"{path}: tag: the sheet is of {sheet.tag}, its name of {tag}; correct the one that is wrong")
    return sheet, date


def tag_and_day(path: Path) -> tuple[str, dt.date]:
    """Read a sheet's name, ``TAG_DATE.toml``; ``ConfigError`` where it is another."""
    tag, _, day = path.stem.rpartition("_")
    try:
        return tag, dt.date.fromisoformat(day)
    except ValueError:
        raise ConfigError(f"{path}: name the sheet TAG_DATE.toml, like PT-11_2031-06-02.toml") from None
