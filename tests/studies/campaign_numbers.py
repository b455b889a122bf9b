"""Are the numbers about several runs what they claim to be? Campaigns drawn here, held against what was asked for.

Own errors, scatter from run to run, common errors, drifts and breaks are drawn by their definitions alone; nothing of
the rules under study is used to draw them. The figures asked for come from a simulation that the rules were chosen by,
not from a handbook; each line prints both. Run from the project's folder, one part at a time:

    python -m tests.studies.campaign_numbers --part pooling --series 4000
"""

import argparse
import dataclasses
import tempfile
from pathlib import Path

import numpy as np
from scipy.stats import norm

from standbook.analysis.campaign.next_load import FiredOnce, next_load, nominal_impulses
from standbook.analysis.several_runs.difference import compared, difference_u
from standbook.analysis.several_runs.next_run import prediction_factor, scatter_after, tolerance_factor
from standbook.analysis.several_runs.pooling import pooled
from standbook.analysis.several_runs.trends import slope_of, split_of
from standbook.daq.config.campaign import read_campaign
from tests.campaign_fixture import TODAY, campaign

SEED = 20310614
OWN = 0.35  # %, own u of a run that is pooled
TAUS = (0.0, 0.35, 0.7, 1.5)  # %
WIDEST = {2: (3.7, 11.3), 3: (1.0, 3.4), 4: (0.6, 2.2), 6: (0.4, 1.5)}  # %, mean half-width at the first and last tau
BETWEEN, U_PREDICTED, ASSUMED = (0.010, 0.015, 0.030, 0.045), 0.06, 0.015
# Of the bound by prior with three degrees of freedom, at each true scatter: held and margin above the mean, both in %.
PRIOR_OF_THREE = {
    1: ((100, 4.5), (99, 4.6), (88, 4.4), (76, 4.6)),
    2: ((100, 3.5), (99, 3.8), (87, 4.5), (84, 5.8)),
    3: ((100, 3.0), (98, 3.4), (91, 4.7), (85, 6.2)),
    5: ((99, 2.5), (96, 3.1), (91, 4.8), (88, 6.7)),
}
SLOPE_SEEN = {3: 30, 4: 61, 5: 88, 6: 99}  # % of drifts of 1 u a run, at 5 %
OWN_PART, COMMON_PART = 0.15, 0.40  # % of two runs by one cell
PART_U, LOAD_U = 0.006, 0.0055  # of an impulse; what weighed loads leave open of it


def pooling_figures(random, series, n, tau, common=0.0, own=OWN):
    """Return the share of 95 % intervals that hold the truth, and their mean half-width."""
    u = np.broadcast_to(own, n)
    held, width = 0, 0.0
    for _ in range(series):
        shift = common * random.standard_normal()
        values = 100.0 + shift + tau * random.standard_normal(n) + u * random.standard_normal(n)
        found = pooled(values.tolist(), u.tolist(), common)
        held += abs(found.value - 100.0) <= found.half_width
        width += found.half_width
    return held / series, width / series


def pooling(random, series):
    for n in (2, 3, 4, 5, 6):
        for tau in TAUS:
            held, width = pooling_figures(random, series, n, tau)
            place = (0.0, 1.5).index(tau) if tau in (0.0, 1.5) else None
            asked = f", asked for at most {1.1 * WIDEST[n][place]:.2f}" if place is not None and n in WIDEST else ""
            print(f"n {n} tau {tau:.2f} %: held {100 * held:.1f} % (at least 93), half-width {width:.2f} %{asked}")
    for tau in (0.0, 0.7):
        held, _ = pooling_figures(random, series, 4, tau, own=OWN * np.array([0.6, 1.0, 1.0, 2.0]))
        print(f"n 4 own u unequal, tau {tau:.1f} %: held {100 * held:.1f} %")
    for n in (2, 3, 4, 6):
        for tau in TAUS:
            said = [pooling_figures(random, series, n, tau, common) for common in (0.1, 0.25, 0.5)]
            print(
                f"n {n} tau {tau:.2f} %, common 0.1, 0.25, 0.5 %: held "
                + ", ".join(f"{100 * held:.1f} ({width:.2f})" for held, width in said)
                + " % (at least 93; mean half-width)"
            )


@dataclasses.dataclass(frozen=True)
class Held:
    """How often a bound held the next run, and its mean margin above the level."""

    prior: float
    margin: float
    prediction: float = np.nan
    tolerance: float = np.nan
    larger: float = np.nan  # of the prior's and the prediction's


def next_run_figures(random, series, n, between, dof=1.0):
    """Draw a level about its prediction, n runs and the next one."""
    kept = []
    for _ in range(series):
        level = 1.0 + U_PREDICTED * random.standard_normal()
        shares = level * (1.0 + between * random.standard_normal(n))
        coming = level * (1.0 + between * random.standard_normal())
        known = scatter_after(shares.tolist(), scatter=ASSUMED, dof=dof)
        prior = known.level * (1.0 + known.margin)
        row = [coming <= prior, known.margin]
        if n > 1:
            mean, sd = shares.mean(), shares.std(ddof=1)
            prediction = mean + prediction_factor(n) * sd
            row += [coming <= prediction, coming <= mean + tolerance_factor(n) * sd, coming <= max(prior, prediction)]
        kept.append(row)
    return Held(*np.mean(kept, axis=0))


def next_run(random, series):
    for n in (1, 2, 3, 4, 5):
        for place, between in enumerate(BETWEEN):
            held = next_run_figures(random, series, n, between)
            three = next_run_figures(random, series, n, between, dof=3.0)
            asked = "{} / {}".format(*PRIOR_OF_THREE[n][place]) if n in PRIOR_OF_THREE else "not given"
            need = " (at least 93)" if between <= ASSUMED else ""
            print(
                f"n {n} scatter {100 * between:.1f} %: prior {100 * held.prior:.1f} %{need}, margin "
                f"{100 * held.margin:.1f} %; prediction {100 * held.prediction:.1f}, tolerance "
                f"{100 * held.tolerance:.1f}, larger {100 * held.larger:.1f} %; prior of three degrees "
                f"{100 * three.prior:.1f} / {100 * three.margin:.1f} (asked {asked})"
            )


def stable(random, n, u=1.0):
    return (u * random.standard_normal(n)).tolist()


def alarm_figures(random, series, n):
    """Return the shares of stable series in which slope and split see something."""
    seen = np.zeros(2)
    for _ in range(series):
        values, u = stable(random, n), [1.0] * n
        seen += slope_of(values, u).is_seen, split_of(values, u).is_seen
    return seen / series


def drift_figures(random, series, n):
    """Return the shares of drifts of 1 u a run that the slope sees, at 1 % and at 5 %."""
    seen = np.zeros(2)
    for _ in range(series):
        values, u = (np.arange(n) + random.standard_normal(n)).tolist(), [1.0] * n
        slope = slope_of(values, u)
        at_five = abs(slope.per_run) > norm.ppf(0.975) * slope.u
        seen += slope.is_seen, at_five
    return seen / series


def break_figures(random, series, n, step, u, scatter):
    """Return the share of series with one break in the middle that the split sees at its place."""
    found = 0
    for _ in range(series):
        values = np.hypot(u, scatter) * random.standard_normal(n) + np.where(np.arange(n) >= n // 2, step, 0.0)
        split = split_of(values.tolist(), [u] * n, scatter=scatter)
        found += split.is_seen and split.before == n // 2
    return found / series


def trends(random, series):
    for n in (3, 4, 5, 6, 7, 8, 9, 10, 12, 16, 24):
        slope, split = 100.0 * alarm_figures(random, series, n)
        asked = "at most 1.3" if n <= 10 else "beyond what was asked"
        print(f"n {n} stable: slope {slope:.2f} %, split {split:.2f} % ({asked})")
    for n, asked in SLOPE_SEEN.items():
        one, five = 100.0 * drift_figures(random, series, n)
        need = ", at least 85" if n == 5 else ""
        print(f"n {n} drift 1 u a run: slope {one:.1f} % at 1 %, {five:.1f} % at 5 % (asked {asked}{need})")
    for step in (3.0, 4.0, 5.0):
        found = break_figures(random, series, 8, step, 1.0, 0.0)
        print(f"n 8 break of {step:.0f} u in the middle: found at its place {100 * found:.1f} %")


def pair_figures(random, series, true, *, remounted=False, own=OWN_PART, common=COMMON_PART):
    """Draw pairs of runs; return the share held by 95 % and those named changed and same."""
    a = {"own": own, "cell": common}
    u = difference_u(a, a, frozenset({"cell"}))
    first_cell = common * random.standard_normal(series)
    second_cell = common * random.standard_normal(series) if remounted else first_cell
    first = 100.0 + first_cell + own * random.standard_normal(series)
    second = 100.0 + true + second_cell + own * random.standard_normal(series)
    said = [compared(float(one), float(two), u).says for one, two in zip(first, second, strict=True)]
    held = np.mean(np.abs(second - first - true) <= norm.ppf(0.975) * u)
    return held, said.count("changed") / series, said.count("same") / series


def pairs(random, series):
    for true, asked in ((0.0, "same 99.8"), (0.5, "same 76"), (1.0, "changed 96, same 5.0")):
        held, changed, same = (100.0 * share for share in pair_figures(random, series, true))
        print(
            f"true {true:.1f} %: held {held:.1f} % (93 to 97), changed {changed:.1f} %, same {same:.1f} % "
            f"(asked {asked})"
        )
    for own in (0.05, 0.3, 0.45):
        same = 100.0 * pair_figures(random, series, 1.0, own=own)[2]
        print(f"true 1.0 %, own {own} %: same {same:.1f} % (at most 5.5)")
    held = 100.0 * pair_figures(random, series, 0.0, remounted=True)[0]
    print(f"cell remounted and nothing said: held {held:.1f} %, which is why the assumption must be printed")


class Loads:
    """The starter's firing plan, what its model says of each load, and bounds of loads by :func:`next_load`."""

    def __init__(self):
        with tempfile.TemporaryDirectory() as folder:
            place = campaign(Path(folder)) / "plans" / "HF-02.toml"
            self.plan = read_campaign(place, today=TODAY).plan
        self.nominal = nominal_impulses(self.plan)
        self.planned = sum(tank.liquid_load.value for tank in self.plan.tank)
        shares = np.linspace(0.6, 1.25, 14)
        self.shares, self.vacuum = shares, np.array([self._at(share)["vacuum"] for share in shares])

    def _at(self, share):
        tanks = tuple(
            tank.model_copy(
                update={"liquid_load": dataclasses.replace(tank.liquid_load, value=share * tank.liquid_load.value)}
            )
            for tank in self.plan.tank
        )
        return nominal_impulses(self.plan.model_copy(update={"tank": tanks}))

    def firings(self, shares):
        """Return firings at the planned load whose impulse was these shares of the model's."""
        u = dict.fromkeys(self.nominal, PART_U)
        return [
            FiredOnce(
                number=f"HF-{k}",
                measured={place: share * value for place, value in self.nominal.items()},
                u=u,
                predicted=self.nominal,
            )
            for k, share in enumerate(shares, start=1)
        ]

    def exceeded(self, load, level, between):
        """Return how probably the next firing at a load passes the limit, referred to vacuum, which always binds."""
        model = level * np.interp(load / self.planned, self.shares, self.vacuum)
        spread = np.hypot(between, LOAD_U)
        return norm.sf((self.plan.impulse_class.limit.value / model - 1.0) / spread)


def load_figures(random, loads, draws, n, between):
    """Return mean probabilities that the next firing exceeds: at the load as bounded, and at the run's alone."""
    bounded, alone, kept = 0.0, 0.0, 0.0
    errors = norm.ppf((random.permutation(draws) + random.random(draws)) / draws)  # one in each stratum
    for error in errors:
        level = 1.0 + U_PREDICTED * random.standard_normal()
        own = np.hypot(between, np.hypot(PART_U, LOAD_U))
        shares = level * (1.0 + own * np.append(random.standard_normal(n - 1), error))
        found = next_load(loads.plan, loads.firings(shares.tolist()))
        bounded += loads.exceeded(found.load, level, between)
        alone += loads.exceeded(found.alone, level, between)
        kept += found.load / loads.planned
    return bounded / draws, alone / draws, kept / draws


def load(random, series):
    loads = Loads()
    for n in (1, 2, 3):
        for between in (0.0, 0.005, 0.010, 0.015, 0.030):
            bounded, alone, kept = load_figures(random, loads, max(series // 100, 10), n, between)
            need = " (at most 5)" if between <= ASSUMED else ""
            print(
                f"n {n} scatter {100 * between:.1f} %: next firing exceeds {100 * bounded:.2f} %{need}; "
                f"at the load by one run alone {100 * alone:.0f} %; load {kept:.3f} of the planned"
            )


PARTS = {"pooling": pooling, "next": next_run, "trends": trends, "pairs": pairs, "load": load}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--part", choices=PARTS, required=True)
    parser.add_argument("--series", type=int, default=4000)
    asked = parser.parse_args()
    PARTS[asked.part](np.random.default_rng(SEED), asked.series)


if __name__ == "__main__":
    main()
