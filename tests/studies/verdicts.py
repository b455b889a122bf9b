"""How often is a verdict wrong? Integrals of rehearsed firings, judged against limits set by the truth.

Half of the runs have the starter's calibrations (u about 0.5 %), half better ones (u about 0.3 %); orientations
take turns. Cell, load path, clock, notes and weighings err independently; pressure records, from which only the
shape of the leaving weight and the hoses' load come, serve some runs each. Then runs with thrust that was hidden,
whole records each, against a limit so generous that nothing but the doubt can keep them from "within". Run from the
project's folder:

    python -m tests.studies.verdicts --runs 10000
"""

import argparse
import dataclasses

import numpy as np

from standbook.analysis.dataset.dataset import weighed_mass
from standbook.analysis.kinds.static_fire import firing_impulse
from standbook.analysis.physics.impulse_limits import verdict
from standbook.analysis.simulation.draw import Draw
from standbook.analysis.simulation.stage import on_stand
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import noted_plan
from standbook.analysis.thrust.tank_flows import tank_flows
from tests.rehearsed import dataset_of, from_late, with_clip, with_gap
from tests.studies.impulse_coverage import NEEDED, NOZZLES, PHYSICS, campaign_for_study, truths

CASES = {"true = limit": 1.0, "true = 97 %": 0.97, "true = 103 %": 1.03}  # true impulse over limit
REUSED = 16  # runs of each cell on one stand and physics with the same pressure records
CELL = frozenset({"LC-1"})
GENEROUS = 2.0  # limit over true impulse, for hidden thrust


def better(campaign):
    """Return the campaign with a cell that gives about 0.3 %, its supply measured."""
    c = campaign.calibrations["LC-1"]
    path = c.stand_interaction
    path = path.model_copy(update={"factor": dataclasses.replace(path.factor, u=0.0015)})
    reference = dataclasses.replace(c.reference_uncertainty, value=0.0024)
    cell = c.model_copy(update={"reference_uncertainty": reference, "stand_interaction": path})
    driven = {"LC-1": {"supply": "5.000 +/- 0.001 V"}}
    inputs = tuple(i.model_copy(update=driven.get(i.tag, {})) for i in campaign.stand.input)
    stand = campaign.stand.model_copy(update={"input": inputs})
    return dataclasses.replace(campaign, stand=stand, calibrations={**campaign.calibrations, "LC-1": cell})


def hidden_thrust(rng):
    """Return three ways to hide thrust, each at a random place of the burn."""
    return {
        "clip": with_clip("LC-1", float(rng.uniform(0.6, 0.95))),
        "late start": from_late(float(rng.uniform(0.05, 2.0))),
        "60 ms gap": with_gap(float(rng.uniform(0.5, 17.0)), 0.060),
    }


class Bench:
    """Cached physics on each stand, and runs drawn over them."""

    def __init__(self, physics):
        self.campaign = campaign_for_study()
        self.better = better(self.campaign)
        self.stands = [self.campaign.stand.model_copy(update={"nozzle": nozzle}) for nozzle in NOZZLES]
        self.placed = [[on_stand(one, stand) for one in physics] for stand in self.stands]
        self._pressures = {}  # by stand and physics: the block of runs they serve, channels, flows

    def run(self, k, *, alter=None):
        """Return the measured impulse of run ``k``, the truth, and whether the better cell was used."""
        which, fine = k % len(self.stands), bool((k // len(self.stands)) % 2)
        campaign = self.better if fine else self.campaign
        one = self.placed[which][(k // 6) % len(self.placed[which])]
        draw = Draw(5_000_000 + k)
        plan = noted_plan(campaign.plan, one.world, draw)
        whole = alter is not None  # what is hidden from the cell is hidden from the pressures too
        rehearsal = instrument(campaign, one, draw, tags=NEEDED if whole else CELL)
        stand = campaign.stand.model_copy(update={"nozzle": NOZZLES[which]})
        dataset = dataset_of(campaign, rehearsal, plan=plan, stand=stand, alter=alter)
        if whole:
            return firing_impulse(dataset), rehearsal.truth.impulse_site, fine
        channels, flows = self.pressures(k)
        dataset = dataclasses.replace(dataset, channels={**channels, **dataset.channels})
        flows = {
            name: dataclasses.replace(flow, tank=plan.tank_named(name), expelled=weighed_mass(dataset, flow.tank))
            for name, flow in flows.items()
        }
        return firing_impulse(dataset, flows=flows), rehearsal.truth.impulse_site, fine

    def pressures(self, k):
        """Return the pressure channels that serve run ``k``, and the flows found in them."""
        which, place = k % len(self.stands), (k // 6) % len(self.placed[0])
        block = k // (6 * len(self.placed[0]) * REUSED)
        if self._pressures.get((which, place), (None,))[0] != block:
            one, draw = self.placed[which][place], Draw(7_000_000 + k)
            rehearsal = instrument(self.campaign, one, draw, tags=NEEDED)
            plan = noted_plan(self.campaign.plan, one.world, draw)
            dataset = dataset_of(self.campaign, rehearsal, plan=plan, stand=self.stands[which])
            events = rehearsal.truth.events
            flows, _ = tank_flows(dataset, start=events["ignition"], end=events["closed"])
            channels = {tag: channel for tag, channel in dataset.channels.items() if tag != "LC-1"}
            self._pressures[which, place] = (block, channels, flows)
        return self._pressures[which, place][1:]


def judged(impulse, limit):
    """Return the outcome against a limit."""
    return verdict(
        impulse.value,
        impulse.u,
        limit=limit,
        limit_name="study",
        lower_bound_only=impulse.lower_bound_only,
        unseen=impulse.unseen,
    ).outcome


def outcomes(bench, runs):
    """Return outcomes by case and cell, and the better cell's relative u."""
    found = {(case, fine): [] for case in CASES for fine in (False, True)}
    claimed = {False: [], True: []}
    for k in range(runs):
        impulse, truth, fine = bench.run(k)
        claimed[fine].append(impulse.u / impulse.value)
        for case, share in CASES.items():
            found[case, fine].append(judged(impulse, truth / share))
    return found, {fine: float(np.mean(values)) for fine, values in claimed.items() if values}


def hidden_outcomes(bench, runs):
    """Return outcomes of runs with hidden thrust against a generous limit."""
    rng = np.random.default_rng(17)
    found = {}
    for k in range(runs):
        for name, alter in hidden_thrust(rng).items():
            impulse, truth, _ = bench.run(k, alter=alter)
            found.setdefault(name, []).append(judged(impulse, GENEROUS * truth))
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--hidden", type=int, default=60, help="runs of each way to hide thrust")
    parser.add_argument("--physics", type=int, default=PHYSICS)
    asked = parser.parse_args()
    bench = Bench(truths(campaign_for_study(), asked.physics))
    found, claimed = outcomes(bench, asked.runs)
    for (case, fine), seen in found.items():
        counts = {name: seen.count(name) for name in ("within", "not shown", "exceeds")}
        shares = "  ".join(f"{name} {100.0 * n / len(seen):5.1f} %" for name, n in counts.items())
        print(f"{case:13s} u {100.0 * claimed[fine]:.2f} %  runs {len(seen):5d}  {shares}")
    both = [o for fine in (False, True) for o in found["true = limit", fine]]
    print(f"true = limit, all {len(both)}: false within {100.0 * both.count('within') / len(both):.1f} %")
    for name, seen in hidden_outcomes(bench, asked.hidden).items():
        print(f"{name:13s} runs {len(seen)}  within {seen.count('within')}")


if __name__ == "__main__":
    main()
