"""Tanks and engine of one firing: CdA, exponent, c*, Isp, thrust coefficient, mixture ratio, stiffness.

SI, absolute pressures; times in seconds after T-0. A number that the record cannot give is ``None`` with a finding
that says why.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.direct_cda import DirectCda, direct_cda
from standbook.analysis.blowdown.exponent import Exponent, exponent_from_pv
from standbook.analysis.blowdown.liquid_column import mean_near
from standbook.analysis.blowdown.record import averaged_flow
from standbook.analysis.blowdown.tank_results import (
    exponent_against_plan,
    exponent_result,
    tank_pressure,
    ullage_correlation,
)
from standbook.analysis.budget.shared_masses import SharedMass, ratio_of, sum_of, weighed_alike
from standbook.analysis.channel_checks.channel_health import first_usable
from standbook.analysis.dataset.channel import Channel, pair_u
from standbook.analysis.dataset.dataset import Dataset, left_aboard
from standbook.analysis.dataset.guard import FAILURES, part_failed
from standbook.analysis.findings.cold_flow import FIRING_NOT_WEIGHED, FIRING_TANK_NOT_KNOWN
from standbook.analysis.findings.discharge import FLOW_RAN_TO_KNEE
from standbook.analysis.findings.firing import NO_CHAMBER_PRESSURE, NO_JOINT_FIT, RUN_OUT_ORDER
from standbook.analysis.findings.thrust import IMPULSE_PER_MASS_IMPOSSIBLE, THRUST_COEFFICIENT_IMPOSSIBLE
from standbook.analysis.firing.discharge_record import flow_record
from standbook.analysis.firing.engine_findings import (
    chamber_facts_finding,
    impulse_per_mass_finding,
    stiffness_finding,
    thrust_coefficient_finding,
)
from standbook.analysis.impulse.thrust_coefficient import thrust_coefficient_of
from standbook.analysis.physics import performance
from standbook.analysis.physics.engine import specific_impulse
from standbook.analysis.physics.load_cell import Unloaded
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import EngineResult, ImpulseResult, TankResult
from standbook.analysis.signal.windows import block_average
from standbook.analysis.thrust.both_flow import BothFlow, both_flow, shared_scale_u
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.chamber_pressure import above_tank, bridged_integral, pressure_integral
from standbook.analysis.thrust.tank_flows import TankFlow, first_run_out
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.analysis.thrust.weight_check import AGREE
from standbook.daq.config import measurands
from standbook.daq.config.plan import Engine
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

STIFFNESS_OVER = 0.2  # s
STILL_BURNING = 0.5  # of the pressure in the burn; a chamber above it after thrust stop burns on


@dataclass(frozen=True, slots=True, eq=False)
class TankSide:
    """One tank's flow with what was found from it."""

    flow: TankFlow
    result: TankResult
    exponent: Exponent | None


def with_cell_mass(flows: Mapping[str, TankFlow], record: ThrustRecord) -> dict[str, TankFlow]:
    """Give a tank that was not weighed its expelled mass from the cell's step, less what the other side lost."""
    unknown = [name for name, flow in flows.items() if flow.expelled is None]
    zero: Unloaded = record.zero
    if len(unknown) != 1 or len(flows) != 2 or record.sign == 0 or zero.after is None:
        return dict(flows)
    (name,) = unknown
    other = next(flow for key, flow in flows.items() if key != name)
    if other.expelled is None:
        return dict(flows)
    per_newton = record.weight_per_mass
    total = record.factor * zero.step * record.sign / per_newton
    c = record.cell.calibration
    u = record.factor * math.hypot(zero.before.u, zero.after.u, c.zero_uncertainty * c.scale) / per_newton
    mass = total - other.expelled.value
    if mass <= 0.0:
        return dict(flows)
    return {**flows, name: replace(flows[name], expelled=Measured(mass, math.hypot(u, other.expelled.u), "kg"))}


def with_doubted_masses(flows: Mapping[str, TankFlow], record: ThrustRecord) -> dict[str, TankFlow]:
    """Widen weighed masses that the cell's own step contradicts: which side's scale or note is wrong is not known.

    Notes
    -----
    The difference counts as the half-width of a rectangular distribution for each side; a drifted zero does the same,
    and cannot be told from it. Source: [GUM] 4.3.7.
    """
    weights = [flow.expelled for flow in flows.values()]
    zero = record.zero
    if not record.weighed or record.sign == 0 or zero.after is None or any(w is None for w in weights):
        return dict(flows)
    c = record.cell.calibration
    u = math.hypot(
        record.factor * math.hypot(zero.before.u, zero.after.u, c.zero_uncertainty * c.scale),
        record.weight.u,
        c.slope_u() * record.weight.value,
    )
    apart = abs(record.factor * zero.step - record.sign * record.weight.value)
    if apart <= AGREE * u:
        return dict(flows)
    more = apart / record.weight_per_mass / math.sqrt(3.0)
    return {
        name: replace(flow, expelled=replace(flow.expelled, u=math.hypot(flow.expelled.u, more)))
        for name, flow in flows.items()
        if flow.expelled is not None
    }


def tank_sides(dataset: Dataset, flows: Mapping[str, TankFlow]) -> tuple[dict[str, TankSide], list[Finding]]:
    """Take CdA and exponent from each side."""
    sides: dict[str, TankSide] = {}
    findings: list[Finding] = []
    for name, flow in flows.items():
        sides[name], said = _side(dataset, flow)
        findings += said
    if any(side.result.cda is not None for side in sides.values()):
        findings.append(_no_joint_fit())
    return sides, findings


def _no_joint_fit() -> Finding:
    return NO_JOINT_FIT.at(None)


def _side(dataset: Dataset, flow: TankFlow) -> tuple[TankSide, list[Finding]]:
    """Take what can be taken from one tank's flow, and say what cannot."""
    direct, exponent, said = _fitted(dataset, flow)
    if direct is not None:
        said += [f for f in direct.findings if not f.of(FLOW_RAN_TO_KNEE)]  # a firing is meant to run out
    if not flow.weighed:
        said.append(_not_weighed(flow))
    if exponent is not None:
        said += exponent_against_plan(flow.tank, flow.channel.tag, exponent)
    return TankSide(flow, _tank_result(dataset, flow, direct, exponent), exponent), said


def _fitted(dataset: Dataset, flow: TankFlow) -> tuple[DirectCda | None, Exponent | None, list[Finding]]:
    """Return CdA and exponent as far as the record gives them, and say why it does not."""
    name = flow.tank.name
    direct: DirectCda | None = None
    try:
        if not flow.complete:
            raise DataError("the record does not hold all of the flow")  # noqa: TRY301 - one place says why
        record, sensor, notes = flow_record(dataset, flow)
        if flow.expelled is None:
            raise DataError(f"{name}: the expelled mass is not known; weigh what is left and add it to the run")  # noqa: TRY301 - one place says why
        means = averaged_flow(record)
        direct = direct_cda(record, sensor=sensor, notes=notes, flow=means, channel=flow.channel.tag)
        return direct, exponent_from_pv(record, sensor=sensor, notes=notes, flow=means), []
    except DataError as error:
        return direct, None, [FIRING_TANK_NOT_KNOWN.at(name, error=error)]
    except FAILURES as error:
        return direct, None, [part_failed(f"{name}: CdA or exponent", error)]


def _tank_result(dataset: Dataset, flow: TankFlow, direct: DirectCda | None, exponent: Exponent | None) -> TankResult:
    start, end = mean_near(flow.channel, flow.opening.time - 0.1, 1.0), mean_near(flow.channel, flow.end.time, 0.05)
    ambient = dataset.plan.site.ambient_pressure
    return TankResult(
        cda=Measured(direct.cda, direct.u, "m2") if direct else None,
        cda_joint=None,
        cda_budget=direct.budget if direct else (),
        exponent=exponent_result(exponent),
        correlation=ullage_correlation(exponent),
        window=(flow.opening.time, flow.end.time),
        residual_rms=exponent.residual_rms if exponent else None,
        expelled_mass=flow.expelled,
        start_pressure=tank_pressure(flow.channel, start, dataset),
        end_pressure=tank_pressure(flow.channel, end, dataset),
        facts={
            "expelled mass was weighed": flow.weighed,
            "ran out first": flow.ran_dry,
            "static pressure before opening": exponent is not None,
            f"ambient {ambient.text} added to a gauge reading": flow.channel.calibration.reference == "gauge",
        },
    )


def _not_weighed(flow: TankFlow) -> Finding:
    name = flow.tank.name
    known = "the load less the unusable residual" if flow.ran_dry else "the cell's step between the zeros, if at all"
    return FIRING_NOT_WEIGHED.at(name, known=known)


def run_out_findings(dataset: Dataset, flows: Mapping[str, TankFlow]) -> list[Finding]:
    """Compare which liquid ran out first with what the plan intended, and say what stayed aboard."""
    engine = dataset.plan.engine
    dry = next((name for name, flow in flows.items() if flow.ran_dry), None)
    if engine is None or engine.run_out_first is None or dry is None or dry == engine.run_out_first:
        return []
    wanted = dataset.plan.tank_named(engine.run_out_first)
    left = left_aboard(dataset, wanted)
    flow = flows.get(wanted.name)
    if left is None and flow is not None and flow.expelled is not None:
        left = Measured(wanted.liquid_load.value - flow.expelled.value, flow.expelled.u, "kg")
    rest = "" if left is None else f"; {left.value:.2f} kg of {wanted.liquid} stayed aboard"
    return [RUN_OUT_ORDER.at(dry, flows[dry].end.time, tank=dry.capitalize(), wanted_name=wanted.name, rest=rest)]


@dataclass(frozen=True, slots=True)
class EngineFindings:
    """Engine numbers with what must be said about them."""

    result: EngineResult
    findings: tuple[Finding, ...]
    impossible: bool = False  # no engine can have such numbers, so none of them is given


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Firing:
    """What the engine's numbers are made of."""

    dataset: Dataset
    engine: Engine
    record: ThrustRecord
    burn: Burn
    flows: Mapping[str, TankFlow]
    impulse: Measured | None  # ``None`` where part of it was hidden [N*s]
    total: Measured | None  # of all expelled masses [kg]
    both: BothFlow | None  # when both liquids flowed


@dataclass(frozen=True, slots=True)
class _ChamberNumbers:
    """What the chamber's pressure gives."""

    pressure: Measured | None = None
    cstar: Measured | None = None
    thrust_coefficient: Measured | None = None


def engine_of(
    dataset: Dataset, record: ThrustRecord, burn: Burn, flows: Mapping[str, TankFlow], impulse: ImpulseResult | None
) -> EngineFindings:
    """Return engine performance over the burn."""
    plan = dataset.plan
    assert plan.engine is not None  # noqa: S101 - the plan's validator requires it of a static fire
    known = {name: flow.expelled for name, flow in flows.items() if flow.expelled is not None}
    expelled = weighed_alike(known, shared_scale_u(flows))
    firing = _Firing(
        dataset=dataset,
        engine=plan.engine,
        record=record,
        burn=burn,
        flows=flows,
        impulse=None if impulse is None or impulse.lower_bound_only else Measured(impulse.value, impulse.u, "N*s"),
        total=sum_of(expelled.values()) if len(known) == len(plan.tank) else None,
        both=both_flow(flows),
    )
    chamber, said = _chamber(firing)
    of_chamber = _ChamberNumbers() if chamber is None else _chamber_numbers(firing, chamber)
    said += _unit_findings(firing, of_chamber.thrust_coefficient)
    said += chamber_facts_finding(plan.engine, of_chamber.cstar, gauged=dataset.throat_after is not None)
    stiffness, soft = _stiffness(dataset, chamber, flows, burn)
    result = EngineResult(
        cstar=of_chamber.cstar,
        isp=_isp(firing),
        thrust_coefficient=of_chamber.thrust_coefficient,
        mixture_ratio=_mixture(firing.both.shared if firing.both is not None else {}),
        chamber_pressure=of_chamber.pressure,
        injector_stiffness=stiffness,
        delivered_isp=performance.isp(firing.impulse, firing.total) if firing.impulse and firing.total else None,
        overall_mixture_ratio=_mixture(expelled),
        window=(firing.both.start, firing.both.end) if firing.both is not None else None,
    )
    impossible = any(f.of(THRUST_COEFFICIENT_IMPOSSIBLE, IMPULSE_PER_MASS_IMPOSSIBLE) for f in said)
    if impossible:
        result = replace(result, cstar=None, isp=None, delivered_isp=None, thrust_coefficient=None)
    return EngineFindings(result, (*said, *soft), impossible)


def _mixture(masses: Mapping[str, SharedMass]) -> Measured | None:
    """Return oxidiser over fuel, ``None`` where one is not known; what moves both alike drops out."""
    if not {"oxidiser", "fuel"} <= masses.keys():
        return None
    return ratio_of(masses["oxidiser"], masses["fuel"])


def _part(firing: _Firing, begin: float, end: float) -> Measured | None:
    """Return the impulse between two instants, with its share of the uncertainty. [N*s]."""
    if firing.impulse is None:
        return None
    part = firing.record.record().between(begin, end)
    return Measured(part, firing.impulse.u * part / firing.impulse.value, "N*s")


def _isp(firing: _Firing) -> Measured | None:
    """Return specific impulse while both liquids flow. [s]."""
    both = firing.both
    if both is None or both.total is None:
        return None
    part = _part(firing, both.start, both.end)
    return None if part is None else performance.isp(part, both.total)


def _chamber(firing: _Firing) -> tuple[Channel | None, list[Finding]]:
    """Return the chamber's channel that can be believed, else say why there is none."""
    begin, end = firing.burn.span
    chamber = first_usable(firing.dataset.measuring(measurands.CHAMBER_PRESSURE), begin, end)
    uphill = above_tank(firing.dataset, chamber, firing.flows, begin, end)
    if uphill is not None:
        return None, [uphill]
    return chamber, [] if chamber is not None else [NO_CHAMBER_PRESSURE.at(None)]


def _chamber_numbers(firing: _Firing, chamber: Channel) -> _ChamberNumbers:
    """Return mean pressure over the burn, and c* and thrust coefficient while both liquids flow."""
    dataset, burn, both = firing.dataset, firing.burn, firing.both
    begin, end = burn.span
    throat = performance.throat_in_burn(firing.engine, dataset.throat_after)
    total = performance.total_over_reading(firing.engine)
    whole = pressure_integral(dataset, chamber, begin, end)
    mean = Measured(whole.value / (end - begin), whole.u / (end - begin), "Pa")
    first, last = (both.start, both.end) if both is not None else (begin, end)
    integral = pressure_integral(dataset, chamber, first, last)
    part = _part(firing, first, last)
    nozzle = performance.scaled(integral, total)
    coefficient = None
    if part is not None:
        coefficient = thrust_coefficient_of(
            dataset,
            firing.record,
            chamber,
            throat=throat,
            impulse=part,
            pressure_integral=nozzle,
            window=(first, last),
        )
    cstar = None
    if both is not None and both.total is not None and (part is not None or _whole_flow(firing.flows, chamber, burn)):
        bridged = bridged_integral(dataset, chamber, first, last) or integral
        cstar = performance.cstar(performance.scaled(bridged, total), throat, both.total)
    return _ChamberNumbers(mean, cstar, coefficient)


def _unit_findings(firing: _Firing, coefficient: Measured | None) -> list[Finding]:
    """Name a confused unit by the thrust coefficient, or by impulse per mass where there is none."""
    record = firing.record
    finding: Finding | None = None
    if coefficient is not None:
        finding = thrust_coefficient_finding(record.cell.tag, coefficient)
    elif firing.impulse is not None:
        # The plan's mass serves where none was weighed: a wrong unit is a factor of four and more.
        mass = record.weight.value / record.weight_per_mass
        seen = specific_impulse(firing.impulse.value, mass)
        finding = impulse_per_mass_finding(record.cell.tag, seen, firing.engine)
    return [] if finding is None else [finding]


def _whole_flow(flows: Mapping[str, TankFlow], chamber: Channel, burn: Burn) -> bool:
    """Tell whether start and stop of thrust are those of the chamber, though some thrust was hidden."""
    begin, end = burn.span
    middle = (chamber.time > begin) & (chamber.time < end) & np.isfinite(chamber.reading)
    later = (chamber.time > end + 0.3) & np.isfinite(chamber.reading)
    if not middle.any() or not later.any() or not all(flow.complete for flow in flows.values()):
        return False
    still = float(np.median(chamber.reading[later][: max(8, middle.sum() // 50)]))
    return bool(still < STILL_BURNING * float(np.median(chamber.reading[middle])))


def _stiffness(
    dataset: Dataset, chamber: Channel | None, flows: Mapping[str, TankFlow], burn: Burn
) -> tuple[dict[str, Measured], list[Finding]]:
    found: dict[str, Measured] = {}
    said: list[Finding] = []
    if chamber is None:
        return found, said
    ambient = dataset.plan.site.ambient_pressure
    dry = first_run_out(flows)
    begin, end = burn.inner(dry)
    for name, flow in flows.items():
        manifold = first_usable(dataset.measuring(measurands.MANIFOLD_PRESSURE, name), begin, end)
        source = manifold or flow.channel
        time, above = block_average(source.time, source.reading, start=begin, end=end, block=0.02)
        _, below = block_average(chamber.time, chamber.reading, start=begin, end=end, block=0.02)
        middle = float(np.nanmean(below)) if np.isfinite(below).any() else ambient.value
        least = performance.least_stiffness(
            time,
            above,
            below,
            start=begin,
            end=end,
            span=STIFFNESS_OVER,
            u_of=pair_u(source, middle, chamber, middle, ambient).of,
        )
        if least is None:
            continue
        found[name] = least[0]
        finding = stiffness_finding(name, *least, of_feed=manifold is None)
        said += [finding] if finding else []
    return found, said
