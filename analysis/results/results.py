"""What an analysis returns: frozen types, the same in Python and in ``results.json``. SI units.

Not known is ``None`` with a finding that says why, never zero. Curves for figures are kept apart in
``analysis.results.curves``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

from standbook.analysis.results.firing_results import FiringDetail
from standbook.analysis.results.hold_results import HoldResult
from standbook.analysis.results.quantities import Measured
from standbook.daq.findings.finding import Finding

if TYPE_CHECKING:
    from standbook.analysis.results.curves import Curve

Outcome = Literal["within", "exceeds", "not shown"]


@dataclass(frozen=True, slots=True)
class EventResult:
    """One instant. [s] after T-0."""

    name: str
    time: float
    u: float
    method: str


@dataclass(frozen=True, slots=True)
class Gap:
    """Rows that were lost. [s] after T-0 (or after the first row where there is no T-0)."""

    start: float
    end: float
    seconds: float
    rows: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordHealth:
    """What reached the disk from one device's stream."""

    rows: int  # filled ones included
    lost_rows: int  # still missing
    gaps: tuple[Gap, ...]
    boots: int
    clock_ppm: Measured | None  # device clock against host, positive when the device is fast
    damaged_frames: int
    filled_rows: int = 0  # lost by this record, taken from a second recorder's copy
    clock_bend: float | None = None  # by which arrivals say that the clock's rate changed, relative
    t_zero_sequence: int | None = None  # of the first row at or after T-0


@dataclass(frozen=True, slots=True)
class Tare:
    """Reading of an unloaded channel before and after. [unit of the channel]."""

    before: Measured
    after: Measured | None
    drift: float | None


@dataclass(frozen=True, slots=True)
class WeightCorrection:
    """How the load cell's share of the leaving weight was taken out."""

    applied: bool
    sign: int  # +1: the weight lost reads as more thrust (nozzle down), -1: as less, 0: cell does not feel it
    expelled_mass: Measured | None  # [kg]
    impulse: float  # what the correction moved the total impulse by [N*s]


@dataclass(frozen=True, slots=True)
class BudgetTerm:
    """One source of uncertainty. [unit of the result]."""

    source: str
    u: float
    dof: float | None = None  # degrees of freedom behind u; none: as many as one likes
    shared: str | None = None  # what else moves with it; terms that do were added with their sign


@dataclass(frozen=True, slots=True)
class Allowance:
    """The most that something never measured may have hidden, on its side only. [unit of the result]."""

    source: str
    most: float  # by which the true value may be higher
    removed_by: str  # the check that would remove it


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpulseResult:
    """Total impulse over the full window. [N*s]."""

    value: float
    u: float
    unit: str
    expanded: float
    coverage_factor: float
    lower_bound_only: bool  # something was hidden: the true value may be higher
    unseen: float  # most that short gaps could have hidden, added to the upper bound [N*s]
    budget: tuple[BudgetTerm, ...]
    allowances: tuple[Allowance, ...] = ()  # added to the upper bound at their full width
    dof: float | None = None  # effective degrees of freedom of u; none: so many that the normal distribution serves

    @property
    def allowance(self) -> float:
        """Sum of what was never measured. [N*s]."""
        return sum(allowance.most for allowance in self.allowances)


@dataclass(frozen=True, slots=True, kw_only=True)
class ThrustResult:
    """Thrust by named definitions. [N]."""

    peak: Measured | None  # highest mean over one stand-mode period
    mean: Measured | None  # over the burn time
    at_start: Measured | None
    at_end: Measured | None
    definition: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Verdict:
    """Class verdict with its guard band. [N*s]. Source: [JCGM106]."""

    outcome: Outcome
    limit: float
    limit_name: str
    guard_share: float
    upper_bound: float | None  # one-sided, at guard_share
    lower_bound: float | None
    probability_within: float | None
    reason: str
    withheld: str = ""  # why nothing is shown although there are bounds
    raised_by: str = ""  # the route whose value is the upper bound, where the cell's own is lower
    rests_on: str = ""  # what "within" rests on beside the cell


@dataclass(frozen=True, slots=True)
class ExponentResult:
    """Polytropic exponent of the ullage over the flow. [-]."""

    chord: Measured
    start: Measured
    drift: Measured
    correlation_with_ullage_volume: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TankResult:
    """One tank's blowdown."""

    cda: Measured | None  # [m2]
    cda_joint: Measured | None  # from the joint fit, a cross-check [m2]
    cda_budget: tuple[BudgetTerm, ...]
    exponent: ExponentResult | None
    correlation: Mapping[str, float]  # between fitted pairs, "exponent, cda" -> r
    window: tuple[float, float] | None  # [s] after T-0
    residual_rms: float | None  # [Pa]
    expelled_mass: Measured | None  # [kg]
    start_pressure: Measured | None  # absolute [Pa]
    end_pressure: Measured | None  # absolute [Pa]
    facts: Mapping[str, bool]  # what makes the fit valid


@dataclass(frozen=True, slots=True, kw_only=True)
class EngineResult:
    """Performance while both liquids flow, and over the whole burn where a name says so."""

    cstar: Measured | None  # [m/s]
    isp: Measured | None  # [s]
    thrust_coefficient: Measured | None  # [-]
    mixture_ratio: Measured | None  # oxidiser over fuel [-]
    chamber_pressure: Measured | None  # mean over the burn time, absolute [Pa]
    injector_stiffness: Mapping[str, Measured]  # least pressure drop / chamber pressure, by tank
    delivered_isp: Measured | None = None  # total impulse over all that left, burned or not [s]
    overall_mixture_ratio: Measured | None = None  # of all that left, burned or not [-]
    window: tuple[float, float] | None = None  # in which both liquids flow [s] after T-0


@dataclass(frozen=True, slots=True)
class Comparison:
    """One channel against its predicted 95 % band."""

    share_in_band: float
    worst_departure: float  # in half-widths of the band; beyond 1 is outside
    at: float  # [s] after T-0
    above: bool | None = None  # the worst departure lies above the prediction; none: written before this was kept


@dataclass(frozen=True, slots=True)
class TZero:
    """The instant all times count from."""

    time: str  # UTC, ISO 8601 with nanoseconds
    source: str
    u: float  # [s]


@dataclass(frozen=True, slots=True)
class Window:
    """First and last instant that the impulse integral covers. [s] after T-0."""

    start: float
    end: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Results:
    """Everything one analysis of one run says."""

    run: str
    kind: str
    article: str
    stand: str
    rehearsal: bool
    plan_sha256: str
    prediction: Literal["locked", "postdiction"]
    software: str
    revision: str
    t_zero: TZero | None
    window: Window | None
    events: tuple[EventResult, ...]
    record: Mapping[str, RecordHealth]  # by device/stream
    tare: Mapping[str, Tare]  # by tag
    weight_correction: WeightCorrection | None
    impulse: ImpulseResult | None
    impulse_vacuum: ImpulseResult | None
    thrust: ThrustResult | None
    burn_time: Measured | None
    verdicts: Mapping[str, Verdict]  # "site", "vacuum"
    tanks: Mapping[str, TankResult]
    engine: EngineResult | None
    comparison: Mapping[str, Comparison]  # by predicted quantity
    findings: tuple[Finding, ...]
    holds: Mapping[str, HoldResult] = field(default_factory=dict)  # by tank, of a pressure hold
    firing: FiringDetail | None = None  # transients, stiffness, masses by route, stability, what bounds the load

    @property
    def worst_outcome(self) -> Outcome | None:
        """Return the worst verdict there is, ``None`` where no class was asked for."""
        outcomes = [verdict.outcome for verdict in self.verdicts.values()]
        ranked: tuple[Outcome, ...] = ("exceeds", "not shown", "within")
        return next((outcome for outcome in ranked if outcome in outcomes), None)

    @property
    def needs_review(self) -> bool:
        """Tell whether the analysis ends in exit code 10: a finding above a note, or a verdict not within."""
        serious = any(finding.severity != "note" for finding in self.findings)
        return serious or self.worst_outcome in ("exceeds", "not shown")


@dataclass(frozen=True, slots=True, eq=False)
class Analysis:
    """What one analysis makes: results to quote and curves to draw."""

    results: Results
    curves: Mapping[str, "Curve"]
