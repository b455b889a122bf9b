"""A cold flow of one tank, from its data set to results: CdA from the weighed liquid, exponent, comparison.

SI, absolute pressures; times in seconds after T-0. Order of trust: CdA from mass and pressure, which assumes
nothing of the gas; the exponent from pressure against volume; the joint fit only checks both.
"""

from collections.abc import Iterable, Mapping
from dataclasses import replace

import numpy as np

from standbook.analysis.blowdown.tank_curves import tank_curves
from standbook.analysis.channel_checks.channel_health import (
    channel_findings,
    gauge_effect,
    vented_zero_findings,
)
from standbook.analysis.channel_checks.mark_checks import mark_findings
from standbook.analysis.channel_checks.record_checks import supply_findings
from standbook.analysis.channel_checks.record_gaps import gap_findings, prediction_findings
from standbook.analysis.channel_checks.redundant_sensors import pair_findings
from standbook.analysis.cold_flow.boiling_findings import boiling_findings
from standbook.analysis.cold_flow.boiling_liquid import as_flowed
from standbook.analysis.cold_flow.flow_contradictions import contradictions, without_numbers
from standbook.analysis.cold_flow.flow_findings import amount_findings, course_findings, no_sensor
from standbook.analysis.cold_flow.flow_instants import FlowInstants
from standbook.analysis.cold_flow.seen_flow import first_with_flow
from standbook.analysis.cold_flow.tank_side import FlowSide, flow_side
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset, iso_time, shift_origin
from standbook.analysis.dataset.empty_results import empty_results
from standbook.analysis.diagnosis.flow_diagnosis import diagnosis_findings
from standbook.analysis.diagnosis.no_flow_causes import no_flow_causes
from standbook.analysis.findings.catalogue import suppress_consequences
from standbook.analysis.findings.causes import CAUSE_SENSOR_CLIPPED
from standbook.analysis.findings.channels import CLIPPED, GAUGE_AS_ABSOLUTE, NOT_RESPONDING
from standbook.analysis.findings.cold_flow import NO_FLOW_FOUND
from standbook.analysis.findings.record_faults import GAP_HIDES_END, START_PRESSURE_NOT_AS_PLANNED
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.results import Analysis, Comparison, EventResult, TZero, Window
from standbook.analysis.signal.band_comparison import compare, departure_findings
from standbook.analysis.signal.valve_events import Event
from standbook.analysis.signal.windows import between
from standbook.daq.config import measurands
from standbook.daq.config.plan import DETECTED_OPENING
from standbook.daq.findings.finding import Finding, deduplicate

SETTLED, ENDING = 0.3, 0.1  # s clear of the valve where measured is held against predicted
LEAD, TAIL = 2.0, 3.0  # s drawn before and after the flow
VENTED_SPAN, VENTED_BEFORE = 1.0, 0.5  # s at the record's beginning, if pressurising is that far off
VENTED_STILL = 0.01  # of it, from half to half of that span
VENTED_SHARE = 0.25  # of the pressure at the opening: a tank below it was open to the air


def analyse_water_flow(dataset: Dataset, *, revision: str = "A", software: str = "") -> Analysis:
    """Analyse a cold flow.

    Notes
    -----
    A number that the record cannot give is ``None`` with a finding, also where no pressure sensor was recorded or
    calibrated: what else the record holds is worth keeping, and a revision says why there is no more.
    """
    (tank,) = dataset.plan.tank
    sensors = dataset.measuring(measurands.TANK_PRESSURE, tank.name)
    seen = first_with_flow(dataset, sensors)
    channel, instants = seen.channel, seen.instants
    if channel is None or instants is None:
        return _without_flow(dataset, sensors, seen.passed, revision, software)
    if dataset.t_zero is None and dataset.plan.test.t_zero == DETECTED_OPENING and dataset.origin_ns is not None:
        dataset, instants = _counted_from_opening(dataset, channel, instants, dataset.origin_ns)
        channel = dataset.channels[channel.tag]
    boiling: tuple[Finding, ...] = ()
    if dataset.plan.kind.boiling_liquid:
        dataset, side, boiling = _of_boiling_liquid(dataset, channel, instants)
    else:
        side = flow_side(dataset, tank, channel, instants)
    record = _record_findings(dataset, side)
    against = _not_explained(contradictions(dataset, side), record)
    if any(finding.severity == "serious" for finding in against):
        side = without_numbers(side)
    compared = _comparison(dataset, channel, instants)
    said = [*_not_said_in(record, [*seen.passed]), *record, *boiling]
    results = replace(
        empty_results(dataset, revision, software),
        window=Window(instants.opening.time, instants.end.time),
        events=_events(dataset, instants.opening, instants.end),
        tanks={tank.name: side.result},
        comparison=compared,
        findings=deduplicate(suppress_consequences(_findings(dataset, side, said, against, compared))),
    )
    return Analysis(results, _curves(dataset, side))


def _of_boiling_liquid(
    dataset: Dataset, channel: Channel, instants: FlowInstants
) -> tuple[Dataset, FlowSide, tuple[Finding, ...]]:
    """Take what a flow gives with its liquid in the state that it flowed in, and say what limits it."""
    (tank,) = dataset.plan.tank
    flowed = as_flowed(dataset, tank, channel, instants)
    (aboard,) = flowed.dataset.plan.tank
    side = flow_side(flowed.dataset, aboard, channel, instants)
    return flowed.dataset, side, (*flowed.findings, *boiling_findings(flowed.dataset, side, flowed.state))


def _counted_from_opening(
    dataset: Dataset, channel: Channel, instants: FlowInstants, origin_ns: int
) -> tuple[Dataset, FlowInstants]:
    """Count times from the opening that the record shows."""
    opening = instants.opening
    at = iso_time(origin_ns + round(opening.time * 1e9))
    shifted = shift_origin(dataset, opening.time, TZero(at, f"detected opening, {channel.tag}", opening.u))
    end = replace(instants.end, time=instants.end.time - opening.time)
    return shifted, replace(instants, opening=replace(opening, time=0.0), end=end)


def _not_explained(against: list[Finding], record: list[Finding]) -> list[Finding]:
    """Leave out that a start is not the planned one where the sensor is known to take gauge for absolute."""
    mistaken = {finding.channel for finding in record if finding.of(GAUGE_AS_ABSOLUTE)}
    return [f for f in against if not (f.of(START_PRESSURE_NOT_AS_PLANNED) and f.channel in mistaken)]


def _findings(
    dataset: Dataset,
    side: FlowSide,
    record: list[Finding],
    against: list[Finding],
    compared: Mapping[str, Comparison],
) -> list[Finding]:
    """Say what must be said of a flow: of its ``record``, and what is ``against`` it."""
    return [
        *dataset.findings,
        *record,
        *course_findings(dataset, side),
        *amount_findings(dataset, side),
        *side.findings,
        # Causes that leave unit, amount and valve as noted would all be wrong of a flow that contradicts itself; those
        # of a boiling liquid are not modelled.
        *(against or ([] if dataset.plan.kind.boiling_liquid else diagnosis_findings(dataset, side))),
        *departure_findings(
            compared,
            locked=dataset.prediction_status == "locked",
            part="flow",
            suspects="start pressure, load, CdA and exponent",
        ),
        *prediction_findings(dataset),
    ]


def _without_flow(
    dataset: Dataset, sensors: tuple[Channel, ...], why: tuple[Finding, ...], revision: str, software: str
) -> Analysis:
    """Say why nothing was found, and show what was recorded."""
    (tank,) = dataset.plan.tank
    channels = sensors or tuple(dataset.channels.values())
    begin = min((float(channel.time[0]) for channel in channels), default=0.0)
    end = max((float(channel.time[-1]) for channel in channels), default=0.0)
    concerned = _acting(dataset)
    of_channels = channel_findings(concerned, begin, end)
    causes = no_flow_causes(dataset, tank)
    if any(not finding.of(NO_FLOW_FOUND) for finding in why):  # a record that is wrong tells of no cause but its own
        causes = [cause for cause in causes if cause.of(CAUSE_SENSOR_CLIPPED)]
    gaps = (
        [] if any(f.of(GAP_HIDES_END) for f in why) else gap_findings(dataset, begin, end, part="record", bridged=True)
    )
    cut_off = {finding.channel for finding in why if finding.of(CLIPPED)}
    findings = [
        *dataset.findings,
        *gaps,
        # A sensor that is cut off stands still because of it.
        *(f for f in of_channels if not (f.of(NOT_RESPONDING) and f.channel in cut_off)),
        *_not_said_in(of_channels, why),
        *causes,
        *([] if sensors else [no_sensor(tank)]),
        *prediction_findings(dataset),
    ]
    shown = tank_curves(sensors[0], tank.name, begin, end, prediction=dataset.prediction, delay=0.0) if sensors else {}
    events = _events(dataset)
    return Analysis(
        replace(empty_results(dataset, revision, software), events=events, findings=deduplicate(findings)), shown
    )


def _not_said_in(said: Iterable[Finding], more: Iterable[Finding]) -> list[Finding]:
    """Return findings of which no other says the same of the same channel."""
    known = {(finding.code, finding.channel) for finding in said}
    return [finding for finding in more if (finding.code, finding.channel) not in known]


def _events(dataset: Dataset, *of_flow: Event) -> tuple[EventResult, ...]:
    found = [EventResult(event.name, event.time, event.u, event.method) for event in of_flow]
    if dataset.t_zero is not None:
        found.append(EventResult("T-0", 0.0, dataset.t_zero.u, dataset.t_zero.source))
    return tuple(sorted(found, key=lambda event: event.time))


def _acting(dataset: Dataset) -> Dataset:
    """Return the data set with only those channels that this flow moves, and their supplies."""
    (tank,) = dataset.plan.tank
    kept = {t: c for t, c in dataset.channels.items() if c.measurand.is_moved_by_flow and c.tank in (None, tank.name)}
    return replace(dataset, channels=kept)


def _record_findings(dataset: Dataset, side: FlowSide) -> list[Finding]:
    begin, end = side.instants.opening.time, side.instants.end.time
    acting = _acting(dataset)
    said = [
        *gap_findings(dataset, begin, end, part="flow", bridged=True),
        *channel_findings(acting, begin, end),
        *pair_findings(acting, begin, end),
        *mark_findings(dataset),
        *supply_findings(acting, begin, end),
    ]
    first = float(side.channel.time[0])
    if first + VENTED_SPAN + VENTED_BEFORE < begin:
        vented = [c for c in acting.measuring(measurands.TANK_PRESSURE) if _vented(c, first, begin)]
        said += [
            _with_gauge_effect(dataset, side, finding)
            for finding in vented_zero_findings(acting, first, first + VENTED_SPAN, channels=vented)
        ]
    return said


def _with_gauge_effect(dataset: Dataset, side: FlowSide, finding: Finding) -> Finding:
    """Add what a gauge reading taken for absolute did to this flow's exponent."""
    start, end, exponent = side.result.start_pressure, side.result.end_pressure, side.result.exponent
    if not finding.of(GAUGE_AS_ABSOLUTE) or finding.channel != side.channel.tag:
        return finding
    if start is None or end is None or exponent is None or not 0.0 < end.value < start.value:
        return finding
    high = gauge_effect(start.value, end.value, exponent.chord.value, dataset.plan.site.ambient_pressure.value)
    more = f" The exponent that follows from it, {exponent.chord.value:.2f}, is about {high:.2f} too high."
    return replace(finding, text=finding.text + more)


def _vented(channel: Channel, first: float, opening: float) -> bool:
    """Tell whether the record begins with this tank open to the air: far below its pressure at the opening, still."""
    early = channel.reading[between(channel.time, first, first + VENTED_SPAN)]
    before = channel.reading[slice(*np.searchsorted(channel.time, [opening - VENTED_SPAN, opening]))]
    early, before = early[np.isfinite(early)], before[np.isfinite(before)]
    if early.size < 16 or before.size < 16:
        return False
    ready = float(np.mean(before))
    half = early.size // 2
    rise = float(np.mean(early[half:]) - np.mean(early[:half]))
    return bool(abs(float(np.mean(early))) < VENTED_SHARE * ready and abs(rise) < VENTED_STILL * ready)


def _comparison(dataset: Dataset, channel: Channel, instants: FlowInstants) -> dict[str, Comparison]:
    """Hold the tank pressure against its band while liquid flowed; the prediction counts from the opening."""
    (tank,) = dataset.plan.tank
    name = measurands.of_tank(measurands.TANK_PRESSURE, tank.name)
    band = dataset.prediction.quantities.get(name) if dataset.prediction is not None else None
    if dataset.prediction is None or band is None:
        return {}
    opening = instants.opening.time
    result = compare(
        channel.time,
        channel.reading,
        predicted_time=dataset.prediction.time + opening,
        nominal=band.nominal,
        low=band.low,
        high=band.high,
        start=opening + SETTLED,
        end=instants.end.time - ENDING,
    )
    return {name: result} if result is not None else {}


def _curves(dataset: Dataset, side: FlowSide) -> dict[str, Curve]:
    begin, end = side.instants.opening.time, side.instants.end.time
    return tank_curves(
        side.channel,
        side.tank.name,
        begin - LEAD,
        end + TAIL,
        prediction=dataset.prediction,
        delay=begin,
        flow=side.flow if side.exponent is not None else None,
        exponent=side.exponent,
    )
