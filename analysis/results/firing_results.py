"""What a firing tells besides impulse and engine numbers: frozen types for results. SI, absolute pressures.

Times in seconds after T-0. What is not known is ``None``.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from standbook.analysis.results.quantities import Measured

LineName = Literal["mains", "stand mode", "coherent", "alias", "undecided"]


@dataclass(frozen=True, slots=True, kw_only=True)
class StartTransient:
    """How thrust came up, each by the named definition."""

    delay: Measured | None  # from T-0 to 10 % of the greatest mean thrust [s]
    rise: Measured | None  # from 10 to 90 % of the steady level [s]
    overshoot: Measured | None  # above the steady-state trend, share of it [-]
    channel: str  # that rise and overshoot were read from
    definition: str


@dataclass(frozen=True, slots=True)
class Shutdown:
    """How thrust went away."""

    begin: float  # where the mean falls below 90 % of the level before [s]
    tail_off: Measured  # from there to the 10 % stop [s]
    impulse: Measured  # from there to the end of the window [N*s]


@dataclass(frozen=True, slots=True, kw_only=True)
class BurnByDefinition:
    """Burn time and mean thrust between two named instants."""

    definition: str
    start: float
    end: float
    burn_time: Measured  # [s]
    mean_thrust: Measured  # [N]


@dataclass(frozen=True, slots=True, kw_only=True)
class Stiffness:
    """Pressure drop over chamber pressure of one side. [-]."""

    least: Measured
    at: float  # when it was least [s]
    at_start: Measured
    at_end: Measured
    of_feed: bool  # no manifold sensor: line and injector together


@dataclass(frozen=True, slots=True, kw_only=True)
class MassRoute:
    """Expelled mass by one route, and how it closes with the scales."""

    route: str
    tanks: Mapping[str, Measured]  # [kg]; empty where a route knows the sum alone
    total: Measured  # [kg]
    closure: Measured | None  # (total - weighed) / weighed [-]
    mixture_ratio: Measured | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line in a spectrum, followed along the burn."""

    name: LineName
    channel: str
    start: float  # first and last seen [s]
    end: float
    frequency_at_start: float  # [Hz]
    frequency_at_end: float
    amplitude_at_start: float  # peak, share of the channel's mean at that time [-]
    amplitude_at_end: float
    source: str = ""  # of an alias: what folds; of mains: which harmonic; of the stand: which mode
    coherence: float | None = None  # of chamber and manifold, squared magnitude
    coherence_needed: float | None = None  # what chance reaches once in a hundred


@dataclass(frozen=True, slots=True, kw_only=True)
class Stability:
    """How steadily the chamber burned, up to the frequency that the record can speak of."""

    channel: str
    rms_share: float  # of the mean chamber pressure, over the steady burn
    greatest_rms_share: float  # of one second
    greatest_at: float  # [s]
    smooth_share: float  # of the steady burn with every sample within the limit about the mean
    smooth_limit: float
    highest_frequency: float  # nothing is said above it [Hz]
    filter_declared: bool
    lines: tuple[Line, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassReserve:
    """What would narrow the doubt about the class, and which load would stay within it."""

    largest_source: str  # of the budget
    gain: float  # by which the expanded uncertainty would shrink without that source [N*s]
    probability_exceeding: Mapping[str, float | None]  # by place, "site" and "vacuum"
    load: float  # of both liquids, as loaded [kg]
    greatest_load: float | None  # at the same mixture, that this run and the model say would stay within [kg]
    limited_by: str  # "site", "vacuum", or "tank": full before the limit is reached


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPath:
    """The way from thrust to cell, as calibrated in place."""

    factor: Measured  # true force over cell force [-]
    line_load: Measured  # what hoses push [N/Pa]
    pulls: int  # points of the pull that both came from; zero where they were typed
    highest_force: float | None  # of the pull [N]
    highest_line: float | None  # gauge [Pa]


@dataclass(frozen=True, slots=True, kw_only=True)
class ImpulseRoute:
    """What another route than the load cell makes of the total impulse at site."""

    name: str
    impulse: Measured  # [N*s]
    apart: float  # by how much it reads more than the cell, relative [-]
    sigma: float  # the same in standard uncertainties of both
    seen_surely: float  # share by which the cell may read low before this route surely shows it [-]
    unstated: float  # most by which it reads low for facts that the plan does not state, relative [-]
    start: float  # of the part of the burn that was compared [s]
    end: float


@dataclass(frozen=True, slots=True, kw_only=True)
class IndependentChecks:
    """What vouches for the cell and for the clock beside themselves."""

    routes: tuple[ImpulseRoute, ...]
    course_departure: float | None  # greatest change of thrust over chamber pressure within the burn, relative [-]
    course_window: tuple[float, float] | None  # where [s]
    gain_proven: bool  # by check weights hung before and after
    clock_proven: bool  # by an independent time reference


@dataclass(frozen=True, slots=True, kw_only=True)
class HandRecipe:
    """Total impulse by the few steps that the report prints for a spreadsheet, from every row of the cell."""

    cell: str  # tag
    window: tuple[float, float]  # first and last instant that is summed, to the millisecond [s]
    zero_before: tuple[float, float]  # when the cell's first zero is taken [s]
    zero_after: tuple[float, float] | None
    step: float | None  # of the unloaded reading over the burn, where no second zero tells it [N]
    left_later: float  # part of what both zeros differ by that left between burn and second zero [N]
    share_by: str  # whose running sum tells how much of the step has come: a chamber sensor, else the cell
    lines: tuple[str, ...]  # tank sensors whose mean is the pressure of the lines; empty where it moves nothing
    line_load: float  # what the lines push [N/Pa]
    gain: float  # what the reading is divided by, lines empty [-]
    stiffening: float  # how that grows with the gauge pressure of the lines [1/Pa]
    impulse: float  # [N*s]


@dataclass(frozen=True, slots=True, kw_only=True)
class FiringDetail:
    """Everything of a firing beside its main numbers."""

    start: StartTransient | None = None
    shutdown: Shutdown | None = None
    burns: tuple[BurnByDefinition, ...] = ()
    stiffness: Mapping[str, Stiffness] = field(default_factory=dict)
    masses: tuple[MassRoute, ...] = ()
    stability: Stability | None = None
    load_path: LoadPath | None = None
    reserve: ClassReserve | None = None
    checks: IndependentChecks | None = None
    recipe: HandRecipe | None = None
