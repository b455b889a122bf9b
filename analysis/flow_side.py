"""What one cold flow says of its tank: CdA, exponent, joint fit as a cross-check, and what they rest on.

SI, absolute pressures; times in seconds after T-0. A number that the record cannot give is ``None`` with a finding
that says why.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analysis import fluids
from analysis.dataset import Channel, Dataset
from analysis.exponent import Exponent, exponent_from_pv
from analysis.firing_tanks import head_of, mean_near
from analysis.fit import FITTED, JointFit, joint_fit
from analysis.flow_coefficient import DirectCda, direct_cda
from analysis.flow_instants import FlowInstants
from analysis.flow_record import FlowRecord, NoteTerms, SensorTerms, StaticPressure, static_pressure
from analysis.results import Finding, Measured, TankResult
from analysis.tank_results import (
    cda_against_plan,
    exponent_against_plan,
    exponent_result,
    tank_pressure,
    ullage_correlation,
)
from daq.errors import DataError
from daq.plan import Plan, Tank

FITTED_WORDS = {"exponent": "exponent", "exponent_drift": "drift", "cda": "CdA", "opening_time": "opening"}


@dataclass(frozen=True, slots=True, eq=False)
class FlowSide:
    """One cold flow with what was found from it."""

    tank: Tank
    channel: Channel
    instants: FlowInstants
    amount: Measured | None  # liquid that left [kg]
    record: FlowRecord
    static: StaticPressure | None
    exponent: Exponent | None
    result: TankResult
    findings: tuple[Finding, ...]


def flow_side(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> FlowSide:
    """Take what can be taken from one flow."""
    said: list[Finding] = []
    amount = amount_of(dataset, tank)
    record, sensor, notes = _record_of(dataset, tank, channel, instants, amount)
    static: StaticPressure | None = None
    try:
        static = static_pressure(record)
    except DataError as error:
        said.append(_unknown(tank, "The exponent is not known", error))
    direct, exponent, joint = None, None, None
    if amount is not None:
        direct, exponent, joint, found = _fitted(dataset, channel, tank, record, sensor, notes, static)
        said += found
    return FlowSide(
        tank, channel, instants, amount, record, static, exponent,
        _result(dataset, tank, channel, instants, amount, static, direct, exponent, joint), tuple(said),
    )  # fmt: skip


def amount_of(dataset: Dataset, tank: Tank) -> Measured | None:
    """Return the liquid that left: caught, or as stated, or the load less what was drained afterwards. [kg].

    The bucket comes first: it does not share the error of the load with the ullage volume.
    """
    weighing = dataset.weighings.get(tank.name)
    if weighing is None:
        return None
    if weighing.caught is not None or weighing.expelled is not None:
        return weighing.caught or weighing.expelled
    if weighing.residual is None:
        return None
    load, rest = tank.liquid_load, weighing.residual
    return Measured(load.value - rest.value, math.hypot(load.u, rest.u), "kg")


def _record_of(
    dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants, amount: Measured | None
) -> tuple[FlowRecord, SensorTerms, NoteTerms]:
    plan = dataset.plan
    ambient, stated = plan.site.ambient_pressure, plan.flow.back_pressure
    density, volume, load = tank.liquid_density, tank.internal_volume, tank.liquid_load
    good = np.isfinite(channel.reading) & ~channel.clipped
    record = FlowRecord(
        time=channel.time[good],
        pressure=channel.reading[good],
        back_pressure=plan.back_pressure().value,
        density=density.value,
        opening_time=instants.opening.time,
        end_time=instants.end.time,
        ullage_volume=tank.ullage_volume,
        expelled_mass=amount.value if amount else None,
        head=head_of(plan, tank),
        # Even if it did: the instant of a cold flow's run-out allows for the fading itself (`flow_instants`).
        ran_dry=False,
    )
    gauge = channel.calibration.reference == "gauge"
    sensor = SensorTerms(channel.gain_u, channel.zero_u, ambient.value if gauge else 0.0)
    filled = load.value / density.value
    notes = NoteTerms(
        ullage_volume_u=math.hypot(volume.u, load.u / density.value, filled * density.relative_u),
        mass_u=amount.u if amount else 0.0,
        density_u=density.u,
        ambient_u=ambient.u,
        back_pressure_u=stated.u if stated else 0.0,
        free_jet=stated is None or stated.reference == "gauge",
        clock_u=dataset.clock_u,
        opening_u=instants.opening.u,
        end_u=instants.end.u,
    )
    return record, sensor, notes


def _fitted(
    dataset: Dataset,
    channel: Channel,
    tank: Tank,
    record: FlowRecord,
    sensor: SensorTerms,
    notes: NoteTerms,
    static: StaticPressure | None,
) -> tuple[DirectCda | None, Exponent | None, JointFit | None, list[Finding]]:
    """Return CdA, exponent and joint fit, each where the record allows it, and what must be said of them."""
    said: list[Finding] = []
    direct: DirectCda | None = None
    exponent: Exponent | None = None
    joint: JointFit | None = None
    try:
        direct = direct_cda(record, sensor=sensor, notes=notes, channel=channel.tag)
    except DataError as error:
        return None, None, None, [_unknown(tank, "CdA and exponent are not known", error)]
    said += [*direct.findings, *cda_against_plan(tank, Measured(direct.cda, direct.u, "m2"))]
    if static is None:
        return direct, None, None, said
    isentropic, why = _isentropic(dataset.plan, tank, static.value)
    said += why
    try:
        exponent = exponent_from_pv(
            record, sensor=sensor, notes=notes, isentropic_exponent=isentropic, channel=channel.tag
        )
        said += [*exponent.findings, *exponent_against_plan(tank, channel.tag, exponent)]
        joint = joint_fit(
            record, sensor=sensor, notes=notes, isentropic_exponent=isentropic, channel=channel.tag, direct=direct
        )
        said += joint.findings
    except DataError as error:
        what = "The exponent is not known" if exponent is None else "The joint fit could not check CdA and exponent"
        said.append(_unknown(tank, what, error))
    return direct, exponent, joint, said


def _isentropic(plan: Plan, tank: Tank, pressure: float) -> tuple[float | None, list[Finding]]:
    """Return the exponent that the pressurant would have without heat, at the pressure and temperature it starts."""
    temperature = tank.gas_temperature or plan.site.ambient_temperature
    try:
        return fluids.isentropic_exponent(tank.pressurant, pressure=pressure, temperature=temperature.value), []
    except DataError as error:
        return None, [_unknown(tank, "The exponent is not held against the isentropic one", error)]


def _unknown(tank: Tank, what: str, error: DataError) -> Finding:
    words = what if what.startswith("CdA") else f"{what[0].lower()}{what[1:]}"
    return Finding("tank-not-known", "caution", tank.name, None, f"{tank.name}: {words}: {error}.")


def _result(
    dataset: Dataset,
    tank: Tank,
    channel: Channel,
    instants: FlowInstants,
    amount: Measured | None,
    static: StaticPressure | None,
    direct: DirectCda | None,
    exponent: Exponent | None,
    joint: JointFit | None,
) -> TankResult:
    opening, end = instants.opening.time, instants.end.time
    start = mean_near(channel, opening - 0.1, 1.0) if static is None else static.value
    facts = {
        "the liquid was weighed": amount is not None,
        "at least 1 s of static pressure before the opening": static is not None,
        "valve closed before run-out": not instants.ran_dry,
    }
    if joint is not None:
        facts |= {f"joint fit {fact}": holds for fact, holds in joint.facts.items()}
    return TankResult(
        cda=Measured(direct.cda, direct.u, "m2") if direct else None,
        cda_joint=joint.cda if joint else None,
        cda_budget=direct.budget if direct else (),
        exponent=exponent_result(exponent),
        correlation={**ullage_correlation(exponent), **_correlations(joint)},
        window=(opening, end),
        residual_rms=exponent.residual_rms if exponent else None,
        expelled_mass=amount,
        start_pressure=tank_pressure(channel, start, dataset),
        end_pressure=tank_pressure(channel, mean_near(channel, end, 0.05), dataset),
        facts=facts,
    )


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
