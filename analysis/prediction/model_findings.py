"""Check a prediction for uses of the model at its edge, and for contradictions in the plan.

SI, absolute pressures; sentences show bar. Each function returns one finding, or ``None`` where all is well.
"""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy.constants import bar

from standbook.analysis.findings.firing import RUN_OUT_ORDER_PREDICTED
from standbook.analysis.findings.prediction import (
    CSTAR_TABLE_LEFT,
    DRAWS_HELD,
    HEAD_LEFT_OUT,
    MEAN_BELOW_NOMINAL,
    RUN_OUT_ORDER_UNSURE,
    SAMPLES_UNFINISHED,
    STAND_RATED_LOAD,
    START_PRESSURES_DRAWN_TOGETHER,
    THROAT_NOT_CHOKED,
)
from standbook.analysis.findings.thrust import STIFFNESS_LOW_PREDICTED
from standbook.analysis.physics.engine import critical_pressure_ratio
from standbook.analysis.results.prediction import Scalar
from standbook.daq.config.plan import Engine, Plan
from standbook.daq.config.stand import Stand
from standbook.daq.findings.finding import Finding

LEAST_STIFFNESS = 0.20  # rules of thumb for feed drop over chamber pressure run from 0.10 to 0.30
COMBUSTION_GAMMA = 1.2  # of the gas in the throat, for the choking check alone
TELLING_SHARE = 0.05  # of the samples, from which a departure is worth a word
TELLING_LOSS = 0.001  # of the impulse
_LIQUIDS = ("oxidiser", "fuel")


def common(plan: Plan, held: int, *, unfinished: int) -> tuple[Finding, ...]:
    """Check what applies to firings and cold flows alike."""
    found = []
    blind = [tank.name for tank in plan.tank if tank.internal_diameter is None]
    if blind:
        found.append(HEAD_LEFT_OUT.at(blind[0], blind=" and ".join(blind)))
    if len(plan.tank) > 1 and all(tank.start_pressure.u > 0.0 for tank in plan.tank):
        found.append(START_PRESSURES_DRAWN_TOGETHER.at(None))
    if held:
        found.append(DRAWS_HELD.at(None, held=held))
    if unfinished:
        found.append(SAMPLES_UNFINISHED.at(None, unfinished=unfinished))
    return tuple(found)


def mean_below_nominal(scalars: Mapping[str, Scalar]) -> Finding | None:
    """Report that scatter strands propellant."""
    impulse = scalars["impulse"]
    if impulse.mean >= impulse.nominal * (1.0 - TELLING_LOSS):
        return None
    left, meant = (
        sum(getattr(scalars[f"left aboard/{name}"], which) for name in _LIQUIDS) for which in ("mean", "nominal")
    )
    return MEAN_BELOW_NOMINAL.at(
        None,
        mean=impulse.mean,
        below=impulse.nominal - impulse.mean,
        nominal=impulse.nominal,
        left=left,
        meant=meant,
    )


def run_out_order(engine: Engine, nominal: int, samples: NDArray[np.int64]) -> Finding | None:
    """Compare the liquid that is depleted first with the plan's intention."""
    wanted = engine.run_out_first
    if wanted not in _LIQUIDS or nominal < 0:
        return None
    row = _LIQUIDS.index(wanted)
    other, share = _LIQUIDS[1 - row], float(np.mean(samples == 1 - row))
    if nominal != row:
        return RUN_OUT_ORDER_PREDICTED.at(other, wanted=wanted, share_percent=100.0 * share)
    if share < TELLING_SHARE:
        return None
    return RUN_OUT_ORDER_UNSURE.at(other, capitalize=wanted.capitalize(), share_percent=100.0 * share)


def stiffness(scalars: Mapping[str, Scalar]) -> Finding | None:
    """Report the lowest injector pressure-drop ratio of the nominal run."""
    found = [(scalars[f"injector stiffness at {w}/{n}"].nominal, w, n) for w in ("start", "end") for n in _LIQUIDS]
    least, when, name = min(found)
    if least >= LEAST_STIFFNESS:
        return None
    return STIFFNESS_LOW_PREDICTED.at(name, least=least, when=when)


def mixture_outside_table(engine: Engine, scalars: Mapping[str, Scalar]) -> Finding | None:
    """Report that the c* table was left."""
    first, last = engine.cstar_table[0][0], engine.cstar_table[-1][0]
    ratios = [scalars[f"mixture ratio at {when}"] for when in ("start", "end")]
    low, high = min(r.low for r in ratios), max(r.high for r in ratios)
    if first <= low and high <= last:
        return None
    outside = any(not first <= r.nominal <= last for r in ratios)
    return CSTAR_TABLE_LEFT.at(
        None, severity="caution" if outside else "note", low=low, high=high, first=first, last=last
    )


def unchoked(plan: Plan, scalars: Mapping[str, Scalar]) -> Finding | None:
    """Report that the throat may be unchoked, so that the thrust relation does not hold."""
    needed = plan.site.ambient_pressure.value / critical_pressure_ratio(COMBUSTION_GAMMA)
    low = scalars["chamber pressure at end"].low
    if low >= needed:
        return None
    return THROAT_NOT_CHOKED.at(None, low=low / bar, needed=needed / bar)


def rated_load(stand: Stand, scalars: Mapping[str, Scalar]) -> Finding | None:
    """Compare the maximum predicted thrust with the stand's rated load."""
    thrust = scalars["thrust at start"].high
    if stand.rated_load is None or thrust <= stand.rated_load.value:
        return None
    return STAND_RATED_LOAD.at(None, 0.0, thrust=thrust, stand_name=stand.name, rated_load=stand.rated_load.value)
