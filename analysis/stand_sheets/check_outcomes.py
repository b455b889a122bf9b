"""What the steps of a check in place show: an outcome a sensor and kind, and the values that charts are made of. SI."""

import datetime as dt
import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from standbook.analysis.budget.alignment import LEAST_ANGLE
from standbook.analysis.stand_checks.ambient import absolute_or_gauge
from standbook.analysis.stand_checks.charts import charted
from standbook.analysis.stand_checks.check import Check, Outcome, judged, told
from standbook.analysis.stand_checks.comparisons import alignment, sag_as_seen, shunt_step, supply_sag, two_pressures
from standbook.analysis.stand_checks.responses import sign, swap
from standbook.analysis.stand_checks.unit_ratio import DEAD, unit_ratio
from standbook.analysis.stand_sheets.check_steps import (
    ALIGNMENT,
    LOW,
    PUSH,
    SAG,
    SHUNT,
    SHUNT_LEAST,
    T_ZERO,
    TANK,
    VENTED,
    WEIGHT,
)
from standbook.daq.bench.settled_level import Level
from standbook.daq.bench.step_taking import SLASH, TakenStep
from standbook.daq.config import measurands
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.plan import Plan
from standbook.daq.config.stand import Stand
from standbook.daq.stand_sheets.pull_file import PullFile

BAR = 1e5
AIR_ON_STEEL = 1.0 - 1.2 / 8000.0  # of the weight of what a scale showed; OIML D 28, confirmed
RATIO_U = 2e-4  # of one ratio of two signals at different supplies; simulated converters
GAUGE_READ = 0.25  # of a division of a hundredth of the range: read by eye, standard; judgement
COUNTED_WITH = 2.0  # angles stated: a half-normal angle is below that 19 times in 20
GAUGE_KINDS = ("gauge span", "gauge zero")
ZERO, SHUNT_STEP = "zero of", "shunt step of"


@dataclass(frozen=True, slots=True, kw_only=True)
class StandCheck:
    """One check of one sensor."""

    tag: str
    kind: str
    check: Check


@dataclass(frozen=True, slots=True, kw_only=True)
class EarlierValues:
    """What an earlier sheet kept."""

    on: dt.date
    values: Mapping[str, float]  # as :func:`chart_values` names them


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedStand:
    """What a stand is checked with."""

    plan: Plan
    stand: Stand
    calibrations: Mapping[str, Calibration]
    earlier: Sequence[EarlierValues] = ()  # oldest first
    pulls: Mapping[str, PullFile] = field(default_factory=dict)  # newest of each cell


@dataclass(frozen=True, slots=True)
class _Reading:
    """A level as its calibration reads it, SI."""

    value: float
    noise: float  # standard uncertainty of the mean by its scatter


def outcomes(of: CheckedStand, taken: Sequence[TakenStep]) -> tuple[StandCheck, ...]:
    """Judge all steps that were taken.

    Parameters
    ----------
    of : CheckedStand
        Plan, stand, calibrations, and what earlier checks read.
    taken : sequence of TakenStep
        In their order.

    Returns
    -------
    tuple of StandCheck
        In the order of the steps; a check whose step was not taken is not there.
    """
    steps = {step.name: step for step in taken}
    rest = steps.get(VENTED)
    if rest is None:
        return ()
    found = [*_at_rest(of, rest)]
    for step in taken:
        if step.name.startswith(f"{TANK} "):
            found += _tank(of, rest, step)
            found += _two_pressures(of, rest, steps.get(f"{LOW} {step.name.removeprefix(f'{TANK} ')}"), step)
    if PUSH in steps:
        found += _push(of, rest, steps[PUSH])
    if WEIGHT in steps:
        found += _weight(of, rest, steps[WEIGHT])
    if ALIGNMENT in steps:
        found += _alignment(of, steps[ALIGNMENT])
    found += _shunts(of, rest, taken)
    found += _t_zero(of, steps.get(T_ZERO))
    if SAG in steps:
        found += _sag(of, rest, steps[SAG])
    return tuple(found)


def chart_values(of: CheckedStand, taken: Sequence[TakenStep]) -> dict[str, float]:
    """Return the values that charts hold: zeros of cells [N] and of pressures, vented [Pa]; shunt steps [signal].

    The zero of an absolute sensor is what it reads beyond the barometer. A step too small for a shunt is none and is
    not kept.
    """
    rest = next((step for step in taken if step.name == VENTED), None)
    if rest is None:
        return {}
    values = {f"{ZERO} {tag}": _read(of, tag, rest.levels[tag]).value for tag in _cells(of, rest)}
    for tag, level in rest.levels.items():
        reference = of.calibrations[tag].reference
        if reference is not None:
            air = float(rest.value) * 1e3 if reference == "absolute" else 0.0
            values[f"{ZERO} {tag}"] = _read(of, tag, level).value - air
    for step in taken:
        if step.name.startswith(f"{SHUNT} "):
            tag = step.name.removeprefix(f"{SHUNT} ")
            moved = step.levels[tag].mean - rest.levels[tag].mean
            if abs(moved) >= _least_shunt(of, tag):
                values[f"{SHUNT_STEP} {tag}"] = moved
    return values


def _read(of: CheckedStand, tag: str, level: Level) -> _Reading:
    c = of.calibrations[tag]
    around = c.si_reading(np.array([level.mean, level.mean + level.mean_u]))
    return _Reading(float(around[0]), abs(float(around[1] - around[0])))


def _cells(of: CheckedStand, step: TakenStep) -> list[str]:
    return [tag for tag in step.levels if of.stand.input_tagged(tag).measures == measurands.THRUST]


def _at_rest(of: CheckedStand, rest: TakenStep) -> Iterable[StandCheck]:
    air = float(rest.value) * 1e3
    for tag, level in rest.levels.items():
        c, read = of.calibrations[tag], _read(of, tag, level)
        if c.reference in ("gauge", "absolute"):
            check = absolute_or_gauge(
                read.value,
                air,
                zero_u=math.hypot(c.scale * c.zero_u(), read.noise),
                barometer_u=of.plan.site.ambient_pressure.u,
                declared=c.reference,
            )
            yield StandCheck(tag=tag, kind="zero at ambient", check=_named(check, tag))
    for tag in _cells(of, rest):
        c, read = of.calibrations[tag], _read(of, tag, rest.levels[tag])
        earlier = _earlier(of, f"{ZERO} {tag}")
        if earlier:
            u, values = math.hypot(c.scale * c.zero_uncertainty, read.noise), np.array(list(earlier.values()))
            check = charted(f"zero of {tag}", read.value, values, known_u=u, unit="N", on_a_sheet=True)
            check = _against(of, check, earlier, told(float(np.mean(values)), "N"))
            yield StandCheck(tag=tag, kind="zero", check=check)


def _earlier(of: CheckedStand, name: str) -> dict[int, float]:
    """Return the values of earlier sheets, by the place of the sheet."""
    return {place: sheet.values[name] for place, sheet in enumerate(of.earlier) if name in sheet.values}


def _tank(of: CheckedStand, rest: TakenStep, step: TakenStep) -> Iterable[StandCheck]:
    tank, gauge = step.name.removeprefix(f"{TANK} "), float(step.value) * BAR
    gauge_u = of.stand.checks.gauge_u
    rises = {tag: _rise(of, tag, rest, step) for tag in step.levels}
    own = [tag for tag in step.levels if of.stand.input_tagged(tag).tank == tank]
    others = [tag for tag in step.levels if tag not in own]
    for tag in own:
        c = of.calibrations[tag]
        if gauge_u is None or gauge <= 0.0:
            u = math.inf
        else:
            u = math.hypot(_gauge_u(of) / gauge, rises[tag].noise / gauge, c.slope_u())
        span = (c.highest - c.lowest) * c.scale
        check = unit_ratio(rises[tag].value, gauge, u=u, span=span, dimension="pressure")
        if gauge_u is None:
            check = replace(
                check, outcome="cannot tell", sentence="unit cannot tell: no class of the gauge is stated; write "
                "gauge_class and gauge_range into [checks] of the stand"
            )  # fmt: skip
        yield StandCheck(tag=tag, kind="unit", check=_named(check, tag))
    if own and others:
        u = math.hypot(rises[own[0]].noise, 2e-3 * gauge)
        check = swap(rises[own[0]].value, rises[others[0]].value, step=gauge, u=u)
        yield StandCheck(tag=own[0], kind="swap", check=_named(check, f"{own[0]} against {others[0]}"))
    alive = [tag for tag in own if gauge <= 0.0 or abs(rises[tag].value) > DEAD * gauge]  # else it was said above
    for one, other in itertools.pairwise(alive):
        yield StandCheck(tag=other, kind="twin", check=_twins(of, one, other, rises))


def _gauge_u(of: CheckedStand) -> float:
    """Return the standard uncertainty of a gauge read by eye; not a number where its class is not stated. [Pa]."""
    means = of.stand.checks
    if means.gauge_u is None or means.gauge_range is None:
        return math.nan
    return math.hypot(means.gauge_u, GAUGE_READ * 0.01 * means.gauge_range.value)


def _two_pressures(of: CheckedStand, rest: TakenStep, low: TakenStep | None, high: TakenStep) -> Iterable[StandCheck]:
    """Hold the sensors of a tank against its gauge at two pressures: span and zero of what they read, not of rises."""
    tank, gauge_u = high.name.removeprefix(f"{TANK} "), _gauge_u(of)
    if low is None or not math.isfinite(gauge_u):
        return
    gauge = np.array([float(low.value), float(high.value)]) * BAR
    air = float(rest.value) * 1e3
    for tag in (tag for tag in high.levels if of.stand.input_tagged(tag).tank == tank):
        c, read = of.calibrations[tag], [_read(of, tag, step.levels[tag]) for step in (low, high)]
        values = np.array([one.value for one in read]) - (air if c.reference == "absolute" else 0.0)
        width = gauge[1] - gauge[0]
        if width <= 0.0 or abs(values[1] - values[0]) < DEAD * width:
            continue  # said of its unit, or nothing to divide by
        u = np.array([math.hypot(gauge_u, one.noise, c.slope_u() * at) for one, at in zip(read, gauge, strict=True)])
        barometer_u = of.plan.site.ambient_pressure.u if c.reference == "absolute" else 0.0
        zero_u = math.hypot(c.scale * c.zero_u(), barometer_u)
        for kind, check in zip(GAUGE_KINDS, two_pressures(values, gauge, u=u, zero_u=zero_u), strict=True):
            yield StandCheck(tag=tag, kind=kind, check=_named(check, tag))


def _alignment(of: CheckedStand, step: TakenStep) -> Iterable[StandCheck]:
    """Hold the angle that was read against what the impulse's budget counts with: twice the angle stated there."""
    angle, _, u = step.value.partition(SLASH)
    for tag in step.levels:
        pull, path = of.pulls.get(tag), of.calibrations[tag].stand_interaction
        stated = pull.angle_u if pull is not None else path.angle.value if path.angle is not None else 0.0
        allowed = 1.0 - math.cos(COUNTED_WITH * max(stated, LEAST_ANGLE))
        check = alignment(math.radians(float(angle)), u=math.radians(float(u)), allowed=allowed)
        yield StandCheck(tag=tag, kind="alignment", check=_named(check, tag))


def _twins(of: CheckedStand, one: str, other: str, rises: Mapping[str, _Reading]) -> Check:
    """Compare the rises of two sensors on one tank: what a common reference is off by stands in both and is gone."""
    calibrations = [of.calibrations[tag] for tag in (one, other)]
    size = abs(rises[one].value)
    same = calibrations[0].reference_serial and calibrations[0].reference_serial == calibrations[1].reference_serial
    gains = [c.slope_scatter() if same else c.slope_u() for c in calibrations]
    loops = [c.hysteresis_uncertainty.value * (c.highest - c.lowest) * c.scale for c in calibrations]
    u = math.hypot(size * math.hypot(*gains), *loops, rises[one].noise, rises[other].noise, 1e-3 * size)
    return judged(f"{other} beside {one}", expected=rises[one].value, found=rises[other].value, u=u, unit="Pa")


def _rise(of: CheckedStand, tag: str, rest: TakenStep, step: TakenStep) -> _Reading:
    low, high = (_read(of, tag, one.levels[tag]) for one in (rest, step))
    return _Reading(high.value - low.value, math.hypot(low.noise, high.noise))


def _push(of: CheckedStand, rest: TakenStep, step: TakenStep) -> Iterable[StandCheck]:
    for tag in step.levels:
        c, low = of.calibrations[tag], rest.levels[tag]
        reached = step.levels[tag].pushed_from(low)
        moved = c.si_reading(np.array([low.mean, reached, low.mean + low.block_u]))
        u = abs(float(moved[2] - moved[0]))
        check = sign(float(moved[1] - moved[0]), u=max(u, 1e-9))
        yield StandCheck(tag=tag, kind="sign", check=_named(check, tag))


def _weight(of: CheckedStand, rest: TakenStep, step: TakenStep) -> Iterable[StandCheck]:
    stated, mass = of.stand.checks.weight, float(step.value)
    gravity = of.plan.site.gravity
    force = mass * gravity.value * AIR_ON_STEEL
    for tag in step.levels:
        c, rise = of.calibrations[tag], _rise(of, tag, rest, step)
        mass_u = stated.u / stated.value if stated is not None else math.inf
        path = c.stand_interaction.factor.relative_u
        noise = rise.noise / force if force > 0.0 else math.inf
        u = math.hypot(mass_u, gravity.relative_u, c.slope_u(), path, noise)
        # a check weight is far below full scale by its nature: what is compared is a ratio, its u says how well
        check = unit_ratio(rise.value, force, u=u, span=force, dimension="force")
        if stated is None:
            check = replace(
                check, outcome="cannot tell", sentence="unit cannot tell: the check weight's u is not stated; write "
                'weight = "20.000 +/- 0.012 kg" into [checks] of the stand'
            )  # fmt: skip
        yield StandCheck(tag=tag, kind="check weight", check=_named(check, tag))


def _shunts(of: CheckedStand, rest: TakenStep, taken: Sequence[TakenStep]) -> Iterable[StandCheck]:
    for step in taken:
        if not step.name.startswith(f"{SHUNT} "):
            continue
        tag = step.name.removeprefix(f"{SHUNT} ")
        if tag not in rest.levels:
            continue
        moved, least = step.levels[tag].mean - rest.levels[tag].mean, _least_shunt(of, tag)
        unit = of.stand.input_tagged(tag).sensor_kind.signal_unit
        earlier = {at: one for at, one in _earlier(of, f"{SHUNT_STEP} {tag}").items() if abs(one) >= least}
        stored = float(np.median(list(earlier.values()))) if earlier else math.nan
        check = shunt_step(moved, stored)
        if abs(moved) < least:
            words = f"{moved:+.2g} {unit} is no shunt, which makes {least:.2g} {unit} at least; it is not kept"
            check = replace(check, outcome="cannot tell", sentence=f"shunt step cannot tell: {words}")
        elif not earlier:
            continue
        else:
            check = _against(of, check, earlier, f"{stored:.5g} {unit}")
        yield StandCheck(tag=tag, kind="shunt", check=_named(check, tag))


def _least_shunt(of: CheckedStand, tag: str) -> float:
    """Return the least step of the signal that a shunt resistor makes."""
    c = of.calibrations[tag]
    ends = c.signal(np.array([c.lowest, c.highest]))
    return SHUNT_LEAST * abs(float(ends[1] - ends[0]))


def _t_zero(of: CheckedStand, step: TakenStep | None) -> Iterable[StandCheck]:
    """Tell whether the edge that T-0 is was seen once while the real circuit was switched."""
    edge = of.plan.test.t_zero_edge
    if edge is None or step is None or step.edges is None:
        return
    way = "rising" if edge.rising else "falling"
    words = {0: f"no edge {way} was seen", 1: f"one edge {way} was seen"}
    seen = words.get(
        step.edges, f"{step.edges} edges {way} were seen for one: the contact bounces or was switched again"
    )
    outcome: Outcome = "agrees" if step.edges == 1 else "differs"
    yield StandCheck(
        tag=edge.line,
        kind="T-0",
        check=Check(
            what="T-0",
            expected=1.0,
            found=float(step.edges),
            u=0.0,
            unit="1",
            outcome=outcome,
            surely_seen=1.0,
            sentence=f"T-0 on {edge.line} of {edge.device} {outcome}: {seen}; a missing one is surely seen",
        ),
    )


def _sag(of: CheckedStand, rest: TakenStep, step: TakenStep) -> Iterable[StandCheck]:
    known = [tag for tag in step.levels if tag in rest.levels]
    tags = [tag for tag in known if of.stand.input_tagged(tag).sensor_kind.follows_supply]
    typed = abs(float(step.value)) / 100.0
    before, after = (np.array([one.levels[tag].mean for tag in tags]) for one in (rest, step))
    noise = max(step.levels[tag].mean_u / abs(step.levels[tag].mean) for tag in tags)
    check = supply_sag(before, after, u=math.hypot(RATIO_U, noise), sag=typed)
    supplies = [tag for tag in known if tag not in tags]
    volts = [[_read(of, tag, one.levels[tag]) for tag in supplies] for one in (rest, step)]
    seen = np.array([1.0 - low.value / high.value for high, low in zip(*volts, strict=True)])
    supply_noise = max((math.hypot(a.noise, b.noise) / a.value for a, b in zip(*volts, strict=True)), default=0.0)
    check = sag_as_seen(check, typed=typed, seen=seen, u=math.hypot(RATIO_U, supply_noise))
    yield StandCheck(tag=", ".join(tags), kind="sag", check=check)


def _against(of: CheckedStand, check: Check, earlier: Mapping[int, float], value: str) -> Check:
    """Say in a sentence which earlier value it was held against, and of which day that is."""
    newest = of.earlier[max(earlier)].on
    words = f"{value} of {newest}" if len(earlier) == 1 else f"{value}, {len(earlier)} sheets until {newest}"
    head, tail, seen = check.sentence.partition("; surely seen")
    return replace(check, sentence=f"{head}, held against {words}{tail}{seen}")


def _named(check: Check, tag: str) -> Check:
    return replace(check, sentence=f"{tag}: {check.sentence}")
