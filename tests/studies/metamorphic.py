"""What must not move when the same record is written down another way, and what must move in step?

No truth is needed: a record of the second world is analysed as it is and changed, and the change of each number is held
against its own standard uncertainty. A line a property: worst change, what is allowed, whose it was, and how often a
number was lost or gained by the change. Even seeds only. Run from the project's folder:

    python -m tests.studies.metamorphic --records 30
"""

import argparse
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import cache

from standbook.analysis.kinds.registry import analyse
from standbook.daq.errors import DataError
from tests.worlds import changes
from tests.worlds.adapter import firing_dataset, flow_dataset
from tests.worlds.cases import flow_case
from tests.worlds.firing_cases import firing_case

ENGINE = ("cstar", "mixture_ratio", "isp", "thrust_coefficient")
SIDES = ("oxidiser", "fuel")
DENSER = 1.05
CELL = 0.95
MASS = 1.01


@dataclass(frozen=True, slots=True)
class Property:
    """One change of a record, and what it may do to a number: at most so many u, beside what is to be expected."""

    name: str
    change: Callable
    allowed: float  # in standard uncertainties
    factors: Mapping[str, float] = field(default_factory=dict)  # by which a number is to move
    only: tuple[str, ...] = ()  # numbers looked at; none: all
    exact: bool = True  # a number that was given must be given
    orientation: str | None = None
    mirrored: bool = False
    against_truth: bool = False  # what moves is the error, since the truth moves
    quiet: bool = False  # the change makes a new record, so with little noise before and after


@dataclass(frozen=True, slots=True)
class Moved:
    """What one change did to one number of one record."""

    seed: int
    number: str
    by: float | None  # in u; ``None``: given one way, refused the other
    wider: float = 1.0  # u over what it was
    lost: bool = False  # given before, refused now


EVERY = (
    Property("another zero of the clock", changes.shifted, 0.05),
    Property("rows doubled", changes.doubled, 0.3, exact=False),
    Property("rows halved by means", changes.halved, 0.3, exact=False),
    Property("one row in 1000 lost", changes.thinned, 0.3, exact=False),
    Property("10 s more of rest", changes.holding_longer, 0.3, exact=False),
    Property("1 s of rest", changes.holding_one_second, 1.0, exact=False),
    Property("hum of 1 %", changes.humming, 0.3, exact=False),
    Property("pressures in psi", changes.in_psi, 0.01),
    Property("another CdA and exponent planned", changes.planned_otherwise, 0.01),
)
FLOW = (
    *EVERY,
    Property("pressures and density x 1.05", lambda case: changes.denser(case, DENSER), 0.05),
    Property("mass x 1.01", lambda case: changes.caught_more(case, MASS), 0.01, {"CdA": MASS}, ("CdA",)),
)
FIRING = (
    *EVERY,
    Property("channels in another order", changes.reordered, 1e-6),
    Property(
        "pressures and density x 1.05",
        lambda case: changes.denser(case, DENSER),
        0.05,
        {"isp": 1.0 / DENSER, "thrust_coefficient": 1.0 / DENSER},
        orientation="horizontal",
    ),
    Property(
        "cell x 0.95",
        lambda case: changes.weaker_cell(case, CELL),
        0.02,  # the weight of the gas that left is computed, not read: 2e-5 of the impulse
        dict.fromkeys(("impulse", "isp", "thrust_coefficient"), CELL),
    ),
    Property("tanks exchanged", changes.exchanged, 0.01, mirrored=True),
    Property("one valve 0.1 s later", changes.one_valve_later, 0.1, only=("cstar",), against_truth=True, quiet=True),
)


def numbers_of(results):
    """Return every number that a reader gets, by name: value and u; without what was refused."""
    found = {"impulse": results.impulse}
    if results.engine is not None:
        found |= {name: getattr(results.engine, name) for name in ENGINE}
    for name, tank in results.tanks.items():
        place = "" if name == "tank" else f" {name}"
        found |= {f"CdA{place}": tank.cda, f"n{place}": tank.exponent and tank.exponent.chord}
    return {name: (m.value, m.u) for name, m in found.items() if m is not None}


def analysed(case, dataset_of):
    """Return the numbers of a case; none where the analysis refuses the whole of it."""
    try:
        return numbers_of(analyse(dataset_of(case, clock="recorded")).results)
    except DataError:
        return {}


def mirror(numbers):
    """Call each tank's numbers by the other's name."""

    def other(name):
        base, _, side = name.partition(" ")
        return f"{base} {changes.OTHER[side]}" if side in SIDES else name

    found = {other(name): pair for name, pair in numbers.items()}
    if "mixture_ratio" in found:
        value, u = found["mixture_ratio"]
        found["mixture_ratio"] = (1.0 / value, u / value**2)
    return found


@cache
def flow_before(seed):
    case = changes.fitted(flow_case(seed))
    return case, analysed(case, flow_dataset)


@cache
def firing_before(seed, orientation, quiet):
    case = changes.fitted(firing_case(seed, orientation=orientation))
    if quiet:
        case = changes.quiet(case)
    return case, analysed(case, firing_dataset)


def moved(seed, known, before, now, *, slack=None):
    """Compare numbers before and after; ``slack`` is what the truth itself moved by, by name."""
    rows = []
    for name in sorted(before.keys() | now.keys()):
        if known.only and name not in known.only:
            continue
        if name not in before or name not in now:
            rows.append(Moved(seed, name, None, lost=name in before))
            continue
        (was, u), (value, u_now) = before[name], now[name]
        expected = was * known.factors.get(name, 1.0) + (slack or {}).get(name, 0.0)
        rows.append(Moved(seed, name, float((value - expected) / u), float(u_now / u)))
    return rows


def flow_moved(seed, known):
    """Return what a property did to one cold flow."""
    case, before = flow_before(seed)
    other = known.change(case)
    return [] if other is None else moved(seed, known, before, analysed(other, flow_dataset))


def firing_moved(seed, known):
    """Return what a property did to one firing."""
    case, before = firing_before(seed, known.orientation, known.quiet)
    other = known.change(case)
    now = analysed(other, firing_dataset)
    slack = {"cstar": other.truth.burnt.cstar - case.truth.burnt.cstar} if known.against_truth else {}
    return moved(seed, known, before, mirror(now) if known.mirrored else now, slack=slack)


def worst(rows):
    """Return the row that moved most; ``None`` where no number was given both ways."""
    given = [row for row in rows if row.by is not None]
    return max(given, key=lambda row: abs(row.by), default=None)


def line(known, rows):
    """Write one property."""
    most, lost = worst(rows), sum(row.lost for row in rows)
    given = sum(row.by is not None for row in rows)
    over = sum(abs(row.by) > known.allowed for row in rows if row.by is not None)
    where = "" if most is None else f"{most.by:+9.4f} u  {most.number}, seed {most.seed}"
    wider = max((row.wider for row in rows if row.by is not None), default=1.0)
    return (
        f"{known.name:33s} numbers {given:4d}  lost {lost:2d}  gained {len(rows) - given - lost:2d}  "
        f"allowed {known.allowed:6.2g} u  beyond {over:3d}  widest u x {wider:5.2f}  worst {where}"
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--records", type=int, default=30, help="of each kind")
    parser.add_argument("--kind", choices=("flow", "firing"), help="one kind alone")
    parser.add_argument("--only", default="", help="properties whose name holds this")
    parser.add_argument("--each", action="store_true", help="every number that moved too far")
    asked = parser.parse_args()
    seeds = range(0, 2 * asked.records, 2)
    for kind, known_ones, run in (("flow", FLOW, flow_moved), ("firing", FIRING, firing_moved)):
        if asked.kind not in (None, kind):
            continue
        print(f"--- {kind}: {asked.records} records of the second world, even seeds")
        for known in known_ones:
            if asked.only not in known.name:
                continue
            rows = [row for seed in seeds for row in run(seed, known)]
            print(line(known, rows), flush=True)
            for row in rows if asked.each else ():
                if row.by is None or abs(row.by) > known.allowed:
                    by = ("lost" if row.lost else "gained") if row.by is None else f"{row.by:+.3f} u"
                    print(f"    seed {row.seed:3d}  {row.number:20s} {by}", flush=True)


if __name__ == "__main__":
    main()
