"""How far can the independent checks of a firing be believed, and how often is the verdict that needs them wrong?

Over healthy firings of a world: each route's distance from the cell in standard uncertainties, whose spread should be
0.8 to 1.15; the greatest departure of thrust over chamber pressure; verdicts against limits set by the truth. Then the
same firings with a cell that reads low or a clock that runs slow, against a limit that the true impulse exceeds by
3 %: "within" is wrong there. With ``--proven`` check weights hang before and after, read by that very cell, and the
clock counts as checked, but where the clock itself is wrong. Even seeds are for setting thresholds; odd seeds
(``--odd``) are for the release only. Run from the project's folder:

    python -m tests.studies.independent_checks --firings 30 --world second --proven
"""

import argparse
import dataclasses
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from standbook.analysis.dataset.dataset import CheckWeight
from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.results.quantities import Measured
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.stage import on_stand, perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import world_of
from standbook.daq.errors import DataError
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of
from tests.studies.firing_honesty import NEEDED, campaign_of, draw_spec, noted
from tests.studies.impulse_coverage import campaign_for_study
from tests.worlds.adapter import firing_dataset
from tests.worlds.faults import number, with_fault
from tests.worlds.firing_cases import firing_case

GRAVITY = 9.80665
SHARES = (0.90, 0.95, 0.97, 1.00, 1.03)  # true impulse over limit
OVER = 1.03  # the same where a fault is laid over the record
CLOCK = "clock 5 % slow"
FAULTS = (*(f"cell -{percent} %" for percent in (3, 4, 5, 8, 10, 20)), CLOCK)
PROVEN_FAULTS = ("cell -3 %", CLOCK)
COURSE_NOTED, COURSE_LIMIT = 0.017, 0.02
OUTCOMES = ("within", "not shown", "exceeds")
WEIGHT_SHARE = 0.3  # of the greatest thrust, that a check weight weighs
WEIGHT_U = 1e-3  # of what it moved the cell by, relative


@dataclass(frozen=True)
class Fired:
    """One firing of either world: what was true, and its dataset with a fault laid over the record."""

    seed: int
    truth: float  # impulse at site [N*s]
    dataset: Callable  # of a fault's name, empty for none


@dataclass(frozen=True)
class Row:
    """What the analysis made of one firing with one fault."""

    seed: int
    truth: float  # [N*s]
    verdict: object = None  # None: refused as a whole
    checks: object = None
    codes: tuple[str, ...] = ()  # above a note
    gain: float = 1.0  # what the cell reads over what is true
    peak: float = 0.0  # greatest thrust [N]


def second_firing(seed):
    """Return a firing of the second world."""
    case = firing_case(seed)
    return Fired(
        seed, case.truth.impulse, lambda fault: firing_dataset(with_fault(case, fault, seed) if fault else case)
    )


def shipped_firing(seed, campaign):
    """Return a firing of the simulated stand that the program ships, on an engine drawn by the seed."""
    spec = draw_spec(seed)
    other = campaign_of(spec, campaign)
    errors = dataclasses.replace(Errors(), noise=spec.noise, correlated_noise=spec.correlated)
    physics = perform(world_of(other.plan, other.stand, Draw(seed, errors)), other.stand)
    draw = Draw(3_000_000 + seed, errors)
    rehearsal = instrument(other, on_stand(physics, other.stand), draw, tags=NEEDED)
    plan = noted(other.plan, physics.world, draw)

    def dataset(fault):
        made = dataset_of(other, rehearsal, plan=plan, alter=altered(fault) if fault else None)
        edges = made.edges
        if fault == CLOCK:
            edges = tuple(dataclasses.replace(edge, time=slowed(edge.time)) for edge in edges)
        return dataclasses.replace(made, edges=edges, clock_checked=False)

    return Fired(seed, rehearsal.truth.impulse_site, dataset)


def slowed(time):
    """Return what a clock that runs 5 % slow makes of a time."""
    return time * (1.0 - 0.01 * number(CLOCK))


def altered(fault):
    """Return what a fault does to a stream of the shipped world: the cell's counts scaled, or every time."""

    def alter(played):
        if fault == CLOCK:
            return dataclasses.replace(played, time=slowed(played.time))
        if "LC-1" not in played.counts:
            return played
        low = np.rint((1.0 + 0.01 * number(fault)) * played.counts["LC-1"]).astype(np.int64)
        return dataclasses.replace(played, counts={**played.counts, "LC-1": low})

    return alter


def held_to(dataset, limit):
    """Return the dataset with its plan's limit set. [N*s]."""
    rule = dataset.plan.impulse_class.model_copy(
        update={"limit": parse_quantity(f"{limit!r} N*s", "impulse"), "limit_name": "limit of the study"}
    )
    return dataclasses.replace(dataset, plan=dataset.plan.model_copy(update={"impulse_class": rule}))


def vouched(dataset, healthy, fault, seed):
    """Return the dataset with check weights before and after, as the run's own cell reads them, and a checked clock.

    The cell's gain is the one with which it read the healthy impulse, times the fault's.
    """
    random = np.random.default_rng([seed, 20531])
    factor = dataset.channels["LC-1"].calibration.stand_interaction.factor.value
    gain = healthy.gain * (1.0 + 0.01 * number(fault) if fault.startswith("cell") else 1.0)
    mass = WEIGHT_SHARE * healthy.peak / GRAVITY
    moved = mass * GRAVITY * gain / factor

    def hung(when):
        reading = moved * (1.0 + WEIGHT_U * float(random.standard_normal()))
        return CheckWeight(when, Measured(mass, 3e-4 * mass, "kg"), Measured(reading, WEIGHT_U * moved, "N"))

    return dataclasses.replace(dataset, check_weights=(hung("before"), hung("after")), clock_checked=fault != CLOCK)


def analysed(fired, dataset):
    """Analyse one dataset."""
    try:
        results = analyse_static_fire(dataset).results
    except DataError as error:
        print(f"# {fired.seed}: {error}")
        return Row(fired.seed, fired.truth)
    said = tuple(sorted({f"{f.severity} {f.code}" for f in results.findings if f.severity != "note"}))
    impulse, thrust = results.impulse, results.thrust
    return Row(
        fired.seed,
        fired.truth,
        results.verdicts.get("site"),
        results.firing.checks if results.firing else None,
        said,
        gain=impulse.value / fired.truth if impulse else 1.0,
        peak=thrust.peak.value if thrust and thrust.peak else 0.0,
    )


def against(verdict, limit):
    """Return the outcome against another limit: bounds and what keeps a verdict back do not hang on the limit."""
    if verdict is None or verdict.withheld or verdict.upper_bound is None:
        only_exceeds = verdict is not None and not verdict.withheld and verdict.lower_bound is not None
        return "exceeds" if only_exceeds and verdict.lower_bound >= limit else "not shown"
    if verdict.lower_bound is not None and verdict.lower_bound >= limit:
        return "exceeds"
    return "within" if verdict.upper_bound <= limit else "not shown"


def rows_of(fired, proven=False):
    """Analyse a firing healthy and with each fault, all against the limit that the true impulse exceeds by 3 %."""
    limit = fired.truth / OVER
    healthy = analysed(fired, held_to(fired.dataset(""), limit))
    found = {"healthy": healthy}
    for fault in FAULTS:
        found[fault] = analysed(fired, held_to(fired.dataset(fault), limit))
    if proven and healthy.peak > 0.0:
        for fault in ("", *PROVEN_FAULTS):
            dataset = vouched(held_to(fired.dataset(fault), limit), healthy, fault, fired.seed)
            found[f"{fault or 'healthy'}, proven"] = analysed(fired, dataset)
    return found


def verdict_line(title, outcomes):
    """Write the shares of outcomes."""
    shares = "  ".join(f"{name} {100.0 * outcomes.count(name) / max(len(outcomes), 1):5.1f} %" for name in OUTCOMES)
    return f"{title:44s} n {len(outcomes):3d}  {shares}"


def route_lines(rows):
    """Write the spread of each route's distance from the cell, in standard uncertainties."""
    found = {}
    for row in rows:
        for route in row.checks.routes if row.checks else ():
            found.setdefault(route.name, []).append((float(route.sigma), float(route.seen_surely)))
    lines = []
    for name, pairs in sorted(found.items()):
        sigma, seen = np.array(pairs).T
        spread = f"{np.std(sigma, ddof=1):.2f}" if sigma.size > 1 else "-"
        lines.append(
            f"route {name:20s} n {sigma.size:3d}  sd of sigma {spread}  mean {np.mean(sigma):+.2f}  worst "
            f"{sigma[np.argmax(np.abs(sigma))]:+.2f}  beyond 3 {np.sum(np.abs(sigma) > 3.0)}  a low cell is surely "
            f"seen from {100.0 * np.median(seen):.1f} % (median)"
        )
    return lines


def course_line(rows):
    """Write how far thrust over chamber pressure departs within healthy burns."""
    found = np.abs(
        [row.checks.course_departure for row in rows if row.checks and row.checks.course_departure is not None]
    )
    if found.size == 0:
        return "course: none"
    quantiles = "  ".join(f"{share} % {100.0 * np.percentile(found, share):.2f} %" for share in (50, 95, 98, 100))
    beyond = "  ".join(f"above {100.0 * at:.1f} %: {np.sum(found > at)}" for at in (COURSE_NOTED, COURSE_LIMIT))
    return f"course departure, n {found.size}: {quantiles}  {beyond}"


def report(found):
    """Return the lines of all firings; ``found`` has the rows of each, by what was laid over it."""
    healthy = [rows["healthy"] for rows in found]
    lines = [*route_lines(healthy), course_line(healthy), "--- healthy, limit by the true impulse"]
    for name in ("healthy", "healthy, proven"):
        own = [rows[name] for rows in found if name in rows]
        for share in SHARES if own else ():
            outcomes = [against(row.verdict, row.truth / share) for row in own]
            lines.append(verdict_line(f"{name}, true {100 * share:.0f} % of limit", outcomes))
    lines.append("--- with faults, limit by the true impulse")
    for name in dict.fromkeys(name for rows in found for name in rows if not name.startswith("healthy")):
        own = [rows[name] for rows in found if name in rows]
        for share in (1.0, OVER):
            outcomes = [against(row.verdict, row.truth / share) for row in own]
            lines.append(verdict_line(f"{name}, true {100 * share:.0f} % of limit", outcomes))
    every = [row for rows in found for row in rows.values() if row.verdict]
    other = sum(against(row.verdict, row.verdict.limit) != row.verdict.outcome for row in every)
    lines.append(f"verdicts: {len(every)}, judged again from their bounds and found otherwise: {other}")
    kept = [(row.seed, row.verdict.withheld) for row in healthy if row.verdict and row.verdict.withheld]
    lines.append(f"healthy and withheld: {len(kept)} of {len(healthy)}")
    lines += [f"  {seed}: {why}" for seed, why in kept]
    said = [(row.seed, ", ".join(row.codes)) for row in healthy if row.codes]
    lines.append(f"healthy with a caution or worse: {len(said)} of {len(healthy)}")
    lines += [f"  {seed}: {codes}" for seed, codes in said]
    return lines


def outcome(row):
    """Return what was said of a row."""
    return row.verdict.outcome if row.verdict else "not shown"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--firings", type=int, default=30)
    parser.add_argument("--world", choices=("second", "shipped"), default="second")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--odd", action="store_true", help="the release's seeds: look at them once")
    parser.add_argument("--proven", action="store_true", help="with check weights and a checked clock too")
    parser.add_argument("--each", action="store_true", help="one line a firing")
    asked = parser.parse_args()
    first = asked.first_seed - asked.first_seed % 2 + asked.odd
    campaign = campaign_for_study() if asked.world == "shipped" else None
    found = []
    for k in range(asked.firings):
        seed = first + 2 * k
        fired = second_firing(seed) if campaign is None else shipped_firing(seed, campaign)
        found.append(rows_of(fired, proven=asked.proven))
        if asked.each:
            print(seed, {name: outcome(row) for name, row in found[-1].items()}, flush=True)
    print(f"--- {asked.world} world: {asked.firings} firings, seeds from {first}")
    print("\n".join(report(found)))


if __name__ == "__main__":
    main()
