"""One discharge as three analyses need it, and what is uncertain about it besides its noise.

SI, absolute pressures. A record is averaged once; every uncertain input is then a shifted copy of the averaged
flow, and what a result changes by is that input's share of its uncertainty.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.amounts import Amount
from standbook.analysis.budget.lack_of_fit import Misfit, misfit_of
from standbook.analysis.budget.level_error import LevelError
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.physics.blowdown import Head
from standbook.analysis.signal.windows import Window, block_means, correlation_time, spikes
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError
from standbook.daq.quantity import Quantity

STATIC_LEAST = 1.0  # of still record before opening, without which P0, t0 and CdA are one curve [s]
STATIC_MOST = 3.0  # older readings say less about the opening than the line through these [s]
FLOW_BLOCKS = 500
MIN_FLOW_SAMPLES = 50
MOST_SAMPLES = 20_000  # longer records are averaged in groups first, spikes left out, which loses nothing


@dataclass(frozen=True, slots=True, kw_only=True)
class DischargeRecord:
    """One tank's discharge: samples, notes and the instants of the valve."""

    time: Array  # (N,) increasing [s]
    pressure: Array  # (N,) ullage, absolute [Pa]
    back_pressure: float | Array  # absolute, one value or (N,) [Pa]
    density: float  # liquid [kg/m³]
    opening_time: float  # effective, mid-stroke [s]
    end_time: float  # effective end of the liquid's flow: mid-stroke of closing, or run-out [s]
    ullage_volume: float | None = None  # gas at opening [m³]
    expelled_mass: float | None = None  # liquid, weighed [kg]
    head: Head | None = None
    law_end: float | None = None  # first gas, where the flow ran dry: gas that leaves the tank follows no such law [s]
    stroke: float = 0.2  # longest credible stroke of the valve, kept clear on both sides of its instants [s]
    ran_dry: bool = False  # the flow ended at run-out, not by the valve
    amounts: tuple[Amount, ...] = ()  # instead of one weighed mass; each with its weight
    weights: tuple[float, ...] = ()  # of their flow coefficients, sum 1
    step: float = 0.0  # between two counts of the pressure's converter [Pa]


@dataclass(frozen=True, slots=True, kw_only=True)
class SensorUncertainties:
    """Calibration of a pressure sensor, standard uncertainties."""

    gain_u: float = 0.0  # relative
    reference: str = ""  # standard that it was calibrated with
    reference_u: float = 0.0  # its part of the gain's, relative
    level_error: LevelError | None = None  # its part of the zero's [Pa]
    zero_u: float = 0.0  # Pa
    reads_zero_at: float = 0.0  # absolute pressure: 0 for an absolute sensor, ambient for a gauge one [Pa]
    supply: str = ""  # what it hangs on
    supply_u: float = 0.0  # of the supply that its signal is divided by, relative
    misfit: Misfit | None = None  # of its calibration
    unit: float = 1.0  # of the misfit [Pa]
    no_signal_at: float = 0.0  # absolute pressure of a signal of zero, about which the supply turns readings [Pa]

    def missed(self, pressure: Array) -> Array:
        """Return what the calibration's polynomial misses absolute pressures by, at its levels. (N,) [Pa]."""
        if self.misfit is None:
            return np.zeros_like(pressure)
        return self.unit * self.misfit.at((pressure - self.reads_zero_at) / self.unit)


def sensor_terms(channel: Channel, ambient: Quantity) -> SensorUncertainties:
    """Return what is uncertain of a pressure sensor besides its noise."""
    return SensorUncertainties(
        gain_u=channel.gain_u,
        reference=channel.reference,
        reference_u=channel.reference_u,
        level_error=channel.level_error,
        zero_u=channel.zero_u,
        reads_zero_at=channel.origin(ambient),
        supply=channel.supply,
        supply_u=channel.supply_u,
        misfit=misfit_of(channel.calibration),
        unit=channel.calibration.scale,
        no_signal_at=channel.no_signal_reading + channel.origin(ambient),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteUncertainties:
    """What was written down, standard uncertainties."""

    ullage_volume_u: float = 0.0  # m³
    mass_u: float = 0.0  # of the one weighed mass, where no amounts are given [kg]
    load_u: float = 0.0  # of the load: moves ullage volume and every amount that counts from it together [kg]
    density_u: float = 0.0  # kg/m³
    load: float = 0.0  # whose volume, and with it the ullage's, follows from the density; zero: moved elsewhere [kg]
    head_u: float = 0.0  # of the liquid column's height, relative
    ambient_u: float = 0.0  # barometer; moves a gauge sensor's absolute pressure and a free jet together [Pa]
    back_pressure_u: float = 0.0  # beyond the barometer, where nothing measures it: a pipe [Pa]
    back: SensorUncertainties = SensorUncertainties()  # of a sensor downstream; its gain holds what scales all of it
    free_jet: bool = True  # the liquid leaves into the ambient air
    clock_u: float = 0.0  # rate, relative
    opening_u: float = 0.0  # s
    end_u: float = 0.0  # s


@dataclass(frozen=True, slots=True, kw_only=True)
class StaticPressure:
    """Reading at rest just before opening."""

    value: float  # absolute, at opening [Pa]
    u: float  # from noise alone [Pa]
    deviation: float  # of a single sample [Pa]
    correlation_time: float  # in samples
    drift: float  # Pa/s
    window: Window


@dataclass(frozen=True, slots=True, kw_only=True)
class AveragedDischarge:
    """A record averaged over the flow, with everything that can be shifted; not a number where not known."""

    time: Array  # (B,) s
    pressure: Array  # (B,) absolute [Pa]
    back_pressure: Array  # (B,) absolute [Pa]
    count: Array  # (B,) samples in each mean
    start_pressure: float  # absolute [Pa]
    density: float  # kg/m³
    opening_time: float  # s
    end_time: float  # s
    ullage_volume: float  # m³
    expelled_mass: float  # kg
    head: Head | None
    removed: int  # spikes
    amounts: tuple[Amount, ...] = ()
    weights: tuple[float, ...] = ()

    def cda(self) -> float:
        """Return CdA by the amounts as weighed, else by the one expelled mass. [m²]."""
        if not self.amounts:
            return self.expelled_mass / (math.sqrt(2.0 * self.density) * self.drive_integral()[0])
        return float(np.array(self.weights) @ self.each_cda())

    def each_cda(self) -> Array:
        """Return CdA by each amount, over its own span. (K,) [m²]."""
        total, partial = self.drive_integral()
        at = np.concatenate([[self.opening_time], self.time, [self.end_time]])
        grown = np.concatenate([[0.0], partial, [total]])
        driven = [
            total if a.span is None else float(np.interp(a.span[1], at, grown) - np.interp(a.span[0], at, grown))
            for a in self.amounts
        ]
        mass = np.array([amount.mass for amount in self.amounts])
        return np.asarray(mass / (math.sqrt(2.0 * self.density) * np.array(driven)))

    def left(self) -> float:
        """Return the mass that left from opening to end. [kg]."""
        if not self.amounts:
            return self.expelled_mass
        return self.cda() * math.sqrt(2.0 * self.density) * self.drive_integral()[0]

    def drive_integral(self) -> tuple[float, Array]:
        """Return the integral of sqrt(drive) from opening to end and to each mean's instant. [Pa^½ s].

        Raises
        ------
        DataError
            The pressure does not stand above the back pressure.
        """
        drive = self.pressure - self.back_pressure
        if self.head is None:
            return self._integral_of(drive)
        # The head falls with the liquid, whose share is the integral itself; the head is small, so this settles.
        share = np.linspace(0.0, 1.0, drive.size)
        volume = 0.0 if math.isnan(self.expelled_mass) else self.expelled_mass / self.density
        total, partial = 0.0, share
        for _ in range(4):
            height = self.head.height(share * volume)
            total, partial = self._integral_of(drive + self.density * self.head.gravity * height)
            share = partial / total
        return total, partial

    def _integral_of(self, drive: Array) -> tuple[float, Array]:
        if not float(np.median(drive)) > 0.0:
            raise DataError(
                f"tank pressure is {float(np.median(drive)):.4g} Pa above the back pressure in the flow window, so"
                " nothing drives the liquid; check absolute or gauge, channel and instants"
            )
        root = np.sqrt(np.maximum(drive, 0.0))
        slope = np.gradient(root, self.time)
        first = root[0] - 0.5 * slope[0] * (self.time[0] - self.opening_time)
        last = root[-1] + 0.5 * slope[-1] * (self.end_time - self.time[-1])
        steps = 0.5 * np.diff(self.time) * (root[1:] + root[:-1])
        partial = np.cumsum(np.concatenate([[(self.time[0] - self.opening_time) * first], steps]))
        return float(partial[-1] + (self.end_time - self.time[-1]) * last), partial


def thinned(record: DischargeRecord) -> DischargeRecord:
    """Return a very long record as means of groups of samples, any other one as it is."""
    if record.time.size <= 10 * MOST_SAMPLES:
        return record
    means = block_means(record.time, record.pressure, MOST_SAMPLES)
    back = record.back_pressure
    if not isinstance(back, float | int):
        other = block_means(record.time, back, MOST_SAMPLES)
        back = np.interp(means.time, other.time, other.value)
    return replace(record, time=means.time, pressure=means.value, back_pressure=back)


def static_pressure(record: DischargeRecord) -> StaticPressure:
    """Read the tank at rest before opening: a line through the last seconds, taken at the opening.

    Raises
    ------
    DataError
        Less than ``STATIC_LEAST`` seconds of still record.
    """
    end = record.opening_time - record.stroke
    start = max(float(record.time[0]), end - STATIC_MOST)
    window = Window(start, end)
    inside = window.of(record.time)
    if end - start < STATIC_LEAST * (1.0 - 1e-9) or inside.sum() < 8:
        raise DataError(
            f"static pressure before opening: {max(end - start, 0.0):.2f} s with {int(inside.sum())} samples recorded,"
            f" {STATIC_LEAST:g} s needed; without it start pressure, opening and CdA draw the same curve"
        )
    time, pressure = record.time[inside], record.pressure[inside]
    keep = ~spikes(pressure, 1)
    time, pressure = time[keep] - record.opening_time, pressure[keep]
    middle = float(time.mean())
    spread = float(np.sum((time - middle) ** 2))
    drift = float((time - middle) @ pressure) / spread
    value = float(pressure.mean()) - drift * middle
    residual = pressure - value - drift * time
    deviation = float(np.sqrt(residual @ residual / max(time.size - 2, 1)))
    tau = correlation_time(residual)
    eaten = min(2.0 * tau / time.size, 0.5)  # by the line, of the independent samples
    u = deviation * math.sqrt(tau * (1.0 / time.size + middle**2 / spread)) / (1.0 - eaten)
    u = math.hypot(u, undithered(record.step, deviation))
    return StaticPressure(value=value, u=u, deviation=deviation, correlation_time=tau, drift=drift, window=window)


def undithered(step: float, deviation: float) -> float:
    """Return the standard uncertainty that a converter's steps leave in a mean of a pressure at rest.

    Noise of half a step moves the counts enough for their mean to find the value between them; less noise does not.
    The first harmonic of the staircase, step / pi exp(-2 pi² s² / step²), is what is left. Source: [Widrow1996], from
    memory.
    """
    if step <= 0.0:
        return 0.0
    noise = max(deviation**2 - step**2 / 12.0, 0.0)
    return step / math.sqrt(12.0) * math.exp(-2.0 * math.pi**2 * noise / step**2)


def averaged_flow(record: DischargeRecord) -> AveragedDischarge:
    """Average the samples between opening and end, once for all that is made of them; no start pressure yet.

    Raises
    ------
    DataError
        Too few samples, or the end does not come after the opening.
    """
    record = thinned(record)
    inside = Window(record.opening_time, record.end_time).of(record.time)
    if inside.sum() < MIN_FLOW_SAMPLES:
        raise DataError(
            f"flow window {record.opening_time:.3f} to {record.end_time:.3f} s holds {int(inside.sum())} samples,"
            f" {MIN_FLOW_SAMPLES} needed; check the instants of opening and end"
        )
    blocks = min(FLOW_BLOCKS, int(inside.sum()) // 2)
    means = block_means(record.time[inside], record.pressure[inside], blocks)
    if isinstance(record.back_pressure, float | int):
        back = np.full(means.time.size, float(record.back_pressure))
    else:
        other = block_means(record.time[inside], record.back_pressure[inside], blocks)
        back = np.interp(means.time, other.time, other.value)
    return AveragedDischarge(
        time=means.time,
        pressure=means.value,
        back_pressure=back,
        count=means.count.astype(np.float64),
        start_pressure=math.nan,
        density=record.density,
        opening_time=record.opening_time,
        end_time=record.end_time,
        ullage_volume=math.nan if record.ullage_volume is None else record.ullage_volume,
        expelled_mass=math.nan if record.expelled_mass is None else record.expelled_mass,
        head=record.head,
        removed=means.removed,
        amounts=record.amounts,
        weights=record.weights,
    )
