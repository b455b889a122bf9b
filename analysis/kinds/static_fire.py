"""A static firing, from its data set to results: impulse with budget and verdicts, tanks, engine, comparison.

SI, absolute pressures; times in seconds after T-0. Here stands the order of the job; the arithmetic is in the
modules it calls.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from standbook.analysis.channel_checks.channel_health import (
    channel_findings,
    interference_findings,
    vented_zero_findings,
)
from standbook.analysis.channel_checks.load_cell_samples import believed, cell_findings
from standbook.analysis.channel_checks.mark_checks import mark_findings
from standbook.analysis.channel_checks.record_checks import clock_findings, supply_findings
from standbook.analysis.channel_checks.record_gaps import gap_findings, prediction_findings
from standbook.analysis.channel_checks.redundant_sensors import pair_findings
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.dataset.guard import FAILURES, guarded, part_failed
from standbook.analysis.dataset.summed_cells import with_summed_cells
from standbook.analysis.findings.catalogue import suppress_consequences
from standbook.analysis.findings.channels import BEYOND_CALIBRATION, CLIPPED
from standbook.analysis.findings.firing import ZERO_UNSETTLED
from standbook.analysis.findings.thrust import CHAMBER_NOT_FOLLOWED, NOZZLE_NOT_FULL, THRUST_NOT_FOLLOWED
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
from standbook.analysis.firing.firing_comparison import comparisons
from standbook.analysis.firing.firing_curves import firing_curves, full_rate_curves
from standbook.analysis.firing.firing_detail import firing_detail
from standbook.analysis.firing.plan_departures import departure_findings as plan_findings
from standbook.analysis.firing.plan_departures import departures_of
from standbook.analysis.impulse.separated_flow import separation_findings
from standbook.analysis.impulse.total_impulse import HiddenThrust, doubt, impulses, relative_gain_u
from standbook.analysis.kinds.no_firing import claims_nothing, firing_frame, no_thrust, reversed_firing
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.firing_results import FiringDetail
from standbook.analysis.results.results import (
    Analysis,
    Comparison,
    ImpulseResult,
    TankResult,
    Window,
)
from standbook.analysis.signal.band_comparison import departure_findings
from standbook.analysis.thrust.both_flow import both_flow
from standbook.analysis.thrust.burn import Burn, burn_of, burn_time, thrust_result
from standbook.analysis.thrust.chamber_pressure import chamber_burns
from standbook.analysis.thrust.firing_events import firing_events, weight_correction
from standbook.analysis.thrust.misfire import cold_pass, extraneous_loads, with_credible_t_zero
from standbook.analysis.thrust.plausibility import ThrustDoubts, thrust_doubts
from standbook.analysis.thrust.tank_flows import TankFlow, first_run_out, tank_flows
from standbook.analysis.thrust.thrust_record import (
    Span,
    ThrustRecord,
    is_thrust,
    mode_period,
    rough_span,
    thrust_record,
)
from standbook.analysis.thrust.weight_check import gas_findings, weight_findings
from standbook.analysis.witnesses.evidence import Evidence, evidence_of
from standbook.analysis.witnesses.routes import CHAMBER
from standbook.analysis.witnesses.verdicts import verdicts
from standbook.daq.config import measurands
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding, deduplicate

PARTED = (THRUST_NOT_FOLLOWED, CHAMBER_NOT_FOLLOWED)  # nothing new where a unit is wrong
TOLD_OF_CELL = (CLIPPED, BEYOND_CALIBRATION)  # as what the impulse lost
RINGS_ON = 0.3  # s after the chamber's fall in which the thrust ends


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
    dataset = with_summed_cells(dataset)
    cell = _cell(dataset)
    try:
        return _analysed(dataset, cell, revision, software)
    except FAILURES as error:
        return claims_nothing(dataset, cell, part_failed("The impulse", error), revision, software)


def _analysed(dataset: Dataset, cell: Channel, revision: str, software: str) -> Analysis:
    """Search the burn, and analyse what there is."""
    burning = chamber_burns(dataset)
    dataset = with_credible_t_zero(dataset, _span(dataset, cell, burning, t_zero_known=False))
    span = _span(dataset, cell, burning, t_zero_known=_timed(dataset))
    if not is_thrust(span, cell.calibration):
        return no_thrust(dataset, cell, span, revision, software)
    cold = cold_pass(dataset, cell, span)
    if cold is not None:
        return claims_nothing(dataset, cell, cold, revision, software)
    record, flows, findings = _thrust(dataset, cell, span, burning)
    if span.reversed:
        return reversed_firing(dataset, record, span, findings, revision, software)
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
    judged = verdicts(
        dataset,
        site,
        vacuum,
        numbers.evidence,
        against=_against(firing, findings),
        vacuum_at_most=any(finding.of(NOZZLE_NOT_FULL) for finding in findings),
    )
    reserve = class_reserve(dataset.plan, {"site": site, "vacuum": vacuum}, judged)
    fitting = reserve_finding(reserve, judged) if reserve is not None else None
    results = replace(
        firing_frame(dataset, record, revision, software),
        window=Window(burn.window.start, burn.window.end),
        events=firing_events(dataset, record, burn, firing.flows),
        weight_correction=weight_correction(record, burn),
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
    curves = firing_curves(dataset, record, burn, numbers.sides, site) | full_rate_curves(dataset, record, burn)
    return Analysis(results, curves | dict(numbers.detail_curves))


def _numbers(firing: Firing) -> _Numbers:
    dataset, record, burn, flows = firing.dataset, firing.record, firing.burn, firing.flows
    site, vacuum = impulses(dataset, record, burn, firing.hidden)
    evidence = evidence_of(dataset, record, burn, flows, both_flow(firing.weighed), site)
    if evidence.gain_proven:  # hung with hoses on, they carried what the hoses carry
        site, vacuum = replace(site, allowances=()), replace(vacuum, allowances=())
    first_out = first_run_out(flows)
    sides, of_tanks = tank_sides(dataset, flows)
    nothing: tuple[FiringDetail, dict[str, Curve], list[Finding]] = (FiringDetail(), {}, [])
    (detail, detail_curves, of_detail), failed = guarded(
        "Transients, stability and masses by route", lambda: firing_detail(dataset, record, burn, flows, site), nothing
    )
    return _Numbers(
        site=site,
        vacuum=vacuum,
        evidence=evidence,
        first_out=first_out,
        sides=sides,
        of_tanks=of_tanks,
        engine=engine_of(dataset, record, burn, flows, site),
        compared=comparisons(dataset, record, burn, first_out, hidden=firing.hidden.lower_bound_only),
        detail=detail,
        detail_curves=detail_curves,
        of_detail=[*of_detail, *failed],
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
        *separation_findings(dataset, record, burn),
        *firing.findings,
        *numbers.of_tanks,
        *run_out_findings(dataset, firing.flows),
        *numbers.engine.findings,
        *numbers.of_detail,
        *plan_findings(
            departures_of(
                dataset.plan,
                numbers.tanks,
                numbers.engine.result,
                both_flow(firing.flows),
                numbers.evidence.route(CHAMBER),
            ),
            left_band=bool(departure_findings(numbers.compared, locked=True)),
        ),
        *departure_findings(numbers.compared, locked=dataset.prediction_status == "locked"),
        *prediction_findings(dataset),
    ]


def _of_weight(firing: Firing, site: ImpulseResult) -> list[Finding]:
    """Hold the cell's step between its zeros against the propellant that left."""
    record, calibration = firing.record, firing.cell.calibration
    return gas_findings(record, firing.burn.span) + weight_findings(
        firing.cell.tag,
        record.zero,
        sign=record.sign,
        factor=record.factor,
        weight=record.weight if record.weighed else None,
        relative_gain_u=relative_gain_u(site.budget, site.value),
        drift_u=math.hypot(
            calibration.zero_uncertainty * calibration.scale,
            calibration.stand_interaction.line_load.u * abs(record.hose_pressure_after),
        ),
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


def thrust_and_burn(dataset: Dataset) -> tuple[ThrustRecord, Burn]:
    """Return thrust at full rate and its window, by the steps whose integral is the total impulse.

    Raises
    ------
    DataError
        No thrust channel, no thrust, or thrust reversed: there is nothing to integrate.
    """
    dataset = with_summed_cells(dataset)
    cell, burning = _cell(dataset), chamber_burns(dataset)
    dataset = with_credible_t_zero(dataset, _span(dataset, cell, burning, t_zero_known=False))
    span = _span(dataset, cell, burning, t_zero_known=_timed(dataset))
    if span.reversed or not is_thrust(span, cell.calibration) or cold_pass(dataset, cell, span) is not None:
        raise DataError(f"{dataset.run}: no thrust that could be integrated; see what the analysis says")
    record = _thrust(dataset, cell, span, burning)[0]
    return record, _burn(dataset, span, record)


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


def _unsettled(record: ThrustRecord) -> list[Finding]:
    """Say where the second zero is none, because the cell still moves in it."""
    change, after = record.unsettled, record.zero.after
    if change is None or after is None:
        return []
    length = after.window.end - after.window.start
    return [ZERO_UNSETTLED.at(record.cell.tag, after.window.start, change=change, span=length)]


def _record_findings(dataset: Dataset, burn: Burn, cell: Channel) -> list[Finding]:
    begin, end = burn.span
    return [
        *cell_findings(cell, min(0.0, begin), burn.thrust_end),
        *gap_findings(dataset, min(0.0, begin), burn.thrust_end),
        *interference_findings(dataset, min(0.0, begin), end, but=cell.tag),
        *(f for f in channel_findings(dataset, begin, end) if not (f.of(*TOLD_OF_CELL) and f.channel == cell.tag)),
        *pair_findings(dataset, begin, end),
        *mark_findings(dataset),
        *supply_findings(dataset, min(0.0, begin), end),
        *vented_zero_findings(dataset, begin - 2.0, min(0.0, begin) - 0.05),
    ]
