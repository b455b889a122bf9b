"""Does the diagnosis name the right cause, and is it silent on a healthy run?

Reference case of `tests.studies.water_flow_accuracy` with one mistake made, every other error drawn; what stayed
aboard is weighed too, and a tank that stands open to the air begins the record. Through counts and the whole analysis,
no port. Prints a confusion matrix: rows what was wrong, columns what was named first. Wanted: the right cause among
the first two in 80 % of the runs, pooled; a cause named on no more than 2 % of the healthy ones. Run from the
project's folder:

    python -m tests.studies.diagnosis --runs 20 --healthy 200
"""

import argparse
import dataclasses
import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from standbook.analysis.kinds.registry import analyse, predict
from standbook.analysis.simulation.draw import Draw, Errors
from standbook.analysis.simulation.mistakes import Mistaken, mistaken
from standbook.analysis.simulation.story import rehearse
from standbook.analysis.simulation.world import world_of
from standbook.daq.quantity import parse_quantity
from tests.rehearsed import dataset_of, with_clip
from tests.studies.water_flow_accuracy import MASS_SHARE_U, WHITE_NOISE, demo_campaign, reference_campaign

TANK, TAG = "tank", "PT-1"
REST_U = 0.02  # kg, of what is drained
NONE = "none"


@dataclass(frozen=True)
class Trial:
    """One cause with the sizes that are played, evenly by their logarithm; both signs where ``both``."""

    name: str
    least: float
    most: float
    both: bool = False
    answers: tuple[str, ...] = ()  # other names that are right too
    play: str = ""  # the mistake, where it is not the name


# Sizes of fitting.md's table and somewhat beyond either side, where a crew would still want to know.
TRIALS = (
    Trial("ullage-leak", 0.7e-6, 4e-6),
    Trial("supply-leaks-in", 0.05e-6, 0.3e-6),
    Trial("supply-open", 0.5, 2.0),
    Trial("tank-volume", 0.08, 0.2, both=True),
    Trial("load-note", 0.03, 0.1, both=True),
    Trial("amount-note", 0.03, 0.1, both=True),
    Trial("sensor-zero", 0.02, 0.05, both=True),
    Trial("gauge-as-absolute", 1.0, 1.0),
    Trial("gas-not-settled", 15.0, 40.0, both=True),
    Trial("cold-liquid", 80.0, 150.0),
    Trial("gas-pulled-through", 0.15, 0.5),
    Trial("valve-creeps", 0.02, 0.04, both=True),
    Trial("slow-valve", 1.5, 3.0),
    Trial("area-changed", 0.1, 0.4, both=True),
    Trial("sensor-clipped", 0.80, 0.95),
)
# A firing: the plan's oxidiser exponent set right, so that one assumption at a time can move. Shares of the true value.
FIRING_TRIALS = (
    Trial("cstar", 0.06, 0.12, both=True, play="engine.cstar_efficiency"),
    Trial("thrust-coefficient", 0.05, 0.1, both=True, play="engine.thrust_coefficient"),
    Trial("cda-oxidiser", 0.1, 0.2, both=True, play="oxidiser.cda"),
    Trial("cda-fuel", 0.1, 0.2, both=True, play="fuel.cda"),
    Trial("exponent-oxidiser", 0.0, 0.0),
)
INVISIBLE = ("clock 0.5 %", "gain 0.5 %")


def drawn_size(trial, k):
    random = np.random.default_rng([k, 77])
    size = trial.least * (trial.most / trial.least) ** random.uniform()
    return float(size * (random.choice([-1.0, 1.0]) if trial.both else 1.0))


def play(campaign, seed, cause=None, size=0.0):
    """Return the data set of one run."""
    draw = Draw(seed, Errors(noise=WHITE_NOISE))
    plain = Mistaken(campaign, campaign, draw)
    spoilt = cause not in (None, "sensor-clipped", *INVISIBLE)
    run = mistaken(campaign, draw, cause, size, tank=TANK, tag=TAG) if spoilt else plain
    alter = None
    if cause == "sensor-clipped":
        alter = with_clip(TAG, size)
    if cause == "clock 0.5 %":
        alter = slow_clock
    if cause == "gain 0.5 %":
        run = mistaken(campaign, draw, "sensor-gain", 0.005, tank=TANK, tag=TAG)
    made_up = rehearse(run.played, run.draw)
    truth = made_up.truth
    u = MASS_SHARE_U * truth.expelled_mass[TANK]
    caught = (truth.expelled_mass[TANK] + u * draw.normal("weighing", "scale")) * run.caught_share
    rest = max(0.0, truth.residual_mass[TANK] + REST_U * draw.normal("weighing", "rest"))
    weighings = {TANK: {"caught": f"{caught:.4f} +/- {u:.4f} kg", "residual": f"{rest:.4f} +/- {REST_U:.4f} kg"}}
    made_up = dataclasses.replace(made_up, weighings=weighings)
    return dataset_of(run.noted, made_up, alter=alter), made_up


def firing_campaign(exponent="1.73 +/- 0.05"):
    """Return the demonstration's firing with another oxidiser exponent in its plan."""
    campaign = demo_campaign("HF-02")
    changed = {"ullage_exponent": parse_quantity(exponent, "number")}
    tanks = tuple(t.model_copy(update=changed) if t.name == "oxidiser" else t for t in campaign.plan.tank)
    return dataclasses.replace(campaign, plan=campaign.plan.model_copy(update={"tank": tanks}))


def play_firing(campaign, prediction, seed, trial=None, size=0.0):
    """Return the data set of one firing in which one true value differs."""
    fixed = {"oxidiser.heat_factor": 0.3, "oxidiser.gas_temperature": 190.0}
    if trial is not None and trial.play:
        world = world_of(campaign.plan, campaign.stand, Draw(seed))
        place, _, key = trial.play.partition(".")
        owner = world.engine if place == "engine" else world.tank(place)
        fixed[trial.play] = getattr(owner, key) * (1.0 + size)
    return dataset_of(campaign, rehearse(campaign, Draw(seed, fixed=fixed)), prediction=prediction)


def firing_confusion(runs, *, seed=0):
    """Return the same as `confusion` for firings."""
    right_plan, wrong_plan = firing_campaign(), demo_campaign("HF-02")
    predictions = [predict(c.plan, c.stand, samples=100) for c in (right_plan, wrong_plan)]
    named, right = {}, {}
    for trial in FIRING_TRIALS:
        campaign, prediction = (right_plan, predictions[0]) if trial.play else (wrong_plan, predictions[1])
        named[trial.name], right[trial.name] = Counter(), 0
        for k in range(runs):
            size = drawn_size(trial, seed + k) if trial.play else 0.0
            dataset = play_firing(campaign, prediction, 9000 + seed + k, trial, size)
            found = assumptions_named(analyse(dataset).results)
            named[trial.name][found[0] if found else NONE] += 1
            right[trial.name] += trial.name in found[:2]
    return named, right


def assumptions_named(results):
    return [f.code.removeprefix("assumption-") for f in results.findings if f.code.startswith("assumption-")]


def slow_clock(played):
    return dataclasses.replace(played, time=played.time * 0.995)


def causes_named(results):
    """Return the causes that were named, best first."""
    return [f.code.removeprefix("cause-") for f in results.findings if f.code.startswith("cause-")]


def confusion(campaign, trials, runs, *, seed=0):
    """Return by cause how often each was named first, and how often the right one was among the first two."""
    named, right = {}, {}
    for trial in trials:
        named[trial.name], right[trial.name] = Counter(), 0
        for k in range(runs):
            dataset, _ = play(campaign, 5000 + seed + k, trial.name, drawn_size(trial, seed + k))
            found = causes_named(analyse(dataset).results)
            named[trial.name][found[0] if found else NONE] += 1
            right[trial.name] += bool({trial.name, *trial.answers} & set(found[:2]))
    return named, right


def false_alarms(campaign, runs, *, seed=0):
    """Return the causes named first on healthy runs."""
    found = Counter()
    for k in range(runs):
        named = causes_named(analyse(play(campaign, 1000 + seed + k)[0]).results)
        found[named[0] if named else NONE] += 1
    return found


def invisible(campaign, runs, *, seed=0):
    """Return for each invisible error how often a cause was claimed, and how often the external check was asked for."""
    told = {}
    for cause in INVISIBLE:
        claimed, asked = 0, 0
        for k in range(runs):
            results = analyse(play(campaign, 7000 + seed + k, cause)[0]).results
            claimed += bool(causes_named(results))
            asked += any(f.code == "needs-external-check" for f in results.findings)
        told[cause] = (claimed, asked)
    return told


def lines(named, right, runs):
    columns = sorted({name for row in named.values() for name in row}, key=lambda n: (n == NONE, n))
    short = {name: f"{k:2d}" for k, name in enumerate(columns)}
    yield "columns: " + ", ".join(f"{short[name]} {name}" for name in columns)
    yield f"{'':20s} " + " ".join(f"{short[name]:>3s}" for name in columns) + "   in the first two"
    for name, row in named.items():
        cells = " ".join(f"{row[column] or '.':>3}" for column in columns)
        yield f"{name:20s} {cells}   {right[name]:3d} of {runs}"
    total = len(named) * runs
    share = sum(right.values()) / total
    error = math.sqrt(share * (1.0 - share) / total)
    yield f"pooled: {100.0 * share:.1f} % of {total} (standard error {100.0 * error:.1f} %)"


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--healthy", type=int, default=200)
    parser.add_argument("--firings", type=int, default=5)
    parser.add_argument("--only", nargs="*", default=[])
    asked = parser.parse_args()
    campaign = reference_campaign()
    trials = [trial for trial in TRIALS if not asked.only or trial.name in asked.only]
    for line in lines(*confusion(campaign, trials, asked.runs), asked.runs):
        print(line, flush=True)
    for cause, (claimed, told) in invisible(campaign, asked.runs).items():
        print(f"{cause}: a cause was claimed in {claimed}, an external check asked for in {told} of {asked.runs}")
    alarms = false_alarms(campaign, asked.healthy)
    wrong = asked.healthy - alarms[NONE]
    if asked.firings:
        print("firings, which assumption moved:")
        for line in lines(*firing_confusion(asked.firings), asked.firings):
            print(line, flush=True)
    print(
        f"healthy: a cause was named on {wrong} of {asked.healthy} ({100.0 * wrong / max(asked.healthy, 1):.1f} %)"
        f" {dict(alarms)}"
    )


if __name__ == "__main__":
    main()
