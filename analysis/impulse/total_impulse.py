"""Total impulse of one firing at site and in vacuum, and what was hidden from it.

SI; times in seconds after T-0. Doubt has a direction: what the record did not see can only add.
"""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from standbook.analysis.budget.terms import Term, combined, impulse_result
from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.channel import BAROMETER, Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import THRUST_BEYOND_CALIBRATION
from standbook.analysis.findings.thrust import (
    BOOT_CHANGED,
    EARLY_END,
    GAP_BOUNDED,
    GAP_UNBOUNDED,
    LATE_START,
    ROWS_BRIDGED,
    THRUST_CLIPPED,
)
from standbook.analysis.impulse.impulse_budget import CLOCK, GAIN_FLOOR, SUPPLY, impulse_budget
from standbook.analysis.impulse.load_path import load_path_terms
from standbook.analysis.physics.impulse import AMBIENT, IntegratedRecord, gap_allowance, vacuum_terms
from standbook.analysis.results.results import BudgetTerm, ImpulseResult
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

NEAR_CLIP = 0.25  # s beside a clipped sample
GAINS = frozenset({"calibration scatter", "reference standard", "stand interaction", GAIN_FLOOR, SUPPLY})
EDGE_U = 0.05  # s; how well start and end of full nozzle flow are known beside their events


@dataclass(frozen=True, slots=True)
class HiddenThrust:
    """What was hidden from the thrust record."""

    lower_bound_only: bool
    unseen: float  # most that short gaps hid [N*s]
    findings: tuple[Finding, ...]


def doubt(dataset: Dataset, record: ThrustRecord, burn: Burn, *, more: Iterable[Finding] = ()) -> HiddenThrust:
    """Judge what late start, early end, clipping and gaps hid; ``more`` are findings that say the same of a cell."""
    tag = record.cell.tag
    timed = dataset.t_zero is not None
    start = min(0.0, burn.thrust_begin) if timed else burn.thrust_begin
    between = "T-0" if timed else "the start"
    end = burn.thrust_end
    seen = record.record()
    said: list[Finding] = []
    if record.late:
        began = "with thrust already up"
        if timed:
            began = f"at T{record.time[0]:+.3f} s, after T-0 or {began}"
        said.append(LATE_START.at(tag, float(record.time[0]), began=began))
    if burn.stop is None:
        said.append(EARLY_END.at(tag, float(record.time[-1]), record_end=record.time[-1]))
    clipped = _clipped(dataset, record, start, end)
    said += [*clipped, *([] if clipped else _beyond_calibration(record.cell, start, end)), *more]
    lost = 0.0 if record.late else seen.lost(start, end)
    unseen = 0.0
    if lost > dataset.plan.test.repeat_if_lost_longer_than.value:
        said.append(_long_gap(dataset, record, burn, lost, start=start, between=between))
    elif lost > 0.0:
        unseen = _bounded(dataset, seen, burn, start)
        said.append(GAP_BOUNDED.at(tag, lost_ms=1000.0 * lost, between=between, unseen=unseen))
    seconds, rows, u = seen.bridged(start, end)
    if rows:
        said.append(ROWS_BRIDGED.at(tag, rows=rows, lost_ms=1000.0 * seconds, between=between, bridged_u=u))
    hidden = any(f.severity == "serious" for f in said)
    return HiddenThrust(hidden, 0.0 if hidden else unseen, tuple(said))


def _bounded(dataset: Dataset, seen: IntegratedRecord, burn: Burn, start: float) -> float:
    band = dataset.prediction.quantities.get(measurands.THRUST) if dataset.prediction else None
    if band is None or dataset.prediction is None:
        return gap_allowance(seen, start=start, end=burn.thrust_end)
    time = dataset.prediction.time + burn.prediction_delay
    return gap_allowance(seen, start=start, end=burn.thrust_end, predicted_time=time, predicted_high=band.high)


def _long_gap(
    dataset: Dataset, record: ThrustRecord, burn: Burn, lost: float, *, start: float, between: str
) -> Finding:
    holes, tag = record.record().holes, record.cell.tag
    first = next(h for h in holes if h.end > start)
    band = dataset.prediction.quantities.get(measurands.THRUST) if dataset.prediction else None
    guess = ""
    if band is not None and dataset.prediction is not None:
        time = np.arange(start, burn.thrust_end, 1e-3)
        inside = np.zeros(time.size, dtype=np.bool_)
        for hole in holes:
            inside |= (time >= hole.start) & (time <= hole.end)
        predicted = dataset.prediction.time + burn.prediction_delay
        thrust = np.nan_to_num(np.interp(time, predicted, band.nominal, left=0.0))
        unseen = float(np.sum(thrust[inside])) * 1e-3
        whole = record.record().between(burn.window.start, burn.window.end) + unseen
        guess = (
            f" By the prediction about {unseen:,.0f} N*s ({100.0 * unseen / whole:.1f} %) are unseen, an estimate only."
        )
    restarts = [gap for gap in dataset.gaps.get(record.cell.stream, ()) if gap.rows == 0 and gap.end > start]
    if restarts and restarts[0].start < burn.thrust_end and dataset.record[record.cell.stream].boots > 1:
        return BOOT_CHANGED.at(tag, restarts[0].start, lost=lost, start=first.start, guess=guess)
    bounded = dataset.plan.test.repeat_if_lost_longer_than.value
    return GAP_UNBOUNDED.at(tag, first.start, lost=lost, between=between, gaps_bounded_ms=1000.0 * bounded, guess=guess)


def _clipped(dataset: Dataset, record: ThrustRecord, start: float, end: float) -> list[Finding]:
    inside = (record.time >= start) & (record.time <= end)
    bad = inside & record.clipped
    if not bad.any():
        return []
    seconds = np.count_nonzero(bad) * record.interval
    guess = ""
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), start, end)
    # Beside a clip those samples are left that ringing made low, so the line is taken from further away.
    near = np.convolve(bad, np.ones(2 * round(NEAR_CLIP / record.interval) + 1), mode="same") > 0.5
    good = inside & ~near & (record.thrust > 0.2 * float(np.max(record.thrust)))
    if chamber is not None and np.count_nonzero(good) > 100:
        pressure = np.interp(record.time, *chamber.known())
        slope, level = np.polyfit(pressure[good], record.thrust[good], 1)
        more = float(np.sum(slope * pressure[bad] + level - record.thrust[bad])) * record.interval
        guess = f" Chamber pressure suggests about {max(more, 0.0):,.0f} N*s more, an estimate only."
    return [
        THRUST_CLIPPED.at(
            record.cell.tag,
            float(record.time[bad][0]),
            seconds=seconds,
            peak=float(np.max(record.thrust[bad])),
            guess=guess,
        )
    ]


def _beyond_calibration(cell: Channel, start: float, end: float) -> list[Finding]:
    inside = (cell.time >= start) & (cell.time <= end) & cell.uncalibrated
    if not inside.any():
        return []
    read, c = cell.reading[inside], cell.calibration
    peak = float(read[np.nanargmax(np.abs(read))])
    seconds = np.count_nonzero(inside) * float(np.median(np.diff(cell.time)))
    highest = c.scale * (c.highest if peak > 0.0 else c.lowest)
    return [
        THRUST_BEYOND_CALIBRATION.at(
            cell.tag, float(cell.time[inside][0]), peak=peak, seconds=seconds, highest=highest, calibration=c.name
        )
    ]


def impulses(
    dataset: Dataset, record: ThrustRecord, burn: Burn, hidden: HiddenThrust
) -> tuple[ImpulseResult, ImpulseResult]:
    """Return total impulse at site ambient and referred to vacuum. [N*s]."""
    value = record.record().between(burn.window.start, burn.window.end)
    budget = [*impulse_budget(dataset, record, burn.window), *load_path_terms(record, value)]
    site = impulse_result(value, budget, lower_bound_only=hidden.lower_bound_only, unseen=hidden.unseen)
    engine, ambient = dataset.plan.engine, dataset.plan.site.ambient_pressure
    assert engine is not None  # noqa: S101 - the plan's validator requires it of a static fire
    begin, end = burn.span
    edges = math.hypot(burn.start.u if burn.start else EDGE_U, burn.stop.u if burn.stop else EDGE_U, EDGE_U)
    added, terms = vacuum_terms(
        throat_diameter=engine.throat_diameter.value,
        throat_diameter_u=engine.throat_diameter.u,
        expansion_ratio=engine.expansion_ratio.value,
        expansion_ratio_u=engine.expansion_ratio.u,
        ambient=ambient.value,
        ambient_u=ambient.u,
        duration=end - begin,
        duration_u=edges,
    )
    outside = {AMBIENT: BAROMETER}
    more = [Term(t.source, t.u, shared=outside.get(t.source)) for t in terms]
    more.append(Term("clock rate", added * dataset.clock_u, shared=CLOCK))
    vacuum = impulse_result(
        value + added, [*budget, *more], lower_bound_only=hidden.lower_bound_only, unseen=hidden.unseen
    )
    return site, vacuum


def relative_gain_u(budget: tuple[BudgetTerm, ...], impulse: float) -> float:
    """Return the relative standard uncertainty of the cell's gain in place."""
    return combined(t for t in budget if t.source in GAINS) / abs(impulse) if impulse else 0.0
