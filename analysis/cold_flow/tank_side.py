"""What one cold flow says of its tank: CdA, exponent, joint fit as a cross-check, and what they rest on.

SI, absolute pressures; times in seconds after T-0. A number that the record cannot give is ``None`` with a finding
that says why.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.amounts import Amount
from standbook.analysis.blowdown.direct_cda import DirectCda, direct_cda
from standbook.analysis.blowdown.discharge_findings import exponent_findings, follows_law, joint_findings
from standbook.analysis.blowdown.exponent import Exponent, exponent_from_pv
from standbook.analysis.blowdown.joint_fit import FITTED, JointFit, joint_fit
from standbook.analysis.blowdown.liquid_column import head_of, mean_near
from standbook.analysis.blowdown.record import (
    AveragedDischarge,
    DischargeRecord,
    NoteUncertainties,
    SensorUncertainties,
    StaticPressure,
    averaged_flow,
    sensor_terms,
    static_pressure,
)
from standbook.analysis.blowdown.tank_results import (
    cda_against_plan,
    exponent_against_plan,
    exponent_result,
    tank_pressure,
    ullage_correlation,
)
from standbook.analysis.blowdown.weighed_amounts import Balance, WeighedAmounts, weighed_amounts
from standbook.analysis.cold_flow.flow_instants import FlowInstants, at_rest_since
from standbook.analysis.cold_flow.observed_amounts import observed_amounts
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.cold_flow import TANK_NOT_KNOWN, VALVE_SLOW
from standbook.analysis.findings.discharge import EXPONENT_ABOVE_ISENTROPIC, EXPONENT_DRIFT
from standbook.analysis.physics import fluids
from standbook.analysis.physics.blowdown import Head
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import TankResult
from standbook.daq.config.plan import Plan, Tank
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

USUAL_SLENDERNESS, SLENDERNESS_U = 3.0, 0.4  # tank length over diameter; 1.5 to 6 make columns 0.63 to 1.6 as high
SLOW_VALVE = 0.15  # s between the break of the pressure and the opening that the curve counts from
FITTED_WORDS = {"exponent": "exponent", "exponent_drift": "drift", "cda": "CdA", "opening_time": "opening"}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class FlowSide:
    """One cold flow with what was found from it."""

    tank: Tank
    channel: Channel
    instants: FlowInstants
    amount: Measured | None  # liquid that left [kg]
    amounts: tuple[Amount, ...]  # what was seen of it, in order of trust
    balance: Balance | None  # of the amounts
    cda_by: Mapping[str, Measured]  # by each amount [m²]
    record: DischargeRecord
    flow: AveragedDischarge | None  # the record, averaged once; None where it is too short
    static: StaticPressure | None
    exponent: Exponent | None
    result: TankResult
    findings: tuple[Finding, ...]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Flow:
    """What the record holds of one flow, before anything is fitted to it."""

    dataset: Dataset
    tank: Tank
    channel: Channel
    instants: FlowInstants
    record: DischargeRecord
    sensor: SensorUncertainties
    notes: NoteUncertainties
    static: StaticPressure | None


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Fits:
    """CdA, exponent and joint fit, each where the record allows it."""

    direct: DirectCda | None = None
    exponent: Exponent | None = None
    joint: JointFit | None = None


def flow_side(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> FlowSide:
    """Take what can be taken from one flow."""
    flow, said = _flow_of(dataset, tank, channel, instants)
    means, amounts, weighed, found = _weighed(flow)
    said += found
    fits = _Fits()
    if weighed is not None:
        fits, found = _fitted(flow, weighed)
        said += found
    return FlowSide(
        tank=tank,
        channel=channel,
        instants=instants,
        amount=weighed.left if weighed else None,
        amounts=amounts,
        balance=weighed.balance if weighed else None,
        cda_by=weighed.cda_by if weighed else {},
        record=weighed.record if weighed else flow.record,
        flow=weighed.flow if weighed else means,
        static=flow.static,
        exponent=fits.exponent,
        result=_result(flow, weighed, fits),
        findings=tuple(said),
    )


def _flow_of(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> tuple[_Flow, list[Finding]]:
    """Read the record of a flow, and say where it tells no static pressure."""
    record, sensor, notes = _record_of(dataset, tank, channel, instants)
    said: list[Finding] = []
    static: StaticPressure | None = None
    try:
        static = static_pressure(record)
    except DataError as error:
        # CdA needs no hold: what a short one leaves out is missing, not doubtful.
        said.append(replace(_unknown(tank, "The exponent is not known", error), severity="note"))
    flow = _Flow(
        dataset=dataset,
        tank=tank,
        channel=channel,
        instants=instants,
        record=record,
        sensor=sensor,
        notes=notes,
        static=static,
    )
    return flow, said


def _weighed(
    flow: _Flow,
) -> tuple[AveragedDischarge | None, tuple[Amount, ...], WeighedAmounts | None, list[Finding]]:
    """Return the averaged flow, what was seen of the liquid that left, what that amounts to, and what must be said."""
    means: AveragedDischarge | None = None
    amounts: tuple[Amount, ...] = ()
    said: list[Finding] = []
    try:
        means = averaged_flow(flow.record)
        observed = observed_amounts(flow.dataset, flow.tank, flow.instants, means)
        amounts = observed.amounts
        said += observed.findings
        if amounts:
            return means, amounts, weighed_amounts(flow.record, means, flow.sensor, flow.notes, amounts), said
    except DataError as error:
        said.append(_unknown(flow.tank, "CdA and exponent are not known", error))
    return means, amounts, None, said


def _record_of(
    dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants
) -> tuple[DischargeRecord, SensorUncertainties, NoteUncertainties]:
    plan = dataset.plan
    ambient, stated = plan.site.ambient_pressure, plan.flow.back_pressure
    density, volume, load = tank.liquid_density, tank.internal_volume, tank.liquid_load
    good = np.isfinite(channel.reading) & ~channel.clipped
    # The rise to the start pressure is no part of the hold that tells it.
    good &= channel.time >= at_rest_since(channel.time[good], channel.reading[good], instants.opening.time)
    head, head_u = column_of(plan, tank)
    record = DischargeRecord(
        time=channel.time[good],
        pressure=channel.reading[good],
        back_pressure=plan.back_pressure().value,
        density=density.value,
        opening_time=instants.opening.time,
        end_time=instants.end.time,
        ullage_volume=tank.ullage_volume,
        head=head,
        # Even if it did: the instant of a cold flow's run-out allows for the fading itself (`flow_instants`).
        ran_dry=False,
        law_end=instants.first_gas,
        step=channel.step,
    )
    notes = NoteUncertainties(
        ullage_volume_u=volume.u,
        load=load.value,
        load_u=load.u,
        density_u=density.u,
        head_u=head_u,
        ambient_u=ambient.u,
        back_pressure_u=stated.u if stated else 0.0,
        free_jet=stated is None or stated.reference == "gauge",
        clock_u=dataset.clock_u,
        opening_u=instants.opening.u,
        end_u=instants.end.u,
    )
    return record, sensor_terms(channel, ambient), notes


def column_of(plan: Plan, tank: Tank) -> tuple[Head, float]:
    """Return the liquid column and how well its height is known, relative; guessed where no diameter is stated."""
    head = head_of(plan, tank)
    if head is not None:
        return head, 0.0
    diameter = (4.0 * tank.internal_volume.value / (math.pi * USUAL_SLENDERNESS)) ** (1.0 / 3.0)
    area = math.pi / 4.0 * diameter**2
    height = tank.outlet_below_floor.value + tank.liquid_load.value / tank.liquid_density.value / area
    return Head(height, area, plan.site.gravity.value), SLENDERNESS_U


def _fitted(flow: _Flow, weighed: WeighedAmounts) -> tuple[_Fits, list[Finding]]:
    """Fit what the record allows, and say what must be said of it."""
    record, tank, tag = weighed.record, flow.tank, flow.channel.tag
    try:
        direct = direct_cda(record, sensor=flow.sensor, notes=flow.notes, flow=weighed.flow, channel=tag)
    except DataError as error:
        return _Fits(), [_unknown(tank, "CdA and exponent are not known", error)]
    said = [*direct.findings, *cda_against_plan(tank, Measured(direct.cda, direct.u, "m2"))]
    if flow.static is None:
        return _Fits(direct=direct), said
    isentropic, why = _isentropic(flow.dataset.plan, tank, flow.static.value)
    said += why
    exponent: Exponent | None = None
    joint: JointFit | None = None
    try:
        exponent = exponent_from_pv(record, sensor=flow.sensor, notes=flow.notes, flow=weighed.flow)
        said += _exponent_findings(flow, exponent, isentropic)
        # The joint fit knows one soft mass over all of the flow.
        joint = joint_fit(
            replace(record, amounts=(), weights=()),
            sensor=flow.sensor,
            notes=replace(flow.notes, mass_u=weighed.left.u),
            flow=replace(weighed.flow, amounts=(), weights=()),
            direct=direct,
        )
        said += [
            *joint_findings(joint, direct, tag, by_law=follows_law(exponent)),
            *_valve_findings(flow.channel, record, joint),
        ]
    except DataError as error:
        what = "The exponent is not known" if exponent is None else "The joint fit could not check CdA and exponent"
        said.append(_unknown(tank, what, error))
    return _Fits(direct=direct, exponent=exponent, joint=joint), said


def _exponent_findings(flow: _Flow, exponent: Exponent, isentropic: float | None) -> list[Finding]:
    """Hold an exponent against warm, settled gas, the plan and the real gas."""
    tank, channel = flow.tank, flow.channel
    if flow.dataset.plan.kind.boiling_liquid:
        # Gas over a boiling liquid is chilled: what is unusual of warm gas is usual there.
        said = exponent_findings(exponent, isentropic_exponent=None, channel=channel.tag)
        usual = [finding for finding in said if not finding.of(EXPONENT_DRIFT)]
        return [*usual, *exponent_against_plan(tank, channel.tag, exponent)]
    said = exponent_findings(exponent, isentropic_exponent=isentropic, channel=channel.tag)
    highest = _greatest_chord(flow.dataset.plan, tank, exponent)
    return [
        *said,
        *exponent_against_plan(tank, channel.tag, exponent),
        *_bound_findings(tank, channel, exponent, highest, said),
    ]


def _isentropic(plan: Plan, tank: Tank, pressure: float) -> tuple[float | None, list[Finding]]:
    """Return the exponent that the pressurant would have without heat, at the pressure and temperature it starts."""
    temperature = tank.gas_temperature or plan.site.ambient_temperature
    try:
        return fluids.isentropic_exponent(tank.pressurant, pressure=pressure, temperature=temperature.value), []
    except DataError as error:
        return None, [_unknown(tank, "The exponent is not held against the isentropic one", error)]


def _greatest_chord(plan: Plan, tank: Tank, exponent: Exponent) -> float | None:
    """Return the chord exponent of the real gas without heat between the same pressures; ``None`` if not known."""
    start = exponent.start_pressure.value
    end = start * math.exp(-exponent.chord.value * exponent.end_log_ratio)
    temperature = (tank.gas_temperature or plan.site.ambient_temperature).value
    try:
        return fluids.chord_isentropic_exponent(
            tank.pressurant, start_pressure=start, end_pressure=end, temperature=temperature
        )
    except DataError:
        return None


def _bound_findings(
    tank: Tank, channel: Channel, exponent: Exponent, highest: float | None, said: list[Finding]
) -> list[Finding]:
    """Say where the chord lies above what the real gas can do without losing heat."""
    chord = exponent.chord
    known = any(finding.of(EXPONENT_ABOVE_ISENTROPIC) for finding in said)
    if highest is None or known or chord.value - 2.0 * chord.u <= highest:
        return []
    return [
        EXPONENT_ABOVE_ISENTROPIC.at(
            channel.tag,
            tank_name=tank.name,
            chord=chord.value,
            chord_u=chord.u,
            highest=highest,
            pressurant=tank.pressurant,
        )
    ]


def _valve_findings(channel: Channel, record: DischargeRecord, joint: JointFit) -> list[Finding]:
    """Say where the flow behind the open valve began at another instant than the pressure's break shows.

    A valve that opens slowly only warps time, and samples before it is open are not fitted: what the curve counts
    from is the middle of the stroke.
    """
    late = joint.opening.value - record.opening_time
    if abs(late) <= max(SLOW_VALVE, 3.0 * joint.opening.u):
        return []
    return [
        VALVE_SLOW.at(
            channel.tag, record.opening_time, late_ms=1000.0 * abs(late), side="after" if late > 0.0 else "before"
        )
    ]


def _unknown(tank: Tank, what: str, error: DataError) -> Finding:
    words = what if what.startswith("CdA") else f"{what[0].lower()}{what[1:]}"
    return TANK_NOT_KNOWN.at(tank.name, words=words, error=error)


def _result(flow: _Flow, weighed: WeighedAmounts | None, fits: _Fits) -> TankResult:
    channel, dataset, exponent, direct = flow.channel, flow.dataset, fits.exponent, fits.direct
    opening, end = flow.instants.opening.time, flow.instants.end.time
    start = mean_near(channel, opening - 0.1, 1.0) if flow.static is None else flow.static.value
    return TankResult(
        cda=Measured(direct.cda, direct.u, "m2") if direct else None,
        cda_joint=fits.joint.cda if fits.joint else None,
        cda_budget=direct.budget if direct else (),
        exponent=exponent_result(exponent),
        correlation={**ullage_correlation(exponent), **_correlations(fits.joint)},
        window=(opening, end),
        residual_rms=exponent.residual_rms if exponent else None,
        expelled_mass=weighed.left if weighed else None,
        start_pressure=tank_pressure(channel, start, dataset),
        end_pressure=tank_pressure(channel, mean_near(channel, end, 0.05), dataset),
        facts=_facts(flow, weighed, fits),
    )


def _facts(flow: _Flow, weighed: WeighedAmounts | None, fits: _Fits) -> dict[str, bool]:
    """Say what makes the numbers of a flow valid."""
    exponent, joint = fits.exponent, fits.joint
    facts = {
        "the amount of liquid is known": weighed is not None,
        "the amounts agree": weighed is None or weighed.balance.agree,
        "at least 1 s of static pressure before the opening": flow.static is not None,
        "valve closed before run-out": not flow.instants.ran_dry,
    }
    if exponent is not None:
        highest = _greatest_chord(flow.dataset.plan, flow.tank, exponent)
        low, high = (exponent.chord.value + sign * 2.0 * exponent.chord.u for sign in (-1.0, 1.0))
        facts["chord exponent not below 1"] = high >= 1.0
        if highest is not None and not flow.dataset.plan.kind.boiling_liquid:
            facts["chord exponent not above the real gas's isentropic one"] = low <= highest
    if joint is not None and weighed is not None:
        facts["the valve opened at once"] = not _valve_findings(flow.channel, weighed.record, joint)
        facts |= {f"joint fit {fact}": holds for fact, holds in joint.facts.items()}
    return facts


def _correlations(joint: JointFit | None) -> Mapping[str, float]:
    """Return the correlation of each pair that the joint fit fitted."""
    if joint is None:
        return {}
    names = [FITTED_WORDS[name] for name in FITTED]
    return {
        f"{names[i]}, {names[j]}": float(joint.correlation[i, j])
        for i in range(len(names))
        for j in range(i + 1, len(names))
    }
