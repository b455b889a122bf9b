"""Which assumption behind a firing's prediction moved: each one shifted through the plan's own model.

SI, absolute pressures; times in seconds after T-0. Tank pressures, chamber pressure, thrust, run-out and weighed masses
are held against the plan at five instants of the settled burn. Two assumptions that moved at once are not searched for.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from standbook.analysis.blowdown.liquid_column import mean_near
from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.dataset import Channel, Dataset, left_aboard
from standbook.analysis.diagnosis.ranking import Diagnosis, Ranked, Signature, diagnose
from standbook.analysis.findings.causes import EXPONENT_MOVED, SIDES
from standbook.analysis.firing.firing_assumptions import (
    DRIFT_U,
    Assumption,
    Models,
    assumptions_of,
    broadcast,
    models_of,
    moved_by,
    shifts_of,
)
from standbook.analysis.physics.tank_emptying import fire
from standbook.analysis.results.results import ImpulseResult, TankResult
from standbook.analysis.signal.windows import block_average
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.tank_flows import TankFlow
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.config.plan import Plan
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import Quantity

SHARES = (0.08, 0.28, 0.5, 0.72, 0.92)  # of the settled burn, at which it is held against the plan
BLOCK = 0.2  # s averaged there
MODEL_SHARE = 0.006  # of each observable: what the quasi-steady model leaves, standard; alike along the burn or not
RUN_OUT_U = 0.15  # s by which the model places a run-out, standard
STEPS, LONGER = 120, 1.6  # of the burn that was seen, and how much longer a member may last
DOUBT = 0.03  # share of an effect; the plan's own model computes it
TOLD, LEAST_PROBABILITY = 3, 0.08
SURE = 0.5  # share from which an assumption is worth a caution though the plan's own uncertainties explain it


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What the firing showed. (D,), with its covariance."""

    names: tuple[str, ...]
    instants: Array  # s after thrust start at which levels were read
    observed: Array
    covariance: Array


def firing_diagnosis(
    dataset: Dataset,
    record: ThrustRecord,
    burn: Burn,
    flows: Mapping[str, TankFlow],
    impulse: ImpulseResult | None,
    tanks: Mapping[str, TankResult],
    *,
    first_out: float | None,
    left_band: bool,
) -> list[Finding]:
    """Name the assumptions whose move explains a firing best.

    Parameters
    ----------
    left_band : bool
        Some quantity left its predicted band, so that a ranking is owed even where the plan's own uncertainties
        explain it.
    """
    seen = _seen(dataset, record, burn, flows, impulse, first_out)
    if seen is None or dataset.plan.engine is None:
        return []
    assumptions = assumptions_of(dataset.plan)
    told = rank(dataset.plan, seen, assumptions)
    if told is None or not (told.alarm or left_band):
        return []
    likely = [cause for cause in told.causes[:TOLD] if cause.share >= LEAST_PROBABILITY]
    by_name = {assumption.name: assumption for assumption in assumptions}
    return [
        _finding(by_name[cause.name], cause, number, told, seen, tanks, alarm=told.alarm)
        for number, cause in enumerate(likely, start=1)
    ]


def rank(plan: Plan, seen: Seen, assumptions: tuple[Assumption, ...]) -> Diagnosis | None:
    """Rank assumptions by how well a move of each explains what was seen."""
    base = models_of(plan)
    shifts = [shifts_of(assumption) for assumption in assumptions]
    whole = 1 + len(SIDES) + len(assumptions) + sum(shift.size for shift in shifts)
    members = broadcast(base, whole)
    members = replace(
        members,
        oxidiser=replace(members.oxidiser, drift=members.oxidiser.drift + DRIFT_U * np.eye(whole)[1]),
        fuel=replace(members.fuel, drift=members.fuel.drift + DRIFT_U * np.eye(whole)[2]),
    )
    first = 1 + len(SIDES)
    for assumption in assumptions:
        members = moved_by(members, assumption, slice(first, first + 1), np.array([assumption.u]))
        first += 1
    for assumption, shift in zip(assumptions, shifts, strict=True):
        members = moved_by(members, assumption, slice(first, first + shift.size), shift)
        first += shift.size
    found = predicted_of(members, seen)
    nominal = found[0]
    moved = found[1 : 1 + len(SIDES) + len(assumptions)] - nominal
    every = [np.outer(change, change) for change in moved]
    terms, first = every[len(SIDES) :], 1 + len(every)
    covariance = seen.covariance + sum(every)
    signatures = []
    healthy, weight = nominal[np.newaxis], np.ones(1)
    for assumption, term, shift in zip(assumptions, terms, shifts, strict=True):
        piece = found[first : first + shift.size][:, np.newaxis]
        first += shift.size
        signatures.append(
            Signature(
                name=assumption.name,
                sizes=shift,
                predicted=piece,
                healthy=healthy,
                state_weight=weight,
                doubt=DOUBT,
                covariance=covariance - term,
            )
        )
    return diagnose(seen.observed, covariance, healthy, weight, signatures)


def predicted_of(members: Models, seen: Seen) -> Array:
    """Return the observables of each member. (S, D)."""
    length = float(seen.instants[-1])
    step = length / STEPS
    emptying, observe = fire(members.oxidiser, members.fuel, members.chamber, step=step, most_steps=int(LONGER * STEPS))
    history, start, end = (observe(s) for s in (emptying.states, emptying.states[0], emptying.end_state))
    levels = {
        measurands.of_tank(measurands.TANK_PRESSURE, "oxidiser"): history.oxidiser_pressure,
        measurands.of_tank(measurands.TANK_PRESSURE, "fuel"): history.fuel_pressure,
        measurands.CHAMBER_PRESSURE: history.chamber_pressure,
        measurands.THRUST: history.thrust,
    }
    columns = []
    for name in seen.names:
        if name in levels:
            columns += [_row(emptying.time, levels[name], float(t)) for t in seen.instants[:-1]]
        elif name == "run-out":
            columns.append(np.minimum(emptying.end_time, LONGER * length))
        elif name.startswith("start pressure/"):
            columns.append(getattr(start, f"{name.partition('/')[2]}_pressure"))
        else:
            columns.append(getattr(end, f"{name.partition('/')[2]}_mass"))
    return np.column_stack(columns)


def _row(time: Array, values: Array, at: float) -> Array:
    k = int(np.clip(np.searchsorted(time, at) - 1, 0, time.size - 2))
    share = float(np.clip((at - time[k]) / (time[k + 1] - time[k]), 0.0, 1.0))
    return np.asarray((1.0 - share) * values[k] + share * values[k + 1])


class _Shown(NamedTuple):
    """One observable at one instant or more."""

    name: str
    level: Array  # (K,)
    alike: Array  # (K,) standard uncertainty that moves all of them together


def _seen(
    dataset: Dataset,
    record: ThrustRecord,
    burn: Burn,
    flows: Mapping[str, TankFlow],
    impulse: ImpulseResult | None,
    first_out: float | None,
) -> Seen | None:
    begin, end = burn.inner(first_out)
    if burn.start is None or end - begin < 10.0 * BLOCK:
        return None
    delay = burn.prediction_delay
    at = np.array([begin + share * (end - begin) for share in SHARES])
    shown = [*_tanks_shown(dataset, flows, at), *_chamber_shown(dataset, begin, end, at)]
    shown += _thrust_shown(record, impulse, at)
    if first_out is not None:
        shown.append(_Shown("run-out", np.array([first_out - delay]), np.array([RUN_OUT_U])))
    shown += _left_shown(dataset)
    observed = np.concatenate([np.zeros(0), *(each.level for each in shown)])
    if not shown or not np.isfinite(observed).all():
        return None
    last = (first_out if first_out is not None else end) - delay
    names = tuple(each.name for each in shown)
    return Seen(names, np.append(at - delay, last), observed, _covariance(shown, observed))


def _covariance(shown: Sequence[_Shown], observed: Array) -> Array:
    """Join the model's own error, alone for each number, with what moves the numbers of one observable alike."""
    covariance = np.diag((MODEL_SHARE * np.abs(observed)) ** 2)
    first = 0
    for each in shown:
        own = slice(first, first + each.level.size)
        covariance[own, own] += np.outer(each.alike, each.alike)
        first = own.stop
    return covariance


def _tanks_shown(dataset: Dataset, flows: Mapping[str, TankFlow], at: Array) -> Iterator[_Shown]:
    """Yield each tank's pressure in the burn, and before its valve opened."""
    ambient = dataset.plan.site.ambient_pressure
    for name in SIDES:
        if name not in flows:
            continue
        channel = flows[name].channel
        yield _pressure_shown(channel, measurands.of_tank(measurands.TANK_PRESSURE, name), at, ambient)
        before = mean_near(channel, flows[name].opening.time - 0.1, 0.5)
        if math.isfinite(before):
            u = np.array([channel.reading_u(before, ambient)])
            yield _Shown(f"start pressure/{name}", np.array([before]), u)


def _chamber_shown(dataset: Dataset, begin: float, end: float, at: Array) -> Iterator[_Shown]:
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), begin, end)
    if chamber is not None:
        yield _pressure_shown(chamber, measurands.CHAMBER_PRESSURE, at, dataset.plan.site.ambient_pressure)


def _pressure_shown(channel: Channel, name: str, at: Array, ambient: Quantity) -> _Shown:
    level = np.array([_level(channel.time, channel.reading, float(t)) for t in at])
    return _Shown(name, level, np.array([channel.reading_u(float(p), ambient) for p in level]))


def _thrust_shown(record: ThrustRecord, impulse: ImpulseResult | None, at: Array) -> Iterator[_Shown]:
    """Yield thrust, as well known as the impulse; nothing where part of that was hidden."""
    if impulse is not None and not impulse.lower_bound_only and impulse.value > 0.0:
        level = np.array([_level(record.time, record.thrust, float(t)) for t in at])
        yield _Shown(measurands.THRUST, level, level * impulse.u / impulse.value)


def _left_shown(dataset: Dataset) -> Iterator[_Shown]:
    for name in SIDES:
        tank = dataset.plan.tank_named(name)
        left = left_aboard(dataset, tank)
        if left is not None:
            u = math.hypot(left.u, MODEL_SHARE * tank.liquid_load.value)
            yield _Shown(f"left aboard/{name}", np.array([left.value]), np.array([u]))


def _level(time: Array, value: Array, at: float) -> float:
    _, mean = block_average(time, value, start=at - 0.5 * BLOCK, end=at + 0.5 * BLOCK, block=BLOCK)
    return float(mean[0])


def _finding(
    assumption: Assumption,
    cause: Ranked,
    number: int,
    told: Diagnosis,
    seen: Seen,
    tanks: Mapping[str, TankResult],
    *,
    alarm: bool,
) -> Finding:
    value, moved = assumption.value, assumption.value + cause.size
    now, planned, u = (f"{x / assumption.scale:.{assumption.digits}f}" for x in (moved, value, cause.size_u))
    words = f"{assumption.words} was about {now} ± {u}{assumption.unit}, not the plan's {planned}{assumption.unit}"
    tank = tanks.get(assumption.about or "")
    exponent = tank.exponent if tank is not None else None
    if exponent is not None and assumption.kind in EXPONENT_MOVED.values():
        words += f" (this tank's own record gives {exponent.chord.value:.2f})"
    return assumption.kind.at(
        assumption.about,
        severity="caution" if alarm or cause.share >= SURE else "note",
        decided_by=assumption.decide,
        rank=number,
        share_percent=100.0 * min(cause.share, 0.99),
        what=words,
        evidence=_evidence(told, cause, seen),
        decide=assumption.decide,
    )


def _labels(seen: Seen) -> list[tuple[str, int | None]]:
    found: list[tuple[str, int | None]] = []
    for name in seen.names:
        single = name == "run-out" or name.startswith(("left aboard/", "start pressure/"))
        found += [(name, None)] if single else [(name, k) for k in range(len(SHARES))]
    return found


def _evidence(told: Diagnosis, cause: Ranked, seen: Seen) -> str:
    """Return the three observables that the move explains most of, each of another quantity."""
    explained = (np.abs(told.observed - told.healthy) - np.abs(told.observed - cause.expected)) / told.u
    said: list[str] = []
    used: set[str] = set()
    labels = _labels(seen)
    for k in np.argsort(-explained):
        name, place = labels[int(k)]
        if name in used or len(said) == 3 or (explained[k] <= 0.0 and said):
            continue
        used.add(name)
        said.append(_phrase(name, place, float(told.observed[k]), float(told.healthy[k]), seen))
    return ", and ".join([", ".join(said[:-1]), said[-1]]) if len(said) > 1 else said[0]


def _phrase(name: str, place: int | None, observed: float, planned: float, seen: Seen) -> str:
    quantity, _, tank = name.partition("/")
    if name == "run-out":
        return f"first run-out at {observed:.2f} s after thrust start, {planned:.2f} s predicted"
    if quantity == "left aboard":
        return f"{observed:.2f} kg of {tank} left aboard, {planned:.2f} kg predicted"
    if quantity == "start pressure":
        return f"{tank} tank before the opening at {observed / 1e5:.2f} bar(a), {planned / 1e5:.2f} bar(a) planned"
    when = f" at {seen.instants[place or 0]:.1f} s of burn"
    if name == measurands.THRUST:
        return f"thrust{when} {observed:,.0f} N, {planned:,.0f} N predicted"
    words = f"{tank} {quantity}" if tank else quantity
    return f"{words}{when} {observed / 1e5:.2f} bar(a), {planned / 1e5:.2f} bar(a) predicted"
