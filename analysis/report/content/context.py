"""Define the report's context besides the results: plan, stand, calibrations, people, hashes.

Frozen types only; ``analysis.report.collect`` fills them from a run folder. SI units, pressures absolute.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from standbook.analysis.results.quantities import Measured


@dataclass(frozen=True, slots=True, kw_only=True)
class TankPlan:
    """One tank as planned and loaded."""

    name: str
    liquid: str
    pressurant: str
    volume: Measured  # [m3]
    load: Measured  # [kg]
    fill_share: float  # of the volume that is liquid before the flow
    start_pressure: Measured  # absolute [Pa]
    exponent: Measured
    exponent_basis: str
    cda: Measured  # [m2]
    cda_basis: str
    pressure_tags: tuple[str, ...] = ()
    exponent_override: str = ""  # the plan's reason for the exponent of another liquid


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanSummary:
    """Objective, site, tanks and limit of the plan."""

    number: str
    kind: str
    article: str
    objective: str
    minimum_data: tuple[str, ...]
    ambient_pressure: Measured  # absolute [Pa]
    ambient_temperature: Measured  # [K]
    tanks: tuple[TankPlan, ...]
    limit_name: str | None = None
    limit: float | None = None  # [N*s]
    guard: str = ""
    load_control: str = ""
    motors: int = 1  # of the vehicle
    change: str = ""  # since the last run, in the crew's words
    throat_diameter: Measured | None = None  # [m]
    expansion_ratio: Measured | None = None
    run_out_first: str | None = None
    second_recorder: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StandSummary:
    """Geometry of the stand as it acts on the load cell."""

    name: str
    nozzle: str  # "down" | "up" | "horizontal"
    tanks_on_cell: bool
    thrust_tags: tuple[str, ...] = ()
    chamber_tags: tuple[str, ...] = ()
    modes: tuple[Measured, ...] = ()  # [Hz]
    filter_corners: Mapping[str, float] = field(default_factory=dict)  # of filtered inputs, by tag [Hz]


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationUsed:
    """One calibration as it entered this analysis."""

    tag: str
    revision: str
    sensor: str
    serial: str
    date: str  # ISO 8601
    valid_until: str
    slope_u: float  # relative
    zero_u: float  # [reading_unit]
    lowest: float  # [reading_unit]
    highest: float
    reading_unit: str  # "bar(g)"
    reference_standard: str = ""
    tolerance: str = ""  # of a sensor that follows a standard, "IEC 60751, class B"


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """How the counts of one channel become its reading, for a pocket calculator."""

    tag: str
    samples_file: str
    signal_rule: str  # how counts become the signal, in words and numbers
    signal_unit: str
    reading_unit: str
    pivot: float
    coefficients: tuple[float, ...]
    scale: float = 1.0  # SI value of one reading_unit
    latency: float = 0.0  # of the sensor [s]


@dataclass(frozen=True, slots=True, kw_only=True)
class TZeroRow:
    """Where T-0 lies in the samples file."""

    host_time: str  # in the column of that name, UTC
    tick: int | None  # of the device's own clock, where an edge set T-0
    sequence: int  # of the first row at or after T-0


@dataclass(frozen=True, slots=True, kw_only=True)
class Recomputation:
    """Numbers for recomputing the main result from counts: its channel, then what its steps need besides."""

    channels: tuple[Conversion, ...]  # the first is the one that is recomputed
    t_zero: TZeroRow | None = None


@dataclass(frozen=True, slots=True)
class FileHash:
    """One file of the run and its SHA-256."""

    name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WeighingUsed:
    """A mass that a person read off a scale after the run."""

    tank: str
    what: str  # "caught" | "residual" | "expelled"
    mass: Measured  # [kg]
    by: str = ""
    place: str = ""  # "additions/001"


@dataclass(frozen=True, slots=True, kw_only=True)
class PredictedScalar:
    """One predicted number and its measured counterpart."""

    name: str
    nominal: float
    low: float  # of the 95 % band
    high: float
    unit: str
    measured: Measured | None


@dataclass(frozen=True, slots=True)
class Person:
    """A role and the initials that fill it; the name list stays out of shared copies."""

    role: str
    initials: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunDifference:
    """One quantity that this run and an earlier one have."""

    name: str
    before: float  # [unit of the difference]
    now: float
    difference: Measured  # this run less the earlier one
    bound: str  # "at least", "at most": one of the runs is only a lower bound
    says: str  # "changed", "same", "not told apart"
    because: str  # what is taken to have made both


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierRun:
    """The run of the same kind before this one."""

    name: str
    differences: tuple[RunDifference, ...]
    changes: tuple[str, ...]  # of plan, stand and calibrations


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportContext:
    """Everything that the report prints and the results do not hold."""

    plan: PlanSummary
    stand: StandSummary
    calibrations: tuple[CalibrationUsed, ...]
    manifest_sha256: str
    files: tuple[FileHash, ...]
    created: str  # UTC, ISO 8601, handed in
    command: str  # that computes this analysis again
    signature_allowed: bool
    locked_at: str | None = None  # UTC, ISO 8601
    weighings: tuple[WeighingUsed, ...] = ()
    predicted: tuple[PredictedScalar, ...] = ()
    people: tuple[Person, ...] = ()
    deviations: tuple[str, ...] = ()
    recomputation: Recomputation | None = None
    stand_checks: tuple[str, ...] = ()  # what was checked before the run, a line each
    waivers: tuple[str, ...] = ()  # what the crew went without, a line each
    imported: str = ""  # the file of another logger that the run's values come from; empty: this program recorded it
    vouched_by: str = ""  # who answers for that logger
    earlier: EarlierRun | None = None  # none: the first of its kind
    time_scale: float = 1.0  # device seconds in a real second; above 1 only in a rehearsal
