"""A tank's pressure signal held against what no emptying tank can do, and what is said of it.

SI, absolute pressures; times in seconds after T-0. The first test that finds something is the one that is said; what it
leaves open, another sensor or a weighing decides.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from standbook.analysis.channel_checks.channel_health import SI_WORDS, STUCK, stuck_since
from standbook.analysis.dataset.channel import Channel
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
from standbook.analysis.record_faults.flow_trace import FlowTrace
from standbook.analysis.record_faults.gaps_at_ends import hiding_gap
from standbook.analysis.record_faults.held_values import AT_LEAST, flat_top, held_value
from standbook.analysis.record_faults.jumps import jump
from standbook.analysis.record_faults.steps_at_ends import step_at_end
from standbook.analysis.signal.windows import lone_spikes
from standbook.daq.arrays import Array, Mask
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import SI_UNIT

BEFORE_COMMAND = 0.5  # s before T-0, from where on a record is looked at
NEAR_TOP, VENTED = 0.97, 0.05  # of the greatest drive: pressurised from the one on, down to the other
TOP = 0.99  # quantile of the drive that is the greatest
ENOUGH = 500_000  # samples of a long record that tell it


@dataclass(frozen=True, slots=True)
class Decides:
    """What would decide about a sensor at fault, in words, for what signals do and for rows that are missing."""

    signal: str
    gap: str


@lru_cache(maxsize=4)  # several tests in turn ask for the same channel's, and of a long record it takes a second
def believed(channel: Channel) -> tuple[Array, Array]:
    """Return times and readings without what is no number, clipped, or a lone spike. (M,), (M,)."""
    good = np.isfinite(channel.reading) & ~channel.clipped
    good[good] = ~lone_spikes(channel.reading[good])
    if good.all():  # a long record is copied only where samples are left out
        return channel.time, channel.reading
    return channel.time[good], channel.reading[good]


def raw_faults(channel: Channel, *, back_pressure: float, t_zero_known: bool, decides: Decides) -> list[Finding]:
    """Look for held values, a flat top and a fast rise, before a flow is looked for.

    Parameters
    ----------
    back_pressure : float
        That an emptied tank stands at, absolute. [Pa]
    t_zero_known : bool
        Times count from the valve's command.
    """
    good = _numbers(channel)
    time, reading = channel.time[good], channel.reading[good]
    some = reading[:: 1 + reading.size // ENOUGH]
    top = float(np.quantile(some, TOP)) - back_pressure if some.size else 0.0
    if not top > 0.0:
        return []
    full = np.flatnonzero(reading > back_pressure + NEAR_TOP * top)
    # Without T-0 nothing tells the end of pressurising from the flow but that it is the last of the full tank.
    start = max(float(time[full[0]]), -BEFORE_COMMAND) if t_zero_known else float(time[full[-1]])
    until = float(time[np.flatnonzero(reading > back_pressure + VENTED * top)[-1]])
    flat = _flat(channel, good, start)
    if flat:
        return flat
    return [*_held(channel, good, start, until, decides), *_rose(channel, start, decides)][:1]


def _numbers(channel: Channel) -> Mask | slice:
    """Mark readings that are numbers and not clipped; a slice where all are, so that a long record is not copied."""
    good = np.isfinite(channel.reading) & ~channel.clipped
    return slice(None) if good.all() else good


def _flat(channel: Channel, good: Mask | slice, start: float) -> list[Finding]:
    marks = flat_top(channel.counts[good])
    return [] if marks is None else _cut_off(channel, good, marks, start)


def _cut_off(channel: Channel, good: Mask | slice, marks: Mask, start: float) -> list[Finding]:
    if np.count_nonzero(marks & (channel.time[good] > start)) < AT_LEAST:
        return []
    scale, unit = SI_WORDS.get(SI_UNIT[channel.calibration.dimension], (1.0, ""))
    peak, first = float(channel.reading[good][marks][0]) / scale, float(channel.time[good][marks][0])
    return [FLAT_TOP.at(channel.tag, first, samples=int(np.count_nonzero(marks)), peak=peak, unit=unit)]


def _held(channel: Channel, good: Mask | slice, start: float, until: float, decides: Decides) -> list[Finding]:
    held = held_value(channel.time[good], channel.counts[good], start=start, until=until)
    if held is None or (held.seconds >= STUCK and stuck_since(channel, start, float(channel.time[-1])) is not None):
        return []  # a sensor that no longer responds is named as such
    counts, decide = channel.counts[good], decides.signal
    if counts[int(np.searchsorted(channel.time[good], held.time))] == counts.max():
        return _cut_off(channel, good, counts == counts.max(), start)
    tag, samples = channel.tag, held.samples
    return [HELD_VALUE.at(tag, held.time, decided_by=decide, decide=decide, seconds=held.seconds, samples=samples)]


def _rose(channel: Channel, start: float, decides: Decides) -> list[Finding]:
    rise = fast_rise(*believed(channel), after=start)
    if rise is None:
        return []
    percent, decide = 100.0 * rise.share, decides.signal
    return [
        PRESSURE_ROSE.at(
            channel.tag, rise.time, decided_by=decide, decide=decide, rise_percent=percent, seconds=rise.seconds
        )
    ]


def gap_faults(channel: Channel, *, opening: float, end: float, until: float, decides: Decides) -> list[Finding]:
    """Look for missing rows at the ends of a flow; ``until`` is where it was planned to end. [s]."""
    gap = hiding_gap(believed(channel)[0], opening=opening, end=end, until=until)
    if gap is None:
        return []
    decide = decides.gap
    return [GAP_HIDES_END.at(channel.tag, gap.time, decided_by=decide, decide=decide, seconds=gap.seconds)]


def end_faults(tag: str, trace: FlowTrace, decides: Decides) -> list[Finding]:
    """Look for an end that is a step or none at all, once the ends are found."""
    return _step_at_end(tag, trace, decides) or _goes_on(tag, trace, decides)


def _step_at_end(tag: str, trace: FlowTrace, decides: Decides) -> list[Finding]:
    step = step_at_end(trace)
    if step is None:
        return []
    percent, decide = 100.0 * step.share, decides.signal
    return [STEP_FOR_END.at(tag, step.time, decided_by=decide, decide=decide, step_percent=percent, gain=step.gain)]


def _goes_on(tag: str, trace: FlowTrace, decides: Decides) -> list[Finding]:
    on = flows_on(trace)
    if on is None:
        return []
    decide = decides.signal
    return [FLOW_GOES_ON.at(tag, on.time, decided_by=decide, decide=decide, seconds=on.seconds, share=on.share)]


def step_faults(
    tag: str, trace: FlowTrace, decides: Decides, *, within: tuple[float, float] | None = None
) -> list[Finding]:
    """Look for a step between both ends, or within a narrower span. [s]."""
    step = jump(trace, within)
    if step is None:
        return []
    percent, decide = 100.0 * step.share, decides.signal
    return [SIGNAL_STEPPED.at(tag, step.time, decided_by=decide, decide=decide, step_percent=percent, in_u=step.in_u)]
