"""Which assumption behind a firing's prediction moved: each one shifted through the plan's own model.

SI, absolute pressures; times in seconds after T-0. Tank pressures, chamber pressure, thrust, run-out and weighed masses
are held against the plan at five instants of the settled burn. Two assumptions that moved at once are not searched for.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis import draws
from analysis.checks import first_usable
from analysis.compare import block_average
from analysis.dataset import Channel, Dataset
from analysis.diagnose import Diagnosis, Ranked, Signature, diagnose
from analysis.emptying import fire
from analysis.engine import Chamber, Side
from analysis.firing_burn import Burn
from analysis.firing_tanks import TankFlow
from analysis.results import Finding, ImpulseResult, TankResult
from analysis.thrust_record import ThrustRecord
from daq.errors import ConfigError
from daq.plan import Engine, Plan, Tank

Array = NDArray[np.float64]

SHARES = (0.08, 0.28, 0.5, 0.72, 0.92)  # of the settled burn, at which it is held against the plan
BLOCK = 0.2  # s averaged there
MODEL_SHARE = 0.006  # of each observable: what the quasi-steady model leaves, standard; alike along the burn or not
STEPS, LONGER = 120, 1.6  # of the burn that was seen, and how much longer a member may last
LEAST_SHIFT = 0.02  # of a value that the plan states as exact: below it nothing is called moved
NOTED, TOLD, LEAST_PROBABILITY = 2.0, 3, 0.08
SIDES = ("oxidiser", "fuel")


@dataclass(frozen=True, slots=True)
class Models:
    """Both sides and the chamber; (1,) or (S,) each."""

    oxidiser: Side
    fuel: Side
    chamber: Chamber


@dataclass(frozen=True, slots=True)
class Assumption:
    """One number of the plan: its value, how well it is known, how it is moved, and in words."""

    name: str
    about: str | None  # tank
    value: float
    u: float
    unit: str
    scale: float  # what the unit is of the value
    digits: int
    words: str
    move: Callable[[Models, Array], Models]  # by a difference of the value
    decide: str


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
    """  # fmt: skip
    seen = _seen(dataset, record, burn, flows, impulse, first_out)
    if seen is None or dataset.plan.engine is None:
        return []
    assumptions = assumptions_of(dataset.plan)
    told = rank(dataset.plan, seen, assumptions)
    if told is None or not (told.alarm or (left_band and told.gain > NOTED)):
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
    shifts = [_shifts(assumption) for assumption in assumptions]
    steps = [np.array([0.0]), *(np.array([a.u]) for a in assumptions), *shifts]
    whole = sum(step.size for step in steps)
    members = _broadcast(base, whole)
    first = 1
    for assumption in assumptions:
        members = _moved(members, assumption, slice(first, first + 1), np.array([assumption.u]))
        first += 1
    for assumption, shift in zip(assumptions, shifts, strict=True):
        members = _moved(members, assumption, slice(first, first + shift.size), shift)
        first += shift.size
    found = _predicted(members, seen)
    nominal = found[0]
    terms = [np.outer(found[1 + k] - nominal, found[1 + k] - nominal) for k in range(len(assumptions))]
    covariance = seen.covariance + sum(terms)
    signatures, first = [], 1 + len(assumptions)
    healthy, weight = nominal[np.newaxis], np.ones(1)
    for assumption, term, shift in zip(assumptions, terms, shifts, strict=True):
        piece = found[first : first + shift.size][:, np.newaxis]
        first += shift.size
        signatures.append(Signature(assumption.name, shift, piece, healthy, weight, covariance - term))
    return diagnose(seen.observed, covariance, healthy, weight, signatures)


def models_of(plan: Plan) -> Models:
    """Return the plan's nominal model."""
    oxidiser, fuel = (draws.tank_side(plan.tank_named(name), plan.site, draws.nominal) for name in SIDES)
    return Models(oxidiser, fuel, draws.chamber(draws.engine_of(plan), plan.site, draws.nominal))


def assumptions_of(plan: Plan) -> tuple[Assumption, ...]:
    """Return all that may have moved, from the plan.

    Raises
    ------
    ConfigError
        The plan has no engine.
    """
    engine = plan.engine
    if engine is None:
        raise ConfigError(f"plan {plan.test.number}: a firing needs an [engine] table")
    found: list[Assumption] = []
    for name in SIDES:
        found += _of_tank(plan, plan.tank_named(name))
    return (*found, *_of_engine(engine))


def _of_tank(plan: Plan, tank: Tank) -> list[Assumption]:
    name = tank.name
    exponent, cda, load, start = tank.ullage_exponent, tank.feed_cda, tank.liquid_load, plan.start_pressure(tank)

    def side(change: Callable[[Side, Array], Side]) -> Callable[[Models, Array], Models]:
        if name == "oxidiser":
            return lambda models, by: replace(models, oxidiser=change(models.oxidiser, by))
        return lambda models, by: replace(models, fuel=change(models.fuel, by))

    return [
        Assumption(
            f"exponent-{name}", name, exponent.value, exponent.u, "", 1.0, 2, f"the {name} ullage exponent",
            side(lambda s, by: replace(s, exponent=np.maximum(s.exponent + by, 0.05))),
            "take it from this tank's pressure and weighed liquid, and from a cold flow with the same liquid and gas",
        ),
        Assumption(
            f"cda-{name}", name, cda.value, cda.u, " mm2", 1e-6, 2, f"the {name} feed CdA",
            side(lambda s, by: replace(s, cda=np.maximum(s.cda + by, 0.05 * s.cda))),
            f"compare the {name} manifold pressure with the water flow, and weigh what stayed aboard",
        ),
        Assumption(
            f"load-{name}", name, load.value, load.u, " kg", 1.0, 2, f"the {name} load",
            side(lambda s, by: replace(s, load=np.clip(s.load + by, s.residual * 1.01, 0.99 * s.volume * s.density))),
            "hold the cell's reading before and after filling against the notes, and weigh what stayed aboard",
        ),
        Assumption(
            f"start-{name}", name, start.value, start.u, " bar(a)", 1e5, 2, f"the {name} start pressure",
            side(lambda s, by: replace(s, start_pressure=np.maximum(s.start_pressure + by, 1e5))),
            "read the tank sensors at rest just before T-0, both of a pair, and their zero at ambient",
        ),
    ]  # fmt: skip


def _of_engine(engine: Engine) -> list[Assumption]:
    throat, cstar, coefficient = engine.throat_diameter, engine.cstar_efficiency, engine.thrust_coefficient_efficiency
    area = math.pi / 4.0 * throat.value**2

    def chamber(change: Callable[[Chamber, Array], Chamber]) -> Callable[[Models, Array], Models]:
        return lambda models, by: replace(models, chamber=change(models.chamber, by))

    return [
        Assumption(
            "cstar", None, cstar.value, cstar.u, "", 1.0, 3, "the c* efficiency",
            chamber(lambda c, by: replace(c, cstar_efficiency=np.maximum(c.cstar_efficiency + by, 0.1))),
            "measure the throat after the run: a throat as drawn leaves c*",
        ),
        Assumption(
            "throat", None, area, 2.0 * area * throat.relative_u, " mm2", 1e-6, 1, "the throat area",
            chamber(lambda c, by: replace(c, throat_area=np.maximum(c.throat_area + by, 0.1 * c.throat_area))),
            "gauge the throat after the run and look for deposits or erosion",
        ),
        Assumption(
            "thrust-coefficient", None, coefficient.value, coefficient.u, "", 1.0, 3,
            "the thrust coefficient efficiency (or the cell's span, alignment or load path)",
            chamber(
                lambda c, by: replace(
                    c, thrust_coefficient_efficiency=np.maximum(c.thrust_coefficient_efficiency + by, 0.05)
                )
            ),
            "hang a check weight on the cell after the run, hoses on and pressurised",
        ),
    ]  # fmt: skip


def _shifts(assumption: Assumption) -> Array:
    """Return what a move may amount to: from what the plan's uncertainty hardly explains to half of the value."""
    least = max(1.5 * assumption.u, LEAST_SHIFT * assumption.value)
    most = max(0.4 * assumption.value, 3.0 * least)
    rising = np.geomspace(least, most, 6)
    return np.concatenate([-rising[::-1], rising])


def _broadcast(models: Models, number: int) -> Models:
    def wide(array: Array) -> Array:
        return np.broadcast_to(array, (number,)).copy()

    def side(s: Side) -> Side:
        return replace(
            s, volume=wide(s.volume), load=wide(s.load), residual=wide(s.residual), density=wide(s.density),
            start_pressure=wide(s.start_pressure), exponent=wide(s.exponent), cda=wide(s.cda),
        )  # fmt: skip

    c = models.chamber
    chamber = replace(
        c, throat_area=wide(c.throat_area), cstar_efficiency=wide(c.cstar_efficiency),
        thrust_coefficient_efficiency=wide(c.thrust_coefficient_efficiency),
    )  # fmt: skip
    return Models(side(models.oxidiser), side(models.fuel), chamber)


def _moved(members: Models, assumption: Assumption, where: slice, by: Array) -> Models:
    step = np.zeros(members.oxidiser.load.size)
    step[where] = by
    return assumption.move(members, step)


def _predicted(members: Models, seen: Seen) -> Array:
    """Return the observables of each member. (S, D)."""
    length = float(seen.instants[-1])
    step = length / STEPS
    emptying, observe = fire(members.oxidiser, members.fuel, members.chamber, step=step, most_steps=int(LONGER * STEPS))
    history, start, end = (observe(s) for s in (emptying.states, emptying.states[0], emptying.end_state))
    levels = {
        "tank pressure/oxidiser": history.oxidiser_pressure,
        "tank pressure/fuel": history.fuel_pressure,
        "chamber pressure": history.chamber_pressure,
        "thrust": history.thrust,
    }
    columns = []
    for name in seen.names:
        if name in levels:
            columns += [_row(emptying.time, levels[name], float(t)) for t in seen.instants[:-1]]
        elif name == "run-out":
            columns.append(np.minimum(emptying.end_time, LONGER * length))
        else:
            side = name.removeprefix("expelled/")
            columns.append(getattr(start, f"{side}_mass") - getattr(end, f"{side}_mass"))
    return np.column_stack(columns)


def _row(time: Array, values: Array, at: float) -> Array:
    k = int(np.clip(np.searchsorted(time, at) - 1, 0, time.size - 2))
    share = float(np.clip((at - time[k]) / (time[k + 1] - time[k]), 0.0, 1.0))
    return np.asarray((1.0 - share) * values[k] + share * values[k + 1])


def _seen(
    dataset: Dataset, record: ThrustRecord, burn: Burn, flows: Mapping[str, TankFlow], impulse: ImpulseResult | None,
    first_out: float | None,
) -> Seen | None:  # fmt: skip
    begin, end = burn.inner(first_out)
    if burn.start is None or end - begin < 10.0 * BLOCK:
        return None
    delay = burn.prediction_delay
    at = np.array([begin + share * (end - begin) for share in SHARES])
    ambient = dataset.plan.site.ambient_pressure
    names: list[str] = []
    values: list[float] = []
    common: list[Array] = []

    def add(name: str, level: Array, u: Array) -> None:
        first = len(values)
        names.append(name)
        values.extend(float(x) for x in level)
        alike = np.zeros(0)
        alike = np.concatenate([np.zeros(first), u])
        common.append(alike)

    def levels(channel: Channel) -> Array:
        return np.array([_level(channel.time, channel.reading, float(t)) for t in at])

    for name in SIDES:
        channel = flows[name].channel if name in flows else None
        if channel is None:
            continue
        level = levels(channel)
        add(f"tank pressure/{name}", level, np.array([channel.reading_u(float(p), ambient) for p in level]))
    chamber = first_usable(dataset.measuring("chamber pressure"), begin, end)
    if chamber is not None:
        level = levels(chamber)
        add("chamber pressure", level, np.array([chamber.reading_u(float(p), ambient) for p in level]))
    if impulse is not None and not impulse.lower_bound_only and impulse.value > 0.0:
        level = np.array([_level(record.time, record.thrust, float(t)) for t in at])
        add("thrust", level, level * impulse.u / impulse.value)
    if first_out is not None:
        add("run-out", np.array([first_out - delay]), np.array([0.15]))
    for name, flow in flows.items():
        if flow.expelled is not None and flow.weighed and name in SIDES:
            add(f"expelled/{name}", np.array([flow.expelled.value]), np.array([flow.expelled.u]))
    observed = np.array(values)
    if not names or not np.isfinite(observed).all():
        return None
    covariance = np.diag((MODEL_SHARE * np.abs(observed)) ** 2)
    for alike in common:
        whole = np.concatenate([alike, np.zeros(observed.size - alike.size)])
        covariance += np.outer(whole, whole)
    last = (first_out if first_out is not None else end) - delay
    return Seen(tuple(names), np.append(at - delay, last), observed, covariance)


def _level(time: Array, value: Array, at: float) -> float:
    _, mean = block_average(time, value, start=at - 0.5 * BLOCK, end=at + 0.5 * BLOCK, block=BLOCK)
    return float(mean[0])


def _finding(
    assumption: Assumption, cause: Ranked, number: int, told: Diagnosis, seen: Seen, tanks: Mapping[str, TankResult],
    *, alarm: bool,
) -> Finding:  # fmt: skip
    value, moved = assumption.value, assumption.value + cause.size
    now, planned, u = (f"{x / assumption.scale:.{assumption.digits}f}" for x in (moved, value, cause.size_u))
    words = f"{assumption.words} was about {now} ± {u}{assumption.unit}, not the plan's {planned}{assumption.unit}"
    tank = tanks.get(assumption.about or "")
    exponent = tank.exponent if tank is not None else None
    if exponent is not None and assumption.name.startswith("exponent"):
        words += f" (this tank's own record gives {exponent.chord.value:.2f})"
    text = (
        f"Assumption that moved, rank {number} ({100.0 * min(cause.share, 0.99):.0f} %): {words}: "
        f"{_evidence(told, cause, seen)}. To decide: {assumption.decide}."
    )
    return Finding(
        f"assumption-{assumption.name}", "caution" if alarm else "note", assumption.about, None, text,
        decided_by=assumption.decide,
    )  # fmt: skip


def _labels(seen: Seen) -> list[tuple[str, int | None]]:
    found: list[tuple[str, int | None]] = []
    for name in seen.names:
        single = name == "run-out" or name.startswith("expelled/")
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
    if quantity == "expelled":
        return f"{observed:.2f} kg of {tank} left, {planned:.2f} kg predicted"
    when = f" at {seen.instants[place or 0]:.1f} s of burn"
    if name == "thrust":
        return f"thrust{when} {observed:,.0f} N, {planned:,.0f} N predicted"
    words = f"{tank} {quantity}" if tank else quantity
    return f"{words}{when} {observed / 1e5:.2f} bar(a), {planned / 1e5:.2f} bar(a) predicted"
