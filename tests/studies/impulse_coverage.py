"""Does the impulse's budget tell the truth? Rehearsed firings with every claimed error drawn, three orientations.

A few slow physics are kept and put on each stand; for every run sensors, load path, clock, weighings and the
crew's notes err independently, as calibrations and plan claim. The clean part has no errors at all. Run from the
project's folder:

    python -m tests.studies.impulse_coverage --runs 100
"""

import argparse
import dataclasses
import datetime as dt
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from standbook.analysis.kinds.static_fire import analyse_static_fire
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.stage import on_stand, perform
from standbook.analysis.simulation.story import instrument
from standbook.analysis.simulation.world import noted_plan, world_of
from standbook.cli.starter import write_campaign
from standbook.daq.config.campaign import read_campaign
from tests.rehearsed import dataset_of

TODAY = dt.date(2031, 6, 14)
NOZZLES = ("down", "up", "horizontal")
PHYSICS = 6  # different truths about tanks and engine
NEEDED = frozenset({"LC-1", "PT-11", "PT-21", "PT-31", "VS-1"})


@dataclass(frozen=True)
class Pulls:
    """One orientation: error over claimed standard uncertainty, and error in percent."""

    site: np.ndarray
    vacuum: np.ndarray
    percent: np.ndarray
    claimed: np.ndarray  # u in percent

    def line(self, name):
        inside = 100.0 * np.mean(np.abs(self.site) <= 2.0)
        spread, percent = np.std(self.site, ddof=1), np.std(self.percent, ddof=1)
        return (
            f"{name:11s} runs {self.site.size:4d}  in I +- U {inside:5.1f} %  sd(error/u) {spread:.3f}  mean error "
            f"{np.mean(self.percent):+.3f} %  sd {percent:.3f} %  u {np.mean(self.claimed):.3f} %  vacuum sd(error/u) "
            f"{np.std(self.vacuum, ddof=1):.3f}"
        )


def campaign_for_study():
    """Return the starter campaign's firing."""
    with tempfile.TemporaryDirectory() as folder:
        place = write_campaign(Path(folder), today=TODAY)
        return read_campaign(place / "plans" / "HF-02.toml", today=TODAY)


def precise(campaign):
    """Return the campaign with a tenth of the cell's gain and load-path uncertainty, so that the other terms show."""
    c = campaign.calibrations["LC-1"]
    tenth = {name: dataclasses.replace(q, u=q.u / 10.0) for name, q in (("factor", c.stand_interaction.factor),)}
    reference = dataclasses.replace(c.reference_uncertainty, value=c.reference_uncertainty.value / 10.0)
    cell = c.model_copy(
        update={
            "reference_uncertainty": reference,
            "stand_interaction": c.stand_interaction.model_copy(update=tenth),
        }
    )
    return dataclasses.replace(campaign, calibrations={**campaign.calibrations, "LC-1": cell})


def truths(campaign, count, errors=None):
    """Perform the slow physics, each with a truth of its own."""
    draws = [Draw(9000 + k, errors or Errors()) for k in range(count)]
    return [perform(world_of(campaign.plan, campaign.stand, draw), campaign.stand) for draw in draws]


def clean_errors(campaign, physics):
    """Return the relative impulse error of a run without any instrument error, per orientation."""
    found = {}
    for nozzle in NOZZLES:
        stand = campaign.stand.model_copy(update={"nozzle": nozzle})
        draw = Draw(1, Errors.none())
        rehearsal = instrument(campaign, on_stand(physics, stand), draw, tags=NEEDED)
        plan = noted_plan(campaign.plan, physics.world, draw)
        results = analyse_static_fire(dataset_of(campaign, rehearsal, plan=plan, stand=stand)).results
        found[nozzle] = results.impulse.value / rehearsal.truth.impulse_site - 1.0
    return found


def pulls(campaign, physics, nozzle, runs, seed=0):
    """Draw every claimed error ``runs`` times on one orientation."""
    stand = campaign.stand.model_copy(update={"nozzle": nozzle})
    placed = [on_stand(one, stand) for one in physics]
    rows = []
    for k in range(runs):
        one = placed[k % len(placed)]
        draw = Draw(100_000 * (NOZZLES.index(nozzle) + 1) + seed + k)
        rehearsal = instrument(campaign, one, draw, tags=NEEDED)
        plan = noted_plan(campaign.plan, one.world, draw)
        results = analyse_static_fire(dataset_of(campaign, rehearsal, plan=plan, stand=stand)).results
        truth = rehearsal.truth
        site, vacuum = results.impulse, results.impulse_vacuum
        rows.append(
            (
                (site.value - truth.impulse_site) / site.u,
                (vacuum.value - truth.impulse_vacuum) / vacuum.u,
                100.0 * (site.value / truth.impulse_site - 1.0),
                100.0 * site.u / site.value,
            )
        )
    return Pulls(*np.array(rows).T)


def pooled(parts):
    """Put orientations together."""
    return Pulls(*(np.concatenate([getattr(p, f) for p in parts]) for f in ("site", "vacuum", "percent", "claimed")))


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=100, help="per orientation")
    parser.add_argument("--physics", type=int, default=PHYSICS, help="different truths")
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--precise", action="store_true", help="a tenth of the cell's gain uncertainty")
    asked = parser.parse_args()
    campaign = campaign_for_study()
    campaign = precise(campaign) if asked.precise else campaign
    physics = truths(campaign, asked.physics)
    for nozzle, error in clean_errors(campaign, truths(campaign, 1, Errors.none())[0]).items():
        print(f"clean, nozzle {nozzle}: error {100.0 * error:+.4f} %")
    parts = []
    for nozzle in NOZZLES:
        parts.append(pulls(campaign, physics, nozzle, asked.runs, asked.seed))
        print(parts[-1].line(nozzle), flush=True)
    print(pooled(parts).line("pooled"))


if __name__ == "__main__":
    main()
