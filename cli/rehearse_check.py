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
from standbook.daq.rehearsal.played_checks import STAND_FAULTS, SWITCHED_AFTER, Stage, played_checks

if TYPE_CHECKING:
    from standbook.daq.bench.step_taking import Step
    from standbook.daq.rehearsal.script import Table

GAUGE = {TANK: 30.0, LOW: 3.0}  # bar(g) that a tank is brought to
ANGLE = "0.5/0.2"  # deg, and its u, as an inclinometer is read
MASS = 20.0  # kg, where the stand states no check weight
PUSHED, SHUNTED = 120.0, 1000.0  # N
SAGGED = 2.0  # %


def check_tables(plan: Path, seed: int, fault: str) -> "tuple[tuple[Table, ...], tuple[str, ...]]":
    """Return what the boards say while the steps are done, and each step with what is to be typed."""
    campaign = read_campaign(plan, today=today())
    steps = check_steps(campaign.plan, campaign.stand, campaign.calibrations)
    tags = {tag for step in steps for tag in step.tags}
    stages = [
        Stage(
            _readings(campaign, step, tags),
            supply=1.0 - SAGGED / 100.0 * (step.name == SAG),
            edge=campaign.plan.test.t_zero_edge if step.name == T_ZERO else None,
        )
        for step in steps
    ]
    tables = played_checks(campaign.stand, campaign.calibrations, stages, seed=seed, fault=fault)
    return tables, tuple(f"{step.name}: {_typed(campaign, step, fault)}" for step in steps)


def _typed(campaign: Campaign, step: "Step", fault: str) -> str:
    if (way := step.name.partition(" ")[0]) in GAUGE:
        return f"type {GAUGE[way]:g}"
    if step.name == ALIGNMENT:
        return f"type {STAND_FAULTS[fault].angle or ANGLE if fault else ANGLE}"
    if step.name == WEIGHT:
        return f"type {MASS:g}" if campaign.stand.checks.weight is None else "as the stand states it"
    if step.name == T_ZERO:
        return f"switched after {SWITCHED_AFTER:g} s; then press space"
    return f"type {SAGGED:g}" if step.name == SAG else "press space"


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
