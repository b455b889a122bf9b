"""Which of a tank's pressure sensors shows a flow and can be believed through it, and why those before it cannot.

SI, absolute pressures; times in seconds after T-0.
"""

from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.channel_checks.channel_health import stuck_since, usable
from standbook.analysis.channel_checks.tank_signals import believed
from standbook.analysis.cold_flow.flow_instants import STILL_BEFORE, FlowInstants, certain_instants
from standbook.analysis.cold_flow.flow_record import flow_record, gas_expected
from standbook.analysis.cold_flow.record_faults_said import end_faults, raw_faults
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import CLIPPED
from standbook.analysis.findings.cold_flow import NO_FLOW_FOUND
from standbook.daq.errors import DataError
from standbook.daq.findings.finding import Finding

STILL_ALIVE = 1.3  # s past the end in which a sensor must still move, else it froze and there is no end
NEAR_TOP, VENTED_DOWN = 0.95, 0.05  # of the greatest drive: between them a tank flows, holds or is vented


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
        faults = raw_faults(dataset, channel)
        if not faults:
            try:
                instants = _flow_seen_by(dataset, channel)
            except DataError as error:
                without.append(NO_FLOW_FOUND.at(channel.tag, tank_name=tank.name, reason=error))
                continue
            faults = end_faults(dataset, tank, channel, instants)
            if not faults:
                # What another sensor replaces spoils no number.
                milder = [fault if fault.of(CLIPPED) else replace(fault, severity="caution") for fault in faulty]
                return SeenFlow(channel, instants, tuple(milder))
        faulty += faults
    return SeenFlow(None, None, (*faulty, *without))


def _flow_seen_by(dataset: Dataset, channel: Channel) -> FlowInstants:
    """Return both ends of the flow by one sensor, or raise why they are not to be had from it."""
    (tank,) = dataset.plan.tank
    time, reading = believed(channel)
    if time.size < 8:
        raise DataError("its wire was open or its converter at a rail throughout")
    since = _stuck_since(channel, dataset.plan.back_pressure().value)
    if since is not None:
        raise DataError(f"not one of its counts changed for a second or more from T{since:+.1f} s")
    instants = certain_instants(
        flow_record(dataset, tank, time, reading, step=channel.step),
        t_zero_known=dataset.t_zero is not None,
        name=f"{tank.name} valve",
        dry=gas_expected(dataset, tank),
    )
    if not usable(channel, instants.opening.time - STILL_BEFORE, instants.end.time + STILL_ALIVE):
        raise DataError("it was clipped, open or stuck during the flow")
    return instants


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
