"""Map the columns of a foreign CSV to channels: a short file, and how its values enter a run.

::

    separator = ";"
    decimal = ","
    start = 2031-06-14T09:58:00Z          # wall clock at the first row
    clock = "t"                           # column
    clock_unit = "us"
    clock_modulus = 4294967296            # where it starts again from zero, in clock units
    t_zero = "FIRE rising 0.5"            # column, direction, threshold; or "12.340 +/- 0.005 s" on the clock
    [columns]
    "P_ox" = "PT-11 bar(g)"               # tag of the stand and unit of the values
    "Thrust" = "LC-1 lbf +/- 0.5 %"       # with their relative standard uncertainty

Imported values are readings, not counts: another program calibrated them. They are kept as whole counts of the
resolution in which they were printed, on an input of kind ``counts``, with a calibration that only names the unit
and how good the values are. What this program cannot know of them (rails, open wires) it does not claim.
"""

import datetime as dt
import math
import re
from collections.abc import Mapping as MappingOf
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, Self

from pydantic import Field, model_validator

from standbook.daq.config.calibration import Calibration
from standbook.daq.config.sensor_kinds import COUNTS, Wired
from standbook.daq.config.stand import Device, Input, Stand
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError
from standbook.daq.quantity import LONGEST, Quantity, Share, dimension_of, parse_quantity, parse_unit

MAPPING_FILE = "mapping.toml"
REVISION = "imported"
DEVICE = "imported"  # what the file is called where a recorded run has a device
STREAM = "csv"
ATMOSPHERE = 101_325.0  # Pa; near enough for where a sensor's range ends
ANY_RANGE = 1e9  # of a reading: an import without calibration states no range
EARLIEST = 1970  # year in which the time of records begins
_COLUMN = re.compile(r"^\s*(?P<tag>\S+)\s+(?P<unit>\S+)\s*(?:(?:\+/-|±)\s*(?P<share>.+))?$")
_EDGE = re.compile(r"^\s*(?P<column>.+?)\s+(?P<way>rising|falling)\s+(?P<level>[+-]?[\d.]+(?:[eE][+-]?\d+)?)\s*$")


@dataclass(frozen=True, slots=True)
class ColumnUse:
    """One CSV column: its channel, its unit and its uncertainty."""

    tag: str
    unit: str
    share: float | None  # relative standard uncertainty, where stated


@dataclass(frozen=True, slots=True)
class Crossing:
    """T-0 where a column crosses a level."""

    column: str
    rising: bool
    level: float


class CsvMapping(Document):
    """The whole mapping file, validated."""

    separator: str = Field(default=",", min_length=1, max_length=1)
    decimal: Literal[".", ","] = "."
    skip_lines: int = Field(default=0, ge=0)  # above the line with the column names
    start: dt.datetime
    clock: str
    clock_unit: Literal["s", "ms", "us", "min", "h"]
    clock_modulus: float | None = Field(default=None, gt=0.0)
    clock_tolerance: Share = Quantity(
        value=100e-6, u=0.0, dimension="share", reference=None, text="100 ppm"
    )  # half-width, a crystal
    t_zero: str | None = None
    columns: dict[str, str] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.separator == self.decimal:
            raise ValueError(f'separator and decimal are both "{self.decimal}"; one of them must differ')
        if self.start.tzinfo is None:
            raise ValueError(f"start {self.start} has no time zone; write it like 2031-06-14T09:58:00Z")
        if self.start.year < EARLIEST:
            raise ValueError(f"start {self.start} is before {EARLIEST}; correct it")
        uses = {name: self.use(name) for name in self.columns}
        tags = [use.tag for use in uses.values()]
        twice = sorted({tag for tag in tags if tags.count(tag) > 1})
        if twice:
            raise ValueError(f"two columns are mapped to {', '.join(twice)}")
        if self.clock in self.columns:
            raise ValueError(f'the clock column "{self.clock}" cannot be a channel too')
        if self.t_zero is not None and self.crossing() is None:
            self.instant()
        return self

    def use(self, name: str) -> ColumnUse:
        """Parse the entry of one column."""
        text = self.columns[name]
        match = _COLUMN.match(text) if len(text) <= LONGEST else None
        if match is None:
            raise ValueError(f'column "{name}": "{text}" is not understood; write a tag and a unit: "PT-11 bar(g)"')
        try:
            parse_unit(match["unit"], dimension_of(match["unit"]))
            share = parse_quantity(match["share"], "share").value if match["share"] else None
        except ValueError as error:
            raise ValueError(f'column "{name}": {error}') from None
        return ColumnUse(match["tag"], match["unit"], share)

    def crossing(self) -> Crossing | None:
        """Return the level crossing that defines T-0, ``None`` where it is an instant."""
        match = _EDGE.match((self.t_zero or "")[:LONGEST])
        return Crossing(match["column"], match["way"] == "rising", float(match["level"])) if match else None

    def instant(self) -> Quantity:
        """Return the stated T-0 on the file's clock. [s]."""
        try:
            instant = parse_quantity(self.t_zero, "time")
        except ValueError:
            raise ValueError(
                f't_zero "{self.t_zero}" is not understood; write "FIRE rising 0.5" or "12.340 +/- 0.005 s"'
            ) from None
        if instant.u <= 0.0:
            raise ValueError(f't_zero "{self.t_zero}" has no uncertainty; write "12.340 +/- 0.005 s"')
        return instant


def read_mapping(path: Path) -> CsvMapping:
    """Read a mapping file.

    Raises
    ------
    ConfigError
        Every fault, one a line.
    """
    return read_document(path, CsvMapping)


def check_mapping(mapping: CsvMapping, stand: Stand, calibrations: MappingOf[str, Calibration], name: str) -> None:
    """Refuse a mapping that does not fit the stand and the calibrations.

    Raises
    ------
    ConfigError
        Unknown tag, a unit of another dimension, a column whose uncertainty nobody states; one problem a line.
    """
    tags = {item.tag for item in stand.input}
    problems = []
    for column in mapping.columns:
        use = mapping.use(column)
        base = calibrations.get(use.tag)
        if use.tag not in tags:
            problems.append(
                f'{name}: column "{column}" names unknown tag {use.tag}; the stand has {", ".join(sorted(tags))}'
            )
        elif base is None and use.share is None:
            problems.append(
                f'{name}: column "{column}": the plan names no calibration of {use.tag}, so say how good the values '
                f'are: "{use.tag} {use.unit} +/- 0.5 %"'
            )
        elif base is not None and base.dimension != dimension_of(use.unit):
            problems.append(
                f'{name}: column "{column}" is in {use.unit}, but {use.tag} is calibrated in {base.reading_unit}'
            )
    if problems:
        raise ConfigError(*problems)


def imported_stand(stand: Stand, mapping: CsvMapping) -> Stand:
    """Derive the stand of an import: mapped inputs belong to the file and deliver readings, as counts."""
    columns = {mapping.use(column).tag: column for column in mapping.columns}
    inputs = [_as_counts(item, columns[item.tag]) if item.tag in columns else item for item in stand.input]
    file = Device(name=DEVICE, clock_tolerance=mapping.clock_tolerance)
    return stand.model_copy(update={"device": (*stand.device, file), "input": tuple(inputs)})


def _as_counts(item: Input, column: str) -> Input:
    place = {"device": DEVICE, "stream": STREAM, "wire": column}
    wired = Wired(kind=COUNTS.name)
    return item.model_copy(update={**place, **{field: getattr(wired, field) for field in Wired.model_fields}})


def imported_calibrations(calibrations: MappingOf[str, Calibration], mapping: CsvMapping) -> dict[str, Calibration]:
    """Derive, for each mapped tag, the calibration that names the unit and keeps the sensor's uncertainties."""
    found = {}
    for column in mapping.columns:
        use = mapping.use(column)
        found[use.tag] = _imported_calibration(use, calibrations.get(use.tag), mapping.start.date())
    return found


def _imported_calibration(use: ColumnUse, base: Calibration | None, day: dt.date) -> Calibration:
    scale = parse_unit(use.unit, dimension_of(use.unit))[0]
    ratio = base.scale / scale if base is not None else 1.0
    known = (
        {}
        if base is None
        else {
            "sensor": base.sensor,
            "sensor_serial": base.sensor_serial,
            "reference_standard": base.reference_standard,
            "reference_uncertainty": base.reference_uncertainty,
            "found": base.found,
            "zero_uncertainty": math.hypot(base.zero_uncertainty, _tolerance_u(base), base.reference_span_u()) * ratio,
            "hysteresis_uncertainty": base.hysteresis_uncertainty,
            "latency": base.latency,
            "stand_interaction": base.stand_interaction,
        }
    )
    if use.share is not None:
        known["reference_uncertainty"] = Quantity(
            value=use.share, u=0.0, dimension="share", reference=None, text=f"{100.0 * use.share:g} %"
        )
    lowest, highest = _range(base, use.unit)
    return Calibration(
        tag=use.tag,
        revision=REVISION,
        date=base.date if base is not None else day,
        valid_until=base.valid_until if base is not None else day,
        signal_unit=COUNTS.signal_unit,
        reading_unit=use.unit,
        lowest=lowest,
        highest=highest,
        coefficients=(0.0, 1.0),
        covariance=((0.0, 0.0), (0.0, 0.0)),
        **{"sensor": "as imported", "sensor_serial": "", **known},
    )


def _tolerance_u(base: Calibration) -> float:
    """Return the most that a tolerance class leaves open in the calibrated range. [reading_unit]."""
    return max(base.tolerance_u(base.lowest), base.tolerance_u(base.highest))


def _range(base: Calibration | None, unit: str) -> tuple[float, float]:
    """Return the calibrated range in another unit; temperatures keep none, their scales differ by an offset too."""
    if base is None or (base.dimension == "temperature" and base.reading_unit != unit):
        return -ANY_RANGE, ANY_RANGE
    if base.reading_unit == unit:
        return base.lowest, base.highest
    scale, reference = parse_unit(unit, base.dimension)
    above = {"gauge": ATMOSPHERE, "absolute": 0.0}
    offset = above.get(base.reference or "", 0.0) - above.get(reference or "", 0.0)
    if base.reference == reference:
        offset = 0.0
    return (base.lowest * base.scale + offset) / scale, (base.highest * base.scale + offset) / scale
