"""Define the frozen state that screens draw: what is indicated at one moment of a recording.

Values are SI, each pressure in the reference of its own calibration; ages and durations are seconds. A value that
cannot be vouched for is ``None`` with the reason beside it, never the last one held. Nothing here is computed.
"""

from dataclasses import dataclass
from enum import Enum

from standbook.daq.quantity import Reference


class Validity(Enum):
    """Validity of a channel's value: shown, or withdrawn for a reason."""

    INDICATED = "indicated"
    NO_DATA = "no data yet"
    STALE = "no fresh data"
    CLIPPED = "clipped"
    BEYOND = "beyond its calibration"
    OPEN_WIRE = "open wire"
    NOT_RESPONDING = "not responding"
    DISAGREES = "sensors disagree"

    @property
    def is_shown(self) -> bool:
        """Tell whether the value may stand on a screen."""
        return self is Validity.INDICATED


class Phase(Enum):
    """Phase of a test as the record shows it; a hold and a scrub stay in standby."""

    STANDBY = "standby"  # before T-0
    MISFIRE = "misfire"  # fire command seen, nothing lit
    BURN = "burn"
    FLOW = "flow"
    SAFING = "safing"  # after the valves closed or the thrust ended


@dataclass(frozen=True, slots=True, kw_only=True)
class Indication:
    """One channel."""

    tag: str
    measures: str  # as in stand.toml
    tank: str | None
    dimension: str  # of the reading, "pressure"
    unit: str  # what screens show, "bar(g)": of the calibration, or as the stand's display chooses
    reference: Reference | None
    value: float | None  # mean of the last tenth of a second [SI]; None when withdrawn
    age: float | None  # of the newest row [s]
    standing: Validity
    low: float | None = None  # predicted band at the instant of the value, in the same reference [SI]
    high: float | None = None
    is_key: bool = False  # the plan calls it minimum data

    @property
    def is_outside(self) -> bool:
        """Tell whether a shown value lies outside the predicted band."""
        if self.value is None or self.low is None or self.high is None:
            return False
        return not self.low <= self.value <= self.high


@dataclass(frozen=True, slots=True, kw_only=True)
class VesselState:
    """Pressure of a tank or the chamber, from all its sensors; the source of the safing lines."""

    name: str  # "oxidiser tank", "chamber"
    sensors: tuple[str, ...]
    value: float | None  # [Pa], in ``reference``; None means unknown
    unit: str
    reference: Reference | None
    age: float | None  # of the oldest sensor used [s]
    agree: bool | None  # None: fewer than two sensors that respond
    sentence: str  # the whole line, ends in what it cannot say


@dataclass(frozen=True, slots=True, kw_only=True)
class RedlineState:
    """One redline of the plan. It is announced; nobody's valve moves."""

    name: str
    call: str
    tag: str
    armed: bool  # in its phase, past its delay, and its channel indicated
    tripped_at: float | None  # seconds after T-0, or after the start of the recording before T-0; latched
    order: int | None  # 1 is the first one out
    text: str  # limit in words, "PT-31 below 5 bar(g)"


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkState:
    """One mark of the crew."""

    number: int
    text: str
    at: float  # seconds after T-0, or after the start of the recording [s]
    struck: bool
    remark: str = ""  # what the record showed there: "PT-11 rose, PT-21 should have"


@dataclass(frozen=True, slots=True)
class ImpulseState:
    """Running total impulse, an indication only: not weighed, not corrected for what is not yet known."""

    value: float | None  # [N*s]; None when the thrust channel cannot be vouched for
    limit: float | None  # [N*s]
    limit_name: str
    sentence: str  # what is missing from it, what is only modelled
    at_least: bool = False  # something is missing: the true one is no less


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveState:
    """The whole picture."""

    elapsed: float  # since recording began [s]
    since_t_zero: float | None  # [s]
    phase: Phase
    phase_seconds: float  # since the phase began [s]
    rehearsal: bool
    channels: tuple[Indication, ...]  # key channels first, then the stand's order
    vessels: tuple[VesselState, ...]
    redlines: tuple[RedlineState, ...]
    impulse: ImpulseState | None  # None where the plan has no limit
    marks: tuple[MarkState, ...]
    alarms: tuple[str, ...]  # sentences that must be called now, first-out first; each once while it stands
