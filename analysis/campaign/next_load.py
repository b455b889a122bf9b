"""Find the greatest load of the next firing whose bound stays inside the class, from the firings that were made. SI.

Each firing is taken as a share of what the model says of it at its own load; level and scatter of these shares carry
to the next plan, whose model says how impulse grows with load. This bounds a class; it releases nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from standbook.analysis.prediction.class_margin import fullest_share
from standbook.analysis.prediction.predict_firing import impulses_by_load
from standbook.analysis.several_runs.next_run import Scatter, prediction_factor, scatter_after
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Plan
from standbook.daq.errors import DataError

LEAST, LOADS = 0.2, 25  # of the planned load; loads fired at once
STEP = 0.05  # kg, to which a load is rounded down
PLACES = ("site", "vacuum")
ONE_SIDED = 1.645  # standard uncertainties, 95 %
AGREES = 1e-6  # of the load


@dataclass(frozen=True, slots=True, kw_only=True)
class FiredOnce:
    """One firing as it stands against the model at its own load."""

    number: str
    measured: Mapping[str, float]  # impulse by place [N*s]
    u: Mapping[str, float]  # relative standard uncertainty by place
    predicted: Mapping[str, float]  # by the model at the loads as weighed [N*s]
    allowance: float = 0.0  # what no check excluded, on the upper side only [N*s]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextLoad:
    """The greatest load, and what stops it there."""

    load: float  # of both liquids, rounded down [kg]
    by_tank: Mapping[str, float]  # the same split as planned [kg]
    binds: str  # "site", "vacuum", "tank" or "lift-off"
    planned: float  # of both liquids [kg]
    alone: float  # by the newest firing without scatter, not rounded [kg]
    bound: Mapping[str, float]  # one-sided 95 %, at that load, by place [N*s]
    limit: float  # [N*s]
    scatter: Scatter  # at site


def next_load(plan: Plan, firings: Sequence[FiredOnce], *, lift_share: float | None = None) -> NextLoad:
    """Solve for the load.

    Parameters
    ----------
    plan : Plan
        Of the next firing; its loads give the split.
    firings : sequence of FiredOnce
        Of one configuration, oldest first, one at least.
    lift_share : float, optional
        Multiple of the load that the thrust at start still lifts as the plan asks.

    Raises
    ------
    DataError
        The plan has no limit, there is no firing, or not even a fifth of the load stays inside.

    Notes
    -----
    I f(x)/f(1) (1 + t(nu) sqrt(u^2 + s^2 (1 + 1/k) + (e u_load)^2)) + a = L at site and in vacuum, e the elasticity of
    the impulse by the load. From two firings on, the bound by their own scatter alone counts where it is larger.
    """
    if plan.impulse_class is None:
        raise DataError(f"{plan.test.number}: names no limit that a load could stay within")
    if not firings:
        raise DataError("no firing of this configuration to start from")
    limit, load = plan.impulse_class.limit.value, sum(tank.liquid_load.value for tank in plan.tank)
    fullest = fullest_share(plan)
    curves = _curves(plan, fullest)
    load_u = sum(tank.liquid_load.u for tank in plan.tank) / load
    bounds = {place: _bound(curve, firings, place, load_u) for place, curve in curves.items()}
    found = [(fullest, "tank"), *((_root(bounds[place], limit, fullest, place), place) for place in PLACES)]
    if lift_share is not None:
        found.append((max(LEAST, lift_share), "lift-off"))
    alone = [_root(_only(firings[-1], curve, place), limit, fullest, place) for place, curve in curves.items()]
    share, binds = min(found, key=lambda pair: pair[0])  # of equals the first: the tank, where no limit is met
    rounded = float(STEP * np.floor(share * load / STEP + 1e-9))
    return NextLoad(
        load=rounded,
        by_tank={tank.name: rounded * tank.liquid_load.value / load for tank in plan.tank},
        binds=binds,
        planned=load,
        alone=min(fullest, *alone) * load,
        bound={place: bounds[place](rounded / load) for place in PLACES},
        limit=limit,
        scatter=_scatter(firings, "site"),
    )


def _curves(plan: Plan, fullest: float) -> dict[str, CubicSpline]:
    """Return the model's impulse over the share of the planned load, by place. [N*s]."""
    shares = np.unique(np.append(np.linspace(LEAST, fullest, LOADS), 1.0))
    curves = zip(PLACES, impulses_by_load(plan, shares), strict=True)
    return {place: CubicSpline(shares[np.isfinite(c)], c[np.isfinite(c)]) for place, c in curves}


def _scatter(firings: Sequence[FiredOnce], place: str) -> Scatter:
    return scatter_after([firing.measured[place] / firing.predicted[place] for firing in firings])


def _bound(curve: CubicSpline, firings: Sequence[FiredOnce], place: str, load_u: float) -> Callable[[float], float]:
    """Return the one-sided bound of the next firing at a share of the planned load. [N*s]."""
    known = _scatter(firings, place)
    shares = np.array([firing.measured[place] / firing.predicted[place] for firing in firings])
    u = max(firing.u[place] for firing in firings)  # mostly common: never divided by their number
    allowance = max(firing.allowance for firing in firings)
    slope = curve.derivative()

    def bound(share: float) -> float:
        predicted = float(curve(share))
        elasticity = share * float(slope(share)) / predicted
        upper = known.level + known.margin_with(u, elasticity * load_u)
        if shares.size > 1:
            own = prediction_factor(shares.size) * float(np.std(shares, ddof=1))
            upper = max(upper, float(np.mean(shares)) + np.hypot(own, ONE_SIDED * np.hypot(u, elasticity * load_u)))
        return predicted * float(upper) + allowance

    return bound


def _only(firing: FiredOnce, curve: CubicSpline, place: str) -> Callable[[float], float]:
    """Return the bound by one firing's own uncertainty, as if none scattered. [N*s]."""
    level = firing.measured[place] / firing.predicted[place] * (1.0 + ONE_SIDED * firing.u[place])
    return lambda share: float(curve(share)) * level + firing.allowance


def _root(bound: Callable[[float], float], limit: float, fullest: float, place: str) -> float:
    """Return the share of the load at which a bound meets the limit; the fullest where it never does."""
    if bound(fullest) <= limit:
        return fullest
    if bound(LEAST) >= limit:
        raise DataError(f"{place}: not even {100.0 * LEAST:g} % of the load stays inside {limit:,.0f} N*s")
    return float(brentq(lambda share: bound(share) - limit, LEAST, fullest, xtol=AGREES))


def nominal_impulses(plan: Plan) -> dict[str, float]:
    """Return what the model says of a plan at its loads, by place. [N*s]."""
    ones: Array = np.ones(1)
    return {place: float(value[0]) for place, value in zip(PLACES, impulses_by_load(plan, ones), strict=True)}
