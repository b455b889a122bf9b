"""One calibrated input of a run: its samples, and how well a reading of it is known. SI; times in seconds after T-0."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.budget.level_error import LevelError
from standbook.analysis.budget.terms import without
from standbook.analysis.calibration.pull_fit import PullFit
from standbook.analysis.results.quantities import Measured
from standbook.daq.arrays import Array, Mask
from standbook.daq.config.calibration import Calibration, from_si
from standbook.daq.config.measurands import MEASURANDS, Measurand
from standbook.daq.quantity import Quantity

LATENCY_SHARE, LATENCY_UNSTATED = 0.2, 0.007  # of a stated one; of a line with its sensor [s]: judgement, no source
BAROMETER = "barometer"  # moves every gauge sensor's absolute pressure


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Channel:
    """One calibrated input."""

    tag: str
    measures: str
    tank: str | None
    calibration: Calibration
    time: Array  # (N,) sensor latency taken off [s]
    signal: Array  # (N,) in the calibration's signal unit
    reading: Array  # (N,) SI, pressures absolute; not a number where the wire was open
    counts: NDArray[np.int64]  # (N,)
    clipped: Mask  # (N,)
    open_wire: Mask  # (N,)
    stream: str  # "cradle-a/fast"
    supply: str = ""  # what it hangs on; a supply moves all channels that name it together
    supply_u: float = 0.0  # of the supply that the signal was divided by, relative standard uncertainty
    pull: PullFit | None = None  # of a load cell: what an in-place pull found of the way from thrust to it
    hidden_by_angle: Measured | None = None  # of a load cell: share of a force, by the angle that a check found [-]
    beyond: Mask | None = None  # (N,) readings further than calibrated levels back; none are where this is ``None``
    stated_u: float = 0.0  # of what else scales the signal and no calibration holds, relative standard uncertainty

    @property
    def measurand(self) -> Measurand:
        """Measurand of the channel."""
        return MEASURANDS[self.measures]

    @property
    def no_signal_reading(self) -> float:
        """Reading at zero signal [SI], gauge where the calibration is: the supply scales readings about it."""
        return float(self.calibration.si_reading(np.zeros(1))[0])

    @property
    def step(self) -> float:
        """Change of the reading between two neighbouring counts, zero where counts never change. [SI]."""
        number = 100_000  # samples: enough to meet changes
        counts, reading = np.diff(self.counts[:number]), np.diff(self.reading[:number])
        shift_origin = (counts != 0) & np.isfinite(reading)
        return float(np.median(np.abs(reading[shift_origin] / counts[shift_origin]))) if shift_origin.any() else 0.0

    def known(self) -> tuple[Array, Array]:
        """Return times and readings of the samples that are numbers. Shapes (M,), (M,)."""
        good = np.isfinite(self.reading)
        return self.time[good], self.reading[good]

    @property
    def uncalibrated(self) -> Mask:
        """Readings that tell no more than "at least": what they are beyond was never calibrated. (N,)."""
        return np.zeros(self.time.size, dtype=np.bool_) if self.beyond is None else self.beyond

    @property
    def gain_u(self) -> float:
        """Relative standard uncertainty of the slope."""
        return self.calibration.slope_u()

    @property
    def zero_u(self) -> float:
        """Standard uncertainty common to all readings: zero, intercept, hysteresis. [SI]."""
        return self.calibration.scale * self.calibration.zero_u()

    @property
    def latency_u(self) -> float:
        """Standard uncertainty of the latency that was taken off the times. [s]."""
        stated = self.calibration.latency
        return stated.u or LATENCY_SHARE * stated.value or LATENCY_UNSTATED

    @property
    def reference(self) -> str:
        """Name of the standard that its calibration rests on, by its serial number; empty where none is stated."""
        serial = self.calibration.reference_serial.strip()
        return f"reference {serial}" if serial else ""

    @property
    def reference_u(self) -> float:
        """Relative standard uncertainty of that standard, which is a part of `gain_u`."""
        return self.calibration.reference_uncertainty.value

    @property
    def level_error(self) -> LevelError | None:
        """What that standard is off by beside its share, a part of `zero_u` [SI]; ``None`` where levels share none."""
        c = self.calibration
        u, near = c.scale * c.reference_span_u(), c.scale * c.reference_near()
        return LevelError(u, near) if u > 0.0 and near > 0.0 else None

    def reading_u(self, reading: float, ambient: Quantity) -> float:
        """Compute the standard uncertainty of one mean reading [SI], barometer and supply included."""
        return math.hypot(self.calibration_u(reading, ambient), self.supply_effect(reading, ambient))

    def shared_effects(self, reading: float, ambient: Quantity) -> dict[str, float]:
        """Return what moves other readings too, by its name, and what it adds to a mean reading. [SI]."""
        found = {BAROMETER: ambient.u if self.calibration.reference == "gauge" else 0.0}
        if self.supply:
            found[self.supply] = self.supply_effect(reading, ambient)
        found |= {name: float(moved) for name, moved in self._by_reference(reading - self.origin(ambient)).items()}
        return {name: effect for name, effect in found.items() if effect}

    def moved(self, ambient: Quantity, of: NDArray[np.intp]) -> dict[str, Array]:
        """Return what each source of doubt one u higher adds to these readings, by its name. (M,) each [SI]."""
        own = self.reading[of] - self.origin(ambient)
        named, level = self._by_reference(own), self.level_error if self.reference else None
        found = {
            f"{self.tag} gain": without(self.gain_u, self.reference_u if self.reference else 0.0) * own,
            f"{self.tag} zero": np.full(own.size, without(self.zero_u, level.u if level is not None else 0.0)),
            **named,
        }
        if self.calibration.reference == "gauge":
            found[BAROMETER] = np.full(own.size, ambient.u)
        if self.supply_u:
            found[self.supply or f"{self.tag} supply"] = self.supply_moved(self.signal[of])
        return found

    def _by_reference(self, own: float | Array) -> dict[str, Array]:
        """Return what a named standard adds, part by part, to readings so far above the sensor's zero. [SI]."""
        if not self.reference:
            return {}
        own, level = np.asarray(own, dtype=np.float64), self.level_error
        parts = () if level is None else level.parts(own)
        by_level = {f"{self.reference}, by level {k}": part for k, part in enumerate(parts, 1)}
        return {self.reference: self.reference_u * own, **by_level}

    def supply_effect(self, reading: float, ambient: Quantity) -> float:
        """Return what a supply higher by its standard uncertainty than taken adds to a mean reading. [SI]."""
        if self.supply_u == 0.0:
            return 0.0
        own = from_si(np.array([reading - self.origin(ambient)]), self.calibration)
        return float(self.supply_moved(self.calibration.signal(own))[0])

    def supply_moved(self, signal: Array) -> Array:
        """Return the same for each signal: a ratiometric sensor gives so much more of it. (N,) [SI]."""
        c = self.calibration
        return c.scale * (c.reading(signal * (1.0 + self.supply_u)) - c.reading(signal))

    def calibration_u(self, reading: float, ambient: Quantity) -> float:
        """Compute the same without the supply, the barometer's included for a gauge sensor. [SI]."""
        c = self.calibration
        barometer = ambient.u if c.reference == "gauge" else 0.0
        known = math.hypot(self.gain_u * (reading - self.origin(ambient)), self.zero_u, barometer)
        return known if c.characteristic is None else math.hypot(known, self._characteristic_u(reading))

    def _characteristic_u(self, reading: float) -> float:
        """Return the part of a standard's curve [SI]: its tolerance, and what else scales the signal."""
        c = self.calibration
        own = float(from_si(np.array(reading), c))
        signal = c.signal(np.array([own]))
        moved = float(c.reading(signal * (1.0 + self.stated_u))[0]) - own
        return c.scale * math.hypot(c.tolerance_u(own), moved)

    def origin(self, ambient: Quantity) -> float:
        """Return the absolute pressure at which the sensor reads zero: the ambient one if it is a gauge. [Pa]."""
        return ambient.value if self.calibration.reference == "gauge" else 0.0


@dataclass(frozen=True, slots=True)
class PairU:
    """What two mean readings are uncertain by, each alone and both together."""

    one: float  # alone [SI]
    other: float
    both: tuple[tuple[float, float], ...] = ()  # change of the one and the other by what moves both, signed [SI]

    def of(self, by_one: float, by_other: float) -> float:
        """Return the standard uncertainty of what has these derivatives by the two readings."""
        together = [by_one * one + by_other * other for one, other in self.both]
        return math.hypot(by_one * self.one, by_other * self.other, *together)


def pair_u(one: Channel, reading: float, other: Channel, other_reading: float, ambient: Quantity) -> PairU:
    """Return what two mean readings are uncertain by. [SI].

    A supply that both hang on, a standard that both were calibrated with and the barometer move them together; what a
    standard is off by from level to level the less so, the further the readings lie apart.
    """
    first, second = one.shared_effects(reading, ambient), other.shared_effects(other_reading, ambient)
    common = [name for name in first if name in second]

    def alone(whole: float, moved: Mapping[str, float]) -> float:
        return without(whole, math.hypot(*(moved[name] for name in common)))

    return PairU(
        alone(one.reading_u(reading, ambient), first),
        alone(other.reading_u(other_reading, ambient), second),
        tuple((first[name], second[name]) for name in common),
    )
