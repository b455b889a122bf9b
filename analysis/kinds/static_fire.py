"""A static firing, from its data set to results: impulse with budget and verdicts, tanks, engine, comparison.

SI, absolute pressures; times in seconds after T-0. Here stands the order of the job; the arithmetic is in the
modules it calls.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from standbook.analysis.channel_checks.channel_health import (
    channel_findings,
    deduplicate,
    first_usable,
    gap_findings,
    interference_findings,
    prediction_findings,
    suppress_consequences,
    vented_zero_findings,
)
from standbook.analysis.channel_checks.clock_checks import clock_findings
from standbook.analysis.channel_checks.load_cell_samples import believed, cell_findings
from standbook.analysis.channel_checks.mark_checks import mark_findings
from standbook.analysis.channel_checks.redundant_sensors import pair_findings
from standbook.analysis.channel_checks.supply_checks import supply_findings
from standbook.analysis.dataset.dataset import Channel, Dataset
from standbook.analysis.dataset.empty_results import empty_results
from standbook.analysis.firing.class_reserve import class_reserve, reserve_finding
from standbook.analysis.firing.engine_performance import (
    engine_of,
    run_out_findings,
    tank_sides,
    with_cell_mass,
    with_doubted_masses,
)
from standbook.analysis.firing.firing_causes import firing_diagnosis
from standbook.analysis.firing.firing_curves import firing_curves
from standbook.analysis.firing.firing_detail import firing_detail
from standbook.analysis.physics.impulse import IntegratedRecord, integrate
from standbook.analysis.physics.load_cell import weight_findings
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import (
    Analysis,
    Comparison,
    EventResult,
    Finding,
    ImpulseResult,
    Results,
    Tare,
    WeightCorrection,
    Window,
)
from standbook.analysis.signal.band_comparison import compare, departure_findings
from standbook.analysis.thrust.burn import Burn, beside_gap, burn_of, burn_time, thrust_result
from standbook.analysis.thrust.chamber_pressure import chamber_burns
from standbook.analysis.thrust.misfire import cold_pass, extraneous_loads, with_credible_t_zero
from standbook.analysis.thrust.plausibility import thrust_doubts
from standbook.analysis.thrust.tank_flows import SECOND_RUN_OUT, TankFlow, first_run_out, tank_flows
from standbook.analysis.thrust.thrust_record import (
    Span,
    ThrustRecord,
    is_thrust,
    mode_period,
    rough_span,
    thrust_record,
)
from standbook.analysis.thrust.total_impulse import doubt, impulses, relative_gain_u, verdicts
from standbook.daq.config import measurands
from standbook.daq.errors import DataError

PARTED = frozenset({"thrust-not-followed", "chamber-not-followed"})  # nothing new where a unit is wrong
RINGS_ON = 0.3  # s after the chamber's fall in which the thrust ends
VALVE_LOOK = 0.5  # s beside an opening that its two pieces are fitted to; with a gap there they show the gap
SUM_FROM = 0.25  # of the settled burn


def analyse_static_fire(dataset: Dataset, *, revision: str = "A", software: str = "") -> Analysis:
    """Analyse a firing.

    Raises
    ------
    DataError
        No thrust channel, or nothing in it that could be integrated.
    """
    cell = _cell(dataset)
    burning = chamber_burns(dataset)
    dataset = with_credible_t_zero(dataset, _span(dataset, cell, burning, t_zero_known=False))
    span = _span(dataset, cell, burning, t_zero_known=_timed(dataset))
    if not is_thrust(span, cell.calibration):
        return _nothing(dataset, cell, span, revision, software)
    cold = cold_pass(dataset, cell, span)
    if cold is not None:
        return _claims_nothing(dataset, cell, cold, revision, software)
    record, flows, findings = _thrust(dataset, cell, span, burning)
    if span.reversed:
        return _reversed(dataset, record, span, findings, revision, software)
    flows = with_doubted_masses(with_cell_mass(flows, record), record)
    burn = _burn(dataset, span, record)
    doubts = thrust_doubts(dataset, record, burn, flows)
    if doubts.hidden:  # the end of what the cell shows is not the end of the flow
        flows = {name: replace(flow, complete=False) for name, flow in flows.items()}
    hidden = doubt(dataset, record, burn, more=doubts.hidden)
    site, vacuum = impulses(dataset, record, burn, hidden)
    first_out = first_run_out(flows)
    sides, of_tanks = tank_sides(dataset, flows)
    engine = engine_of(dataset, record, burn, flows, site)
    compared = comparisons(dataset, record, burn, first_out, hidden=hidden.lower_bound_only)
    detail, detail_curves, in_detail = firing_detail(dataset, record, burn, flows, site)
    findings = [
        *dataset.findings,
        *hidden.findings,
        *weight_findings(
            cell.tag,
            record.zero,
            sign=record.sign,
            factor=record.factor,
            weight=record.weight if record.weighed else None,
            relative_gain_u=relative_gain_u(site.budget, site.value),
            drift_u=cell.calibration.zero_uncertainty * cell.calibration.scale,
        ),
        *_unsettled(record),
        *(f for f in doubts.others if f.code not in PARTED or not engine.impossible),
        *extraneous_loads(record, span, known=burning is not None),
        *_record_findings(dataset, burn, cell),
        *clock_findings(dataset, cell, site),
        *findings,
        *of_tanks,
        *run_out_findings(dataset, flows),
        *engine.findings,
        *in_detail,
        *firing_diagnosis(
            dataset,
            record,
            burn,
            flows,
            site,
            {name: side.result for name, side in sides.items()},
            first_out=first_out,
            left_band=bool(departure_findings(compared, locked=True)),
        ),
        *departure_findings(compared, locked=dataset.prediction_status == "locked"),
        *prediction_findings(dataset),
    ]
    findings = suppress_consequences(findings)
    known = {*dataset.findings, *hidden.findings}
    against = [f for f in findings if f.severity == "serious" and f.channel == cell.tag and f not in known]
    judged = verdicts(dataset, site, vacuum, against=against)
    reserve = class_reserve(dataset.plan, {"site": site, "vacuum": vacuum}, judged)
    fitting = reserve_finding(reserve, judged) if reserve is not None else None
    results = replace(
        _frame(dataset, record, revision, software),
        window=Window(burn.window.start, burn.window.end),
        events=_events(dataset, record, burn, flows),
        weight_correction=_weight_correction(record, burn),
        impulse=site,
        impulse_vacuum=vacuum,
        thrust=thrust_result(record, burn, first_out=first_out, impulse=site.value, budget=site.budget),
        burn_time=burn_time(burn),
        verdicts=judged,
        tanks={name: side.result for name, side in sides.items()},
        engine=engine.result,
        comparison=compared,
        findings=deduplicate([*findings, fitting] if fitting is not None else findings),
        firing=replace(detail, reserve=reserve),
    )
    return Analysis(results, firing_curves(dataset, record, burn, sides, site) | detail_curves)


def firing_impulse(dataset: Dataset, *, flows: Mapping[str, TankFlow] | None = None) -> ImpulseResult | None:
    """Return total impulse at site ambient alone, by the same steps; ``None`` without thrust or with it reversed.

    ``flows`` are what the tanks' records gave before, for a study that integrates many cells beside one of them.

    Raises
    ------
    DataError
        As for :func:`analyse_static_fire`.
    """
    cell = _cell(dataset)
    burning = chamber_burns(dataset)
    span = _span(dataset, cell, burning, t_zero_known=_timed(dataset))
    if span.reversed or not is_thrust(span, cell.calibration):
        return None
    record = _thrust(dataset, cell, span, burning)[0] if flows is None else thrust_record(dataset, cell, span, flows)
    burn = _burn(dataset, span, record)
    return impulses(dataset, record, burn, doubt(dataset, record, burn))[0]


def comparisons(
    dataset: Dataset, record: ThrustRecord, burn: Burn, first_out: float | None, *, hidden: bool
) -> dict[str, Comparison]:
    """Hold thrust, chamber, tanks and cumulative impulse against their bands over the settled burn.

    Clipped thrust is left out; a sum that misses thrust (``hidden``) is not compared.
    """
    prediction = dataset.prediction
    if prediction is None:
        return {}
    begin, end = burn.inner(first_out)
    running = record.record()
    measured = {measurands.THRUST: (record.time, np.where(record.clipped, np.nan, record.thrust))}
    if not hidden:
        total = running.until(record.time) - running.until(burn.window.start)
        measured["cumulative impulse"] = (record.time, total)
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), begin, end)
    if chamber is not None:
        measured[measurands.CHAMBER_PRESSURE] = (chamber.time, chamber.reading)
    for tank in dataset.plan.tank:
        channel = first_usable(dataset.measuring(measurands.TANK_PRESSURE, tank.name), begin, end)
        if channel is not None:
            measured[measurands.of_tank(measurands.TANK_PRESSURE, tank.name)] = (channel.time, channel.reading)
    found = {}
    for name, (time, value) in measured.items():
        band = prediction.quantities.get(name)
        if band is None:
            continue
        # The band of a running sum is no wider than the start transient at first.
        first = begin + SUM_FROM * (end - begin) if name == "cumulative impulse" else begin
        result = compare(
            time,
            value,
            predicted_time=prediction.time + burn.prediction_delay,
            nominal=band.nominal,
            low=band.low,
            high=band.high,
            start=first,
            end=end,
        )
        if result is not None:
            found[name] = result
    return found


def _cell(dataset: Dataset) -> Channel:
    cell = dataset.first(measurands.THRUST)
    if cell is None:
        raise DataError(f"{dataset.run}: no calibrated thrust channel; name its calibration in the plan")
    return cell


def _span(dataset: Dataset, cell: Channel, burning: tuple[float, float] | None, *, t_zero_known: bool) -> Span:
    good = believed(cell)
    return rough_span(
        cell.time[good], cell.reading[good], mode_period(dataset.stand), t_zero_known=t_zero_known, burning=burning
    )


def _thrust(
    dataset: Dataset, cell: Channel, span: Span, burning: tuple[float, float] | None
) -> tuple[ThrustRecord, dict[str, TankFlow], list[Finding]]:
    # A stand that rings on for seconds does not prolong the flow.
    end = min(span.end, burning[1] + RINGS_ON) if burning is not None else span.end
    flows, findings = tank_flows(
        dataset,
        start=span.start,
        end=max(end, span.start + 0.1),
        begins=not span.up_at_first_sample,
        ends=not span.still_up_at_end,
    )
    return thrust_record(dataset, cell, span, flows), flows, findings


def _burn(dataset: Dataset, span: Span, record: ThrustRecord) -> Burn:
    return burn_of(record, late=span.up_at_first_sample, cut_off=span.still_up_at_end, t_zero_known=_timed(dataset))


def _timed(dataset: Dataset) -> bool:
    return dataset.t_zero is not None


def _frame(dataset: Dataset, record: ThrustRecord, revision: str, software: str) -> Results:
    """Return the results of a firing of which nothing but zeros and health is known yet."""
    zero = record.zero
    before = Measured(zero.before.value, zero.before.u, "N")
    after = Measured(zero.after.value, zero.after.u, "N") if zero.after is not None else None
    drift = None
    if after is not None and (record.weighed or record.sign == 0):
        drift = zero.step - record.sign * record.weight.value / record.factor
    return replace(empty_results(dataset, revision, software), tare={record.cell.tag: Tare(before, after, drift)})


def _reversed(
    dataset: Dataset, record: ThrustRecord, span: Span, findings: list[Finding], revision: str, software: str
) -> Analysis:
    """Say that the cell reads the wrong way, and claim nothing."""
    tag = record.cell.tag
    inside = (record.time >= span.start) & (record.time <= span.end)
    mean = float(record.thrust[inside].mean())
    said = Finding(
        "cell-reversed",
        "serious",
        tag,
        span.start,
        f"{tag}: reads {mean:,.0f} N during the burn; thrust must be positive. The cell or its sign in the "
        "calibration is reversed: check with a known pull along the thrust line. No sign is turned here, so no impulse "
        "is given.",
    )
    results = replace(
        _frame(dataset, record, revision, software),
        verdicts=verdicts(dataset, None, None),
        findings=deduplicate([*dataset.findings, said, *findings, *prediction_findings(dataset)]),
    )
    return Analysis(results, {})


def _nothing(dataset: Dataset, cell: Channel, span: Span, revision: str, software: str) -> Analysis:
    """Say that the cell saw no thrust, and what the chamber saw, and claim nothing."""
    tag = cell.tag
    first, last = float(cell.time[0]), float(cell.time[-1])
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), first, last)
    integrate = "no chamber pressure sensor says whether the engine burned"
    if chamber is not None:
        top = float(np.nanmax(chamber.reading))
        integrate = f"{chamber.tag} reached {top / 1e5:.2f} bar(a)"
    dead = " Not one count changed: cell, plug or converter is dead." if not np.any(np.diff(cell.counts)) else ""
    said = Finding(
        "no-thrust",
        "serious",
        tag,
        None,
        f"{tag}: nothing that could be thrust: its mean never leaves rest by more than {span.height:,.1f} N.{dead} "
        f"The record spans T{first:+.1f} s to T{last:+.1f} s; in it {integrate}. After a misfire keep away for the "
        "waiting time; valve, igniter and chamber traces around the fire command say what failed. If the engine "
        "burned, check the cell with a known pull.",
    )
    return _claims_nothing(dataset, cell, said, revision, software)


def _claims_nothing(dataset: Dataset, cell: Channel, said: Finding, revision: str, software: str) -> Analysis:
    first, last = float(cell.time[0]), float(cell.time[-1])
    results = replace(
        empty_results(dataset, revision, software),
        verdicts=verdicts(dataset, None, None),
        findings=deduplicate(
            [*dataset.findings, said, *gap_findings(dataset, first, last), *prediction_findings(dataset)]
        ),
    )
    return Analysis(results, {})


def _unsettled(record: ThrustRecord) -> list[Finding]:
    """Say where the second zero is none, because the cell still moves in it."""
    change, after = record.unsettled, record.zero.after
    if change is None or after is None:
        return []
    length = after.window.end - after.window.start
    return [
        Finding(
            "zero-unsettled",
            "serious",
            record.cell.tag,
            after.window.start,
            f"{record.cell.tag}: the second zero still moves by {change:+,.1f} N within {length:g} s from "
            f"T{after.window.start:+.1f} s: thrust tails off, liquid runs out or the cell drifts, so what is taken for "
            "rest is none and the impulse may be wrong by more than its uncertainty. Record until the cell has stood "
            "still for 5 s.",
        )
    ]


def _events(
    dataset: Dataset, record: ThrustRecord, burn: Burn, flows: Mapping[str, TankFlow]
) -> tuple[EventResult, ...]:
    found = []
    if dataset.t_zero is not None:
        found.append(EventResult("T-0", 0.0, dataset.t_zero.u, dataset.t_zero.source))
    for name, event in (("thrust start", burn.start), ("thrust stop", burn.stop)):
        if event is not None:
            found.append(EventResult(name, event.time, event.u, event.method))
    found.append(EventResult("end of thrust", burn.thrust_end, 0.05, "first quiet mean over one stand-mode period"))
    for name, flow in flows.items():
        if not beside_gap(record, flow.opening, within=VALVE_LOOK):
            found.append(EventResult(f"{name} valve open", flow.opening.time, flow.opening.u, flow.opening.method))
        end = f"{name} run-out" if flow.ran_dry or flow.end.name == SECOND_RUN_OUT else f"{name} valve closed"
        found.append(EventResult(end, flow.end.time, flow.end.u, flow.end.method))
    return tuple(sorted(found, key=lambda event: event.time))


def _weight_correction(record: ThrustRecord, burn: Burn) -> WeightCorrection:
    """Tell what taking the ramp out moved the impulse by: against the first zero alone."""
    ramp: IntegratedRecord = integrate(record.time, record.zero.step * record.zero.share, interval=record.interval)
    moved = -record.factor * ramp.between(burn.window.start, burn.window.end)
    mass = Measured(record.weight.value / record.weight_per_mass, record.weight.u / record.weight_per_mass, "kg")
    return WeightCorrection(record.sign != 0, record.sign, mass, moved)


def _record_findings(dataset: Dataset, burn: Burn, cell: Channel) -> list[Finding]:
    begin, end = burn.span
    return [
        *cell_findings(cell, min(0.0, begin), burn.thrust_end),
        *gap_findings(dataset, min(0.0, begin), burn.thrust_end),
        *interference_findings(dataset, min(0.0, begin), end, but=cell.tag),
        *(f for f in channel_findings(dataset, begin, end) if (f.code, f.channel) != ("clipped", cell.tag)),
        *pair_findings(dataset, begin, end),
        *mark_findings(dataset),
        *supply_findings(dataset, min(0.0, begin), end),
        *vented_zero_findings(dataset, begin - 2.0, min(0.0, begin) - 0.05),
    ]
