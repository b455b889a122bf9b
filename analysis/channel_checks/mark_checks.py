"""What the record shows at the crew's marks: whether the channel that the plan names rose, or another in its place.

SI, absolute pressures; times in seconds after T-0. Only differences are used. Live, `daq.live.mark_response` says the
same.
"""

import numpy as np

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import CrewMark, Dataset
from standbook.analysis.findings.channels import CHANNELS_EXCHANGED, MARK_CONTRADICTED
from standbook.analysis.signal.windows import block_average
from standbook.daq.config import measurands
from standbook.daq.config.plan import Mark
from standbook.daq.findings.finding import Finding

ROSE = 0.03  # of a sensor's range
BEFORE, EARLIEST = 0.3, 0.05  # s before a mark that are averaged; the fewest that will do
WITHIN = 10.0  # s after a mark, in which a slow valve is opened by hand
SETTLES = 0.3  # s from the first rise, in which what is coupled has risen too
BLOCK = 0.05  # s


def mark_findings(dataset: Dataset) -> list[Finding]:
    """Hold each mark of the plan's against what its channels did."""
    planned = {mark.key: mark for mark in dataset.plan.mark}
    said: list[Finding] = []
    for mark in dataset.marks:
        expected = planned.get(mark.key)
        if expected is not None and not mark.struck:
            said += _at(dataset, mark, expected)
    return said


def _at(dataset: Dataset, mark: CrewMark, expected: Mark) -> list[Finding]:
    """Say what rose at one mark, where that is not what should have."""
    wanted, still = expected.rises, expected.still
    watched = {wanted, still, *(channel.tag for channel in dataset.measuring(measurands.TANK_PRESSURE))}
    pressures = [channel for channel in dataset.channels.values() if channel.tag in watched]
    rises = {channel.tag: at for channel in pressures if (at := _rise(channel, mark.time)) is not None}
    if wanted is None or wanted not in dataset.channels:
        return []
    place = dataset.channels[wanted].tank
    elsewhere = {
        tag: at
        for tag, at in rises.items()
        if tag == still or (tag != wanted and (place is None or dataset.channels[tag].tank != place))
    }
    starts = [at for tag, at in rises.items() if tag == wanted or tag in elsewhere]
    if not starts:
        return []
    first = min(starts)
    wrong = sorted(tag for tag, at in elsewhere.items() if at <= first + SETTLES)
    if not wrong:
        return []
    when = f'At the mark "{mark.text}", T{mark.time:+.1f} s, {" and ".join(wrong)} rose'
    if rises.get(wanted, np.inf) <= first + SETTLES:
        return [MARK_CONTRADICTED.at(wrong[0], mark.time, when=when, wanted=wanted)]
    one = still if still in wrong else wrong[0]
    return [CHANNELS_EXCHANGED.at(one, mark.time, when=when, wanted=wanted)]


def _rise(channel: Channel, at: float) -> float | None:
    """Return when a channel had risen after a mark, ``None`` where it did not or was not known before. [s]."""
    good = np.isfinite(channel.reading) & (channel.time >= at - BEFORE) & (channel.time <= at + WITHIN)
    time, reading = channel.time[good], channel.reading[good]
    before = time < at
    if not before.any() or at - time[0] < EARLIEST or before.all():
        return None
    level = float(np.mean(reading[before]))
    c = channel.calibration
    middle, mean = block_average(time, reading, start=at, end=float(time[-1]), block=BLOCK)
    up = np.flatnonzero(mean - level >= ROSE * (c.highest - c.lowest) * c.scale)
    return float(middle[up[0]]) if up.size else None
