"""Play the steps of a check on simulated boards, so that a crew can practise it, a fault of the stand among them."""

from pathlib import Path
from typing import TYPE_CHECKING

from standbook.analysis.stand_sheets.check_outcomes import AIR_ON_STEEL
from standbook.analysis.stand_sheets.check_steps import (
    ALIGNMENT,
    LOW,
    PUSH,
    SAG,
    SHUNT,
    T_ZERO,
    TANK,
    VENTED,
    WEIGHT,
    check_steps,
)
from standbook.cli.screen import today
from standbook.daq.config import measurands
from standbook.daq.config.campaign import Campaign, read_campaign
from standbook.daq.rehearsal.played_checks import STAND_FAULTS, SWITCHED_AFTER, Stage, beginnings, played_checks
from standbook.daq.rehearsal.played_levels import HOLD

if TYPE_CHECKING:
    from standbook.daq.bench.step_taking import Step
    from standbook.daq.rehearsal.script import Table

GAUGE = {TANK: 30.0, LOW: 3.0}  # bar(g) that a tank is brought to
ANGLE = "0.5/0.2"  # deg, and its u, as an inclinometer is read
MASS = 20.0  # kg, where the stand states no check weight
PUSHED, SHUNTED = 120.0, 1000.0  # N
SAGGED = 2.0  # %


def check_tables(
    plan: Path, seed: int, fault: str, *, first: float = HOLD
) -> "tuple[tuple[Table, ...], tuple[tuple[float, str], ...]]":
    """Return what the boards say while the steps are done, and each step with its beginning [s] and its keys.

    The first step is held for ``first`` seconds: whoever is led reads first what the keys do.
    """
    campaign = read_campaign(plan, today=today())
    steps = check_steps(campaign.plan, campaign.stand, campaign.calibrations)
    tags = {tag for step in steps for tag in step.tags} - _supplies(campaign)
    stages = [
        Stage(
            _readings(campaign, step, tags),
            supply=1.0 - SAGGED / 100.0 * (step.name == SAG),
            edge=campaign.plan.test.t_zero_edge if step.name == T_ZERO else None,
            seconds=HOLD if place else first,
        )
        for place, step in enumerate(steps)
    ]
    tables = played_checks(campaign.stand, campaign.calibrations, stages, seed=seed, fault=fault)
    words = [f"{step.name}: {_keys(campaign, step, fault)}" for step in steps]
    return tables, tuple(zip(beginnings(stages), words, strict=True))


def _supplies(campaign: Campaign) -> set[str]:
    """Return the channels that measure supplies: what they read is played with their sensors."""
    return {item.supply for item in campaign.stand.input if item.supply and not item.is_supply_stated}


def _keys(campaign: Campaign, step: "Step", fault: str) -> str:
    """Say which keys take a step."""
    if step.name == T_ZERO:
        return f"switched after {SWITCHED_AFTER:g} s; when the edge is seen, space"
    if typed := typed_at(campaign, step, fault):
        return f"type {typed}, then space"
    return f"space; {step.value} {step.unit} as the stand states it" if step.name == WEIGHT else "space"


def typed_at(campaign: Campaign, step: "Step", fault: str) -> str:
    """Return what is typed at a step; nothing where it is none, or stands there already."""
    if (way := step.name.partition(" ")[0]) in GAUGE:
        return f"{GAUGE[way]:g}"
    if step.name == ALIGNMENT:
        return STAND_FAULTS[fault].angle or ANGLE if fault else ANGLE
    if step.name == WEIGHT:
        return f"{MASS:g}" if campaign.stand.checks.weight is None else ""
    return f"{SAGGED:g}" if step.name == SAG else ""


def _readings(campaign: Campaign, step: "Step", tags: set[str]) -> dict[str, float]:
    """Return what every input that is looked at reads during a step, in the unit of its calibration."""
    return {tag: _reading(campaign, step, tag) for tag in tags}


def _reading(campaign: Campaign, step: "Step", tag: str) -> float:
    item, c = campaign.stand.input_tagged(tag), campaign.calibrations[tag]
    if c.dimension == "pressure":
        air = campaign.plan.site.ambient_pressure.value if c.reference == "absolute" else 0.0
        way, _, tank = step.name.partition(" ")
        at_pressure = item.measures == measurands.TANK_PRESSURE and way in GAUGE and tank == item.tank
        return (air + (GAUGE[way] * 1e5 if at_pressure else 0.0)) / c.scale
    weight = campaign.stand.checks.weight
    mass = MASS if weight is None else weight.value
    loads = {
        VENTED: 0.0,
        PUSH: PUSHED,
        WEIGHT: mass * campaign.plan.site.gravity.value * AIR_ON_STEEL,
        f"{SHUNT} {tag}": SHUNTED,
    }
    return loads.get(step.name, 0.0) / c.scale
