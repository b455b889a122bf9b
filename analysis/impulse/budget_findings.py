"""What the budget of an impulse rests on that a crew could better. SI."""

import math

from standbook.analysis.budget.alignment import LEAST_ANGLE, misalignment
from standbook.analysis.budget.floors import CELL_GAIN
from standbook.analysis.budget.lack_of_fit import bend_of, misfit_of
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import U_BELOW_FLOOR
from standbook.analysis.findings.thrust import BENT, MISSES_ITS_LEVELS, SUPPLY_ONLY_STATED
from standbook.analysis.impulse.impulse_budget import GAIN_FLOOR, LACK_OF_FIT, SUPPLY
from standbook.analysis.results.results import ImpulseResult
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.findings.finding import Finding

TELLING = 1.0 / 3.0  # of u; below it a term carries less than an eighth of the variance


def budget_findings(dataset: Dataset, record: ThrustRecord, impulse: ImpulseResult) -> list[Finding]:
    """Say which terms weigh that one more measurement would take away."""
    return [*_supply(dataset, record, impulse), *_lack_of_fit(record, impulse), *_floor(record, impulse)]


def _lack_of_fit(record: ThrustRecord, impulse: ImpulseResult) -> list[Finding]:
    tag, c = record.cell.tag, record.cell.calibration
    said: list[Finding] = []
    u, misfit = _of(impulse, LACK_OF_FIT), misfit_of(c)
    if misfit is not None and u > TELLING * impulse.u:
        greatest, share = misfit.greatest * c.scale, 100.0 * u / abs(impulse.value)
        said.append(MISSES_ITS_LEVELS.at(tag, calibration=c.name, greatest=greatest, share_percent=share))
    bend = bend_of(c) if c.points else None
    if bend is not None and bend.shown:
        degree = len(c.coefficients)
        said.append(BENT.at(tag, calibration=c.name, degree=degree, ratio=bend.ratio, needed=bend.needed))
    return said


def _floor(record: ThrustRecord, impulse: ImpulseResult) -> list[Finding]:
    tag, said = record.cell.tag, []
    claimed_angle = misalignment(record.cell.calibration.stand_interaction, record.cell.hidden_by_angle).claimed
    if claimed_angle is not None:
        stated, floor = (f"{math.degrees(angle):.2g} deg" for angle in (claimed_angle, LEAST_ANGLE))
        said.append(U_BELOW_FLOOR.at(tag, what=f"{tag}: the angle of thrust and cell", stated=stated, floor=floor))
    added = _of(impulse, GAIN_FLOOR)
    if added <= 0.0:
        return said
    claimed = math.sqrt(max((CELL_GAIN * impulse.value) ** 2 - added**2, 0.0)) / abs(impulse.value)
    what = f"{tag}: the gain in place by calibration {record.cell.calibration.name}"
    stated, floor = (f"{100.0 * u:.2g} %" for u in (claimed, CELL_GAIN))
    return [*said, U_BELOW_FLOOR.at(tag, what=what, stated=stated, floor=floor)]


def _of(impulse: ImpulseResult, source: str) -> float:
    return sum(term.u for term in impulse.budget if term.source == source)


def _supply(dataset: Dataset, record: ThrustRecord, impulse: ImpulseResult) -> list[Finding]:
    u = _of(impulse, SUPPLY)
    stated = dataset.stand.input_tagged(record.cell.tag)
    if not stated.is_supply_stated or u <= TELLING * impulse.u:
        return []
    return [SUPPLY_ONLY_STATED.at(record.cell.tag, share_percent=100.0 * u / abs(impulse.value))]
