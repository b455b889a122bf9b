"""What stands between a measured impulse and its class: the doubt that is worth removing, the load that would fit.

SI. The model of the prediction carries the measured impulse to other loads; it says nothing of how the next firing
scatters, so a load from here is where planning begins.
"""

import math
from collections.abc import Mapping

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from standbook.analysis.findings.firing import LOAD_FOR_CLASS
from standbook.analysis.physics.impulse_limits import guard_factor
from standbook.analysis.prediction.class_margin import fullest_share
from standbook.analysis.prediction.predict_firing import impulses_by_load
from standbook.analysis.results.firing_results import ClassReserve
from standbook.analysis.results.results import BudgetTerm, ImpulseResult, Verdict
from standbook.daq.config.plan import Plan
from standbook.daq.errors import DataError, StandError
from standbook.daq.findings.finding import Finding

LEAST_SHARE = 0.2  # of the load; nothing is said of firings that short
LOADS = 25  # fired at once; about half a kilogram apart
AGREES = 1e-5  # of the load


def largest_term(budget: tuple[BudgetTerm, ...], coverage_factor: float) -> tuple[str, float]:
    r"""Return the largest source and by how much the expanded uncertainty would shrink without it.

    Notes
    -----
    :math:`k (u - \sqrt{u^2 - u_1^2})`: far less than k u1 where another source is nearly as large.
    """
    whole = math.sqrt(sum(term.u**2 for term in budget))
    first = max(budget, key=lambda term: term.u)
    rest = math.sqrt(max(whole**2 - first.u**2, 0.0))
    return first.source, coverage_factor * (whole - rest)


def class_reserve(
    plan: Plan, impulses: Mapping[str, ImpulseResult], verdicts: Mapping[str, Verdict]
) -> ClassReserve | None:
    """Return budget, probabilities and greatest load; ``None`` without a limit or without an uncertainty.

    Parameters
    ----------
    plan : Plan
        Of the firing that was measured.
    impulses, verdicts : mapping
        By place: "site" and "vacuum".
    """
    site = impulses.get("site")
    judged = {place: verdict for place, verdict in verdicts.items() if place in impulses}
    if site is None or not site.budget or not judged:
        return None
    source, gain = largest_term(site.budget, site.coverage_factor)
    exceeding = {
        place: None if verdict.probability_within is None else 1.0 - verdict.probability_within
        for place, verdict in judged.items()
    }
    load = sum(tank.liquid_load.value for tank in plan.tank)
    known = all(verdict.probability_within is not None for verdict in judged.values())
    greatest, by = None, ""
    if known:
        try:
            share, by = greatest_share(plan, impulses, judged)
        except StandError:
            known = False
        greatest = share * load if known else None
    return ClassReserve(
        largest_source=source,
        gain=gain,
        probability_exceeding=exceeding,
        load=load,
        greatest_load=greatest,
        limited_by=by,
    )


def greatest_share(
    plan: Plan, impulses: Mapping[str, ImpulseResult], verdicts: Mapping[str, Verdict]
) -> tuple[float, str]:
    """Return which multiple of both loads would just be within, and what stops it there.

    Raises
    ------
    DataError
        Not even a fifth of the load would stay within, or the model does not run dry.

    Notes
    -----
    Measured impulse times predicted impulse at a load over predicted at this one; guarded like the verdict, with the
    same relative uncertainty. The model fires ``LOADS`` loads at once; between them the impulse is a smooth curve.
    """
    fullest = fullest_share(plan)
    shares = np.unique(np.append(np.linspace(LEAST_SHARE, fullest, LOADS), 1.0))
    predicted = dict(zip(("site", "vacuum"), impulses_by_load(plan, shares), strict=True))
    found: list[tuple[float, str]] = [(fullest, "tank")]
    for place, verdict in verdicts.items():
        curve = predicted[place]
        if not np.isfinite(curve).all():
            raise DataError("the model does not run out at every load, so no load is named")
        impulse = impulses[place]
        guard = guard_factor(verdict.guard_share, impulse.dof) * impulse.u
        guarded = impulse.value + guard + impulse.unseen + impulse.allowance
        beyond = CubicSpline(shares, guarded * curve / curve[shares == 1.0][0] - verdict.limit)
        if float(beyond(fullest)) <= 0.0:
            continue
        if float(beyond(LEAST_SHARE)) >= 0.0:
            raise DataError(f"not even {100.0 * LEAST_SHARE:g} % of the load would be within {verdict.limit:,.0f} N*s")
        root = brentq(lambda share, of=beyond: float(of(share)), LEAST_SHARE, fullest, xtol=AGREES)
        found.append((float(root), place))
    return min(found)


def reserve_finding(reserve: ClassReserve, verdicts: Mapping[str, Verdict]) -> Finding | None:
    """Say which load would fit, where this one was not shown to."""
    outcomes = {verdict.outcome for verdict in verdicts.values()}
    if outcomes <= {"within"} or reserve.greatest_load is None:
        return None
    if reserve.greatest_load >= reserve.load:
        return None
    place = {"site": "at site ambient pressure", "vacuum": "referred to vacuum"}.get(reserve.limited_by, "")
    return LOAD_FOR_CLASS.at(
        None,
        greatest_load=reserve.greatest_load,
        load=reserve.load,
        place=place,
        largest_source=reserve.largest_source,
        gain=reserve.gain,
    )
