"""Which channels of a run can be believed: one sentence each.

SI, absolute pressures; times in seconds after T-0. Nothing is repaired here. A channel that cannot be believed
is passed over when its twin can.
"""

import math
from collections.abc import Iterable

import numpy as np

from standbook.analysis.dataset.calibrated_range import beyond_levels
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import (
    ABOVE_HIGHEST_LEVEL,
    BEYOND_CALIBRATION,
    CLIPPED,
    GAUGE_AS_ABSOLUTE,
    INTERFERENCE,
    NOT_RESPONDING,
    OPEN_WIRE,
    VENTED_ZERO,
)
from standbook.analysis.signal.windows import between
from standbook.daq.arrays import Mask
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding
from standbook.daq.quantity import SI_UNIT

BAD_SHARE = 0.01  # of the samples; a channel with more clipped or open samples is not used where a twin is
SAME_INSTANT = 0.01  # s
SPIKE_SAMPLES, SPIKE_JUMP = 2, 0.2  # at most so many at a rail; of the range from all neighbours
SPIKE_INTERVAL = 0.005  # s; samples further apart may really differ so
STUCK = 1.0  # s without any change of a pressure that must fall
FLAT_RUN = 10  # equal counts in a row
LIVELY_SHARE = 0.5  # of the samples differ from the one before
ZERO_AGREE = 4.0  # standard uncertainties of a vented reading from the barometer
SI_WORDS = {"Pa": (1e5, "bar"), "N": (1.0, "N"), "K": (1.0, "K"), "V": (1.0, "V")}


def usable(channel: Channel, start: float, end: float) -> bool:
    """Tell whether a channel has samples between two instants, few clipped, open, stuck or beyond its calibration."""
    inside = between(channel.time, start, end)
    if inside.stop - inside.start < 8:
        return False
    bad = saturated(channel)[inside] | channel.open_wire[inside] | channel.uncalibrated[inside]
    return bool(np.mean(bad) <= BAD_SHARE) and stuck_since(channel, start, end) is None


def first_usable(channels: Iterable[Channel], start: float, end: float) -> Channel | None:
    """Return the first channel that can be believed between two instants."""
    return next((channel for channel in channels if usable(channel, start, end)), None)


def stuck_since(channel: Channel, start: float, end: float) -> float | None:
    """Return when a pressure stopped changing for ``STUCK`` seconds or more inside a span, ``None`` if it never did."""
    if not channel.measurand.can_freeze:
        return None
    inside = between(channel.time, start, end)
    closed = ~channel.open_wire[inside]  # the others are named as such
    time, counts = channel.time[inside][closed], channel.counts[inside][closed]
    if time.size < 8:
        return None
    changes = np.flatnonzero(np.diff(counts) != 0)
    edges = np.concatenate(([0], changes + 1, [counts.size]))
    # Both long and of many samples: equal counts on both sides of a gap are no proof.
    enough = np.diff(edges) >= 0.5 * STUCK / float(np.median(np.diff(time)))
    lengths = np.where(enough, time[edges[1:] - 1] - time[edges[:-1]], 0.0)
    longest = int(np.argmax(lengths))
    return float(time[edges[longest]]) if lengths[longest] >= STUCK - SAME_INSTANT else None


def saturated(channel: Channel) -> Mask:
    """Mark samples that sit on a rail, or on a flat top short of it, as a saturated amplifier gives.

    A flat top is ``FLAT_RUN`` or more equal counts at the record's extreme on the side away from its first sample, in
    a channel whose noise otherwise moves most samples.
    """
    counts = channel.counts
    marks = channel.clipped.copy()
    if counts.size < 2:
        return marks
    top = counts.max() if counts.max() - counts[0] >= counts[0] - counts.min() else counts.min()
    at_top = counts == top
    if np.count_nonzero(at_top) < FLAT_RUN:
        return marks
    edges = np.flatnonzero(np.diff(at_top.view(np.int8), prepend=0, append=0))
    first, last = edges[::2], edges[1::2]
    flat = last - first >= FLAT_RUN
    if not flat.any():
        return marks
    moves = np.diff(counts) != 0
    for begin, end in zip(first[flat], last[flat], strict=True):
        marks[begin:end] = True
    # The tops themselves tell nothing of the noise elsewhere.
    elsewhere = ~marks[1:] & ~marks[:-1]
    lively = elsewhere.any() and np.mean(moves[elsewhere]) >= LIVELY_SHARE
    return marks if lively else channel.clipped.copy()


def rail_spikes(channel: Channel) -> Mask:
    """Mark one or two samples at a rail whose neighbours on both sides lie far from it: no sensor moves like that."""
    marks = np.zeros(channel.counts.size, dtype=np.bool_)
    if channel.counts.size < 2 * SPIKE_SAMPLES + 3 or not channel.clipped.any():
        return marks
    if float(np.median(np.diff(channel.time))) > SPIKE_INTERVAL:
        return marks
    edges = np.diff(np.concatenate(([0], channel.clipped.astype(np.int8), [0])))
    counts = channel.counts
    scale = float(np.ptp(counts))
    for begin, end in zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True):
        if end - begin > SPIKE_SAMPLES or begin < 2 or end + 2 > counts.size:
            continue
        beside = counts[[begin - 2, begin - 1, end, end + 1]]
        if np.min(np.abs(beside - counts[begin])) > SPIKE_JUMP * scale:
            marks[begin:end] = True
    return marks


def channel_findings(dataset: Dataset, start: float, end: float) -> list[Finding]:
    """Report clipping, open wires and stuck signals between two instants, channel by channel."""
    said: list[Finding] = []
    for channel in dataset.channels.values():
        inside = (channel.time >= start) & (channel.time <= end)
        if not inside.any():
            continue
        said += _clipped(channel, inside)
        said += _open(channel, inside)
        said += _beyond_levels(dataset, channel, inside)
        since = stuck_since(channel, start, end)
        if since is not None:
            said.append(_not_responding(dataset, channel, since))
    return said


def _not_responding(dataset: Dataset, channel: Channel, since: float) -> Finding:
    until = _still_until(channel, since)
    end = float(channel.time[-1])
    lasting = "to the end of the record" if until >= end - STUCK else f"until T{until:+.1f} s"
    twins = [
        c.tag
        for c in dataset.channels.values()
        if c.tag != channel.tag
        and (c.measures, c.tank) == (channel.measures, channel.tank)
        and usable(c, since, min(until, end))
    ]
    what = f"{channel.tank} {channel.measures}" if channel.tank else channel.measures
    known = (
        f"{' and '.join(twins)} still tell{'s' if len(twins) == 1 else ''} the {what}"
        if twins
        else (f"the {what} is unknown from there on")
    )
    return NOT_RESPONDING.at(channel.tag, since, lasting=lasting, still_for=STUCK, known=known)


def _still_until(channel: Channel, since: float) -> float:
    """Return the last instant at which the count was what it was since an instant. [s]."""
    later = np.flatnonzero(channel.time >= since)
    changed = np.flatnonzero(channel.counts[later] != channel.counts[later[0]])
    return float(channel.time[later[changed[0]] if changed.size else -1])


def _clipped(channel: Channel, inside: Mask) -> list[Finding]:
    bad = inside & saturated(channel) & ~rail_spikes(channel) & ~channel.open_wire  # an open wire is named as such
    if not bad.any():
        return []
    seconds, first = _seconds(channel, bad), float(channel.time[bad][0])
    scale, unit = SI_WORDS.get(SI_UNIT[channel.calibration.dimension], (1.0, ""))
    return [
        CLIPPED.at(channel.tag, first, seconds=seconds, peak=float(np.nanmax(channel.reading[bad])) / scale, unit=unit)
    ]


def _beyond_levels(dataset: Dataset, channel: Channel, inside: Mask) -> list[Finding]:
    """Say that readings lie above what was calibrated: a little, or further than a curve is carried."""
    c, origin = channel.calibration, channel.origin(dataset.plan.site.ambient_pressure)
    above = beyond_levels(c, channel.time, channel.reading, origin)
    if above is None or (inside & saturated(channel)).any():  # that is said, and says more
        return []
    far = inside & channel.uncalibrated
    kind, bad = (BEYOND_CALIBRATION, far) if far.any() else (ABOVE_HIGHEST_LEVEL, inside & above)
    if not bad.any():
        return []
    own = (channel.reading[bad] - origin) / c.scale
    peak = float(own[np.nanargmax(np.abs(own))])
    return [
        kind.at(
            channel.tag,
            float(channel.time[bad][0]),
            seconds=_seconds(channel, bad),
            peak=peak,
            highest=c.highest if peak > 0.0 else c.lowest,
            unit=c.reading_unit,
        )
    ]


def interference_findings(dataset: Dataset, start: float, end: float, *, but: str = "") -> list[Finding]:
    """Name lone samples at a rail between two instants, in all channels ``but`` one."""
    said: list[Finding] = []
    for channel in dataset.channels.values():
        spikes = (channel.time >= start) & (channel.time <= end) & rail_spikes(channel)
        if channel.tag == but or not spikes.any():
            continue
        first, number = float(channel.time[spikes][0]), np.count_nonzero(spikes)
        said.append(INTERFERENCE.at(channel.tag, first, number=number, plural="s" if number > 1 else ""))
    return said


def _seconds(channel: Channel, samples: Mask) -> float:
    """Return how long so many samples last. [s]."""
    interval = float(np.median(np.diff(channel.time))) if channel.time.size > 1 else 0.0
    return np.count_nonzero(samples) * interval


def _open(channel: Channel, inside: Mask) -> list[Finding]:
    bad = inside & channel.open_wire
    if not bad.any():
        return []
    seconds, first = _seconds(channel, bad), float(channel.time[bad][0])
    return [OPEN_WIRE.at(channel.tag, first, seconds=seconds)]


def vented_zero_findings(
    dataset: Dataset, start: float, end: float, *, channels: Iterable[Channel] | None = None
) -> list[Finding]:
    """Compare sensors that are open to the air between two instants, the chamber's if not named, with the barometer."""
    said: list[Finding] = []
    ambient = dataset.plan.site.ambient_pressure
    for channel in dataset.measuring(measurands.CHAMBER_PRESSURE) if channels is None else channels:
        known = channel.reading[between(channel.time, start, end)]
        known = known[np.isfinite(known)]
        if known.size < 8:
            continue
        reading = float(np.mean(known))
        u = channel.reading_u(reading, ambient)
        if abs(reading - ambient.value) <= ZERO_AGREE * u:
            continue
        text = (
            f"{channel.tag}: open to the air it reads {reading / 1e5:.3f} bar(a), the barometer says "
            f"{ambient.value / 1e5:.3f} bar(a); {ZERO_AGREE * u / 1e5:.3f} bar would be explained."
        )
        if channel.calibration.reference == "absolute" and abs(reading) < 0.2 * ambient.value:
            said.append(GAUGE_AS_ABSOLUTE.at(channel.tag, start, reading_words=text))
        else:
            said.append(VENTED_ZERO.at(channel.tag, start, reading_words=text))
    return said


def gauge_effect(start_pressure: float, end_pressure: float, exponent: float, ambient: float) -> float:
    r"""Return by how much an exponent is too high where gauge pressures were taken for absolute ones.

    Parameters
    ----------
    start_pressure, end_pressure : float
        As they were taken, that is gauge. [Pa]
    exponent : float
        As it came out of them. [-]
    ambient : float
        Absolute. [Pa]

    Notes
    -----
    The volumes stay, so :math:`n \propto \ln(P_0/P_1)` with and without the ambient pressure added.
    """
    wrong = math.log(start_pressure / end_pressure)
    right = math.log((start_pressure + ambient) / (end_pressure + ambient))
    return exponent * (1.0 - right / wrong)
