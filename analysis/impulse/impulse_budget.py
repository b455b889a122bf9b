"""What the total impulse of one firing is uncertain by, source by source. SI; times in seconds after T-0."""

import math

import numpy as np

from standbook.analysis.budget.alignment import DOF, misalignment
from standbook.analysis.budget.floors import CELL_GAIN
from standbook.analysis.budget.lack_of_fit import misfit_of
from standbook.analysis.budget.terms import Term
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.physics.impulse import integrate, noise_u, sampling_u
from standbook.analysis.physics.load_cell import drift_of
from standbook.analysis.results.quantities import Measured
from standbook.analysis.signal.windows import Window
from standbook.analysis.thrust.thrust_record import MARGIN, ThrustRecord

LACK_OF_FIT = "lack of fit"
GAIN_FLOOR = "gain in place, at its floor"
SUPPLY = "sensor supply"
CLOCK = "clock"  # times thrust and nozzle flow alike


def impulse_budget(dataset: Dataset, record: ThrustRecord, window: Window) -> list[Term]:
    """List what total impulse is uncertain by, source by source. [N*s].

    Notes
    -----
    Zero drift that no weighing separates from the weight that left is charged at the calibration's zero
    uncertainty; a known drift counts as limits of half the difference on either side of the ramp, rectangular.
    """
    c, zero, factor = record.cell.calibration, record.zero, record.factor
    start, end = window.start, window.end
    value = record.record().between(start, end)
    length = end - start
    spread = integrate(record.time, zero.share, interval=record.interval).between(start, end)  # s at the second zero
    terms = _gain_terms(record, start, end, value)
    terms += [t for t in (supply_term(record, start, end), _lack_of_fit(record, start, end)) if t is not None]
    interaction = c.stand_interaction
    terms.append(Term("alignment", value * misalignment(interaction, record.cell.hidden_by_angle).u, DOF))
    first = factor * zero.before.u * (length - spread if zero.after is not None else length)
    second = factor * zero.after.u * spread if zero.after is not None else 0.0
    terms.append(Term("zero", math.hypot(first, second)))
    terms.append(Term("zero drift", _drift_u(record, length)))
    terms.append(Term("hysteresis", _hysteresis_u(record, start, end)))
    moved = abs(zero.step) * factor * spread
    terms.append(Term("weight correction", math.hypot(factor * zero.step_u * spread, record.shape_u * moved)))
    if record.cell.pull is None:  # else it stands in one term with the factor
        terms.append(Term("line load", factor * interaction.line_load.u * _hose_lever(record, start, end)))
    terms.append(Term("clock rate", value * dataset.clock_u, shared=CLOCK))
    terms.append(Term("sampling", sampling_u(record.record(), start, end, record.mode_period)))
    tail = record.record().between(end - MARGIN, end)
    terms.append(Term("window", abs(tail) / math.sqrt(3.0)))
    samples = round(length / record.interval)
    deviation = factor * zero.before.deviation
    _, rows, bridged_u = record.record().bridged(start, end)
    if rows:
        terms.append(Term("rows bridged", bridged_u))
    terms.append(Term("noise", noise_u(deviation, record.interval, samples, zero.before.correlation)))
    return terms


def _hose_lever(record: ThrustRecord, start: float, end: float) -> float:
    """Return the greater of what lines under pressure all along, and from the opening on only, integrate to. [Pa s].

    Lines upstream of the valves push during the first zero too, those downstream do not, and a stand has both.
    """
    settled = record.hose_pressure_after * record.zero.share * (record.zero.after is not None)
    upstream = integrate(record.time, record.hose_pressure - settled, interval=record.interval).between(start, end)
    opened = integrate(record.time, record.hose_pressure + record.hose_pressure_before, interval=record.interval)
    return max(abs(upstream), abs(opened.between(start, end)))


def supply_term(record: ThrustRecord, start: float, end: float) -> Term | None:
    """Return what the supply of the bridge adds to an impulse [N*s]; ``None`` where nothing hangs on one."""
    cell = record.cell
    if cell.supply_u == 0.0:
        return None
    effect = record.linear(cell.supply_moved(record.signal), start, end)
    return Term(SUPPLY, effect, shared=cell.supply or None)


def _lack_of_fit(record: ThrustRecord, start: float, end: float) -> Term | None:
    """Carry what the polynomial misses its levels by through zeros and integral; ``None`` where that is not known.

    It is not taken off: the few points of a level scatter by as much as they tell.
    """
    c = record.cell.calibration
    misfit = misfit_of(c)
    if misfit is None:
        return None
    missed = c.scale * misfit.at(record.reading / c.scale)
    return Term(LACK_OF_FIT, record.linear(missed, start, end), misfit.dof)


def _gain_terms(record: ThrustRecord, start: float, end: float, value: float) -> list[Term]:
    """Carry calibration, its standard and the load path through to the impulse, at the floor of all three at least.

    Notes
    -----
    A pull is read by the cell as it was calibrated: thrust is the factor times the reading, and an error of the bench's
    standard that scales every reading stands in both and is gone. What it did from level to level stays, in the scatter
    of the points and in their lack of fit.
    """
    c = record.cell.calibration
    covariance = np.array(c.covariance)
    x = record.signal - c.pivot
    lever = np.array([0.0] + [record.linear(x**k, start, end) for k in range(1, covariance.shape[0])]) * c.scale
    path, standard = c.stand_interaction, c.reference_uncertainty.value
    scatter = math.hypot(math.sqrt(max(float(lever @ covariance @ lever), 0.0)), value * c.run_scatter())
    span = 0.0 if path.pull else c.reference_span_u() * c.scale * (end - start)
    terms = [
        Term("calibration scatter", scatter, c.degrees_of_freedom),
        Term("reference standard", 0.0 if path.pull else math.hypot(value * standard, span)),
        Term("stand interaction", _path_effect(record, start, end, value)),
    ]
    lacking = (CELL_GAIN * value) ** 2 - sum(term.effect**2 for term in terms)
    return [*terms, Term(GAIN_FLOOR, math.sqrt(lacking))] if lacking > 0.0 else terms


def _path_effect(record: ThrustRecord, start: float, end: float, value: float) -> float:
    """Return what the load path leaves open of an impulse [N*s]: of a pull, all its terms together along the burn."""
    pull = record.cell.pull
    if pull is None:
        return abs(value) * record.cell.calibration.stand_interaction.factor.relative_u
    lines = record.hose_pressure + record.hose_pressure_before
    gain = -record.thrust * pull.factor(lines)
    by_gain, by_stiffening = (
        integrate(record.time, effect, interval=record.interval).between(start, end) for effect in (gain, gain * lines)
    )
    by_line = -record.factor * _hose_lever(record, start, end)
    slope = np.array([0.0, by_gain, by_stiffening, by_line, 0.0])
    return math.sqrt(max(float(slope @ pull.covariance @ slope), 0.0))


def _hysteresis_u(record: ThrustRecord, start: float, end: float) -> float:
    """Carry a loop that is closed at both ends of the range and widest in its middle through zeros and integral."""
    c = record.cell.calibration
    width = c.hysteresis_uncertainty.value * (c.highest - c.lowest) * c.scale
    place = np.clip((record.reading / c.scale - c.lowest) / (c.highest - c.lowest), 0.0, 1.0)
    return width * abs(record.linear(4.0 * place * (1.0 - place), start, end))


def _drift_u(record: ThrustRecord, length: float) -> float:
    zero, c = record.zero, record.cell.calibration
    known = record.weighed or record.sign == 0
    expected = Measured(record.sign * record.weight.value / record.factor, 0.0, "N") if known else None
    drift = drift_of(zero, expected)
    usual = c.zero_uncertainty * c.scale
    if zero.after is None:
        return record.factor * usual * length / math.sqrt(3.0)
    return record.factor * abs(usual if drift is None else drift) * length / math.sqrt(12.0)
