"""Define a kind of test for the recording: its tanks, phases and words. Analysis adds what it does with the record."""

from collections.abc import Mapping
from dataclasses import dataclass, field

STANDBY, SAFING = "standby", "safing"  # the first and the last phase of every test


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of test."""

    name: str  # in plans, runs and results; never renamed, for sealed runs hold it
    title: str  # what a report is headed by; may name the kind as {name}
    part: str  # what people call the part that counts, "burn"
    duration: str  # the number of a prediction that says how long it lasts, "burn time"
    fires: bool = False  # an engine makes thrust: impulse, class and ignition are asked for
    gives_exponent: bool = True  # its gas expands as in a discharge, so that an exponent may rest on it
    warm_liquid: bool = False  # flows a stand-in that does not chill the gas as a cryogen does
    boiling_liquid: bool = False  # flows a liquid near its boiling point, which nobody can catch
    not_for: tuple[str, ...] = ()  # tanks to which nothing of such a run is carried
    least_exponent_u: float = 0.0  # an exponent that is carried from such a run claims no less
    rehearsed: bool = True  # the simulated stand plays it
    holds: bool = False  # its tanks stay shut: pressurised, left alone, vented
    phases: tuple[str, ...] = (STANDBY, "flow", SAFING)
    tanks: tuple[str, ...] = ()  # names that the plan must give its tanks; none: any
    tank_count: int | None = None  # none: any number
    tables: Mapping[str, str] = field(default_factory=dict)  # the plan must have, each with the reason
