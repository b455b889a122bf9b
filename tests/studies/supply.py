"""Does the budget hold a supply that is only stated? Rehearsed firings with every claimed error drawn, and the supply.

Cell, chamber and tanks hang on one supply, or the cell on another than the pressures; each is off by up to 0.5 %, which
scales the counts of everything on it. c* and thrust coefficient are held against what plain sums make of the true
course, CdA and impulse against the truth itself. Run from the project's folder:

    python -m tests.studies.supply --runs 60
"""

import argparse
import dataclasses
import math
from collections import defaultdict

import numpy as np

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import noted_plan
from tests.rehearsed import dataset_of
from tests.studies.impulse_coverage import campaign_for_study, truths

CELL, PRESSURES = ("LC-1",), ("PT-11", "PT-21", "PT-31")
NEEDED = frozenset({*CELL, *PRESSURES, "VS-1"})
LIMIT = 0.005  # of the voltage, rectangular
STATED = {"one": ("5.000 V", "5.000 V"), "two": ("5.000 V", "5.0 V")}  # other words: another supply


def on_supplies(campaign, case):
    """Return the stand whose cell and pressures hang on stated supplies."""
    cell, pressures = STATED[case]
    words = dict.fromkeys(CELL, cell) | dict.fromkeys(PRESSURES, pressures)
    inputs = [i.model_copy(update={"supply": words[i.tag]} if i.tag in words else {}) for i in campaign.stand.input]
    return campaign.stand.model_copy(update={"input": tuple(i for i in inputs if i.tag in NEEDED)})


def driven(off):
    """Scale counts by what their supply is off by."""

    def alter(played):
        counts = {
            tag: np.rint(column * (1.0 + off.get(tag, 0.0))).astype(column.dtype)
            for tag, column in played.counts.items()
        }
        return dataclasses.replace(played, counts=counts)

    return alter


def true_numbers(truth, results, throat_area):
    """Sum the true course: impulse, CdA and O/F of all, c* and thrust coefficient in the analysis' own interval."""
    time, physics = truth.time, truth.physics
    start, end = results.engine.window
    inside = (time >= start) & (time <= end)
    step = time[1] - time[0]
    chamber = float(np.sum(physics.chamber_pressure[inside])) * step
    thrust = float(np.sum(physics.thrust[inside])) * step
    left = {
        name: float(np.interp(start, time, mass) - np.interp(end, time, mass))
        for name, mass in physics.liquid_mass.items()
    }
    found = {
        "impulse": truth.impulse_site,
        "thrust coefficient": thrust / (throat_area * chamber),
        "c*": throat_area * chamber / sum(left.values()),
        "O/F": left["oxidiser"] / left["fuel"],
    }
    return found | {f"CdA {name}": value for name, value in truth.cda.items()}


def claimed(results):
    """Return the same as measured, with u."""
    engine = results.engine
    found = {
        "impulse": results.impulse,
        "thrust coefficient": engine.thrust_coefficient,
        "c*": engine.cstar,
        "O/F": engine.mixture_ratio,
    }
    return found | {f"CdA {name}": tank.cda for name, tank in results.tanks.items()}


def pulls(campaign, physics, case, runs, seed=0):
    """Return errors over u by result, and the mean u of each relative."""
    stand, random = on_supplies(campaign, case), np.random.default_rng([seed, len(case) + ord(case[0])])
    pulled, relative = defaultdict(list), defaultdict(list)
    for k in range(runs):
        one, draw = physics[k % len(physics)], Draw(700_000 + 1000 * seed + k)
        shared = random.uniform(-LIMIT, LIMIT)
        own = shared if case == "one" else random.uniform(-LIMIT, LIMIT)
        off = dict.fromkeys(PRESSURES, shared) | dict.fromkeys(CELL, own)
        nominal = campaign.stand.model_copy(
            update={
                "input": tuple(
                    i.model_copy(update={"supply": "5.000 V"} if i.tag in off else {}) for i in campaign.stand.input
                )
            }
        )
        rehearsal = instrument(dataclasses.replace(campaign, stand=nominal), one, draw, tags=NEEDED)
        plan = noted_plan(campaign.plan, one.world, draw)
        results = analyse_static_fire(
            dataset_of(campaign, rehearsal, plan=plan, stand=stand, alter=driven(off))
        ).results
        true = true_numbers(rehearsal.truth, results, one.world.engine.throat_area)
        for name, value in claimed(results).items():
            if value is not None:
                pulled[name].append((value.value - true[name]) / value.u)
                relative[name].append(value.u / value.value)
    return {n: np.array(v) for n, v in pulled.items()}, {n: float(np.mean(v)) for n, v in relative.items()}


def supply_terms(campaign, physics):
    """Return what the supply alone adds to u of the thrust coefficient, relative, with one supply and with two."""
    added = {}
    for case in STATED:
        u = []
        for words in (STATED[case], tuple(f"{text[:-1]}+/- 0.000001 V" for text in STATED[case])):
            draw = Draw(1, Errors.none())
            stated = dict.fromkeys(CELL, words[0]) | dict.fromkeys(PRESSURES, words[1])
            inputs = [i.model_copy(update={"supply": stated.get(i.tag, i.supply)}) for i in campaign.stand.input]
            stand = campaign.stand.model_copy(update={"input": tuple(i for i in inputs if i.tag in NEEDED)})
            rehearsal = instrument(dataclasses.replace(campaign, stand=stand), physics, draw, tags=NEEDED)
            coefficient = analyse_static_fire(dataset_of(campaign, rehearsal, stand=stand)).results.engine
            u.append(coefficient.thrust_coefficient.u / coefficient.thrust_coefficient.value)
        added[case] = math.sqrt(u[0] ** 2 - u[1] ** 2)
    return added


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=60, help="each with one supply and with two")
    parser.add_argument("--physics", type=int, default=4, help="different truths")
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    campaign = campaign_for_study()
    physics = truths(campaign, asked.physics)
    for case in STATED:
        found, relative = pulls(campaign, physics, case, asked.runs, asked.seed)
        for name, pull in found.items():
            inside = 100.0 * np.mean(np.abs(pull) <= 2.0)
            print(
                f"{case} supply  {name:20s} runs {pull.size:3d}  in +- 2 u {inside:5.1f} %  mean {np.mean(pull):+.2f}  "
                f"sd(error/u) {np.std(pull, ddof=1):.2f}  u {100.0 * relative[name]:.3f} %",
                flush=True,
            )
    added = supply_terms(campaign, truths(campaign, 1, Errors.none())[0])
    ratio = added["one"] / added["two"]
    shares = ", ".join(f"{100.0 * u:.3f} % with {case}" for case, u in added.items())
    print(f"supply in u of the thrust coefficient: {shares}; ratio {ratio:.2f}")


if __name__ == "__main__":
    main()
