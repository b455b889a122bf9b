"""Read the stand: its devices, the sensor on each of their inputs, its geometry.

An input is mapped here once, from the device's wire name to a tag; the tag is the key from there on.
"""

import math
from collections.abc import Collection
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, ValidationInfo, field_validator, model_validator

from standbook.daq.config.measurands import MEASURANDS, Measurand
from standbook.daq.config.plan import FileName
from standbook.daq.config.sensor_kinds import Wired
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.display_units import DISPLAYED, Chosen, display_unit
from standbook.daq.port_name import port_fault
from standbook.daq.quantity import Area, Force, Frequency, Mass, Pressure, Quantity, Share

Nozzle = Literal["down", "up", "horizontal"]
WORST_CLASS = 0.1  # of a gauge; a share that was typed without its % is larger
COLUMNS = ("sequence", "boot", "ticks", "host_time")  # of every samples file, beside its channels


class TextLines(Document):
    """Column layout of a device that prints numbers, one row a line; the keys of ``daq.wire.text_lines.LineLayout``."""

    columns: tuple[str, ...] = Field(min_length=1)
    clock: str | None = None  # column with the device clock
    clock_hz: float = Field(default=1e6, gt=0.0)  # its ticks a second
    clock_modulus: int | None = Field(default=None, gt=0, le=2**60)  # where it rolls over
    counter: str | None = None
    boot: str | None = None
    separator: Literal[",", ";", "\t", " "] = ","  # a blank: any run of blanks and tabs
    decimal: Literal[".", ","] = "."
    labels: tuple[str, ...] = ()  # what is printed before each number, such as "T:"; one for each column

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.separator == self.decimal:
            raise ValueError('separator and decimal are both ","; one of them must differ')
        if self.labels and len(self.labels) != len(self.columns):
            raise ValueError(f"{len(self.labels)} labels for {len(self.columns)} columns; give one for each, or none")
        for role in ("clock", "counter", "boot"):
            column = getattr(self, role)
            if column is not None and column not in self.columns:
                raise ValueError(f'{role} column "{column}" is not among columns')
        return self


class Device(Document):
    """One microcontroller on one serial port."""

    name: FileName
    serial: str = ""  # what its hello must say, and its USB serial number
    port: str | None = None  # none: found by USB serial number, or given on the command line
    baud: int = Field(default=500_000, gt=0)  # of the firmware as shipped
    format: Literal["wire 1", "text lines"] = "wire 1"
    text_lines: TextLines | None = None
    clock_tolerance: Share = Quantity(
        value=50e-6, u=0.0, dimension="share", reference=None, text="50 ppm"
    )  # half-width, crystal

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.format == "text lines") != (self.text_lines is not None):
            raise ValueError(f'device {self.name}: format "text lines" and a [device.text_lines] table go together')
        if self.port is not None and (fault := port_fault(self.port)):
            raise ValueError(f"device {self.name}: {fault}")
        if self.clock_tolerance.value == 0.0:
            raise ValueError(f'device {self.name}: no clock is exact; write a clock_tolerance like "50 ppm"')
        return self


def _known(name: str) -> str:
    if name not in MEASURANDS:
        raise ValueError(f'nothing here measures "{name}"; known: {", ".join(MEASURANDS)}')
    return name


class Input(Wired):
    """The sensor on one input of one device."""

    device: FileName
    stream: str = "fast"  # as its hello says; text lines take this name
    wire: str
    tag: FileName
    measures: Annotated[str, AfterValidator(_known)]
    tank: str | None = None
    sensor_serial: str = ""
    venturi_cda: Area | None = None  # of the venturi or orifice whose pressure difference this is, as calibrated
    filter_corner: Frequency | None = None  # of the low-pass filter in front of the converter; none: not filtered
    share: Literal["sum", "spare"] | None = None  # of several thrust cells: parts of one load, or it carries it again

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.tag in COLUMNS or self.tag.endswith(".counts"):
            raise ValueError(f"input {self.tag}: samples files use this name themselves; choose another tag")
        if not self.stream or any(mark in self.stream for mark in "/\\"):
            raise ValueError(f'input {self.tag}: stream "{self.stream}" names a file; give it a name without / and \\')
        if lacking := self.sensor_kind.lacks(self):
            raise ValueError(f"input {self.tag}: a {self.kind} input needs {' and '.join(lacking)}")
        try:
            self.stated_supply  # noqa: B018 - read to refuse what is no voltage
        except ValueError as error:
            raise ValueError(f"input {self.tag}: {error}") from None
        if self.measurand.needs_tank and not self.tank:
            raise ValueError(f"input {self.tag}: a {self.measures} needs its tank")
        if self.measurand.needs_flow_area != (self.venturi_cda is not None):
            raise ValueError(f"input {self.tag}: a venturi pressure and its venturi_cda go together")
        if self.share is not None and not self.measurand.may_be_spare:
            raise ValueError(f'input {self.tag}: share = "{self.share}" is for thrust cells, not for {self.measures}')
        if self.venturi_cda is not None and self.venturi_cda.u <= 0.0:
            raise ValueError(f'input {self.tag}: venturi_cda needs its uncertainty, like "30.0 +/- 0.3 mm2"')
        return self

    @property
    def measurand(self) -> Measurand:
        """Measurand of this input."""
        return MEASURANDS[self.measures]


class CheckMeans(Document):
    """What the stand is checked against in place, before a run."""

    gauge_class: Share | None = None  # of the mechanical gauge at the tanks, limits, of its range
    gauge_range: Pressure | None = None
    weight: Mass | None = None  # hung in the line of thrust; its u beside it

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.gauge_class is None) != (self.gauge_range is None):
            raise ValueError('gauge_class and gauge_range go together, like "0.6 %" and "60 bar(g)"')
        if self.gauge_class is not None and not 0.0 < self.gauge_class.value < WORST_CLASS:
            raise ValueError(f'gauge_class "{self.gauge_class.text}" is no gauge\'s; write one like "0.6 %"')
        if self.gauge_range is not None and (self.gauge_range.reference != "gauge" or self.gauge_range.value <= 0.0):
            raise ValueError(f'gauge_range "{self.gauge_range.text}" must be a gauge pressure, like "60 bar(g)"')
        return self

    @property
    def gauge_u(self) -> float | None:
        """Standard uncertainty of one reading of the gauge; ``None`` where its class is not stated. [Pa]."""
        if self.gauge_class is None or self.gauge_range is None:
            return None
        return self.gauge_class.value * self.gauge_range.value / math.sqrt(3.0)


class Display(Document):
    """Units that people are shown, one of each dimension; none: as stored, or as typed."""

    pressure: str | None = None  # "psi(g)"; each reading stays absolute or gauge as its sensor is
    force: str | None = None
    mass: str | None = None

    @field_validator("pressure", "force", "mass")
    @classmethod
    def _known(cls, text: str | None, info: ValidationInfo) -> str | None:
        if text is not None:
            display_unit(text, str(info.field_name))
        return text

    @property
    def chosen(self) -> dict[str, str]:
        """Unit by dimension, without a reference."""
        stated = ((name, getattr(self, name)) for name in DISPLAYED)
        return {name: display_unit(text, name) for name, text in stated if text is not None}

    def changed(self, chosen: Chosen) -> Self:
        """Return the choice with other units in place of those of the same dimension."""
        return self.model_copy(
            update={name: f"{unit}(g)" if name == "pressure" else unit for name, unit in chosen.items()}
        )


class Stand(Document):
    """One stand, validated as a whole."""

    name: FileName
    nozzle: Nozzle
    tanks_on_cell: bool
    moving_mass: Mass | None = None  # with full tanks
    modes: tuple[Frequency, ...] = ()  # from tap tests, full tanks
    rated_load: Force | None = None
    checks: CheckMeans = CheckMeans()
    display: Display = Display()
    device: tuple[Device, ...] = Field(min_length=1)
    input: tuple[Input, ...] = Field(min_length=1)

    @model_validator(mode="after")
    def _check(self) -> Self:
        faults = [*self._repeated(), *self._unknown()]
        if faults:
            raise ValueError("; ".join(faults))
        return self

    def _repeated(self) -> list[str]:
        tags, wires = [i.tag for i in self.input], [(i.device, i.stream, i.wire) for i in self.input]
        faults = [f"two inputs share the tag {tag}" for tag in sorted({t for t in tags if tags.count(t) > 1})]
        faults += [f"input {'/'.join(w)} stands twice" for w in sorted({w for w in wires if wires.count(w) > 1})]
        names = [d.name for d in self.device]
        return faults + [f"two devices share the name {n}" for n in sorted({n for n in names if names.count(n) > 1})]

    def _unknown(self) -> list[str]:
        names, tags = {d.name for d in self.device}, {i.tag for i in self.input}
        faults = [f"input {i.tag} hangs on unknown device {i.device}" for i in self.input if i.device not in names]
        for i in self.input:
            if i.supply and not i.is_supply_stated and i.supply not in tags:
                faults.append(f'input {i.tag}: supply "{i.supply}" is neither a tag of this stand nor a voltage')
        return [*faults, *self._unsummed()]

    def _unsummed(self) -> list[str]:
        """Return what is wrong with thrust cells that are to be summed."""
        parts = [i for i in self.input if i.share == "sum"]
        if not parts:
            return []
        if len(parts) == 1:
            return [f'input {parts[0].tag}: share = "sum" needs another cell to be summed with']
        alone = [i.tag for i in self.input if i.measurand == parts[0].measurand and i.share is None]
        faults = [f'input {tag}: other cells are summed; write share = "sum" or "spare" beside it too' for tag in alone]
        if len({(i.device, i.stream) for i in parts}) > 1:
            faults.append(f"inputs {' and '.join(i.tag for i in parts)} are summed and must stand in one stream")
        return faults

    def input_tagged(self, tag: str) -> Input:
        """Return one input by its tag; ``KeyError`` when there is none."""
        return {i.tag: i for i in self.input}[tag]

    def device_named(self, name: str) -> Device:
        """Return one device by its name; ``KeyError`` when there is none."""
        return {d.name: d for d in self.device}[name]

    def shown_in(self, chosen: Chosen) -> Self:
        """Return the same stand with other units for people; nothing else of it changes."""
        return self.model_copy(update={"display": self.display.changed(chosen)})

    def of_devices(self, names: Collection[str]) -> Self:
        """Return the part of the stand that hangs on some of its devices."""
        devices = tuple(device for device in self.device if device.name in names)
        inputs = tuple(item for item in self.input if item.device in names)
        return self.model_copy(update={"device": devices, "input": inputs})

    def measuring(self, measures: str, tank: str | None = None) -> tuple[Input, ...]:
        """Return the inputs of a measurand, in the file's order."""
        return tuple(i for i in self.input if i.measures == measures and (tank is None or i.tank == tank))


def read_stand(path: Path) -> Stand:
    """Read one stand; every fault is listed at once in the ``ConfigError``."""
    return read_document(path, Stand)
