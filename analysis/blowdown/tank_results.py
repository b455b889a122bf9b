"""What a firing and a cold flow say alike of one tank: pressures, exponent, and the plan's assumptions beside them.

SI, absolute pressures.
"""

import math
from collections.abc import Mapping

from standbook.analysis.blowdown.exponent import Exponent
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.discharge import CDA_NOT_AS_PLANNED, EXPONENT_NOT_AS_ASSUMED
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import ExponentResult
from standbook.daq.config.plan import Tank
from standbook.daq.findings.finding import Finding

APART = 2.0  # combined standard uncertainties of plan and measurement
FAR_APART = 3.0  # one good run in twenty lies beyond APART


def tank_pressure(channel: Channel, value: float, dataset: Dataset) -> Measured | None:
    """Return a mean reading with the uncertainty of its calibration, ``None`` where it is not a number. [Pa]."""
    if not math.isfinite(value):
        return None
    return Measured(value, channel.reading_u(value, dataset.plan.site.ambient_pressure), "Pa")


def exponent_result(exponent: Exponent | None) -> ExponentResult | None:
    """Return the part of an exponent that results keep."""
    if exponent is None:
        return None
    return ExponentResult(exponent.chord, exponent.start, exponent.drift, exponent.correlation_with_ullage_volume)


def ullage_correlation(exponent: Exponent | None) -> Mapping[str, float]:
    """Return the correlation of the exponent with the ullage volume, as results name it."""
    if exponent is None or exponent.correlation_with_ullage_volume is None:
        return {}
    return {"exponent, ullage volume": exponent.correlation_with_ullage_volume}


def exponent_against_plan(tank: Tank, tag: str, exponent: Exponent) -> list[Finding]:
    """Say where the exponent was not what the plan assumed."""
    plan, chord = tank.ullage_exponent, exponent.chord
    apart, u = chord.value - plan.value, math.hypot(chord.u, plan.u)
    if abs(apart) <= APART * chord.u or abs(apart) <= plan.u:
        return []
    side = "above" if apart > 0 else "below"
    effect = "falls faster than predicted, and less of this liquid flows" if apart > 0 else "holds up better"
    return [
        EXPONENT_NOT_AS_ASSUMED.at(
            tag,
            severity="caution" if abs(apart) > FAR_APART * u else "note",
            tank_name=tank.name,
            chord=chord.value,
            chord_u=chord.u,
            side=side,
            plan=plan.value,
            exponent_basis=tank.exponent_basis,
            apart=abs(apart) / u,
            effect=effect,
        )
    ]


def cda_against_plan(tank: Tank, cda: Measured) -> list[Finding]:
    """Say where the flow area was not what the plan expected."""
    plan = tank.feed_cda
    apart, u = cda.value - plan.value, math.hypot(cda.u, plan.u)
    if abs(apart) <= APART * u:
        return []
    side, effect = ("above", "larger, so the tank empties sooner") if apart > 0 else ("below", "smaller")
    return [
        CDA_NOT_AS_PLANNED.at(
            tank.name,
            severity="caution" if abs(apart) > FAR_APART * u else "note",
            cda_mm2=1e6 * cda.value,
            cda_u_mm2=1e6 * cda.u,
            side=side,
            plan_mm2=1e6 * plan.value,
            cda_basis=tank.cda_basis,
            apart=abs(apart) / u,
            effect=effect,
        )
    ]
