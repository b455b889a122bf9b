"""Both verdicts of a firing: the cell's bounds, what other routes add to them, and what keeps them back.

[N*s]. "Within" needs the cell and something that is independent of it. Where nothing proves the cell's gain, the
upper bound is at least what each other route makes of the impulse; where nothing proves the clock, at least what the
weighed liquids make of it, a route without a clock, and somewhat more. Two routes that disagree show nothing.
"""

from collections.abc import Iterable
from dataclasses import replace

from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.impulse_limits import RaisedBound, verdict
from standbook.analysis.results.results import ImpulseResult, Verdict
from standbook.analysis.witnesses.evidence import Evidence
from standbook.analysis.witnesses.routes import CHAMBER, MASS, Route
from standbook.daq.config.plan import ImpulseClass
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

# Standard uncertainties of the weighed liquids' route that are added where nothing proves the clock: without them a
# clock 5 % slow was "within" at 1.03 times the limit in 11 % of 120 firings of the second world.
CLOCK_MARGIN = 0.5
NO_WITNESS = (
    "nothing but the cell vouches for the cell: there is no chamber pressure to hold it against and no check weight on "
    "record; hang a check weight before and after the run, hoses on and pressurised, and add its readings"
)
NO_CLOCK_WITNESS = (
    "nothing vouches for the clock of this record, and no weighed liquids give a route that needs none; weigh what "
    "left, or record two instants at least 60 s apart by another clock"
)


def verdicts(
    dataset: Dataset,
    site: ImpulseResult | None,
    vacuum: ImpulseResult | None,
    evidence: Evidence | None = None,
    *,
    against: Iterable[Finding] = (),
    vacuum_at_most: bool = False,
) -> dict[str, Verdict]:
    """Judge both impulses against the plan's limit.

    ``against`` are serious findings that say of the cell more than that something was hidden: a number that must not
    be used is not held against a limit either. ``vacuum_at_most`` says that the nozzle did not flow full, so that the
    value referred to vacuum is an upper bound: it may show "within", and "exceeds" only where the site's does.
    """
    rule = dataset.plan.impulse_class
    codes = ", ".join(sorted({finding.code for finding in against}))
    if rule is None:
        return {}
    places = {"site": (site, "at site ambient pressure")}
    if rule.also_at_vacuum:
        places["vacuum"] = (vacuum, "referred to vacuum")
    found: dict[str, Verdict] = {}
    for place, (impulse, words) in places.items():
        if impulse is None or site is None:
            found[place] = _undecided(rule, f"Total impulse {words} is not known, so nothing is shown about the limit")
        elif codes:
            found[place] = _undecided(
                rule, f"A serious finding ({codes}) says that total impulse {words} must not be used as it is"
            )
        else:
            found[place] = _judged(rule, impulse, site, evidence, words)
    if vacuum_at_most and "vacuum" in found and found["site"].outcome != "exceeds":
        found["vacuum"] = _without_lower_bound(found["vacuum"])
    if rule.motors > 1:
        found = {place: _of_one_motor(verdict, rule.motors) for place, verdict in found.items()}
    return found


def _of_one_motor(found: Verdict, motors: int) -> Verdict:
    """Take "within" from one motor of several: the limit counts their sum, of which one firing shows a part."""
    if found.outcome != "within":
        return found
    why = f"the plan declares {motors} motors, whose sum the limit counts, and this is one firing of one of them"
    return replace(found, outcome="not shown", withheld=why, reason=f"{found.reason}; but {why}")


def _without_lower_bound(found: Verdict) -> Verdict:
    if found.outcome != "exceeds":
        return replace(found, lower_bound=None)
    why = "the nozzle did not flow full, so the value referred to vacuum is an upper bound and shows no exceeding"
    return replace(found, outcome="not shown", lower_bound=None, withheld=why, reason=f"{found.reason}; but {why}")


def _judged(
    rule: ImpulseClass, impulse: ImpulseResult, site: ImpulseResult, evidence: Evidence | None, words: str
) -> Verdict:
    try:
        first = _verdict(rule, impulse, words)
        if evidence is None or impulse.lower_bound_only:
            return first
        withheld = _disagreement(evidence)
        if not withheld and first.outcome != "exceeds":
            withheld = _not_vouched(evidence)
        raised = raised_bound(evidence, site, impulse.value - site.value)
        return _verdict(rule, impulse, words, raised=raised, withheld=withheld, earned=_earned(evidence))
    except DataError as error:
        return _undecided(rule, str(error))


def _verdict(
    rule: ImpulseClass,
    impulse: ImpulseResult,
    words: str,
    *,
    raised: RaisedBound | None = None,
    withheld: str = "",
    earned: str = "",
) -> Verdict:
    return verdict(
        impulse.value,
        impulse.u,
        limit=rule.limit.value,
        limit_name=rule.limit_name,
        guard_share=rule.guard_share,
        lower_bound_only=impulse.lower_bound_only,
        unseen=impulse.unseen,
        allowance=impulse.allowance,
        dof=impulse.dof,
        ambient=words,
        raised=raised,
        withheld=withheld,
        earned=earned,
    )


def _disagreement(evidence: Evidence) -> str:
    """Say which independent checks contradict the cell; empty where none does."""
    codes = sorted({finding.code for finding in evidence.against})
    if not codes:
        return ""
    return f"independent checks do not bear the load cell out ({', '.join(codes)}), and nothing tells what is right"


def _not_vouched(evidence: Evidence) -> str:
    """Say what is missing for a verdict "within"; empty where nothing is."""
    if not evidence.gain_proven and evidence.route(CHAMBER) is None:
        return NO_WITNESS
    return NO_CLOCK_WITNESS if not evidence.clock_proven and evidence.route(MASS) is None else ""


def raised_bound(evidence: Evidence, site: ImpulseResult, added: float) -> RaisedBound | None:
    """Return the greatest impulse that an unproven gain or clock leaves open; ``added`` refers it to vacuum."""
    has_course = evidence.course is not None
    bounds = []
    for route in evidence.routes:
        by_gain = not evidence.gain_proven
        by_clock = route.name == MASS and (not evidence.clock_proven or not has_course)
        if by_gain or by_clock:
            margin = CLOCK_MARGIN * route.relative_u if route.name == MASS and not evidence.clock_proven else 0.0
            made = site.value * (1.0 + route.apart) * (1.0 + route.unstated + margin)
            bounds.append(RaisedBound(made + site.unseen + added, _by(route, margin)))
    return max(bounds, key=lambda bound: bound.impulse, default=None)


def _by(route: Route, margin: float) -> str:
    """Name a route with what its bound holds for a clock or for facts that nothing vouches for, and name these."""
    if margin:
        return f"the {route.name} plus {100.0 * margin:.1f} %, as nothing vouches for the clock"
    if not route.unstated:
        return f"the {route.name}"
    *first, last = route.unsaid
    facts = f"{', '.join(first)} or {last}" if first else last
    return f"the {route.name} plus {100.0 * route.unstated:.1f} %, as the plan states no {facts}"


def _earned(evidence: Evidence) -> str:
    """Say what a verdict rests on beside the cell."""
    parts = [
        f"the {route.name} reads {100.0 * abs(route.apart):.1f} % {'more' if route.apart > 0.0 else 'less'} than the "
        f"cell, {abs(route.sigma(evidence.cell_u)):.1f} standard uncertainties"
        for route in evidence.routes
    ]
    if evidence.gain_proven:
        parts.insert(0, "check weights before and after prove the cell's gain")
    return "; ".join(parts)


def _undecided(rule: ImpulseClass, reason: str) -> Verdict:
    return Verdict(
        outcome="not shown",
        limit=rule.limit.value,
        limit_name=rule.limit_name,
        guard_share=rule.guard_share,
        upper_bound=None,
        lower_bound=None,
        probability_within=None,
        reason=reason,
    )
