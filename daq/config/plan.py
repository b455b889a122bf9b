"""Read the test plan: purpose, propellants, expected performance. One TOML file a test.

Quantities are SI once read; a pressure keeps its reference (absolute, gauge or difference).
The plan names its stand and its calibrations; it holds nothing else of them.
"""

import itertools
import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.kinds.kind import Kind
from standbook.daq.kinds.registry import check_exponent_basis, check_kind, kind_named
from standbook.daq.quantity import (
    LONGEST,
    Acceleration,
    Angle,
    Area,
    Density,
    Duration,
    Frequency,
    Height,
    Impulse,
    Length,
    Mass,
    MassFlow,
    Number,
    Pressure,
    Quantity,
    Residual,
    Share,
    Speed,
    Temperature,
    Volume,
    absolute,
    parse_quantity,
)

# [AMS55] table 2.4; a place that is not stated may have 9.780 to 9.832, equator to pole, rectangular
UNSTATED_GRAVITY = Quantity(value=9.80665, u=0.052 / math.sqrt(12.0), dimension="acceleration", text="9.80665 m/s2")
LATITUDE_U = 1e-3  # m/s²; heights to some 600 m and what lies below ground; judgement
_GUARD = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*%\s*one-sided\s*$")

_EDGE = re.compile(r"^\s*(?P<device>\S+)\s+(?P<line>.+?)\s+(?P<way>rising|falling)\s*$")
DETECTED_OPENING = "detected opening"  # a T-0 that the analysis finds

TestKind = Annotated[str, AfterValidator(check_kind)]
ExponentBasis = Annotated[str, AfterValidator(check_exponent_basis)]
FlowEnd = Literal["valve closed early", "run-out"]
_ROUNDED = re.compile(r"rounded (\d+(?:\.\d+)?|\.\d+) d")


def _inlet(text: str) -> str:
    """Check how the edge of an injector's holes is stated."""
    if text not in ("sharp", "unknown") and _ROUNDED.fullmatch(text) is None:
        raise ValueError(f'"{text}" is none of "sharp", "unknown" and "rounded R d", such as "rounded 0.2 d"')
    return text


def inlet_rounding(inlet: str) -> float | None:
    """Return the inlet radius over the diameter of holes whose inlet a plan states; ``None``: not known."""
    rounded = _ROUNDED.fullmatch(inlet)
    if rounded is not None:
        return float(rounded[1])
    return 0.0 if inlet == "sharp" else None


ChamberTap = Literal["injector face", "before the nozzle"]
ThroatMaterial = Literal["copper", "graphite", "steel"]
WallMaterial = Literal["aluminium", "steel"]
InjectorInlet = Annotated[str, AfterValidator(_inlet)]
RedlinePhase = Literal["standby", "misfire", "burn", "flow", "safing"]


Call = Literal["hold", "abort", "repeat"]
LONGEST_WORDS, MOST_DECISIONS = 60, 6  # characters of a line of the pad card; lines
_COUNTED = ("no", "one", "two", "three", "four")


def _name(text: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", text):
        raise ValueError(f'"{text}" must be letters, digits, dots, dashes and underscores: it names files')
    return text


def _absolute(pressure: Quantity) -> Quantity:
    if pressure.reference != "absolute":
        raise ValueError(f'"{pressure.text}" must be absolute; write a barometer reading like "97.8 kPa(a)"')
    return pressure


def _not_difference(pressure: Quantity) -> Quantity:
    if pressure.reference == "difference":
        raise ValueError(f'"{pressure.text}" is a difference; write (g) or (a)')
    return pressure


FileName = Annotated[str, AfterValidator(_name)]
AbsolutePressure = Annotated[Pressure, AfterValidator(_absolute)]
StaticPressure = Annotated[Pressure, AfterValidator(_not_difference)]


@dataclass(frozen=True, slots=True)
class LineEdgeName:
    """A change of a device's digital line."""

    device: str
    line: str
    rising: bool


LONGEST_LOSS = 0.2  # s of lost rows that the thrust beside them may bound; judgement


class Wanted(Document):
    """What the objective asks of a result: its expanded uncertainty, about 95 %."""

    impulse: Share | None = None


class Test(Document):
    """Purpose and kind of the test, and the minimum data that makes the run worth keeping."""

    __test__ = False  # not a pytest class

    number: FileName
    kind: TestKind
    stand: FileName
    article: str
    objective: str
    minimum_data: tuple[str, ...] = ()
    wanted: Wanted = Wanted()
    repeat_if_lost_longer_than: Duration = Quantity(value=0.05, u=0.0, dimension="time", reference=None, text="50 ms")
    t_zero: str | None = None  # "cradle-a fire rising" | "detected opening" | none
    conductor: str = ""
    range_safety: str = ""
    change: str = ""  # since the last run, in the crew's words

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.repeat_if_lost_longer_than.value > LONGEST_LOSS:
            raise ValueError(
                f'repeat_if_lost_longer_than "{self.repeat_if_lost_longer_than.text}" is above {LONGEST_LOSS:g} s: a '
                "longer loss may hide more than the thrust beside it tells"
            )
        if self.t_zero not in (None, DETECTED_OPENING) and self.t_zero_edge is None:
            raise ValueError(
                f't_zero "{self.t_zero}" is not understood; write "DEVICE LINE rising" or "{DETECTED_OPENING}"'
            )
        return self

    @property
    def t_zero_edge(self) -> LineEdgeName | None:
        """The edge that is T-0; ``None`` where T-0 is none or left to the analysis."""
        match = _EDGE.match((self.t_zero or "")[:LONGEST])
        return LineEdgeName(match["device"], match["line"], match["way"] == "rising") if match else None


def normal_gravity(latitude: float) -> float:
    """Return gravity on the ellipsoid at a geodetic latitude [rad], at the height of the sea. [m/s²].

    Somigliana's formula with the constants of the World Geodetic System 1984, from memory.
    """
    sine = math.sin(latitude) ** 2
    return 9.7803253359 * (1.0 + 0.00193185265241 * sine) / math.sqrt(1.0 - 0.00669437999013 * sine)


class Site(Document):
    """Ambient air and mains frequency at the stand."""

    ambient_pressure: AbsolutePressure
    ambient_temperature: Temperature
    mains: Frequency | None = None
    latitude: Angle | None = None  # in place of gravity
    gravity: Acceleration = UNSTATED_GRAVITY

    @model_validator(mode="before")
    @classmethod
    def _by_latitude(cls, values: Any) -> Any:  # noqa: ANN401
        """Fill in the gravity of a latitude."""
        if not isinstance(values, dict) or values.get("latitude") is None:
            return values
        if "gravity" in values:
            raise ValueError("gravity and latitude say the same; keep one of the two")
        latitude = values["latitude"]
        latitude = latitude if isinstance(latitude, Quantity) else parse_quantity(latitude, "angle")
        if abs(latitude.value) > math.pi / 2.0:
            raise ValueError(f'latitude "{latitude.text}" must lie between -90 and 90 deg')
        g = normal_gravity(latitude.value)
        words = f"{g:.4f} +/- {LATITUDE_U:g} m/s2"
        return {**values, "gravity": Quantity(value=g, u=LATITUDE_U, dimension="acceleration", text=words)}


class Engine(Document):
    """Throat, expansion and the performance expected of the chamber."""

    throat_diameter: Length
    expansion_ratio: Number
    cstar_table: tuple[tuple[float, Speed], ...]  # mixture ratio, ideal characteristic velocity
    cstar_efficiency: Number
    vacuum_thrust_coefficient: Number
    thrust_coefficient_efficiency: Number
    run_out_first: str | None = None
    contraction_ratio: Number | None = None  # chamber's area over the throat's
    chamber_tap: ChamberTap | None = None  # where the chamber's pressure is taken
    throat_material: ThroatMaterial | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        ratios = [ratio for ratio, _ in self.cstar_table]
        if len(ratios) < 2 or any(b <= a for a, b in itertools.pairwise(ratios)):
            raise ValueError("cstar_table needs at least two rows with rising mixture ratio")
        if self.expansion_ratio.value < 1.0:
            raise ValueError(f'expansion_ratio "{self.expansion_ratio.text}" is below 1')
        if self.contraction_ratio is not None and self.contraction_ratio.value <= 1.1:
            raise ValueError(f'contraction_ratio "{self.contraction_ratio.text}" is no chamber; it is above 1.1')
        return self


THICKEST = 0.1  # of the diameter; a thicker wall is another unit than meant


class Tank(Document):
    """One tank: its contents, pressurisation and discharge."""

    name: FileName
    liquid: str
    liquid_density: Density
    pressurant: str
    internal_volume: Volume
    liquid_load: Mass
    containers: int | None = Field(default=None, ge=1)  # that the load was weighed in
    scale_interval: Mass | None = None  # least step of the scale that weighed them
    greatest_load: Mass | None = None  # that the hardware lets in (overflow port, dip tube); not stated: not limited
    unusable_residual: Residual = Quantity(value=0.0, u=0.0, dimension="mass", reference=None, text="0 kg")
    internal_diameter: Length | None = None
    wall_material: WallMaterial | None = None
    wall_thickness: Length | None = None
    volume_at: Temperature | None = None  # when internal_volume was measured; 20 degC when not stated
    outlet_below_floor: Height = Quantity(value=0.0, u=0.0, dimension="length", reference=None, text="0 m")
    start_pressure: StaticPressure
    nameplate_pressure: StaticPressure | None = None
    relief_set_pressure: StaticPressure | None = None
    gas_temperature: Temperature | None = None  # ambient when not stated
    ullage_exponent: Number
    exponent_basis: ExponentBasis = "assumed"
    exponent_override: str | None = None  # why an exponent of another liquid is used all the same
    feed_cda: Area
    cda_basis: str = "assumed"
    injector_inlet: InjectorInlet = "unknown"

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.liquid_load.value / self.liquid_density.value >= self.internal_volume.value:
            raise ValueError(
                f"tank {self.name}: liquid_load {self.liquid_load.text} at {self.liquid_density.text} fills "
                f"{1e3 * self.liquid_load.value / self.liquid_density.value:.2f} L, more than the tank's "
                f"{self.internal_volume.text}; check load, density and volume"
            )
        self._check_wall()
        if (self.containers is None) != (self.scale_interval is None):
            raise ValueError(f"tank {self.name}: give both containers and scale_interval, or neither")
        if self.exponent_override is not None and not self.exponent_override.strip():
            raise ValueError(f"tank {self.name}: exponent_override is empty; it holds the reason, in words")
        if self.greatest_load is not None:
            if self.greatest_load.value < self.liquid_load.value:
                raise ValueError(
                    f"tank {self.name}: greatest_load {self.greatest_load.text} is less than liquid_load "
                    f"{self.liquid_load.text}; the hardware would not let the load in"
                )
            if self.greatest_load.value / self.liquid_density.value >= self.internal_volume.value:
                raise ValueError(f"tank {self.name}: greatest_load {self.greatest_load.text} leaves no ullage")
        if self.unusable_residual.value >= self.liquid_load.value:
            raise ValueError(f"tank {self.name}: unusable_residual is not less than liquid_load")
        return self

    def _check_wall(self) -> None:
        """Check that what is stated of the wall can be used, and is one."""
        if self.wall_material is None and (self.wall_thickness is not None or self.volume_at is not None):
            raise ValueError(f"tank {self.name}: wall_thickness and volume_at say nothing without wall_material")
        if self.wall_thickness is None:
            return
        if self.internal_diameter is None:
            raise ValueError(f"tank {self.name}: wall_thickness needs internal_diameter beside it")
        if self.wall_thickness.value > THICKEST * self.internal_diameter.value:
            raise ValueError(
                f"tank {self.name}: wall_thickness {self.wall_thickness.text} is no thin wall of a tank "
                f"{self.internal_diameter.text} wide; check the unit"
            )

    @property
    def ullage_volume(self) -> float:
        """Gas volume above the load before the flow. [m³]."""
        return self.internal_volume.value - self.liquid_load.value / self.liquid_density.value

    @property
    def inlet_rounding(self) -> float | None:
        """Inlet radius of the injector's holes over their diameter; ``None``: not known."""
        return inlet_rounding(self.injector_inlet)


class Flow(Document):
    """End condition and back pressure of a water or nitrogen flow."""

    end: FlowEnd = "valve closed early"
    close_after: Duration | None = None  # when the valve is closed early: planned seconds of flow
    back_pressure: StaticPressure | None = None  # ambient when not stated


class Hold(Document):
    """What a pressure hold is to show, and where its thermometers are read."""

    wanted: MassFlow = Quantity(value=1e-4 / 60.0, u=0.0, dimension="mass flow", reference=None, text="0.1 g/min")
    settle: Duration = Quantity(value=600.0, u=0.0, dimension="time", reference=None, text="10 min")
    sun: Literal["shade", "sun"] = "shade"

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.wanted.value <= 0.0:
            raise ValueError(f'wanted "{self.wanted.text}" must be more than zero: no hold shows that nothing leaks')
        return self


class LiftOff(Document):
    """The mass to lift and the thrust-to-weight ratio that the vehicle needs."""

    mass: Mass
    least_thrust_to_weight: Number


class ImpulseClass(Document):
    """The limit of total impulse, and the confidence with which it must be shown."""

    limit: Impulse
    limit_name: str
    guard: str = "95 % one-sided"
    also_at_vacuum: bool = True
    load_control: str = ""
    motors: int = Field(default=1, ge=1)  # of the vehicle, whose sum the limit counts

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not 50.0 < self.guard_share * 100.0 < 100.0:
            raise ValueError(f'guard "{self.guard}" must lie between 50 % and 100 %')
        return self

    @property
    def guard_share(self) -> float:
        """One-sided probability that a verdict must reach, 0.95 for ``"95 % one-sided"``."""
        match = _GUARD.match(self.guard[:LONGEST])
        if match is None:
            raise ValueError(f'guard "{self.guard}" is not understood; write "95 % one-sided"')
        return float(match[1]) / 100.0


class Recording(Document):
    """Requirements on the recorder before and beside the run."""

    free_space_factor: float = Field(default=3.0, gt=0.0)
    planned_duration: Duration = Quantity(value=3600.0, u=0.0, dimension="time", reference=None, text="60 min")
    second_recorder: str = ""


class Redline(Document):
    """A limit that is announced, never acted on."""

    name: str
    phase: RedlinePhase
    tag: str
    below: StaticPressure | None = None
    above: StaticPressure | None = None
    after: Duration | None = None
    persist: tuple[int, int] = (1, 1)
    call: str

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.below is None) == (self.above is None):
            raise ValueError(f'redline "{self.name}" needs either below or above')
        if not 1 <= self.persist[0] <= self.persist[1]:
            raise ValueError(f'redline "{self.name}": persist = [M, N] needs 1 <= M <= N')
        return self


class Mark(Document):
    """A key that the crew presses, and the expected response of the channels."""

    key: str = Field(min_length=1, max_length=1)
    text: str
    rises: str | None = None
    still: str | None = None


class Decision(Document):
    """A rule that a person applies."""

    call: Call
    words: str = ""
    redline: str | None = None  # whose limit is printed in its place or beside it

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.words.strip() and self.redline is None:
            raise ValueError(f'decision "{self.call}" needs words, or the redline whose limit it prints')
        if len(self.words) > LONGEST_WORDS:
            raise ValueError(
                f'decision "{self.words[:20]}..." has {len(self.words)} characters; the pad card holds {LONGEST_WORDS}'
            )
        return self


class Plan(Document):
    """One test plan, validated as a whole."""

    test: Test
    site: Site
    calibrations: tuple[FileName, ...] = ()
    engine: Engine | None = None
    tank: tuple[Tank, ...] = ()
    flow: Flow = Flow()
    hold: Hold = Hold()
    lift_off: LiftOff | None = None
    impulse_class: ImpulseClass | None = None
    recording: Recording = Recording()
    redline: tuple[Redline, ...] = ()
    mark: tuple[Mark, ...] = ()
    decision: tuple[Decision, ...] = Field(default=(), max_length=MOST_DECISIONS)

    @model_validator(mode="after")
    def _check(self) -> Self:
        names = [tank.name for tank in self.tank]
        if len(set(names)) != len(names):
            raise ValueError(f"two tanks share a name: {', '.join(names)}")
        keys = [mark.key.upper() for mark in self.mark]  # a gloved hand does not look for the shift key
        if twice := sorted({key for key in keys if keys.count(key) > 1}):
            raise ValueError(f"two marks share the key {', '.join(twice)}; give each its own")
        self._check_kind(names)
        return self

    def _check_kind(self, names: list[str]) -> None:
        """Check redlines, tanks and tables against what this kind of test has."""
        kind = self.kind
        for line in self.redline:
            if line.phase not in kind.phases:
                raise ValueError(
                    f'redline "{line.name}": a {kind.name} has no phase "{line.phase}"; write {", ".join(kind.phases)}'
                )
        redlines = {line.name for line in self.redline}
        for decision in self.decision:
            if decision.redline is not None and decision.redline not in redlines:
                raise ValueError(f'decision "{decision.call}" names a redline that is not there: {decision.redline}')
        for table, reason in kind.tables.items():
            if getattr(self, table) is None:
                raise ValueError(f"a {kind.name} needs an [{table}] table{reason}")
        if kind.tanks and sorted(names) != sorted(kind.tanks):
            listed = " and ".join(f'"{name}"' for name in kind.tanks)
            raise ValueError(f"a {kind.name} needs {_COUNTED[len(kind.tanks)]} [[tank]] tables named {listed}")
        if kind.tank_count is not None and len(names) != kind.tank_count:
            raise ValueError(
                f"a {kind.name} empties {_COUNTED[kind.tank_count]} tank; this plan has {len(names)} [[tank]] tables"
            )

    @property
    def kind(self) -> Kind:
        """Kind of test that this plan describes."""
        return kind_named(self.test.kind)

    def tank_named(self, name: str) -> Tank:
        """Return one tank by its name; ``KeyError`` when there is none."""
        return {tank.name: tank for tank in self.tank}[name]

    def start_pressure(self, tank: Tank) -> Quantity:
        """Tank pressure at opening, absolute. [Pa]."""
        return absolute(tank.start_pressure, self.site.ambient_pressure)

    def back_pressure(self) -> Quantity:
        """Pressure that a cold flow discharges against, absolute. [Pa]."""
        stated = self.flow.back_pressure
        return absolute(stated, self.site.ambient_pressure) if stated else self.site.ambient_pressure


def read_plan(path: Path) -> Plan:
    """Read one plan; every fault is listed at once in the ``ConfigError``."""
    return read_document(path, Plan)


__all__ = [
    "Decision",
    "Engine",
    "Flow",
    "ImpulseClass",
    "LiftOff",
    "Mark",
    "Plan",
    "Recording",
    "Redline",
    "Site",
    "Tank",
    "Test",
    "read_plan",
]
