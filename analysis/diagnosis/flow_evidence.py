"""What a cold flow shows that tells causes apart: the same few numbers from a record and from a computed course.

SI, absolute pressures; times in seconds after T-0 in a record, after the opening that it shows in a course. Nothing is
judged here. A number that the record cannot give is not a number.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.record import DischargeRecord, StaticPressure
from standbook.analysis.channel_checks.channel_health import usable
from standbook.analysis.cold_flow.tank_side import FlowSide
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.blowdown import Head
from standbook.analysis.physics.ullage_model import AFTER, Courses, Faults, Vessel, middle_after_seen
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import block_average, block_means, correlation_time, spikes
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.plan import DETECTED_OPENING

PARTS = (0.0, 0.06, 0.15, 0.35, 0.65, 1.0)  # of the flow; the misfit is averaged between them
BLOCKS = 120
CLEAR = 0.2  # s beside both ends of the flow
HOLD_CLEAR, LEAST_HOLD = 0.3, 1.2  # s after the flow
HOLDS = (AFTER - HOLD_CLEAR, 2.0, LEAST_HOLD)  # s tried, the longest on which a straight line holds
VALVE_DELAY, VALVE_DELAY_U = 0.2, 0.2  # s from the command to the middle of a usual stroke
NAMES = (
    "start exponent",
    "chord exponent",
    "misfit 1",
    "misfit 2",
    "misfit 3",
    "misfit 4",
    "misfit 5",
    "before",
    "after",
    "ambient reading",
    "closure",
    "area",
    "lateness",
    "manifold",
    "weighed",
    "twin",
    "twin at ambient",
    "left aboard",
)
"""Order of the observables."""
GAS = 9  # the first so many follow from the pressure during the flow and beside it
_AT = {name: k for k, name in enumerate(NAMES)}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Evidence:
    """What one record shows. (D,) in the order of NAMES, not a number where it cannot be known."""

    observed: Array
    noise: Array  # (D, D) covariance of what is not a nuisance of the course: noise, instants, scales, plan
    vessel: Vessel
    static: StaticPressure
    times: Array  # (B,) s after mid-stroke at which pressures are compared


def evidence_of(dataset: Dataset, side: FlowSide) -> Evidence | None:
    """Read a record, ``None`` where nothing was weighed or the tank never stood still before."""
    record, static, weighed = side.record, side.static, weighed_of(dataset, side)
    if static is None or weighed is None or record.ullage_volume is None:
        return None
    opening, end = record.opening_time, record.end_time
    tank = side.tank
    vessel = Vessel(
        ullage_volume=record.ullage_volume,
        section=_section(side),
        density=record.density,
        back_pressure=dataset.plan.back_pressure().value,
        start_pressure=static.value,
        expelled_mass=weighed.value,
        length=end - opening,
        head=record.head,
        load=tank.liquid_load.value,
        reads_zero_at=side.channel.origin(dataset.plan.site.ambient_pressure),
    )
    times, means, counts = _means(record)
    observed = np.full(len(NAMES), np.nan)
    u = np.zeros(len(NAMES))
    shaped = shape(times, means[np.newaxis], np.array([static.value]), vessel)
    observed[: GAS - 2] = shaped[0, : GAS - 2]
    observed[_AT["area"]] = shaped[0, -1] - math.log(tank.feed_cda.value)
    u[_AT["area"]] = tank.feed_cda.relative_u
    observed[_AT["before"]], u[_AT["before"]] = static.drift / static.value, _drift_u(record, static) / static.value
    observed[_AT["after"]], u[_AT["after"]] = _after(side)
    for name, (value, own) in _beside(dataset, side).items():
        observed[_AT[name]], u[_AT[name]] = value, own
    noise = np.diag(u**2)
    noise[: GAS - 2, : GAS - 2] += _noise_of_shape(times, means, counts, static, vessel)
    where = [*range(GAS - 2), _AT["area"]]
    for moved in (
        replace(record, opening_time=opening + side.instants.opening.u),
        replace(record, end_time=end + side.instants.end.u),
    ):
        change = _shape_moved(moved, static, vessel, shaped)
        noise[np.ix_(where, where)] += np.outer(change, change)
    return Evidence(observed=observed, noise=noise, vessel=vessel, static=static, times=times)


def _shape_moved(moved: DischargeRecord, static: StaticPressure, vessel: Vessel, shaped: Array) -> Array:
    """Return what another instant of opening or end changes the shape by, the area last."""
    at, shifted, _ = _means(moved)
    other = shape(at, shifted[np.newaxis], np.array([static.value]), replace(vessel, length=float(at[-1] + at[0])))
    return np.append(other[0, : GAS - 2] - shaped[0, : GAS - 2], other[0, -1] - shaped[0, -1])


def weighed_of(dataset: Dataset, side: FlowSide) -> Measured | None:
    """Return the liquid that left as one scale has it, the bucket's first: two scales mixed hide which is off. [kg]."""
    weighing = dataset.weighings.get(side.tank.name)
    caught = (weighing.caught or weighing.expelled) if weighing is not None else None
    return caught or side.amount


def predicted(courses: Courses, faults: Faults, evidence: Evidence) -> Array:
    """Take the same numbers from computed courses. (K, D)."""
    vessel, time, reading = evidence.vessel, courses.time, courses.reading
    found = np.zeros((reading.shape[0], len(NAMES)))
    still = (time >= -3.2) & (time <= -CLEAR)
    slope, start = np.polyfit(time[still], reading[:, still].T, 1)
    shaped = shape(evidence.times, _interpolated(evidence.times, time, reading), start, vessel)
    found[:, : GAS - 2] = shaped[:, : GAS - 2]
    found[:, _AT["area"]] = shaped[:, -1] - np.log(courses.cda)
    found[:, _AT["before"]] = slope / start
    hold = (time >= vessel.length + HOLD_CLEAR) & (time <= vessel.length + AFTER)
    found[:, _AT["after"]] = np.polyfit(time[hold], np.log(np.maximum(reading[:, hold], 1.0)).T, 1)[0]
    origin = vessel.reads_zero_at
    found[:, _AT["closure"]] = vessel.expelled_mass * faults.mass - vessel.load * faults.load
    found[:, _AT["lateness"]] = VALVE_DELAY + 0.5 * faults.stroke - 0.05 - middle_after_seen(faults.stroke)
    creeping = np.log(np.maximum(1.0 + faults.creep * vessel.length, 0.05)) / vessel.length
    found[:, _AT["manifold"]] = 2.0 * creeping
    found[:, _AT["weighed"]] = creeping
    found[:, _AT["ambient reading"]] = faults.zero
    found[:, _AT["twin"]] = -faults.zero - faults.gain * (vessel.start_pressure - origin)
    found[:, _AT["twin at ambient"]] = -faults.zero
    return found


def shape(times: Array, pressure: Array, start: Array, vessel: Vessel) -> Array:
    """Return start and chord exponent, five relative misfits, and ln CdA of pressures (K, B). (K, 8).

    The line is that of `analysis.blowdown.exponent`, for many courses at once.
    """
    drive = pressure - vessel.back_pressure
    share = np.linspace(0.0, 1.0, times.size)[np.newaxis]
    volume = vessel.expelled_mass / vessel.density
    for _ in range(2):
        total, partial = _integral(times, drive + _column(vessel.head, vessel.density, share * volume), vessel.length)
        share = partial / total[:, np.newaxis]
    L = np.log1p(volume / vessel.ullage_volume * share)
    L_end = math.log1p(volume / vessel.ullage_volume)
    use = (times >= CLEAR) & (times <= vessel.length - CLEAR)
    L, kept, at = L[:, use], pressure[:, use], times[use] / vessel.length
    target = np.log(np.maximum(kept, 1.0) / start[:, np.newaxis])
    weight = kept**2
    sums = [np.sum(weight * L**k, axis=1) for k in (2, 3, 4)]
    right = [-np.sum(weight * target * L**k, axis=1) for k in (1, 2)]
    determinant = np.maximum(sums[0] * sums[2] - sums[1] ** 2, 1e-300)
    n0 = (right[0] * sums[2] - right[1] * sums[1]) / determinant
    c = (right[1] * sums[0] - right[0] * sums[1]) / determinant
    misfit = target + n0[:, np.newaxis] * L + c[:, np.newaxis] * L**2
    part = np.clip(np.searchsorted(PARTS, at, side="right") - 1, 0, len(PARTS) - 2)
    parts = [np.mean(misfit[:, part == k], axis=1) if np.any(part == k) else np.zeros(n0.size) for k in range(5)]
    cda = np.log(vessel.expelled_mass / math.sqrt(2.0 * vessel.density) / total)
    return np.column_stack([n0, n0 + c * L_end, *parts, cda])


def _column(head: Head | None, density: float, expelled: Array) -> Array | float:
    return 0.0 if head is None else density * head.gravity * head.height(expelled)


def _integral(times: Array, drive: Array, length: float) -> tuple[Array, Array]:
    """Return the integral of the root of the drive, whole (K,) and up to each instant (K, B)."""
    root = np.sqrt(np.maximum(drive, 1.0))
    steps = 0.5 * np.diff(times) * (root[:, 1:] + root[:, :-1])
    first, last = root[:, :1] * times[0], root[:, -1] * (length - times[-1])
    partial = np.concatenate([first, first + np.cumsum(steps, axis=1)], axis=1)
    return partial[:, -1] + last, partial


def _interpolated(at: Array, time: Array, values: Array) -> Array:
    """Interpolate rows (K, T) that share one time axis, even during the flow, by cubics: pressures bend in a step."""
    first, last = int(np.searchsorted(time, 0.0)), int(np.searchsorted(time, at[-1], side="right"))
    low = np.clip(np.searchsorted(time, at) - 2, first, last - 3)
    x = (at - time[low]) / (time[first + 1] - time[first])
    w = (
        -(x - 1) * (x - 2) * (x - 3) / 6.0,
        x * (x - 2) * (x - 3) / 2.0,
        -x * (x - 1) * (x - 3) / 2.0,
        x * (x - 1) * (x - 2) / 6.0,
    )
    return np.asarray(sum(w[k] * values[:, low + k] for k in range(4)))


def _means(record: DischargeRecord) -> tuple[Array, Array, Array]:
    inside = (record.time >= record.opening_time) & (record.time <= record.end_time)
    number = min(BLOCKS, max(12, int(inside.sum()) // 4))
    means = block_means(record.time[inside], record.pressure[inside], number)
    return means.time - record.opening_time, means.value, means.count.astype(np.float64)


def _noise_of_shape(times: Array, means: Array, counts: Array, static: StaticPressure, vessel: Vessel) -> Array:
    """Return the covariance of the shape from the noise at rest: drawn, since it is the same line."""
    draws = np.random.default_rng(1).standard_normal((160, times.size + 1))
    each = static.deviation * np.sqrt(static.correlation_time / np.maximum(counts, 1.0))
    noisy = means + draws[:, :-1] * each
    found = shape(times, noisy, static.value + static.u * draws[:, -1], vessel)
    return np.asarray(np.cov(found[:, : GAS - 2].T))


def _drift_u(record: DischargeRecord, static: StaticPressure) -> float:
    length = static.window.end - static.window.start
    number = max(int(static.window.of(record.time).sum()), 2)
    return static.deviation * math.sqrt(12.0 * static.correlation_time / number) / length


def _after(side: FlowSide) -> tuple[float, float]:
    """Return the relative slope of the pressure once the valve has closed, and its standard uncertainty. [1/s]."""
    if side.instants.ran_dry:
        return math.nan, 0.0
    record, end = side.record, side.instants.end.time
    for length in HOLDS:
        inside = (record.time >= end + HOLD_CLEAR) & (record.time <= end + HOLD_CLEAR + length)
        if inside.sum() < 20 or float(np.ptp(record.time[inside])) < 0.9 * length:
            continue
        time, value = record.time[inside] - end, np.log(np.maximum(record.pressure[inside], 1.0))
        keep = ~spikes(value, 1)
        time, value = time[keep], value[keep]
        slope, level = np.polyfit(time, value, 1)
        residual = value - slope * time - level
        deviation = float(np.std(residual))
        rest = side.static.deviation / float(np.exp(level)) if side.static is not None else deviation
        if deviation > 2.0 * rest:
            continue  # a vent bends it
        tau = correlation_time(residual)
        return float(slope), deviation * math.sqrt(12.0 * tau / time.size) / float(np.ptp(time))
    return math.nan, 0.0


def _beside(dataset: Dataset, side: FlowSide) -> dict[str, tuple[float, float]]:
    """Return what other records than the pressure during the flow say, each with its own standard uncertainty."""
    found = _closure(dataset, side)
    opening = side.instants.opening
    if dataset.t_zero is not None and dataset.plan.test.t_zero != DETECTED_OPENING:
        found["lateness"] = opening.time, math.hypot(opening.u, VALVE_DELAY_U)
    vented = vented_reading(dataset, side.channel, opening.time)
    ambient = dataset.plan.site.ambient_pressure
    if vented is not None:
        absolute = side.channel.calibration.reference != "gauge"
        found["ambient reading"] = (
            vented - ambient.value,
            math.hypot(0.3 * side.channel.zero_u, ambient.u if absolute else 0.0, 1e-9),
        )
    found |= _manifold(dataset, side) | _weighed(dataset, side) | _twin(dataset, side, vented)
    return found


def _closure(dataset: Dataset, side: FlowSide) -> dict[str, tuple[float, float]]:
    tank, weighing = side.tank, dataset.weighings.get(side.tank.name)
    if weighing is None or (caught := weighing.caught or weighing.expelled) is None:
        return {}
    if weighing.residual is not None:
        rest, u = weighing.residual.value, weighing.residual.u
    elif side.instants.ran_dry:
        rest = tank.unusable_residual.value
        u = math.hypot(tank.unusable_residual.u, 0.1 * rest)
    else:
        return {}
    found = {"closure": (tank.liquid_load.value - caught.value - rest, max(u, 1e-6))}
    if weighing.residual is not None and side.instants.ran_dry:
        stays = tank.unusable_residual
        found["left aboard"] = rest - stays.value, math.hypot(u, stays.u, 0.1 * stays.value, 0.02)
    return found


def vented_reading(dataset: Dataset, channel: Channel, opening: float) -> float | None:
    """Return the mean reading while the record begins with the tank open to the air, ``None`` if it does not. [Pa]."""
    first = float(channel.time[0])
    begins = (channel.time >= first) & (channel.time <= first + 0.9) & np.isfinite(channel.reading)
    before = (channel.time >= opening - 1.0) & (channel.time < opening) & np.isfinite(channel.reading)
    if first + 1.5 > opening or np.count_nonzero(begins) < 8 or np.count_nonzero(before) < 8:
        return None
    early, ready = channel.reading[begins], float(np.mean(channel.reading[before]))
    half = early.size // 2
    rise = abs(float(np.mean(early[half:]) - np.mean(early[:half])))
    if rise > 0.01 * abs(ready) or float(np.mean(early)) > 0.25 * ready + dataset.plan.site.ambient_pressure.value:
        return None
    return float(np.mean(early))


def _manifold(dataset: Dataset, side: FlowSide) -> dict[str, tuple[float, float]]:
    """Return how the manifold's share of the drop changed, per second: it goes as the square of the valve's area."""
    begin, end = side.instants.opening.time + 0.5, side.instants.end.time - 0.3
    back = dataset.plan.back_pressure().value
    for manifold in dataset.measuring(measurands.MANIFOLD_PRESSURE, side.tank.name):
        if end - begin < 1.0 or not usable(manifold, begin, end):
            continue
        at, upper = block_average(side.channel.time, side.channel.reading, start=begin, end=end, block=0.1)
        _, lower = block_average(manifold.time, manifold.reading, start=begin, end=end, block=0.1)
        drop, own = upper - back, lower - back
        known = np.isfinite(drop) & np.isfinite(own) & (drop > 0.0) & (own > 0.0)
        if known.sum() < 8:
            continue
        ratio = np.log(own[known] / drop[known])
        slope, level = np.polyfit(at[known], ratio, 1)
        scatter = float(np.std(ratio - slope * at[known] - level))
        tau = correlation_time(ratio - slope * at[known] - level)
        u = scatter * math.sqrt(12.0 * tau / known.sum()) / (end - begin)
        for sensor, head in ((manifold, own[known]), (side.channel, drop[known])):
            u = math.hypot(u, sensor.zero_u * abs(1.0 / head[-1] - 1.0 / head[0]) / (end - begin))
        return {"manifold": (float(slope), u)}
    return {}


def _weighed(dataset: Dataset, side: FlowSide) -> dict[str, tuple[float, float]]:
    """Return how CdA(t) changed by a tank on a cell, per second."""
    begin, end = side.instants.opening.time + 0.5, side.instants.end.time - 0.3
    for scale in dataset.measuring(measurands.LIQUID_MASS, side.tank.name):
        if end - begin < 1.0:
            continue
        at, mass = block_average(scale.time, scale.reading, start=begin, end=end, block=0.1)
        _, upper = block_average(side.channel.time, side.channel.reading, start=begin, end=end, block=0.1)
        drive = np.sqrt(np.maximum(upper - dataset.plan.back_pressure().value, 0.0))
        known = np.isfinite(mass) & np.isfinite(drive)
        if known.sum() < 12:
            continue
        x = np.concatenate([[0.0], np.cumsum(0.5 * np.diff(at[known]) * (drive[known][1:] + drive[known][:-1]))])
        x /= x[-1]
        design = np.vander(x, 3, increasing=True)
        inverse = np.linalg.pinv(design)
        theta = inverse @ mass[known]
        residual = mass[known] - design @ theta
        u = float(np.std(residual)) * math.sqrt(correlation_time(residual)) * np.linalg.norm(inverse, axis=1)
        middle = theta[1] + theta[2]
        rate = 2.0 * theta[2] / middle / (end - begin)
        return {"weighed": (float(rate), float(2.0 * u[2] / abs(middle) / (end - begin)))}
    return {}


def _twin(dataset: Dataset, side: FlowSide, vented: float | None) -> dict[str, tuple[float, float]]:
    """Return a second sensor less the one that is used, at rest under pressure and open to the air. [Pa]."""
    own, opening = side.channel, side.instants.opening.time
    if side.static is None:
        return {}
    window = side.static.window
    ambient = dataset.plan.site.ambient_pressure
    gauge = own.calibration.reference == "gauge"
    for twin in dataset.measuring(measurands.TANK_PRESSURE, side.tank.name):
        if twin.tag == own.tag or not usable(twin, window.start, window.end):
            continue
        means = [float(np.nanmean(c.reading[window.of(c.time)])) for c in (own, twin)]
        both_gauge = gauge and twin.calibration.reference == "gauge"
        barometer = 0.0 if both_gauge else ambient.u
        u = math.hypot(twin.gain_u * (means[1] - twin.origin(ambient)), twin.zero_u, barometer)
        found = {"twin": (means[1] - means[0], u)}
        other = vented_reading(dataset, twin, opening)
        if vented is not None and other is not None:
            found["twin at ambient"] = other - vented, math.hypot(twin.zero_u, barometer)
        return found
    return {}


def _section(side: FlowSide) -> float:
    diameter = side.tank.internal_diameter
    volume = side.tank.internal_volume.value
    stated = diameter.value if diameter is not None else (4.0 * volume / (math.pi * 3.0)) ** (1.0 / 3.0)
    return math.pi / 4.0 * stated**2
