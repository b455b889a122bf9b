"""Which of a tank's pressure sensors shows a flow and can be believed through it, and why those before it cannot.

A sensor's record is looked at for its own faults as it is, then for a flow, then for faults with the ends known.
SI, absolute pressures; times in seconds after T-0.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.blowdown.tank_record import pressurant_of
from standbook.analysis.channel_checks import tank_signals
from standbook.analysis.channel_checks.channel_health import stuck_since, usable
from standbook.analysis.channel_checks.tank_signals import Decides, believed
from standbook.analysis.cold_flow.flow_instants import STILL_BEFORE, FlowInstants, at_rest_since, certain_instants
from standbook.analysis.cold_flow.tank_side import column_of
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import CLIPPED
from standbook.analysis.findings.cold_flow import NO_FLOW_FOUND
from standbook.analysis.flow_ends.flow_ends import TankRecord
from standbook.analysis.record_faults.false_ends import stood_before
from standbook.analysis.record_faults.flow_trace import FlowTrace, flow_trace
from standbook.daq.arrays import Array
from standbook.daq.config.plan import Tank
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

STILL_ALIVE = 1.3  # s past the end in which a sensor must still move, else it froze and there is no end
NEAR_TOP, VENTED_DOWN = 0.95, 0.05  # of the greatest drive: between them a tank flows, holds or is vented
CLEAR_OF_VENT = 0.5  # s in front of a vent, left out where a flow's end is looked for
DRY_WITHIN = 3.0  # standard uncertainties of what is left over
DRY_SHARE = 0.012  # of the load: so much more may stay in a dry tank than the plan says
DECIDES = Decides(
    signal="a second sensor of the tank or a weighed tank would decide; look at sensor, plug and cable, and repeat",
    gap=(
        "a second recorder's rows, a weighed tank or another sensor on another stream would decide; look at the link, "
        "and repeat"
    ),
)


@dataclass(frozen=True, slots=True, eq=False)
class SeenFlow:
    """A flow by the first sensor that can be believed; without one, why there is none."""

    channel: Channel | None
    instants: FlowInstants | None
    passed: tuple[Finding, ...]  # about the sensors before it


def first_with_flow(dataset: Dataset, sensors: tuple[Channel, ...]) -> SeenFlow:
    """Return the first sensor that shows a flow and can be believed through it."""
    (tank,) = dataset.plan.tank
    faulty: list[Finding] = []
    without: list[Finding] = []
    for channel in sensors:
        faults = _raw_faults(dataset, channel)
        if not faults:
            try:
                instants = _flow_seen_by(dataset, channel)
            except DataError as error:
                without.append(NO_FLOW_FOUND.at(channel.tag, tank_name=tank.name, reason=error))
                continue
            faults = _end_faults(dataset, tank, channel, instants)
            if not faults:
                # What another sensor replaces spoils no number.
                milder = [fault if fault.of(CLIPPED) else replace(fault, severity="caution") for fault in faulty]
                return SeenFlow(channel, instants, tuple(milder))
        faulty += faults
    return SeenFlow(None, None, (*faulty, *without))


def _raw_faults(dataset: Dataset, channel: Channel) -> list[Finding]:
    """Look for faults before the flow is looked for."""
    back = dataset.plan.back_pressure().value
    return tank_signals.raw_faults(
        channel, back_pressure=back, t_zero_known=dataset.t_zero is not None, decides=DECIDES
    )


def _flow_seen_by(dataset: Dataset, channel: Channel) -> FlowInstants:
    """Return both ends of the flow by one sensor, or raise why they are not to be had from it."""
    (tank,) = dataset.plan.tank
    time, reading = believed(channel)
    if time.size < 8:
        raise DataError("its wire was open or its converter at a rail throughout")
    since = _stuck_since(channel, dataset.plan.back_pressure().value)
    if since is not None:
        raise DataError(f"not one of its counts changed for a second or more from T{since:+.1f} s")
    instants = _instants(dataset, tank, _flow_record(dataset, tank, time, reading, step=channel.step))
    stood = stood_before(trace_of(dataset, tank, channel, instants))
    if stood is not None:
        instants = _before_vent(dataset, tank, channel, vent=instants.end.time, stood=stood)
    if not usable(channel, instants.opening.time - STILL_BEFORE, instants.end.time + STILL_ALIVE):
        raise DataError("it was clipped, open or stuck during the flow")
    return instants


def _instants(dataset: Dataset, tank: Tank, record: TankRecord) -> FlowInstants:
    known, dry = dataset.t_zero is not None, _gas_expected(dataset, tank)
    return certain_instants(record, t_zero_known=known, name=f"{tank.name} valve", dry=dry)


def _before_vent(dataset: Dataset, tank: Tank, channel: Channel, *, vent: float, stood: float) -> FlowInstants:
    """Look for the flow's end once more, in front of a vent that was taken for it."""
    time, reading = believed(channel)
    before = time < vent - CLEAR_OF_VENT
    try:
        return _instants(dataset, tank, _flow_record(dataset, tank, time[before], reading[before], step=channel.step))
    except DataError:
        raise DataError(
            f"what falls at T+{vent:.2f} s is a vent, for the tank had all but stood for {stood:.1f} s; no end of the "
            "flow stands out of the sensor's noise before it"
        ) from None


def _stuck_since(channel: Channel, back_pressure: float) -> float | None:
    """Return when the sensor froze between the opening and the vent, where its pressure must move; else ``None``."""
    drive = channel.reading - back_pressure
    drive[~np.isfinite(drive)] = 0.0
    top = float(np.quantile(drive, 0.99))
    high = np.flatnonzero(drive >= NEAR_TOP * top)
    if high.size == 0 or top <= 0.0:
        return None
    above = np.flatnonzero(drive > VENTED_DOWN * top)
    return stuck_since(channel, float(channel.time[high[-1]]), float(channel.time[above[-1]]))


def _flow_record(dataset: Dataset, tank: Tank, time: Array, reading: Array, *, step: float) -> TankRecord:
    """Return one sensor's record of a cold flow.

    Parameters
    ----------
    time, reading : (N,) array
        Instants [s] and tank pressure, absolute [Pa], without samples that are not a number.
    step : float
        Of the sensor's converter. [Pa]
    """
    plan = dataset.plan
    head, _ = column_of(plan, tank)
    middle = 0.5 * (head.start_height + tank.outlet_below_floor.value)
    column = tank.liquid_density.value * head.gravity * middle
    return TankRecord(
        time=time,
        pressure=reading,
        drive=reading + (column - plan.back_pressure().value),
        step=step,
        density=tank.liquid_density.value,
        pressurant=pressurant_of(plan, tank),
    )


def _gas_expected(dataset: Dataset, tank: Tank) -> bool | None:
    """Tell whether gas ends the flow: not where scales say that liquid was left, else as planned; ``None``: perhaps.

    What was weighed decides only whether gas is looked for, never when it came.
    """
    weighing, load, stays = dataset.weighings.get(tank.name), tank.liquid_load, tank.unusable_residual
    planned = dataset.plan.flow is not None and dataset.plan.flow.end == "run-out"
    left: tuple[float, float] | None = None
    if weighing is not None and weighing.residual is not None:
        left = weighing.residual.value, weighing.residual.u
    elif weighing is not None and weighing.caught is not None:
        left = load.value - weighing.caught.value, math.hypot(load.u, weighing.caught.u)
    if left is not None and left[0] - stays.value > DRY_WITHIN * math.hypot(left[1], stays.u) + DRY_SHARE * load.value:
        return False
    return True if planned else None


def _end_faults(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> list[Finding]:
    """Look for gaps at the ends, an end that is none, and a step in between, once the ends are found."""
    opening, end, tag = instants.opening.time, instants.end.time, channel.tag
    planned = dataset.plan.flow.close_after if dataset.plan.flow else None
    until = opening + planned.value if planned is not None else float(believed(channel)[0][-1])
    gap = tank_signals.gap_faults(channel, opening=opening, end=end, until=until, decides=DECIDES)
    if gap:
        return gap
    trace = trace_of(dataset, tank, channel, instants)
    return tank_signals.end_faults(tag, trace, DECIDES) or tank_signals.step_faults(tag, trace, DECIDES)


def trace_of(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> FlowTrace:
    """Return one sensor's course of a flow as the tests look at it."""
    time, reading = believed(channel)
    return flow_trace(
        _flow_record(dataset, tank, time, reading, step=channel.step),
        opening=instants.opening.time,
        end=instants.end.time,
        end_u=instants.end.u,
        rest_from=at_rest_since(time, reading, instants.opening.time),
    )
