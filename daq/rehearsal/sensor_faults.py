"""Define the faults of a sensor, its cable, amplifier or supply, each with its description.

Seconds after T-0, once placed after the first row (``daq.rehearsal.fault_catalogue``). What they do to counts is
``daq.rehearsal.sensor_fault_injection``.
"""

import math
from dataclasses import dataclass
from typing import ClassVar


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """A fault and its time."""

    about: ClassVar[str]  # in the list of names

    at: float = 0.0  # [s]

    def sentence(self, when: str) -> str:
        """Describe the fault; ``when`` is the instant in words."""
        raise TypeError(f"{type(self).__name__} says nothing of itself")


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorFault(Fault):
    """A fault of one channel of the table, for a while."""

    tag: str
    seconds: float = math.inf

    @property
    def lasting(self) -> str:
        """Duration in words."""
        return "to the end" if math.isinf(self.seconds) else f"for {self.seconds:g} s"


@dataclass(frozen=True, slots=True, kw_only=True)
class FrozenLine(SensorFault):
    """A blocked sensing line: the counts stop changing, noise included."""

    about = "the channel stands still, for so many seconds (to the end)"

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"{self.tag} stands still from {when} {self.lasting}, as behind a frozen sense line"


@dataclass(frozen=True, slots=True, kw_only=True)
class Clip(SensorFault):
    """An amplifier saturates: the count lies at its upper rail."""

    about = "the channel lies at its upper rail, for so many seconds (to the end)"

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"{self.tag} lies at its upper rail from {when} {self.lasting}"


@dataclass(frozen=True, slots=True, kw_only=True)
class OpenWire(SensorFault):
    """A wire breaks: the input reads zero volts, a bridge its lower rail."""

    about = "the channel's wire is open, for so many seconds (to the end)"

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"the wire of {self.tag} is open from {when} {self.lasting}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Saturation(SensorFault):
    """An amplifier saturates short of the converter's rail: counts beyond a level lie on it."""

    about = "the channel's amplifier saturates at so many percent of its maximum swing (80)"

    level: float = 80.0

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"the amplifier of {self.tag} saturates at {self.level:g} % of its swing from {when} {self.lasting}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Spike(SensorFault):
    """Igniter current couples into a cable: one sample at the upper rail."""

    about = "one sample of the channel lies at its upper rail, for so many seconds (0.001)"

    seconds: float = 0.001

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"igniter current spikes {self.tag} to its upper rail at {when} {self.lasting}"


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplySag(SensorFault):
    """The supply of ratiometric sensors sags, and their signals with it."""

    about = "the supply that the tag measures, and all sensors on it, sag by so many percent (4)"

    level: float = 4.0

    def sentence(self, when: str) -> str:
        """Describe the fault."""
        return f"the supply {self.tag} sags by {self.level:g} % from {when} {self.lasting}"
