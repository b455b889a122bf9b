"""A static firing, from its data set to results: impulse with budget and verdicts, tanks, engine, comparison.

SI, absolute pressures; times in seconds after T-0. Here stands the order of the job; the arithmetic is in the
modules it calls.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.channel_checks.channel_health import (
    channel_findings,
    first_usable,
    interference_findings,
    vented_zero_findings,
)
from standbook.analysis.channel_checks.load_cell_samples import believed, cell_findings
from standbook.analysis.channel_checks.mark_checks import mark_findings
from standbook.analysis.channel_checks.record_checks import clock_findings, supply_findings
from standbook.analysis.channel_checks.record_gaps import gap_findings, prediction_findings
from standbook.analysis.channel_checks.redundant_sensors import pair_findings
from standbook.analysis.dataset.dataset import Channel, Dataset
from standbook.analysis.dataset.empty_results import empty_results
from standbook.analysis.findings.catalogue import suppress_consequences
from standbook.analysis.findings.channels import CLIPPED
from standbook.analysis.findings.firing import CELL_REVERSED, NO_THRUST, ZERO_UNSETTLED
from standbook.analysis.findings.thrust import CHAMBER_NOT_FOLLOWED, THRUST_NOT_FOLLOWED
from standbook.analysis.firing.class_reserve import class_reserve, reserve_finding
from standbook.analysis.firing.engine_performance import (
    EngineFindings,
    TankSide,
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
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.firing_results import FiringDetail
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import (
    Analysis,
    Comparison,
    EventResult,
    ImpulseResult,
    Results,
    TankResult,
    Tare,
    WeightCorrection,
    Window,
)
from standbook.analysis.signal.band_comparison import compare, departure_findings
from standbook.analysis.thrust.both_flow import both_flow
from standbook.analysis.thrust.burn import Burn, beside_gap, burn_of, burn_time, thrust_result
from standbook.analysis.thrust.chamber_pressure import chamber_burns
from standbook.analysis.thrust.misfire import cold_pass, extraneous_loads, with_credible_t_zero
from standbook.analysis.thrust.plausibility import ThrustDoubts, thrust_doubts
from standbook.analysis.thrust.tank_flows import SECOND_RUN_OUT, TankFlow, first_run_out, tank_flows
from standbook.analysis.thrust.thrust_record import (
    Span,
    ThrustRecord,
    is_thrust,
    mode_period,
    rough_span,
    thrust_record,
)
from standbook.analysis.thrust.total_impulse import HiddenThrust, doubt, impulses, relative_gain_u
from standbook.analysis.thrust.weight_check import weight_findings
from standbook.analysis.witnesses.evidence import Evidence, evidence_of
from standbook.analysis.witnesses.verdicts import verdicts
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding, deduplicate

PARTED = (THRUST_NOT_FOLLOWED, CHAMBER_NOT_FOLLOWED)  # nothing new where a unit is wrong
RINGS_ON = 0.3  # s after the chamber's fall in which the thrust ends
VALVE_LOOK = 0.5  # s beside an opening that its two pieces are fitted to; with a gap there they show the gap
SUM_FROM = 0.25  # of the settled burn


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Firing:
    """One firing, made once: what every later step starts from."""

    dataset: Dataset
    cell: Channel
    span: Span  # rough
    burning: tuple[float, float] | None  # when the chamber burned [s]
    record: ThrustRecord
    burn: Burn
    flows: Mapping[str, TankFlow]
    weighed: Mapping[str, TankFlow]  # the same, with nothing taken from the cell
    doubts: ThrustDoubts
    hidden: HiddenThrust
    findings: tuple[Finding, ...]  # of its tanks, as they were searched


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Numbers:
    """What was measured of a firing."""

    site: ImpulseResult
    vacuum: ImpulseResult
    evidence: Evidence
    first_out: float | None  # [s]
    sides: Mapping[str, TankSide]
    of_tanks: list[Finding]
    engine: EngineFindings
    compared: Mapping[str, Comparison]
    detail: FiringDetail
    detail_curves: Mapping[str, Curve]
    of_detail: list[Finding]

    @property
    def tanks(self) -> dict[str, TankResult]:
        """Results of both tanks."""
        return {name: side.result for name, side in self.sides.items()}


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
    weighed, flows = flows, with_doubted_masses(with_cell_mass(flows, record), record)
    burn = _burn(dataset, span, record)
    doubts = thrust_doubts(dataset, record, burn, flows)
    if doubts.hidden:  # the end of what the cell shows is not the end of the flow
        flows, weighed = (
            {name: replace(flow, complete=False) for name, flow in some.items()} for some in (flows, weighed)
        )
    firing = Firing(
        dataset=dataset,
        cell=cell,
        span=span,
        burning=burning,
        record=record,
        burn=burn,
        flows=flows,
        weighed=weighed,
        doubts=doubts,
        hidden=doubt(dataset, record, burn, more=doubts.hidden),
        findings=tuple(findings),
    )
    return _analysis(firing, revision, software)


def _analysis(firing: Firing, revision: str, software: str) -> Analysis:
    """Measure a firing, judge it, and put all of it together."""
    dataset, record, burn = firing.dataset, firing.record, firing.burn
    numbers = _numbers(firing)
    site, vacuum = numbers.site, numbers.vacuum
    findings = suppress_consequences(_findings(firing, numbers))
    judged = verdicts(dataset, site, vacuum, numbers.evidence, against=_against(firing, findings))
    reserve = class_reserve(dataset.plan, {"site": site, "vacuum": vacuum}, judged)
    fitting = reserve_finding(reserve, judged) if reserve is not None else None
    results = replace(
        _frame(dataset, record, revision, software),
        window=Window(burn.window.start, burn.window.end),
        events=_events(dataset, record, burn, firing.flows),
        weight_correction=_weight_correction(record, burn),
        impulse=site,
        impulse_vacuum=vacuum,
        thrust=thrust_result(record, burn, first_out=numbers.first_out, impulse=site.value, budget=site.budget),
        burn_time=burn_time(burn),
        verdicts=judged,
        tanks=numbers.tanks,
        engine=numbers.engine.result,
        comparison=numbers.compared,
        findings=deduplicate([*findings, fitting] if fitting is not None else findings),
        firing=replace(numbers.detail, reserve=reserve, checks=numbers.evidence.result(site)),
    )
    return Analysis(results, firing_curves(dataset, record, burn, numbers.sides, site) | dict(numbers.detail_curves))


def _numbers(firing: Firing) -> _Numbers:
    dataset, record, burn, flows = firing.dataset, firing.record, firing.burn, firing.flows
    site, vacuum = impulses(dataset, record, burn, firing.hidden)
    first_out = first_run_out(flows)
    sides, of_tanks = tank_sides(dataset, flows)
    detail, detail_curves, of_detail = firing_detail(dataset, record, burn, flows, site)
    return _Numbers(
        site=site,
        vacuum=vacuum,
        evidence=evidence_of(dataset, record, burn, flows, both_flow(firing.weighed), site),
        first_out=first_out,
        sides=sides,
        of_tanks=of_tanks,
        engine=engine_of(dataset, record, burn, flows, site),
        compared=comparisons(dataset, record, burn, first_out, hidden=firing.hidden.lower_bound_only),
        detail=detail,
        detail_curves=detail_curves,
        of_detail=of_detail,
    )


def _findings(firing: Firing, numbers: _Numbers) -> list[Finding]:
    """Collect what was found, in the order in which a reader wants it."""
    dataset, record, cell, burn = firing.dataset, firing.record, firing.cell, firing.burn
    impossible = numbers.engine.impossible
    return [
        *dataset.findings,
        *firing.hidden.findings,
        *numbers.evidence.findings,
        *_of_weight(firing, numbers.site),
        *_unsettled(record),
        *(f for f in firing.doubts.others if not (impossible and f.of(*PARTED))),
        *extraneous_loads(record, firing.span, known=firing.burning is not None),
        *_record_findings(dataset, burn, cell),
        *clock_findings(dataset, cell, numbers.site),
        *firing.findings,
        *numbers.of_tanks,
        *run_out_findings(dataset, firing.flows),
        *numbers.engine.findings,
        *numbers.of_detail,
        *firing_diagnosis(
            dataset,
            record,
            burn,
            firing.flows,
            numbers.site,
            numbers.tanks,
            first_out=numbers.first_out,
            left_band=bool(departure_findings(numbers.compared, locked=True)),
        ),
        *departure_findings(numbers.compared, locked=dataset.prediction_status == "locked"),
        *prediction_findings(dataset),
    ]


def _of_weight(firing: Firing, site: ImpulseResult) -> list[Finding]:
    """Hold the cell's step between its zeros against the propellant that left."""
    record, calibration = firing.record, firing.cell.calibration
    return weight_findings(
        firing.cell.tag,
        record.zero,
        sign=record.sign,
        factor=record.factor,
        weight=record.weight if record.weighed else None,
        relative_gain_u=relative_gain_u(site.budget, site.value),
        drift_u=calibration.zero_uncertainty * calibration.scale,
    )


def _against(firing: Firing, findings: list[Finding]) -> list[Finding]:
    """Choose the serious findings that say of the cell more than that something was hidden."""
    known = {*firing.dataset.findings, *firing.hidden.findings}
    tag = firing.cell.tag
    return [f for f in findings if f.severity == "serious" and f.channel == tag and f not in known]


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
    measured = _measured(dataset, record, burn, begin, end, hidden=hidden)
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


def _measured(
    dataset: Dataset, record: ThrustRecord, burn: Burn, begin: float, end: float, *, hidden: bool
) -> dict[str, tuple[Array, Array]]:
    """Return time and value of every quantity that a prediction may have a band of."""
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
    return measured


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
    said = CELL_REVERSED.at(tag, span.start, mean=mean)
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
    said = NO_THRUST.at(tag, height=span.height, dead=dead, first=first, last=last, contents=integrate)
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
    return [ZERO_UNSETTLED.at(record.cell.tag, after.window.start, change=change, span=length)]


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
        *(f for f in channel_findings(dataset, begin, end) if not (f.of(CLIPPED) and f.channel == cell.tag)),
        *pair_findings(dataset, begin, end),
        *mark_findings(dataset),
        *supply_findings(dataset, min(0.0, begin), end),
        *vented_zero_findings(dataset, begin - 2.0, min(0.0, begin) - 0.05),
    ]
