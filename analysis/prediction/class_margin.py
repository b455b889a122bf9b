"""Could the run leave its impulse class, and does the vehicle leave the rail as it must? Answers from a prediction.

SI. A prediction never earns a verdict; its outlook only borrows the words. Reads no file, clock or setting.
"""

from dataclasses import dataclass

import numpy as np

from standbook.analysis.physics.impulse_limits import is_met, regulatory_limit
from standbook.analysis.results.prediction import ClassMargin, ClassNumber, LiftOffCheck, rounded_number
from standbook.analysis.results.results import Finding, Outcome
from standbook.daq.arrays import Array
from standbook.daq.config.plan import ImpulseClass, Plan

LOWER_END = 0.025  # of the 95 % band


@dataclass(frozen=True, slots=True)
class FullLoad:
    """Impulse with the tanks as full as the hardware permits: site and vacuum. [N*s]."""

    nominal: tuple[float, float]
    samples: tuple[Array, Array]


def class_margin(
    plan: Plan, *, nominal: tuple[float, float], samples: tuple[Array, Array], full: FullLoad | None
) -> ClassMargin | None:
    """Set predicted impulse against the plan's limit; ``None`` where the plan has none.

    ``nominal`` and ``samples`` (S,) are pairs: at site ambient and referred to vacuum. [N*s]
    """
    asked = plan.impulse_class
    if asked is None:
        return None
    site, vacuum = (_number(asked, value, drawn) for value, drawn in zip(nominal, samples, strict=True))
    full_site = full_vacuum = None
    if full is not None:
        full_site, full_vacuum = (
            _number(asked, value, drawn) for value, drawn in zip(full.nominal, full.samples, strict=True)
        )
    return ClassMargin(
        limit=asked.limit.value,
        limit_name=asked.limit_name,
        guard_share=asked.guard_share,
        site=site,
        vacuum=vacuum,
        full_site=full_site,
        full_vacuum=full_vacuum,
        load_control=asked.load_control,
    )


def _number(asked: ImpulseClass, nominal: float, samples: Array) -> ClassNumber:
    limit = asked.limit.value
    lower, upper = (float(np.quantile(samples, share)) for share in (1.0 - asked.guard_share, asked.guard_share))
    outlook: Outcome = "within" if is_met(upper, limit) else "exceeds" if is_met(limit, lower) else "not shown"
    return ClassNumber(
        nominal=rounded_number(nominal),
        upper=rounded_number(upper),
        share_of_limit=rounded_number(nominal / limit),
        upper_share_of_limit=rounded_number(upper / limit),
        probability_within=float(np.mean(samples <= limit)),
        outlook=outlook,
    )


def lift_off_check(plan: Plan, nominal: Array, samples: Array, mass: Array | None) -> LiftOffCheck | None:
    """Set thrust at start, (1,) and (S,) [N], against the lift-off weight of masses (S,) [kg]."""
    asked = plan.lift_off
    if asked is None or mass is None:
        return None
    gravity, required = plan.site.gravity.value, asked.least_thrust_to_weight.value
    lower = float(np.quantile(samples / (mass * gravity), LOWER_END))
    return LiftOffCheck(
        mass=asked.mass.value,
        ratio=rounded_number(float(nominal[0]) / (asked.mass.value * gravity)),
        lower=rounded_number(lower),
        required=required,
        holds=lower >= required,
        greatest_mass=rounded_number(asked.mass.value * lower / required),
    )


def findings(plan: Plan, margin: ClassMargin | None, lift_off: LiftOffCheck | None) -> tuple[Finding, ...]:
    """Say what the margins mean, one sentence each."""
    found: list[Finding] = []
    if margin is not None:
        found += _limit_findings(margin)
        found += _class_findings(margin, "site", margin.site)
        if plan.impulse_class is not None and plan.impulse_class.also_at_vacuum:
            found += _class_findings(margin, "vacuum", margin.vacuum)
        found += _load_findings(plan, margin)
    if lift_off is not None and not lift_off.holds:
        text = (
            f"Lift-off thrust over weight is {lift_off.ratio:.2f} at {lift_off.mass:.1f} kg, but its lower bound"
            f" {lift_off.lower:.2f} is below the required {lift_off.required:.2f}; at most"
            f" {lift_off.greatest_mass:.1f} kg holds, so shed mass or show more thrust."
        )
        found.append(Finding("lift-off-below-required", "caution", None, 0.0, text))
    return tuple(found)


def _class_findings(margin: ClassMargin, where: str, number: ClassNumber) -> list[Finding]:
    if number.outlook == "within":
        return []
    words = {"site": "at site ambient pressure", "vacuum": "referred to vacuum"}[where]
    share = f"{100.0 * margin.guard_share:g} % one-sided upper bound {number.upper:,.0f} N*s"
    edge = f"the limit of {margin.limit:,.0f} N*s ({margin.limit_name})"
    if number.nominal > margin.limit:
        text = (
            f"Predicted impulse {words} is {number.nominal:,.0f} N*s, already over {edge}; its {share}. Lower the load."
        )
    else:
        text = (
            f"Predicted impulse {words} is {number.nominal:,.0f} N*s, but its {share} is over {edge}: staying within"
            " is not assured before the run. Lower the load, or narrow what widens the band."
        )
    return [Finding(f"class-upper-bound-{where}", "caution", None, None, text)]


def _load_findings(plan: Plan, margin: ClassMargin) -> list[Finding]:
    if margin.full_site is None or margin.full_vacuum is None:
        free = [tank.name for tank in plan.tank if tank.greatest_load is None]
        text = (
            f"The load of tank {' and '.join(free)} is not limited by hardware (no greatest_load in the plan), so no"
            " impulse with tanks as full as they go is predicted; the weighing of the load is the only evidence of it."
        )
        return [Finding("load-not-limited", "note", None, None, text)]
    vacuum = plan.impulse_class is not None and plan.impulse_class.also_at_vacuum
    worst = margin.full_vacuum if vacuum else margin.full_site
    if worst.outlook == "within":
        return []
    control = margin.load_control or "none is stated in the plan"
    text = (
        f"With tanks as full as the hardware permits the predicted impulse is {margin.full_site.nominal:,.0f} N*s at"
        f" site and {margin.full_vacuum.nominal:,.0f} N*s in vacuum, upper bounds {margin.full_site.upper:,.0f} and"
        f" {margin.full_vacuum.upper:,.0f} N*s against {margin.limit:,.0f} N*s: how the load is controlled is part"
        f" of the evidence ({control})."
    )
    return [Finding("hardware-full-over-limit", "caution", None, None, text)]


def _limit_findings(margin: ClassMargin) -> list[Finding]:
    known = regulatory_limit(margin.limit_name)
    if known is None or known.impulse == margin.limit:
        return []
    text = (
        f"The plan's limit is {margin.limit:,.1f} N*s, but {known.name} prints {known.impulse:,.0f} N*s"
        f" ({known.printed}, {known.source}); correct the limit or its name."
    )
    return [Finding("limit-differs-from-rule", "caution", None, None, text)]
