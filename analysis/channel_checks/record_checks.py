"""What a whole record hangs on: the supply of its ratiometric sensors, and the clock of its board.

SI; times in seconds after T-0. A supply that is recorded is divided out before anything is read; one that is only
stated in the stand file shows as sensors that part from twins of another kind by one common factor. The clock's rate is
found when a run is sealed, from arrivals at the computer; here it is said what correcting it did to the numbers.
"""

from collections.abc import Iterable

import numpy as np

from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.channels import CLOCK_BENT, CLOCK_CORRECTED, SUPPLY_NOT_AS_STATED, SUPPLY_SAGGED
from standbook.analysis.results.results import ImpulseResult
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

SAGGED = 0.01  # of the supply before the run; loads on it usually take less
BEFORE, SETTLED = 2.0, 0.2  # s before the run that are averaged; s of a sag that count
ALIKE = 0.006  # of the signal: factors of sensors that a common supply moves
MOVED = 0.01  # of the signal
LEAST_SENSORS = 2
TELLING = 2.0  # standard uncertainties of the clock's rate
WORTH = 2e-4  # relative rate; a crystal stays within it and is corrected without a word


def supply_findings(dataset: Dataset, start: float, end: float) -> list[Finding]:
    """Say where a recorded supply sagged between two instants, and what hangs on it."""
    said: list[Finding] = []
    for channel in dataset.measuring(measurands.SUPPLY_VOLTAGE):
        time, reading = channel.known()
        before = (time >= start - BEFORE) & (time < start)
        inside = (time >= start) & (time <= end)
        if np.count_nonzero(before) < 8 or np.count_nonzero(inside) < 8:
            continue
        level = float(np.median(reading[before]))
        low = inside & (reading < (1.0 - SAGGED) * level)
        seconds = np.count_nonzero(low) * float(np.median(np.diff(time)))
        if level <= 0.0 or seconds < SETTLED:
            continue
        sag = 1.0 - float(np.median(reading[low])) / level
        on_it = [item.tag for item in dataset.stand.input if item.supply == channel.tag]
        meaning = f"{', '.join(on_it)} hang on it and are divided by what it was, so their readings stand"
        if not on_it:
            meaning = "stand.toml divides no sensor by it: name it there as the supply of those that hang on it"
        said.append(
            SUPPLY_SAGGED.at(
                channel.tag,
                float(time[low][0]),
                sag_percent=100.0 * sag,
                since=time[low][0],
                seconds=seconds,
                meaning=meaning,
            )
        )
    return said


def common_supply(dataset: Dataset, pairs: Iterable[tuple[Channel, Channel, float]]) -> tuple[list[Finding], set[str]]:
    """Find sensors on a stated supply that all part from their twins by one factor.

    Parameters
    ----------
    pairs : iterable of (Channel, Channel, float)
        Twins that part, and where they do most. [s]

    Returns
    -------
    findings, tags
        One sentence for them all, and the sensors that it is about.

    Notes
    -----
    What a twin reads is turned back into the signal that the sensor should have given; a sag takes the same share of
    every such signal, whatever it reads.
    """
    factors: dict[str, tuple[float, float]] = {}
    for one, other, at in pairs:
        for channel, twin in ((one, other), (other, one)):
            if _on_stated_supply(dataset, channel) and not _on_stated_supply(dataset, twin):
                factor = _signal_share(channel, twin, at)
                if factor is not None:
                    factors[channel.tag] = (factor, at)
    if len(factors) < LEAST_SENSORS:
        return [], set()
    shares = np.array([factor for factor, _ in factors.values()])
    middle = float(np.median(shares))
    if abs(middle - 1.0) < MOVED or np.max(np.abs(shares - middle)) > ALIKE:
        return [], set()
    at = min(at for _, at in factors.values())
    tags = sorted(factors)
    way = "low" if middle < 1.0 else "high"
    each = ", ".join(f"{tag} by {100.0 * (factors[tag][0] - 1.0):+.1f} %" for tag in tags)
    return [
        SUPPLY_NOT_AS_STATED.at(
            tags[0], at, tags=", ".join(tags), value_percent=100.0 * abs(1.0 - middle), way=way, each=each
        )
    ], set(tags)


def clock_findings(dataset: Dataset, cell: Channel, impulse: ImpulseResult | None) -> list[Finding]:
    """Say by how much the board's clock was off and what correcting it moved total impulse by, or that it changed."""
    health = dataset.record.get(cell.stream)
    if health is not None and health.clock_bend is not None:
        return [CLOCK_BENT.at(cell.tag, stream=cell.stream, bend_percent=100.0 * health.clock_bend)]
    rate = health.clock_ppm if health is not None else None
    if rate is None or abs(rate.value) <= max(TELLING * rate.u, 1e6 * WORTH):
        return []
    relative = 1e-6 * rate.value
    minutes = float(cell.time[-1] - cell.time[0]) / 60.0
    moved = "" if impulse is None else f": {-relative * impulse.value:+,.0f} N*s of total impulse"
    return [
        CLOCK_CORRECTED.at(
            None,
            stream=cell.stream,
            rate_percent=100.0 * abs(relative),
            direction="slow" if relative < 0 else "fast",
            rate=rate.value,
            rate_u=rate.u,
            minutes=minutes,
            moved=moved,
        )
    ]


def _on_stated_supply(dataset: Dataset, channel: Channel) -> bool:
    item = dataset.stand.input_tagged(channel.tag)
    return item.sensor_kind.follows_supply and item.is_supply_stated


def _signal_share(channel: Channel, twin: Channel, at: float) -> float | None:
    """Return a sensor's signal over the one that its twin's reading asks for, about an instant."""
    mine = (np.abs(channel.time - at) <= 0.25) & np.isfinite(channel.reading)
    its = (np.abs(twin.time - at) <= 0.25) & np.isfinite(twin.reading)
    if np.count_nonzero(mine) < 8 or np.count_nonzero(its) < 8:
        return None
    # The readings differ little, so the sensor's own slope turns the difference into signal.
    slope = float(np.polyfit(channel.signal[mine], channel.reading[mine], 1)[0])
    signal = float(np.mean(channel.signal[mine]))
    apart = float(np.mean(channel.reading[mine]) - np.mean(twin.reading[its]))
    wanted = signal - apart / slope if slope else 0.0
    return signal / wanted if wanted > 0.0 else None
