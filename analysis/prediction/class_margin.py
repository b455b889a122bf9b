"""Compare predicted impulse with the class limit, and lift-off thrust with weight.

SI. A prediction never earns a verdict; its outlook only borrows the words. Reads no file, clock or setting.
"""

from dataclasses import dataclass

import numpy as np

from standbook.analysis.findings.prediction import (
    CLASS_EXCEEDED_SITE,
    CLASS_EXCEEDED_VACUUM,
    CLASS_UPPER_BOUND_SITE,
    CLASS_UPPER_BOUND_VACUUM,
    HARDWARE_FULL_OVER_LIMIT,
    LIFT_OFF_BELOW_REQUIRED,
    LIMIT_DIFFERS_FROM_RULE,
    LOAD_NOT_LIMITED,
)
from standbook.analysis.physics.impulse_limits import is_met, regulatory_limit
from standbook.analysis.results.prediction import ClassMargin, ClassNumber, LiftOffCheck, rounded_number
from standbook.analysis.results.results import Outcome
from standbook.daq.arrays import Array
from standbook.daq.config.plan import ImpulseClass, Plan
from standbook.daq.findings.finding import Finding, FindingKind

LOWER_END = 0.025  # of the 95 % band
FULLEST = 0.95  # of a tank's volume, where the plan names no greatest load


@dataclass(frozen=True, slots=True)
class FullLoad:
    """Impulse with the tanks as full as the hardware permits: site and vacuum. [N*s]."""

    nominal: tuple[float, float]
    samples: tuple[Array, Array]


def class_margin(
    plan: Plan, *, nominal: tuple[float, float], samples: tuple[Array, Array], full: FullLoad | None
) -> ClassMargin | None:
    """Compare predicted impulse with the plan's limit; ``None`` where the plan has none.

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
    """Compare thrust at start, (1,) and (S,) [N], with the lift-off weight of masses (S,) [kg]."""
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


def fullest_share(plan: Plan) -> float:
    """Return the multiple of the loads at which the first tank is full."""
    most = []
    for tank in plan.tank:
        room = FULLEST * tank.internal_volume.value * tank.liquid_density.value
        greatest = min(room, tank.greatest_load.value) if tank.greatest_load is not None else room
        most.append(max(greatest / tank.liquid_load.value, 1.0))
    return min(most)


def findings(plan: Plan, margin: ClassMargin | None, lift_off: LiftOffCheck | None) -> tuple[Finding, ...]:
    """Explain the margins, one sentence each."""
    found: list[Finding] = []
    if margin is not None:
        found += _limit_findings(margin)
        found += _class_findings(margin, margin.site, (CLASS_UPPER_BOUND_SITE, CLASS_EXCEEDED_SITE))
        if plan.impulse_class is not None and plan.impulse_class.also_at_vacuum:
            found += _class_findings(margin, margin.vacuum, (CLASS_UPPER_BOUND_VACUUM, CLASS_EXCEEDED_VACUUM))
        found += _load_findings(plan, margin)
    if lift_off is not None and not lift_off.holds:
        found.append(
            LIFT_OFF_BELOW_REQUIRED.at(
                None,
                0.0,
                ratio=lift_off.ratio,
                mass=lift_off.mass,
                lower=lift_off.lower,
                required=lift_off.required,
                greatest_mass=lift_off.greatest_mass,
            )
        )
    return tuple(found)


def _class_findings(margin: ClassMargin, number: ClassNumber, kinds: tuple[FindingKind, FindingKind]) -> list[Finding]:
    if number.outlook == "within":
        return []
    kind = kinds[number.nominal > margin.limit]
    return [
        kind.at(
            None,
            nominal=number.nominal,
            upper=number.upper,
            guard_percent=100.0 * margin.guard_share,
            limit=margin.limit,
            limit_name=margin.limit_name,
        )
    ]


def _load_findings(plan: Plan, margin: ClassMargin) -> list[Finding]:
    if margin.full_site is None or margin.full_vacuum is None:
        free = [tank.name for tank in plan.tank if tank.greatest_load is None]
        return [LOAD_NOT_LIMITED.at(None, free=" and ".join(free))]
    vacuum = plan.impulse_class is not None and plan.impulse_class.also_at_vacuum
    worst = margin.full_vacuum if vacuum else margin.full_site
    if worst.outlook == "within":
        return []
    control = margin.load_control or "none is stated in the plan"
    return [
        HARDWARE_FULL_OVER_LIMIT.at(
            None,
            nominal=margin.full_site.nominal,
            vacuum=margin.full_vacuum.nominal,
            upper=margin.full_site.upper,
            upper_vacuum=margin.full_vacuum.upper,
            limit=margin.limit,
            control=control,
        )
    ]


def _limit_findings(margin: ClassMargin) -> list[Finding]:
    known = regulatory_limit(margin.limit_name)
    if known is None or known.impulse == margin.limit:
        return []
    return [
        LIMIT_DIFFERS_FROM_RULE.at(
            None,
            limit=margin.limit,
            known_name=known.name,
            impulse=known.impulse,
            printed=known.printed,
            source=known.source,
        )
    ]
