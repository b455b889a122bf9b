"""Convert true pressures and forces to counts: sensors in error within their calibrations, noise, converter, clock.

A sensor's error is drawn in its reading: what the file's calibration would make of the signal differs from the
truth by gain, zero, scatter of the coefficients or tolerance, hysteresis and drift. With no errors drawn, the
calibrated reading equals the truth within one count.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.stage import Physics
from standbook.analysis.simulation.world import share_in_air
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration, from_si
from standbook.daq.config.signal_conversion import counts_from_signal
from standbook.daq.config.stand import Input, Stand
from standbook.daq.quantity import parse_quantity

TYPE_LIMITS: Mapping[str, tuple[int, int]] = {
    "i16": (-(2**15), 2**15 - 1),
    "i24": (-(2**23), 2**23 - 1),
    "i32": (-(2**31), 2**31 - 1),
}
CORRELATION_TIME = 0.05  # s, of the correlated noise
WANDER_TIME = 3.0  # s, of the supply
SUPPLY_SPREAD, SUPPLY_SAG = 0.004, 0.002  # of the nominal supply: its setting, its sag while valves are held open
HUM = 1.0e-4  # of full range, at mains frequency; a third of it at the third harmonic
# Zero drift during the record, linear and bowed, over the calibration's zero uncertainty. A cell in the thrust
# line warms and settles; a transducer's zero moved since the calibration, hardly within a minute.
DRIFT: Mapping[str, tuple[float, float]] = {measurands.THRUST: (0.5, 0.25)}
DRIFT_ELSE = (0.1, 0.05)
LEAST_LAG = 1e-4  # s


@dataclass(frozen=True, slots=True)
class Noise:
    """Random part of one kind of sensor, as shares of its calibrated range, standard deviations."""

    white: float
    correlated: float


NOISE: Mapping[str, Noise] = {
    measurands.THRUST: Noise(4e-4, 1e-4),
    measurands.TANK_PRESSURE: Noise(8e-4, 2e-4),
    measurands.MANIFOLD_PRESSURE: Noise(8e-4, 2e-4),
    measurands.CHAMBER_PRESSURE: Noise(8e-4, 2e-4),
    measurands.TEMPERATURE: Noise(5e-4, 5e-4),
    measurands.SUPPLY_VOLTAGE: Noise(5e-5, 2e-5),
    measurands.LIQUID_MASS: Noise(3e-4, 1e-4),
    measurands.CAUGHT_MASS: Noise(3e-4, 1e-4),
    measurands.LIQUID_FLOW: Noise(2e-3, 1e-3),
    measurands.VENTURI_PRESSURE: Noise(8e-4, 2e-4),
    measurands.OTHER: Noise(2e-4, 0.0),
}


@dataclass(frozen=True, slots=True)
class Sampled:
    """One stream's counts."""

    wires: tuple[str, ...]
    tags: tuple[str, ...]
    types: tuple[str, ...]
    counts: NDArray[np.int32]  # (rows, wires)


def clock_rate(stand: Stand, device: str, draw: Draw) -> float:
    """Return the drawn relative rate error of a device's clock, evenly within its tolerance."""
    return stand.device_named(device).clock_tolerance.value * draw.even("clock", device)


def sample(
    physics: Physics,
    stand: Stand,
    calibrations: Mapping[str, Calibration],
    draw: Draw,
    items: Sequence[Input],
    times: Array,
    *,
    mains: float | None,
) -> Sampled:
    """Sample the inputs of one stream at given true times.

    Parameters
    ----------
    physics : Physics
        What is there to be measured.
    stand, calibrations
        As the campaign has them.
    draw : Draw
        Errors of sensors and signal chain.
    items : sequence of Input
        In the stream's order.
    times : (N,) array
        True times of the rows, after T-0. [s]
    mains : float or None
        Mains frequency. [Hz]
    """
    chain = _Chain(physics, stand, calibrations, draw, mains)
    columns, types = [], []
    for item in items:
        kind, column = chain.counts(item, times)
        columns.append(column)
        types.append(kind)
    counts = np.stack(columns, axis=1) if columns else np.empty((times.size, 0), dtype=np.int32)
    return Sampled(tuple(i.wire for i in items), tuple(i.tag for i in items), tuple(types), counts)


def true_value(physics: Physics, stand: Stand, calibrations: Mapping[str, Calibration], item: Input) -> Array:
    """Return the true value at an input's place, SI, pressures absolute. (N,) over the physics."""
    world = physics.world
    room = np.full_like(physics.time, world.ambient_pressure)
    if item.measures == measurands.THRUST:
        return physics.cell_force
    if item.measures == measurands.TANK_PRESSURE:
        return physics.tank_pressure.get(item.tank or "", room)
    if item.measures == measurands.MANIFOLD_PRESSURE:
        return physics.manifold_pressure.get(item.tank or "", room)
    if item.measures == measurands.CHAMBER_PRESSURE:
        return physics.chamber_pressure
    if item.measures == measurands.TEMPERATURE:
        coldest = min(world.tanks, key=lambda tank: tank.liquid_temperature)
        return physics.line_temperature.get(item.tank or "", physics.line_temperature[coldest.name])
    if item.measures in (measurands.LIQUID_MASS, measurands.CAUGHT_MASS):
        name = item.tank or world.tanks[0].name
        mass = physics.liquid_mass.get(name, np.zeros_like(room))
        if item.measures == measurands.LIQUID_MASS:
            return mass
        density = world.tank(name).liquid_density
        share = share_in_air(density, world.ambient_pressure, world.ambient_temperature)
        return np.asarray(share * (mass[0] - mass))
    if item.measures in (measurands.LIQUID_FLOW, measurands.VENTURI_PRESSURE):
        tank = physics.course.tanks[item.tank or world.tanks[0].name]
        flow = physics.course.at(physics.time, tank.liquid_flow)
        density = world.tank(item.tank or world.tanks[0].name).liquid_density
        if item.venturi_cda is not None:
            return np.asarray((flow / item.venturi_cda.value) ** 2 / (2.0 * density))
        of_volume = item.tag in calibrations and calibrations[item.tag].dimension == "volume flow"
        return flow / density if of_volume else flow
    if item.measures == measurands.SUPPLY_VOLTAGE and item.tag in calibrations:
        return np.full_like(room, _nominal_supply(calibrations[item.tag]))
    return np.zeros_like(room)


def _nominal_supply(calibration: Calibration) -> float:
    """Middle of the calibrated range: a supply is calibrated about the voltage it is set to. [V]."""
    return 0.5 * (calibration.lowest + calibration.highest) * calibration.scale


class _Chain:
    """Sensors and converter of one stream; kept only while it is sampled."""

    def __init__(
        self,
        physics: Physics,
        stand: Stand,
        calibrations: Mapping[str, Calibration],
        draw: Draw,
        mains: float | None,
    ) -> None:
        self.physics, self.stand, self.calibrations, self.draw, self.mains = physics, stand, calibrations, draw, mains
        self.supplies: dict[str, Array] = {}

    def counts(self, item: Input, times: Array) -> tuple[str, NDArray[np.int32]]:
        """Return the packed type and the counts of one input."""
        calibration = self.calibrations.get(item.tag)
        if calibration is None:
            random = self.draw.generator("noise", item.tag)
            idle = np.rint(self.draw.scale("noise") * 2.0 * random.standard_normal(times.size))
            return "i24", idle.astype(np.int32)
        reading = self._apparent(item, calibration, times)
        supply = self._supply(item, times)
        exact = counts_from_signal(item, _signal(calibration, reading), supply)
        kind = self._type(item, calibration, supply)
        return kind, np.rint(np.clip(exact, *TYPE_LIMITS[kind])).astype(np.int32)

    def _type(self, item: Input, calibration: Calibration, supply: float | Array) -> str:
        ends = np.array([calibration.lowest, calibration.highest])
        largest = np.max(np.abs(counts_from_signal(item, calibration.signal(ends), float(np.mean(supply)))))
        return next((kind for kind in ("i16", "i24") if largest <= TYPE_LIMITS[kind][1]), "i32")

    def _supply(self, item: Input, times: Array) -> float | Array:
        """Return the true supply of an input: what drives it, not what its sensor says. [V]."""
        if item.supply is None:
            return 1.0
        if item.supply not in self.calibrations:
            known = {i.tag for i in self.stand.input}
            return 5.0 if item.supply in known else parse_quantity(item.supply, "voltage").value
        return self._true_supply(item.supply, times)

    def _true_supply(self, tag: str, times: Array) -> Array:
        if tag not in self.supplies:
            nominal, scale = _nominal_supply(self.calibrations[tag]), self.draw.scale("supply")
            random = self.draw.generator("supply", tag)
            events = self.physics.course.events
            loaded = (times >= min(events.values())) & (times <= events["closed"])
            wander = _correlated(random, times, WANDER_TIME, 2e-4)
            share: Array = SUPPLY_SPREAD * random.standard_normal() + wander - SUPPLY_SAG * loaded
            self.supplies[tag] = nominal * (1.0 + scale * share)
        return self.supplies[tag]

    def _apparent(self, item: Input, calibration: Calibration, times: Array) -> Array:
        """Return what the file's calibration makes of this sensor's signal, before the converter."""
        true = self._felt(item, calibration, times)
        draw, tag, full = self.draw, item.tag, calibration.highest - calibration.lowest
        # A pull was read by this cell: what its standard was off by is in the factor of the pull.
        standard = 0.0 if calibration.stand_interaction.pull else calibration.reference_uncertainty.value
        reading = true * (1.0 + standard * draw.normal("reference", tag))
        reading = reading + calibration.reference_span_u() * draw.normal("reference", f"{tag} of span")
        reading = reading + true * calibration.run_scatter() * draw.normal("scatter", f"{tag} of run")
        reading = reading + self._curve_error(calibration, tag, true)
        reading = reading + calibration.zero_uncertainty * draw.normal("zero", tag)
        position = np.clip((true - calibration.lowest) / full, 0.0, 1.0)
        hysteresis = calibration.hysteresis_uncertainty.value * full * draw.normal("hysteresis", tag)
        reading = reading + hysteresis * 4.0 * position * (1.0 - position)
        elapsed = (times - times[0]) / max(times[-1] - times[0], 1e-9)
        line, bow = DRIFT.get(item.measures, DRIFT_ELSE)
        drift = line * draw.normal("drift", tag) * elapsed
        drift = drift + bow * draw.normal("drift", f"{tag} bow") * 4.0 * elapsed * (1.0 - elapsed)
        reading = reading + calibration.zero_uncertainty * drift
        return np.asarray(reading + full * self._noise(item, times), dtype=np.float64)

    def _felt(self, item: Input, calibration: Calibration, times: Array) -> Array:
        """Return the true value at the sensor after its lag, in the calibration's unit and reference."""
        if item.measures == measurands.SUPPLY_VOLTAGE:
            return from_si(self._true_supply(item.tag, times), calibration)
        value = true_value(self.physics, self.stand, self.calibrations, item)
        if item.measures == measurands.THRUST:
            value = self._load_path(item, calibration, value)
        if calibration.reference == "gauge":
            value = value - self.physics.world.ambient_pressure
        lag = calibration.latency.value * (1.0 + 0.2 * self.draw.normal("lag", item.tag))
        return from_si(np.interp(times, self.physics.time, _lagged(self.physics.time, value, lag)), calibration)

    def _load_path(self, item: Input, calibration: Calibration, force: Array) -> Array:
        """Hoses, flexures and alignment: what of a force reaches the cell, and what hose pressure adds."""
        c, draw = calibration.stand_interaction, self.draw
        factor = c.factor.value + c.factor.u * draw.normal("interaction", item.tag)
        # A half-normal angle; a pull went through it, so the factor of one holds it.
        scale = c.angle.value if c.angle is not None else math.sqrt(math.sqrt(2.0) * c.alignment.value)
        aligned = 1.0 if c.pull else math.cos(scale * draw.normal("alignment", item.tag))
        line = c.line_load.value + c.line_load.u * draw.normal("line_load", item.tag)
        pressures = list(self.physics.tank_pressure.values())
        hose = np.mean(pressures, axis=0) - self.physics.world.ambient_pressure
        return np.asarray(force * aligned / factor + line * hose, dtype=np.float64)

    def _curve_error(self, calibration: Calibration, tag: str, true: Array) -> Array:
        """Return how far the curve of this sensor lies off that of its calibration, in the calibration's unit."""
        if calibration.characteristic is not None:
            return calibration.characteristic.half_width(true) * self.draw.even("scatter", tag)
        signal = _signal(calibration, true) - calibration.pivot
        errors = self._coefficient_errors(calibration, tag)
        return np.asarray(np.polynomial.polynomial.polyval(signal, errors))

    def _coefficient_errors(self, calibration: Calibration, tag: str) -> Array:
        covariance = np.array(calibration.covariance)
        scale = self.draw.scale("scatter")
        if scale == 0.0 or not np.any(covariance):
            return np.zeros(covariance.shape[0])
        random = self.draw.generator("scatter", tag)
        values, vectors = np.linalg.eigh(covariance)
        deviates = random.standard_normal(values.size)
        return np.asarray(scale * vectors @ (np.sqrt(np.maximum(values, 0.0)) * deviates), dtype=np.float64)

    def _noise(self, item: Input, times: Array) -> Array:
        kind, draw = NOISE[item.measures], self.draw
        total = np.zeros(times.size)
        if draw.scale("noise") > 0.0:
            white = draw.generator("noise", item.tag).standard_normal(times.size)
            total += draw.scale("noise") * kind.white * white
        if draw.scale("correlated_noise") > 0.0:
            random = draw.generator("correlated_noise", item.tag)
            total += draw.scale("correlated_noise") * _correlated(random, times, CORRELATION_TIME, kind.correlated)
        if draw.scale("hum") > 0.0 and self.mains is not None:
            phase = 2.0 * math.pi * (self.mains * times + float(draw.generator("hum", item.tag).uniform()))
            total += draw.scale("hum") * HUM * (np.sin(phase) + np.sin(3.0 * phase) / 3.0)
        return total


def _signal(calibration: Calibration, reading: Array) -> Array:
    """Invert a calibration; a straight one directly, since records are long."""
    c = calibration.coefficients
    if len(c) == 2:
        return (reading - c[0]) / c[1] + calibration.pivot
    return calibration.signal(reading)


def _lagged(time: Array, value: Array, lag: float) -> Array:
    """Pass through a first-order lag, exact for values that are straight between samples."""
    if lag < LEAST_LAG:
        return value
    x = float(time[1] - time[0]) / lag
    keep = math.exp(-x)
    late = 1.0 - (1.0 - keep) / x
    early = (1.0 - keep) - late
    rest = lfilter([late, early], [1.0, -keep], value - value[0])
    return np.asarray(value[0] + rest, dtype=np.float64)


def _correlated(random: np.random.Generator, times: Array, correlation_time: float, deviation: float) -> Array:
    """Return exponentially correlated noise of a standard deviation."""
    keep = math.exp(-(times[1] - times[0]) / correlation_time) if times.size > 1 else 0.0
    white = random.standard_normal(times.size)
    first = random.standard_normal()
    noise, _ = lfilter([math.sqrt(1.0 - keep**2)], [1.0, -keep], white, zi=np.array([keep * first]))
    return np.asarray(deviation * noise, dtype=np.float64)
