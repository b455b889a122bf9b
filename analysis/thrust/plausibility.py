"""Whether a cell's thrust can be believed: by its calibration, by itself, by the chamber, by what the tanks let out.

SI, absolute pressures; times in seconds after T-0. Nothing is corrected: thrust that cannot be believed makes the
impulse a lower bound, or keeps it from being held against a limit. What no other sensor sees cannot be found here.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from standbook.analysis.channel_checks.channel_health import usable
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.thrust import (
    CELL_LEAPT,
    CHAMBER_NOT_FOLLOWED,
    GAIN_NOT_KNOWN,
    THRUST_FLAT_TOP,
    THRUST_INTERRUPTED,
    THRUST_LOST,
    THRUST_NOT_FOLLOWED,
    THRUST_NOT_FOLLOWED_ALONE,
)
from standbook.analysis.physics.performance import exit_force
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import block_average
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.chamber_pressure import CHOKED, above_tank
from standbook.analysis.thrust.tank_flows import TankFlow
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array, Mask
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

BLOCK, SMOOTH = 0.05, 5  # s averaged; blocks of which the median is taken
EDGE = 0.3  # s after the chamber rises and before it falls, in which the stand still follows
BURNING_SHARE = 0.3  # of the greatest chamber pressure; below it the nozzle says little
COLLAPSED, LOST_LEAST = 0.5, 0.1  # of the thrust that the chamber implies; s in all
PARTED, PARTED_ONE, PARTED_ALONE = 0.03, 0.05, 0.10  # of the thrust: two witnesses, one against one, the only one
NOISE_SIGMA = 5.0  # standard uncertainties of a block's mean
SECOND_PART = 0.8  # of PARTED that the second witness must see, in the same place
LEAPT, LEAP_LOOK, QUICK = 0.3, 5, 0.1  # of the greatest thrust; samples beside; of a stand-mode period
FLAT_LEAST, FLAT_STEPS = 0.15, 3.0  # s; converter steps that the thrust would have fallen by meanwhile
OFF_LEAST = 0.1  # s without thrust within a burn


@dataclass(frozen=True, slots=True)
class ThrustDoubts:
    """What makes the impulse a lower bound, and what must be said besides."""

    hidden: tuple[Finding, ...]
    others: tuple[Finding, ...]


def thrust_doubts(dataset: Dataset, record: ThrustRecord, burn: Burn, flows: Mapping[str, TankFlow]) -> ThrustDoubts:
    """Hold thrust against everything else that saw the burn."""
    chambers = _chambers(dataset, burn, flows)
    hidden = [*_leapt(record), *_flat(record, burn), *_lost(dataset, record, burn, chambers)]
    others = _gain(record)
    if not hidden:
        others += [*_interrupted(record, burn), *_parted(dataset, record, burn, chambers, flows)]
    return ThrustDoubts(tuple(hidden), tuple(others))


def _gain(record: ThrustRecord) -> list[Finding]:
    c = record.cell.calibration
    if c.reference_uncertainty.value > 0.0 or c.stand_interaction.factor.u > 0.0:
        return []
    return [GAIN_NOT_KNOWN.at(record.cell.tag, calibration=c.name)]


def _leapt(record: ThrustRecord) -> list[Finding]:
    """Find a step that no stand can make: its own inertia lets a cell's reading follow within a quarter period."""
    if record.mode_period <= 0.0 or record.interval > QUICK * record.mode_period:
        return []
    greatest = float(np.quantile(record.thrust, 0.999))
    step = np.abs(np.diff(record.reading)) * record.factor
    quick = np.diff(record.time) < QUICK * record.mode_period
    beside = max(LEAP_LOOK, round(2.0 * record.mode_period / record.interval))
    for k in np.flatnonzero(quick & (step > LEAPT * greatest)):
        before, after = record.reading[max(k - beside + 1, 0) : k + 1], record.reading[k + 1 : k + 1 + beside]
        leap = abs(float(np.median(after[:LEAP_LOOK]) - np.median(before[-LEAP_LOOK:])))
        # A stand that rings, or a noisy cell, moves as far on either side.
        if leap * record.factor <= LEAPT * greatest or leap <= float(np.ptp(before) + np.ptp(after)):
            continue
        at = float(record.time[k + 1])
        return [
            CELL_LEAPT.at(
                record.cell.tag,
                at,
                before=float(np.median(before[-LEAP_LOOK:])),
                after=float(np.median(after[:LEAP_LOOK])),
                mode=1.0 / record.mode_period,
            )
        ]
    return []


def _flat(record: ThrustRecord, burn: Burn) -> list[Finding]:
    """Find a flat top in a channel without noise: equal readings for longer than a falling thrust would give."""
    inside = np.flatnonzero((record.time >= burn.window.start) & (record.time <= burn.window.end))
    if inside.size < 4 * LEAP_LOOK or record.clipped[inside].any():
        return []
    reading, time = record.reading[inside], record.time[inside]
    steps = np.abs(np.diff(reading))
    moving = steps[steps > 0.0]
    if moving.size == 0:
        return []
    step, top = float(np.min(moving)), float(np.max(reading))
    edges = np.flatnonzero(np.diff((reading >= top - 0.25 * step).astype(np.int8), prepend=0, append=0))
    first, last = edges[::2], edges[1::2]
    longest = int(np.argmax(last - first))
    begin, end = int(first[longest]), int(last[longest])
    length = float(time[end - 1] - time[begin])
    later = time[end - 1] + max(length, 0.5)
    if length < FLAT_LEAST or later > time[-1]:
        return []
    fallen = top - float(np.median(reading[np.abs(time - later) <= 0.1 * length + record.interval]))
    if fallen * length / (later - float(time[end - 1])) < FLAT_STEPS * step:
        return []
    at = float(time[begin])
    return [
        THRUST_FLAT_TOP.at(
            record.cell.tag, at, top=top, length=length, fallen=fallen, later=later - float(time[end - 1])
        )
    ]


def _chambers(dataset: Dataset, burn: Burn, flows: Mapping[str, TankFlow]) -> tuple[Channel, ...]:
    begin, end = burn.span
    found = (c for c in dataset.measuring(measurands.CHAMBER_PRESSURE) if usable(c, begin, end))
    return tuple(c for c in found if above_tank(dataset, c, flows, begin, end) is None)


@dataclass(frozen=True, slots=True, eq=False)
class _Blocks:
    """Thrust and what the chamber implies, averaged. (B,)."""

    time: Array
    thrust: Array  # [N]
    implied: Array  # [N]; not a number where the nozzle does not burn
    force: float  # that ambient pressure takes [N]


def _blocks(dataset: Dataset, record: ThrustRecord, burn: Burn, chambers: Iterable[Channel]) -> _Blocks | None:
    """Average thrust and scale chamber pressure to it, by its median ratio; the least of all chamber sensors counts."""
    ambient, engine = dataset.plan.site.ambient_pressure, dataset.plan.engine
    force = exit_force(engine, Measured(ambient.value, ambient.u, "Pa")).value if engine else 0.0
    start, end = burn.window.start, float(record.time[-1])
    block = max(BLOCK, 2.0 * record.mode_period, 4.0 * record.interval)
    if end - start < 8.0 * block:
        return None
    time, thrust = block_average(record.time, record.thrust, start=start, end=end, block=block)
    implied = []
    for channel in chambers:
        _, pressure = block_average(channel.time, channel.reading, start=start, end=end, block=block)
        if np.count_nonzero(np.isfinite(pressure)) < 8:
            continue
        burning = pressure > max(CHOKED * 2.0 * ambient.value, BURNING_SHARE * float(np.nanmax(pressure)))
        both = burning & (thrust > BURNING_SHARE * float(np.nanmax(thrust)))
        if np.count_nonzero(both) < 8:
            continue
        ratio = float(np.median((thrust[both] + force) / pressure[both]))
        implied.append(np.where(_kept(burning, time), ratio * pressure - force, np.nan))
    if not implied:
        return None
    least = np.min(implied, axis=0)  # not a number where one sensor sees no burning
    return _Blocks(time, thrust, least, force)


def _kept(burning: Mask, time: Array) -> Mask:
    """Leave out what lies so close to a rise or a fall that the stand still follows."""
    still = np.flatnonzero(~burning)
    if still.size == 0:
        return burning
    place = np.searchsorted(still, np.arange(time.size))
    before = np.where(place > 0, time - time[still[np.maximum(place - 1, 0)]], math.inf)
    after = np.where(place < still.size, time[still[np.minimum(place, still.size - 1)]] - time, math.inf)
    return np.asarray(burning & (before > EDGE) & (after > EDGE))


def _lost(dataset: Dataset, record: ThrustRecord, burn: Burn, chambers: tuple[Channel, ...]) -> list[Finding]:
    """Find where thrust is gone while the chamber burns."""
    found = _blocks(dataset, record, burn, chambers)
    if found is None:
        return []
    short = np.isfinite(found.implied) & np.isfinite(found.thrust) & (found.thrust < COLLAPSED * found.implied)
    length = float(np.count_nonzero(short)) * float(found.time[1] - found.time[0])
    if length < LOST_LEAST:
        return []
    at = float(found.time[short][0])
    missing = float(np.sum(found.implied[short] - found.thrust[short])) * float(found.time[1] - found.time[0])
    tags = " and ".join(channel.tag for channel in chambers)
    return [THRUST_LOST.at(record.cell.tag, at, length=length, tags=tags, missing=missing)]


def _parted(
    dataset: Dataset, record: ThrustRecord, burn: Burn, chambers: tuple[Channel, ...], flows: Mapping[str, TankFlow]
) -> list[Finding]:
    """Find where thrust parts from chamber pressure along the burn, and whom the tanks side with."""
    found = _blocks(dataset, record, burn, chambers)
    if found is None:
        return []
    inside = np.isfinite(found.implied) & np.isfinite(found.thrust)
    inside &= (found.time > burn.span[0] + EDGE) & (found.time < burn.span[1] - EDGE)
    inside &= ~_clipped(record, found.time)  # said already, and more plainly
    if np.count_nonzero(inside) < 4 * SMOOTH:
        return []
    time = found.time[inside]
    parts = _smooth(found.thrust[inside] / found.implied[inside] - 1.0)
    rest, block = record.zero.before, float(found.time[1] - found.time[0])
    mean_u = record.factor * rest.deviation * math.sqrt(rest.correlation * record.interval / block)
    noise = NOISE_SIGMA * mean_u / np.abs(found.implied[inside])
    worst = int(np.argmax(np.abs(parts) - noise))
    apart, at = float(parts[worst]), float(time[worst])
    if abs(apart) - noise[worst] <= PARTED:
        return []
    tanks = _by_tanks(flows, time, found.thrust[inside] + found.force)
    tag, names = record.cell.tag, " and ".join(channel.tag for channel in chambers)
    story = (
        f"{tag}: at T{at:+.2f} s thrust is {100.0 * abs(apart):.0f} % {'below' if apart < 0.0 else 'above'} what "
        f"the chamber pressure ({names}) implies by the rest of the burn"
    )
    second = float(tanks[worst]) if tanks is not None else None
    if second is not None and second * apart > 0.0 and abs(second) > SECOND_PART * PARTED:
        return [
            THRUST_NOT_FOLLOWED.at(
                tag, at, story=story, second_percent=100.0 * abs(second), side="below" if apart < 0.0 else "above"
            )
        ]
    if second is None and abs(apart) - noise[worst] > PARTED_ALONE:
        return [THRUST_NOT_FOLLOWED_ALONE.at(tag, at, story=story)]
    if abs(apart) - noise[worst] <= PARTED_ONE:
        return []
    words = "" if second is None else ", while thrust follows what the tanks let out"
    return [CHAMBER_NOT_FOLLOWED.at(tag, at, story=story, words=words)]


def _clipped(record: ThrustRecord, time: Array) -> Mask:
    """Tell which blocks hold samples at the converter's or the amplifier's end. (B,)."""
    at, half = record.time[record.clipped], 0.5 * float(time[1] - time[0])
    return np.asarray(np.searchsorted(at, time + half) > np.searchsorted(at, time - half))


def _by_tanks(flows: Mapping[str, TankFlow], time: Array, total: Array) -> Array | None:
    """Return by how much thrust departs from what both tanks let out, scaled to it by the median. (B,)."""
    if len(flows) < 2 or any(flow.chamber is None or not flow.complete for flow in flows.values()):
        return None
    rate = np.zeros(time.size)
    for flow in flows.values():
        own = flow.channel.time
        weight = flow.tank.feed_cda.value * math.sqrt(2.0 * flow.tank.liquid_density.value)
        if flow.expelled is not None and flow.planned_mass > 0.0:
            weight *= flow.expelled.value / flow.planned_mass
        step = float(time[1] - time[0]) if time.size > 1 else BLOCK
        _, mean = block_average(own, flow.rate, start=time[0] - step / 2, end=time[-1] + step / 2, block=step)
        if mean.size != time.size:
            mean = np.interp(time, own, flow.rate)
        rate += weight * mean
    good = np.isfinite(rate) & (rate > 0.0)
    if np.count_nonzero(good) < 4 * SMOOTH:
        return None
    ratio = np.full(time.size, np.nan)
    ratio[good] = total[good] / rate[good]
    return _smooth(ratio / float(np.median(ratio[good])) - 1.0)


def _smooth(values: Array) -> Array:
    """Return the running median over ``SMOOTH`` blocks."""
    half = SMOOTH // 2
    padded = np.concatenate([values[:1].repeat(half), values, values[-1:].repeat(half)])
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, SMOOTH), axis=1))


def _interrupted(record: ThrustRecord, burn: Burn) -> list[Finding]:
    """Say that thrust stopped and came back."""
    begin, end = burn.span
    if end - begin < 4.0 * OFF_LEAST:
        return []
    block = max(0.5 * BLOCK, record.mode_period, 2.0 * record.interval)
    time, mean = block_average(record.time, record.thrust, start=begin, end=end, block=block)
    off = np.isfinite(mean) & (mean < 0.1 * float(np.nanmax(mean)))
    off &= (time > begin + EDGE) & (time < end - EDGE)
    length = float(np.count_nonzero(off)) * float(time[1] - time[0])
    if length < OFF_LEAST:
        return []
    first, last = float(time[off][0]), float(time[off][-1])
    return [THRUST_INTERRUPTED.at(record.cell.tag, first, length=length, last=last)]
