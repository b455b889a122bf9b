"""How does the analysis stand up to a world that nobody tuned it to?

Every record is drawn by ``tests.worlds``: another gas law, other heat, valves, knees, noise, clocks and crews than the
program's own simulator, and every error that the notes claim. A line a stratum: numbers given and refused, error
against the truth, error over u, and records with anything above a note. Even seeds are for setting thresholds; odd
seeds (``--odd``) are for the release only. Run from the project's folder:

    python -m tests.studies.second_world --flows 40 --firings 20
    python -m tests.studies.second_world --faults 3
    python -m tests.studies.second_world --faults 4 --of tank
"""

import argparse
import math
import time
from collections import Counter
from dataclasses import dataclass

import numpy as np

from standbook.analysis.kinds.registry import analyse
from standbook.daq.errors import DataError
from tests.worlds.adapter import firing_dataset, flow_dataset
from tests.worlds.cases import flow_case
from tests.worlds.draws import STRATA
from tests.worlds.faults import BLIND, FIRING_FAULTS, FLOW_FAULTS, TANK_FAULTS, with_fault
from tests.worlds.firing_cases import firing_case
from tests.worlds.firing_draws import FIRING_STRATA, ORIENTATIONS

OF_TANKS = ("c*", "O/F", "Isp", "CdA oxidiser", "CdA fuel")
NUMBERS = ("impulse", "c*", "Isp", "CF", "O/F", "CdA oxidiser", "CdA fuel", "n oxidiser", "n fuel")
BEYOND = "beyond both flows"
WRONG = 3.0  # errors over u beyond which a number is called wrong


@dataclass(frozen=True, slots=True)
class Row:
    """One record: its groups, error and u of every number relative to the truth, what was said."""

    seed: int
    stratum: str
    groups: tuple[str, ...]
    errors: dict[str, tuple[float, float]]  # by number: error and u; absent where refused
    findings: tuple[str, ...]  # above a note
    outcome: str  # of the class verdict on site
    seconds: tuple[float, float]  # of processor time: the world's and the analysis's


def compared(measured, true):
    """Return error and u, both relative to the truth."""
    return (measured.value - true) / true, measured.u / abs(true)


def analysed(make, dataset_of, clock):
    """Make and analyse one record; results are ``None`` where the analysis refuses the whole of it."""
    begin = time.process_time()
    case = make()
    dataset = dataset_of(case, clock=clock)
    made = time.process_time()
    try:
        results = analyse(dataset).results
    except DataError as error:
        print(f"# {case.stratum} {case.seed} {case.fault}: {error}")
        results = None
    return case, results, (made - begin, time.process_time() - made)


def raised(results):
    """Return the codes of findings above a note."""
    if results is None:
        return ("refused as a whole",)
    return tuple(f"{f.severity} {f.code}" for f in results.findings if f.severity != "note")


def flow_row(seed, *, stratum=None, fault="", clock="fitted"):
    """Analyse one cold flow, with a fault where one is named."""

    def make():
        case = flow_case(seed, stratum=stratum)
        return with_fault(case, fault, seed) if fault else case

    case, results, seconds = analysed(make, flow_dataset, clock)
    tank = results.tanks.get("tank") if results else None
    errors = {}
    if tank is not None and tank.cda is not None:
        errors["CdA"] = compared(tank.cda, case.truth.cda)
    if tank is not None and tank.exponent is not None:
        errors["n"] = compared(tank.exponent.chord, case.truth.chord)
    setup = case.setup
    noise = setup.sensor.noise
    groups = (
        setup.tank.gas.name,
        "pink >= white" if noise.pink >= 1.0 else "pink < white",
        f"clock {setup.sampling.kind}",
        "flow < 5 s" if setup.duration < 5.0 else "flow >= 5 s",
        *([f"knee {setup.tank.knee.kind}"] if setup.stratum in ("sharp", "soft") else []),
        *(["shut after gas"] if setup.stratum in ("sharp", "soft") and math.isfinite(setup.tank.valve.closes) else []),
        *(["hold < 1 s"] if setup.crew.hold < 1.0 else []),
        *(["vented soon"] if math.isfinite(setup.tank.vents) else []),
    )
    return Row(seed, case.stratum, groups, errors, raised(results), "", seconds)


def firing_row(seed, *, stratum=None, orientation=None, fault="", clock="fitted"):
    """Analyse one firing, with a fault where one is named."""

    def make():
        case = firing_case(seed, stratum=stratum, orientation=orientation)
        return with_fault(case, fault, seed) if fault else case

    case, results, seconds = analysed(make, firing_dataset, clock)
    nozzle = case.setup.stand.nozzle
    if results is None:
        return Row(seed, case.stratum, (nozzle,), {}, raised(results), "", seconds)
    truth, engine = case.truth, results.engine
    found = {"impulse": (results.impulse, truth.impulse)}
    if engine is not None:
        # A number holds for the stretch that the analysis names for it; the mixture drifts all along a burn.
        burnt = truth.burnt if engine.window is None else truth.integrals.between(*engine.window)
        found |= {
            "c*": (engine.cstar, burnt.cstar),
            "Isp": (engine.isp, burnt.isp),
            "CF": (engine.thrust_coefficient, burnt.thrust_coefficient),
            "O/F": (engine.mixture_ratio, burnt.mixture_ratio),
        }
    for name, tank in results.tanks.items():
        found[f"CdA {name}"] = (tank.cda, truth.sides[name].cda)
        found[f"n {name}"] = (tank.exponent.chord if tank.exponent else None, truth.sides[name].chord)
    errors = {name: compared(m, true) for name, (m, true) in found.items() if m is not None}
    outcome = results.verdicts["site"].outcome if "site" in results.verdicts else ""
    groups = (nozzle, f"clock {case.setup.sampling.kind}", *_beyond(engine, truth))
    return Row(seed, case.stratum, groups, errors, raised(results), outcome, seconds)


def _beyond(engine, truth):
    """Return a group for a firing whose named stretch reaches beyond the flow of a liquid."""
    if engine is None or engine.window is None:
        return ()
    begin, end = engine.window
    sides = truth.sides.values()
    inside = max(s.opened for s in sides) <= begin and end <= min(s.ended for s in sides)
    return () if inside else (BEYOND,)


def line(title, rows, name):
    """Write one line: one number of one group."""
    pairs = np.array([row.errors[name] for row in rows if name in row.errors]).reshape(-1, 2)
    refused = len(rows) - len(pairs)
    start = f"{title:22s} {name:13s} n {len(rows):3d}  refused {refused:3d}"
    if len(pairs) == 0:
        return start
    pulls = pairs[:, 0] / pairs[:, 1]
    spread = f"{np.std(pulls, ddof=1):5.2f}" if len(pulls) > 1 else "    -"
    worst = pulls[np.argmax(np.abs(pulls))]
    return (
        f"{start}  bias {100 * np.mean(pairs[:, 0]):+6.2f} %  sd {100 * np.std(pairs[:, 0]):5.2f} %  "
        f"median u {100 * np.median(pairs[:, 1]):5.2f} %  sd(z) {spread}  "
        f"2u {100 * np.mean(np.abs(pulls) <= 2.0):3.0f} %  3u {100 * np.mean(np.abs(pulls) <= 3.0):3.0f} %  "
        f"worst z {worst:+6.1f}"
    )


def cautioned(title, rows):
    """Write which share of records carries anything above a note."""
    share = np.mean([bool(row.findings) for row in rows])
    said = Counter(code for row in rows for code in set(row.findings))
    return f"{title:22s} with caution or worse {100 * share:3.0f} %  {dict(said.most_common(6))}"


def say(rows, strata, names):
    """Print every stratum, then all, then the groups."""
    for stratum in strata:
        own = [row for row in rows if row.stratum == stratum]
        if own:
            print("\n".join(line(stratum, own, name) for name in names))
            print(cautioned(stratum, own))
    if len(strata) > 1:
        answerable = [row for row in rows if row.stratum != "record_end"]
        print("\n".join(line("all but record_end" if "record_end" in strata else "all", answerable, n) for n in names))
        print(cautioned("the same", answerable))
        for group in sorted({group for row in answerable for group in row.groups}):
            print(line(group, [row for row in answerable if group in row.groups], names[0]))
    made, took = np.mean([row.seconds for row in rows], axis=0)
    print(f"processor time a record: world {made:.2f} s, analysis {took:.2f} s", flush=True)


def each(row):
    """Write one record in one line."""
    numbers = "  ".join(f"{n} {100 * e:+.2f} % ({e / u:+.1f}u)" for n, (e, u) in row.errors.items())
    said, groups = ", ".join(row.findings), ", ".join(row.groups)
    return f"{row.seed:4d} {row.stratum:12s} {numbers}  {row.outcome}  {said}  [{groups}]"


def fault_line(fault, rows, name):
    """Write what became of records with one fault."""
    given = [row for row in rows if name in row.errors]
    wrong = [row for row in given if abs(row.errors[name][0]) > WRONG * row.errors[name][1]]
    silent = [row for row in wrong if not row.findings]
    serious = [row for row in rows if any(f.startswith("serious") for f in row.findings)]
    errors = " ".join(f"{100 * row.errors[name][0]:+.1f}" for row in wrong)
    blind = "  (one sensor cannot show it)" if fault in BLIND else ""
    return (
        f"{fault:22s} n {len(rows):3d}  refused {len(rows) - len(given):3d}  serious {len(serious):3d}  "
        f"given beyond 3u {len(wrong):3d}, without a caution {len(silent):3d}  [{errors}] %{blind}"
    )


def tank_line(fault, rows):
    """Write what became of firings with one fault of a tank: numbers wrong, and which of them with no more said."""
    wrong = {(row.seed, n): row.errors[n][0] for row in rows for n in OF_TANKS if _is_wrong(row, n)}
    silent = {row.seed for row in rows if not any(f.startswith("serious") for f in row.findings)}
    said = Counter(code for row in rows for code in set(row.findings))
    given = {n: sum(n in row.errors for row in rows) for n in OF_TANKS}
    errors = ", ".join(f"{n} {100 * error:+.1f} % at {seed}" for (seed, n), error in wrong.items())
    hidden = sum(seed in silent for seed, _ in wrong)
    beside = sum(_is_wrong(row, "impulse") for row in rows)
    return (
        f"{fault:20s} n {len(rows):3d}  given {given}  beyond 3u {len(wrong):3d}, at caution or less {hidden:3d}  "
        f"impulse beyond 3u {beside}  [{errors}]  {dict(said.most_common(5))}"
    )


def _is_wrong(row, name):
    return name in row.errors and abs(row.errors[name][0]) > WRONG * row.errors[name][1]


def tank_faults(seeds, clock):
    """Print what becomes of every fault of a firing's tank."""
    for fault in TANK_FAULTS:
        print(tank_line(fault, [firing_row(s, fault=fault, clock=clock) for s in seeds]), flush=True)


def faults(seeds, clock, of):
    """Print what becomes of every fault."""
    if of == "tank":
        tank_faults(seeds, clock)
        return
    for fault in FLOW_FAULTS if of in ("flow", "all") else ():
        strata = ("closed",) if fault == "reopened" else ("closed", "sharp", "soft")
        rows = [flow_row(s, stratum=strata[k % len(strata)], fault=fault, clock=clock) for k, s in enumerate(seeds)]
        print(fault_line(fault, rows, "CdA"), flush=True)
    for fault in FIRING_FAULTS if of in ("cell", "all") else ():
        rows = [firing_row(s, fault=fault, clock=clock) for s in seeds]
        print(fault_line(fault, rows, "impulse"), Counter(row.outcome for row in rows), flush=True)
    if of == "all":
        tank_faults(seeds, clock)


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--flows", type=int, default=0)
    parser.add_argument("--firings", type=int, default=0)
    parser.add_argument("--faults", type=int, default=0, help="records a fault")
    parser.add_argument("--of", choices=("all", "flow", "cell", "tank"), default="all", help="faults of what")
    parser.add_argument("--first-seed", type=int, default=0)
    parser.add_argument("--odd", action="store_true", help="the release's seeds: look at them once")
    parser.add_argument("--clock", choices=("fitted", "recorded"), default="fitted")
    parser.add_argument("--each", action="store_true", help="one line a record")
    asked = parser.parse_args()
    first = asked.first_seed - asked.first_seed % 2 + asked.odd

    def rows_of(make, count):
        rows = []
        for k in range(count):
            rows.append(make(first + 2 * k, clock=asked.clock))
            if asked.each:
                print(each(rows[-1]), flush=True)
        return rows

    if asked.flows:
        print(f"--- cold flows: {asked.flows}, seeds from {first}, clock {asked.clock}")
        say(rows_of(flow_row, asked.flows), STRATA, ("CdA", "n"))
    if asked.firings:
        print(f"--- firings: {asked.firings}, seeds from {first}, clock {asked.clock}")
        rows = rows_of(firing_row, asked.firings)
        say(rows, FIRING_STRATA, NUMBERS)
        for nozzle in ORIENTATIONS:
            print(line(f"nozzle {nozzle}", [row for row in rows if nozzle in row.groups], "impulse"))
        print(f"firings whose stretch reaches beyond both flows: {sum(BEYOND in row.groups for row in rows)}")
        print(f"verdicts on site: {dict(Counter(row.outcome for row in rows))}")
    if asked.faults:
        print(f"--- faults: {asked.faults} records each, seeds from {first}, clock {asked.clock}")
        faults(range(first, first + 2 * asked.faults, 2), asked.clock, asked.of)


if __name__ == "__main__":
    main()
