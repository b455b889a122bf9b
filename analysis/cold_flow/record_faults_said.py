"""What a water flow's tank pressure shows of its own faults: first as it is, then with the ends found in it.

SI, absolute pressures; times in seconds after T-0.
"""

from standbook.analysis.channel_checks import tank_signals
from standbook.analysis.channel_checks.tank_signals import Decides, believed
from standbook.analysis.cold_flow.flow_instants import FlowInstants, at_rest_since
from standbook.analysis.cold_flow.flow_record import flow_record
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.record_faults.flow_trace import FlowTrace, flow_trace
from standbook.daq.config.plan import Tank
from standbook.daq.findings.finding import Finding

DECIDES = Decides(
    signal="a second sensor of the tank or a weighed tank would decide; look at sensor, plug and cable, and repeat",
    gap=(
        "a second recorder's rows, a weighed tank or another sensor on another stream would decide; look at the link, "
        "and repeat"
    ),
)


def raw_faults(dataset: Dataset, channel: Channel) -> list[Finding]:
    """Look for faults before the flow is looked for."""
    back = dataset.plan.back_pressure().value
    return tank_signals.raw_faults(
        channel, back_pressure=back, t_zero_known=dataset.t_zero is not None, decides=DECIDES
    )


def end_faults(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> list[Finding]:
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
        flow_record(dataset, tank, time, reading, step=channel.step),
        opening=instants.opening.time,
        end=instants.end.time,
        end_u=instants.end.u,
        rest_from=at_rest_since(time, reading, instants.opening.time),
    )
