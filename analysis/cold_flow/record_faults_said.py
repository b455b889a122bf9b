"""A tank's pressure record held against what no emptying tank can do: first as it is, then with the ends found in it.

SI, absolute pressures; times in seconds after T-0. The first test that finds something is the one that is said; what it
leaves open, another sensor or a weighing decides.
"""

import numpy as np

from standbook.analysis.channel_checks.channel_health import SI_WORDS, STUCK, stuck_since
from standbook.analysis.cold_flow.flow_instants import FlowInstants, at_rest_since
from standbook.analysis.cold_flow.flow_record import flow_record
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import FLAT_TOP
from standbook.analysis.findings.record_faults import (
    FLOW_GOES_ON,
    GAP_HIDES_END,
    HELD_VALUE,
    PRESSURE_ROSE,
    SIGNAL_STEPPED,
    STEP_FOR_END,
)
from standbook.analysis.record_faults.false_ends import flows_on
from standbook.analysis.record_faults.fast_rises import fast_rise
from standbook.analysis.record_faults.flow_trace import FlowTrace, flow_trace
from standbook.analysis.record_faults.gaps_at_ends import hiding_gap
from standbook.analysis.record_faults.held_values import AT_LEAST, flat_top, held_value
from standbook.analysis.record_faults.jumps import jump
from standbook.analysis.record_faults.steps_at_ends import step_at_end
from standbook.analysis.signal.windows import lone_spikes
from standbook.daq.arrays import Array, Mask
from standbook.daq.config.plan import Tank
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import SI_UNIT

BEFORE_COMMAND = 0.5  # s before T-0, from where on a record is looked at
NEAR_TOP, VENTED = 0.97, 0.05  # of the greatest drive: pressurised from the one on, down to the other
TOP = 0.99  # quantile of the drive that is the greatest
DECIDE = "a second sensor of the tank or a weighed tank would decide; look at sensor, plug and cable, and repeat"
DECIDE_GAP = (
    "a second recorder's rows, a weighed tank or another sensor on another stream would decide; look at the link, and "
    "repeat"
)


def believed(channel: Channel) -> tuple[Array, Array]:
    """Return times and readings without what is no number, clipped, or a lone spike. (M,), (M,)."""
    good = np.isfinite(channel.reading) & ~channel.clipped
    good[good] = ~lone_spikes(channel.reading[good])
    if good.all():  # a long record is copied only where samples are left out
        return channel.time, channel.reading
    return channel.time[good], channel.reading[good]


def raw_faults(dataset: Dataset, channel: Channel) -> list[Finding]:
    """Look for held values, a flat top and a fast rise, before the flow is looked for."""
    good = np.isfinite(channel.reading) & ~channel.clipped
    drive = channel.reading[good] - dataset.plan.back_pressure().value
    top = float(np.quantile(drive, TOP)) if drive.size else 0.0
    if not top > 0.0:
        return []
    time = channel.time[good]
    full = np.flatnonzero(drive > NEAR_TOP * top)
    # Without T-0 nothing tells the end of pressurising from the flow but that it is the last of the full tank.
    start = float(time[full[-1]]) if dataset.t_zero is None else max(float(time[full[0]]), -BEFORE_COMMAND)
    until = float(time[np.flatnonzero(drive > VENTED * top)[-1]])
    flat = _flat(channel, good, start)
    if flat:
        return flat
    return [*_held(channel, good, start, until), *_rose(channel, start)][:1]


def _flat(channel: Channel, good: Mask, start: float) -> list[Finding]:
    marks = flat_top(channel.counts[good])
    return [] if marks is None else _cut_off(channel, good, marks, start)


def _cut_off(channel: Channel, good: Mask, marks: Mask, start: float) -> list[Finding]:
    if np.count_nonzero(marks & (channel.time[good] > start)) < AT_LEAST:
        return []
    scale, unit = SI_WORDS.get(SI_UNIT[channel.calibration.dimension], (1.0, ""))
    peak, first = float(channel.reading[good][marks][0]) / scale, float(channel.time[good][marks][0])
    return [FLAT_TOP.at(channel.tag, first, samples=int(np.count_nonzero(marks)), peak=peak, unit=unit)]


def _held(channel: Channel, good: Mask, start: float, until: float) -> list[Finding]:
    held = held_value(channel.time[good], channel.counts[good], start=start, until=until)
    if held is None or (held.seconds >= STUCK and stuck_since(channel, start, float(channel.time[-1])) is not None):
        return []  # a sensor that no longer responds is named as such
    counts = channel.counts[good]
    if counts[int(np.searchsorted(channel.time[good], held.time))] == counts.max():
        return _cut_off(channel, good, counts == counts.max(), start)
    tag, samples = channel.tag, held.samples
    return [HELD_VALUE.at(tag, held.time, decided_by=DECIDE, decide=DECIDE, seconds=held.seconds, samples=samples)]


def _rose(channel: Channel, start: float) -> list[Finding]:
    rise = fast_rise(*believed(channel), after=start)
    if rise is None:
        return []
    percent = 100.0 * rise.share
    return [
        PRESSURE_ROSE.at(
            channel.tag, rise.time, decided_by=DECIDE, decide=DECIDE, rise_percent=percent, seconds=rise.seconds
        )
    ]


def end_faults(dataset: Dataset, tank: Tank, channel: Channel, instants: FlowInstants) -> list[Finding]:
    """Look for gaps at the ends, an end that is none, and a step in between, once the ends are found."""
    time, _ = believed(channel)
    opening, end, tag = instants.opening.time, instants.end.time, channel.tag
    planned = dataset.plan.flow.close_after if dataset.plan.flow else None
    until = opening + planned.value if planned is not None else float(time[-1])
    gap = hiding_gap(time, opening=opening, end=end, until=until)
    if gap is not None:
        return [GAP_HIDES_END.at(tag, gap.time, decided_by=DECIDE_GAP, decide=DECIDE_GAP, seconds=gap.seconds)]
    trace = trace_of(dataset, tank, channel, instants)
    return _step_at_end(tag, trace) or _goes_on(tag, trace) or _stepped(tag, trace)


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


def _step_at_end(tag: str, trace: FlowTrace) -> list[Finding]:
    step = step_at_end(trace)
    if step is None:
        return []
    percent = 100.0 * step.share
    return [STEP_FOR_END.at(tag, step.time, decided_by=DECIDE, decide=DECIDE, step_percent=percent, gain=step.gain)]


def _goes_on(tag: str, trace: FlowTrace) -> list[Finding]:
    on = flows_on(trace)
    if on is None:
        return []
    return [FLOW_GOES_ON.at(tag, on.time, decided_by=DECIDE, decide=DECIDE, seconds=on.seconds, share=on.share)]


def _stepped(tag: str, trace: FlowTrace) -> list[Finding]:
    step = jump(trace)
    if step is None:
        return []
    return [
        SIGNAL_STEPPED.at(
            tag, step.time, decided_by=DECIDE, decide=DECIDE, step_percent=100.0 * step.share, in_u=step.in_u
        )
    ]
