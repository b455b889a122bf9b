"""How often checks of a stand in place are wrong, name the fault, or cannot tell; and a whole sheet of good channels.

Readings are drawn from a stand that is right or wrong in a known way; ratios of mistaken units are written out here.
Wanted: wrong verdicts at most 0.1 %, faults of unit named in 99 % at u 1 % and less, swapped channels never called
right from 0.5 bar on, every refusal says what would decide, 98 % of sheets without a false "differs", and charts that
alarm by chance in 0.5 % below eight values and no more than 1.5 times as often as they print. Run from the project's
folder:

    python -m tests.studies.stand_checks --runs 10000
"""

import argparse
from collections import Counter

import numpy as np

from standbook.analysis.stand_checks.ambient import absolute_or_gauge
from standbook.analysis.stand_checks.charts import charted, limits
from standbook.analysis.stand_checks.check import Check, judged
from standbook.analysis.stand_checks.comparisons import alignment, shunt_step, supply_sag, two_pressures
from standbook.analysis.stand_checks.responses import sign, swap
from standbook.analysis.stand_checks.unit_ratio import names_near, unit_ratio

SEED = 20310614
AIR = 0.978e5  # Pa
FORCE = (4.4482216, 9.80665, 2.2046226)
PRESSURE = (14.503774, 6.8947573, 10.0, 100.0)
ELECTRICAL = (1.5151515, 1.6666667, 2.0)

Random = np.random.Generator


def decides(check: Check) -> bool:
    """Tell whether a refusal says what would decide."""
    return check.outcome != "cannot tell" or "decide" in check.sentence


def ambient(random: Random, u0: float) -> tuple[str, bool]:
    """Vent one transducer; right, wrong or cannot tell."""
    absolute = random.uniform() < 0.5
    declared = "absolute" if random.uniform() < 0.5 else "gauge"
    said = absolute_or_gauge(
        AIR * absolute + u0 * random.normal(),
        AIR + 150.0 * random.normal(),
        zero_u=u0,
        barometer_u=150.0,
        declared=declared,
    )
    true = "agrees" if absolute == (declared == "absolute") else "differs"
    return _verdict(said, true), decides(said)


def unit(random: Random, u: float, dimension: str) -> tuple[str, bool]:
    """Hang a weight on a channel that is right, or off by one of the mistakes."""
    mistakes = (FORCE if dimension == "force" else PRESSURE) + ELECTRICAL
    factor = random.choice([1.0, *mistakes]) ** random.choice([-1.0, 1.0])
    reading = 1000.0 * factor * (1.0 + u * random.normal())
    said = unit_ratio(reading, 1000.0, u=u, span=2000.0, dimension=dimension)
    if factor == 1.0:
        return _verdict(said, "agrees"), decides(said)
    if said.outcome != "differs":
        return _verdict(said, "differs"), decides(said)
    names = names_near(reading / 1000.0, u, dimension)
    if not names:
        return "cause unknown", True
    here = names_near(factor, 1e-6, dimension)
    if not set(here) & set(names):
        return "wrong", True
    return ("named" if len(names) == len(here) else "several"), True


def arbitrary(random: Random, u: float) -> tuple[str, bool]:
    """Hang a weight on a channel whose gain is anything."""
    ratio = np.exp(random.uniform(np.log(0.05), np.log(20.0)))
    return ("named by accident" if names_near(ratio * (1.0 + u * random.normal()), u, "force") else "no name"), True


def pushed(random: Random, push: float) -> tuple[str, bool]:
    """Push a cell by so many u."""
    right = random.uniform() < 0.5
    said = sign((push if right else -push) + random.normal(), u=1.0)
    return _verdict(said, "agrees" if right else "differs"), decides(said)


def swapped(random: Random, step: float) -> tuple[str, bool]:
    """Pressurise one tank of two whose transducers are right, or swapped; a step in bar, rises to 0.03 bar."""
    right = random.uniform() < 0.5
    rises = np.array([step, 0.0]) * 1e5 + 0.03e5 * random.normal(size=2)
    own, other = rises if right else rises[::-1]
    said = swap(float(own), float(other), step=step * 1e5, u=0.03e5)
    if not right and said.outcome == "agrees":
        return "swapped called right", True
    return _verdict(said, "agrees" if right else "differs"), decides(said)


def _verdict(said: Check, true: str) -> str:
    if said.outcome == "cannot tell":
        return "cannot tell"
    return "right" if said.outcome == true else "wrong"


def counted(kind: object, runs: int, *values: object, seed: int = SEED) -> tuple[Counter[str], int]:
    """Count what was said in so many checks, and the refusals that do not say what would decide."""
    random = np.random.default_rng(seed)
    said = [kind(random, *values) for _ in range(runs)]  # type: ignore[operator]
    return Counter(word for word, _ in said), sum(not fine for _, fine in said)


def sheet(random: Random) -> list[Check]:
    """Check eight good channels: five transducers, two cells, one resistance of a bridge."""
    checks = []
    for _ in range(5):
        checks.append(ambient_good(random))
        checks.append(swap(1e5 + 3e3 * random.normal(), 3e3 * random.normal(), step=1e5, u=3e3))
        gauge = np.array([6e5, 30e5])
        reading = gauge + 6e3 * random.normal(size=2)
        checks += two_pressures(reading, gauge, u=np.full(2, 6e3))
    for _ in range(2):
        step = {"expected": 30e5, "found": 30e5 + 3e3 * random.normal(), "u": 3e3, "unit": "Pa"}
        checks.append(judged("a twin beside its twin", **step))
    for dimension in ("force", "force", *["pressure"] * 5):
        reading = 1000.0 * (1.0 + 0.005 * random.normal())
        checks.append(unit_ratio(reading, 1000.0, u=0.005, span=2000.0, dimension=dimension))
    for _ in range(2):
        checks.append(sign(50.0 + random.normal(), u=1.0))
        checks.append(shunt_step(1.0 + np.sqrt(2.0) * 2e-4 * random.normal(), 1.0))
    before = np.full(5, 1e6)
    checks.append(supply_sag(before, before * (1.0 + 1e-3 * random.normal(size=5)), u=1e-3, sag=0.04))
    checks.append(alignment(0.02 + 0.002 * random.normal(), u=0.002, allowed=0.002))
    for _ in range(8):
        zeros = random.normal(0.0, 1.0, random.integers(2, 12))
        checks.append(charted("zero", random.normal(), zeros, known_u=1.0, unit="N", on_a_sheet=True))
    return checks


def ambient_good(random: Random) -> Check:
    """Vent one transducer that is what the stand file says."""
    return absolute_or_gauge(
        6e3 * random.normal(), AIR + 150.0 * random.normal(), zero_u=6e3, barometer_u=150.0, declared="gauge"
    )


def sheets(days: int, seed: int = SEED) -> tuple[int, int]:
    """Return on how many days a sheet of good channels had a false "differs", and how many checks a sheet has."""
    random = np.random.default_rng(seed)
    drawn = [sheet(random) for _ in range(days)]
    return sum(any(check.outcome == "differs" for check in one) for one in drawn), len(drawn[0])


def charts(runs: int, number: int, seed: int = SEED) -> tuple[float, float, float]:
    """Return how often a chart of so many values alarms by chance, what it prints, and misses of a 4 sigma shift."""
    random = np.random.default_rng(seed)
    drawn = random.normal(0.0, 1.0, (runs, number))
    new = random.normal(0.0, 1.0, runs)
    made = [limits(one, 1.0) for one in drawn]
    low, high = (np.array([getattr(one, name) for one in made]) for name in ("low", "high"))
    alarms = np.mean((new < low) | (new > high))
    missed = np.mean((new + 4.0 > low) & (new + 4.0 < high))
    return float(alarms), made[0].by_chance, float(missed)


def main() -> None:
    """Print all of it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=10_000)
    parser.add_argument("--days", type=int, default=1000)
    options = parser.parse_args()
    rows = [("absolute or gauge, u0 bar", ambient, (u * 1e5,), u) for u in (0.06, 0.15, 0.30, 0.60)]
    for d in ("force", "pressure"):
        rows += [(f"unit, {d}, u %", unit, (u, d), 100 * u) for u in (0.003, 0.01, 0.02, 0.05)]
    rows += [("any gain, u %", arbitrary, (u,), 100 * u) for u in (0.003, 0.01, 0.02)]
    rows += [("sign, push in u", pushed, (n,), n) for n in (3.0, 5.0, 8.0, 12.0)]
    rows += [("swap, step bar", swapped, (s,), s) for s in (0.3, 0.4, 0.5, 1.0)]
    for what, kind, values, shown in rows:
        said, silent = counted(kind, options.runs, *values)
        shares = ", ".join(f"{word} {100 * count / options.runs:.2f} %" for word, count in sorted(said.items()))
        print(f"{what:26s} {shown:<5g} {shares}; refusals that leave it open: {silent}", flush=True)
    false, number = sheets(options.days)
    print(f"sheets of {number} checks on good channels: {false} of {options.days} with a false differs")
    for number in (3, 5, 8, 12, 20):
        alarms, printed, missed = charts(options.runs, number)
        print(
            f"chart of {number}: alarms {100 * alarms:.2f} %, prints {100 * printed:.2f} %, misses {100 * missed:.0f} %"
        )


if __name__ == "__main__":
    main()
