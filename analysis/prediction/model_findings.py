"""What a person must know before trusting a prediction: where the model is used at its edge, or the plan is at odds.

SI, absolute pressures; sentences show bar. Each function returns one finding, or ``None`` where all is well.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.constants import bar

from standbook.analysis.physics.engine import critical_pressure_ratio
from standbook.analysis.results.prediction import Scalar
from standbook.analysis.results.results import Finding
from standbook.daq.config.plan import Engine, Plan
from standbook.daq.config.stand import Stand

LEAST_STIFFNESS = 0.20  # rules of thumb for feed drop over chamber pressure run from 0.10 to 0.30
COMBUSTION_GAMMA = 1.2  # of the gas in the throat, for the choking check alone
TELLING_SHARE = 0.05  # of the samples, from which a departure is worth a word
TELLING_LOSS = 0.001  # of the impulse
_LIQUIDS = ("oxidiser", "fuel")


def common(plan: Plan, held: int, *, unfinished: int) -> tuple[Finding, ...]:
    """Say what holds for firings and cold flows alike."""
    found = []
    blind = [tank.name for tank in plan.tank if tank.internal_diameter is None]
    if blind:
        text = (
            f"Tank {' and '.join(blind)}: no internal_diameter in the plan, so the weight of the liquid column is left"
            " out of the driving pressure; flow is a little higher than predicted."
        )
        found.append(Finding("head-left-out", "note", blind[0], None, text))
    if len(plan.tank) > 1 and all(tank.start_pressure.u > 0.0 for tank in plan.tank):
        text = (
            "The start pressures of the tanks were drawn together, as read off one kind of gauge: alike errors add up"
            " in the impulse. With independent gauges the band is a little narrower in impulse, wider in mixture ratio."
        )
        found.append(Finding("start-pressures-drawn-together", "note", None, None, text))
    if held:
        text = (
            f"{held} drawn values were held at a physical bound (positive, tank not overfull); the plan's uncertainties"
            " are too wide for normal distributions there, so read the band's ends with care."
        )
        found.append(Finding("draws-held", "caution", None, None, text))
    if unfinished:
        text = (
            f"{unfinished} samples had not run out where the prediction stops; their numbers at the end stand for"
            " that instant. Check start pressures and feed CdA, and their uncertainties."
        )
        found.append(Finding("samples-unfinished", "caution", None, None, text))
    return tuple(found)


def mean_below_nominal(scalars: Mapping[str, Scalar]) -> Finding | None:
    """Say that scatter strands propellant."""
    impulse = scalars["impulse"]
    if impulse.mean >= impulse.nominal * (1.0 - TELLING_LOSS):
        return None
    left, meant = (
        sum(getattr(scalars[f"left aboard/{name}"], which) for name in _LIQUIDS) for which in ("mean", "nominal")
    )
    text = (
        f"The mean of the samples, {impulse.mean:,.0f} N*s, lies {impulse.nominal - impulse.mean:,.0f} N*s below the"
        f" nominal {impulse.nominal:,.0f} N*s: any mismatch of the two sides strands propellant, {left:.2f} kg left"
        f" aboard on average against {meant:.2f} kg nominal."
    )
    return Finding("mean-below-nominal", "note", None, None, text)


def run_out_order(engine: Engine, nominal: int, samples: NDArray[np.int64]) -> Finding | None:
    """Set the liquid that runs out first against the plan's intention."""
    wanted = engine.run_out_first
    if wanted not in _LIQUIDS or nominal < 0:
        return None
    row = _LIQUIDS.index(wanted)
    other, share = _LIQUIDS[1 - row], float(np.mean(samples == 1 - row))
    if nominal != row:
        text = (
            f"The plan wants {wanted} to run out first, but {other} does, nominally and in {100.0 * share:.0f} % of the"
            " samples; adjust the loads."
        )
        return Finding("run-out-order", "caution", other, None, text)
    if share < TELLING_SHARE:
        return None
    text = f"{wanted.capitalize()} runs out first as planned, but in {100.0 * share:.0f} % of the samples {other} does."
    return Finding("run-out-order-unsure", "note", other, None, text)


def stiffness(scalars: Mapping[str, Scalar]) -> Finding | None:
    """Name the softest feed line of the nominal run."""
    found = [(scalars[f"injector stiffness at {w}/{n}"].nominal, w, n) for w in ("start", "end") for n in _LIQUIDS]
    least, when, name = min(found)
    if least >= LEAST_STIFFNESS:
        return None
    text = (
        f"Feed drop over chamber pressure falls to {least:.2f} on the {name} side at the {when}; rules of thumb ask"
        " for 0.10 to 0.30 (they differ in what they count), so watch for feed-coupled oscillation there."
    )
    return Finding("stiffness-low", "note", name, None, text)


def mixture_outside_table(engine: Engine, scalars: Mapping[str, Scalar]) -> Finding | None:
    """Say that the c* table was left."""
    first, last = engine.cstar_table[0][0], engine.cstar_table[-1][0]
    ratios = [scalars[f"mixture ratio at {when}"] for when in ("start", "end")]
    low, high = min(r.low for r in ratios), max(r.high for r in ratios)
    if first <= low and high <= last:
        return None
    outside = any(not first <= r.nominal <= last for r in ratios)
    text = (
        f"Mixture ratios from {low:.2f} to {high:.2f} leave the plan's c* table ({first:g} to {last:g}); c* was held at"
        " the table's end there. Extend the table."
    )
    return Finding("cstar-table-left", "caution" if outside else "note", None, None, text)


def unchoked(plan: Plan, scalars: Mapping[str, Scalar]) -> Finding | None:
    """Say that the throat may no longer be choked, so that the thrust relation does not hold."""
    needed = plan.site.ambient_pressure.value / critical_pressure_ratio(COMBUSTION_GAMMA)
    low = scalars["chamber pressure at end"].low
    if low >= needed:
        return None
    text = (
        f"Chamber pressure falls to {low / bar:.2f} bar(a) in the band's lower end; below {needed / bar:.2f} bar(a) the"
        " throat is not choked and thrust, flow and impulse are not predicted well."
    )
    return Finding("throat-not-choked", "caution", None, None, text)


def rated_load(stand: Stand, scalars: Mapping[str, Scalar]) -> Finding | None:
    """Set the greatest predicted thrust against what the stand is rated for."""
    thrust = scalars["thrust at start"].high
    if stand.rated_load is None or thrust <= stand.rated_load.value:
        return None
    text = (
        f"The upper end of predicted thrust, {thrust:,.0f} N, is over the rated load of stand {stand.name},"
        f" {stand.rated_load.value:,.0f} N; do not fire on it."
    )
    return Finding("stand-rated-load", "serious", None, 0.0, text)
