"""Stability of one firing: which lines its channels show, what each is, how smoothly the chamber burned.

SI; times in seconds after T-0. The arithmetic is in :mod:`analysis.signal.spectra`; here lines get their names: mains
and its harmonics, the stand's mode as propellant leaves, images of either in a channel that is sampled too slowly, and
an oscillation that chamber and feed share. A line that fits none of them stays without a name.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from standbook.analysis.channel_checks.channel_health import first_usable, saturated, usable
from standbook.analysis.dataset.channel import Channel
from standbook.analysis.dataset.dataset import Dataset
from standbook.analysis.findings.firing import NO_SPECTRA
from standbook.analysis.firing.stability_findings import spectra_findings
from standbook.analysis.results.curves import SPECTRAL_UNIT, Curve
from standbook.analysis.results.firing_results import Line, LineName, Stability
from standbook.analysis.signal import spectra
from standbook.analysis.signal.spectra import Track
from standbook.analysis.thrust.burn import Burn
from standbook.analysis.thrust.thrust_record import ThrustRecord
from standbook.daq.arrays import Array
from standbook.daq.config import measurands
from standbook.daq.findings.finding import Finding

MEASURES = (measurands.CHAMBER_PRESSURE, measurands.MANIFOLD_PRESSURE, measurands.THRUST, measurands.TANK_PRESSURE)
LEAST_RATE = 40.0  # Hz, below which nothing is looked for
HARMONICS = 9
MAINS_WITHIN, MAINS_MOVES = 0.01, 1.5  # of its frequency: grid and clock; Hz between first and last
MODE_WITHIN = 0.1  # of the mode's frequency: a tap test on a cold stand, and the skirts of a weakly damped mode
MODE_RISES = 1.3  # most, where the moving mass is not stated
ALIAS_WITHIN = 1.6  # Hz
SAME_WITHIN = 1.6  # Hz
SLOWER = 1.5  # times, from which one channel counts as slower than another
LEAST_SHARE = 0.003  # of a channel's mean: a smaller amplitude is not worth a name
SLOW_BELOW, SLOW_SHARE = 5.0, 0.01  # Hz, of the mean: slow noise of sensors and a bent fall look like a line there
GROWS = 1.5  # times, from which a line's end is read from its last blocks
ONSET = 3.0  # times what was there before
CLEAR_SHARE = 0.01  # of chamber pressure, from which a shared line in the stand mode's band is doubted
SMOOTH_LIMIT = 0.05  # of the mean: combustion within is called smooth; [Sutton] ch. 9
SMOOTH_BLOCK, SMOOTH_OVER = 0.1, 0.5  # s
WORST_OVER = 1.0  # s
ENVELOPE_BLOCK = 0.2  # s


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Stretch:
    """One channel over the settled burn, with the lines found in it."""

    channel: Channel
    rate: float  # [Hz]
    highest: float  # [Hz]
    time: Array  # (N,) [s]
    value: Array  # (N,) SI, not a number where it cannot be believed
    level: float  # mean [SI]
    tracks: tuple[Track, ...]


@dataclass(frozen=True, slots=True)
class FoundStability:
    """What the spectra of a firing say."""

    result: Stability | None
    curves: dict[str, Curve]
    findings: tuple[Finding, ...]


def stability_of(dataset: Dataset, record: ThrustRecord, burn: Burn, first_out: float | None) -> FoundStability:
    """Look for lines in every fast enough channel, name them, and judge the chamber's smoothness."""
    begin, end = burn.inner(first_out)
    chamber = first_usable(dataset.measuring(measurands.CHAMBER_PRESSURE), begin, end)
    stretches = [s for s in (_stretch(dataset, c, record, begin, end) for c in _channels(dataset)) if s is not None]
    if chamber is None or spectra.part_length(end - begin) is None:
        return FoundStability(None, {}, _too_short(begin, end) if chamber is not None else ())
    main = next((s for s in stretches if s.channel.tag == chamber.tag), None)
    if main is None:
        return FoundStability(None, {}, ())
    lines = _named(dataset, record, stretches, main)
    good = np.isfinite(main.value)
    time, value = main.time[good], main.value[good]
    fluctuation, level = spectra.fluctuations(time, value, SMOOTH_OVER)
    share = np.asarray(fluctuation / level)
    worst, at = spectra.worst_stretch(time, share, WORST_OVER)
    result = Stability(
        channel=chamber.tag,
        rms_share=float(np.sqrt(np.mean(share**2))),
        greatest_rms_share=worst,
        greatest_at=at,
        smooth_share=spectra.smooth_share(time, value, limit=SMOOTH_LIMIT, block=SMOOTH_BLOCK, over=SMOOTH_OVER),
        smooth_limit=SMOOTH_LIMIT,
        highest_frequency=main.highest,
        filter_declared=dataset.stand.input_tagged(chamber.tag).filter_corner is not None,
        lines=tuple(lines),
    )
    slow = {
        s.channel.tag: s.rate
        for s in stretches
        if any(line.name == "alias" and line.channel == s.channel.tag for line in lines)
    }
    return FoundStability(result, _curves(stretches), spectra_findings(result, dataset.plan.site.mains, slow))


def _channels(dataset: Dataset) -> list[Channel]:
    return [c for measures in MEASURES for c in dataset.measuring(measures)]


def _too_short(begin: float, end: float) -> tuple[Finding, ...]:
    return (NO_SPECTRA.at(None, end=max(end - begin, 0.0)),)


def _stretch(dataset: Dataset, channel: Channel, record: ThrustRecord, begin: float, end: float) -> Stretch | None:
    """Take a channel's settled burn and follow its lines; ``None`` where it cannot be used or is too slow."""
    if not usable(channel, begin, end):
        return None
    first, last = np.searchsorted(channel.time, [begin, end])
    time = channel.time[first:last]
    if time.size < 16:
        return None
    rate = 1.0 / float(np.median(np.diff(time)))
    if rate < LEAST_RATE:
        return None
    value = np.where(saturated(channel)[first:last], np.nan, channel.reading[first:last])
    level = float(np.nanmean(value)) if np.isfinite(value).any() else math.nan
    if channel.measures == measurands.THRUST:
        rest = float(np.mean(record.zero.reading))
        level -= rest if channel.tag == record.cell.tag else _rest(channel, record)
    if not level > 0.0:
        return None
    corner = dataset.stand.input_tagged(channel.tag).filter_corner
    highest = min(spectra.USABLE * rate, corner.value if corner is not None else math.inf)
    found = spectra.tracks(time, value, start=begin, end=end, rate=rate, highest=rate / 2.0)
    return Stretch(channel=channel, rate=rate, highest=highest, time=time, value=value, level=level, tracks=found)


def _rest(channel: Channel, record: ThrustRecord) -> float:
    quiet = record.zero.before.window.of(channel.time)
    return float(np.nanmean(channel.reading[quiet])) if quiet.any() else 0.0


def _named(dataset: Dataset, record: ThrustRecord, stretches: list[Stretch], main: Stretch) -> list[Line]:
    """Give each line a name; images are looked for last, against everything that has one."""
    fastest = max(s.rate for s in stretches)
    fast = [s for s in stretches if s.rate * SLOWER > fastest]
    manifolds = [s for s in fast if s.channel.measures == measurands.MANIFOLD_PRESSURE]
    shared: list[Track] = []
    found: list[tuple[Stretch, Track, Line]] = []
    for stretch in sorted(fast, key=lambda s: s is not main):  # the chamber first: others follow its names
        for track in stretch.tracks:
            line = _line(stretch, track, *_fast_name(dataset, record, stretch, track))
            if line.name == "undecided" and stretch is main:
                line = _against_feed(line, track, stretch, manifolds)
            if line.name == "coherent":
                shared.append(track)
            elif line.name == "undecided" and _as_one_of(track, shared):
                line = replace(line, name="coherent", source=main.channel.tag)
            elif line.name == "stand mode" and stretch is main and line.amplitude_at_end > CLEAR_SHARE:
                doubted = _against_feed(replace(line, name="undecided"), track, stretch, manifolds)
                if doubted.name == "coherent":
                    line = replace(doubted, name="undecided", source="stand mode or feed")
            found.append((stretch, track, line))
    for stretch in (s for s in stretches if s not in fast):
        for track in stretch.tracks:
            name, source = _slow_name(dataset, record, stretch, track, found)
            found.append((stretch, track, _line(stretch, track, name, source)))
    return _whole_modes([line for stretch, _, line in found if _worth(line, stretch)])


def _whole_modes(lines: list[Line]) -> list[Line]:
    """Put the pieces of each stand mode together: a resonance wanders about its course and has skirts beside it."""
    pieces: dict[tuple[str, str], list[Line]] = {}
    for line in lines:
        if line.name == "stand mode":
            pieces.setdefault((line.channel, line.source), []).append(line)
    whole = []
    for found in pieces.values():
        begin, end = min(k.start for k in found), max(k.end for k in found)
        first = max((k for k in found if k.start <= begin + spectra.LONGEST_PART), key=lambda k: k.amplitude_at_start)
        last = max((k for k in found if k.end >= end - spectra.LONGEST_PART), key=lambda k: k.amplitude_at_end)
        whole.append(
            replace(
                first,
                start=begin,
                end=end,
                frequency_at_end=last.frequency_at_end,
                amplitude_at_end=last.amplitude_at_end,
            )
        )
    return [line for line in lines if line.name != "stand mode"] + whole


def _worth(line: Line, stretch: Stretch) -> bool:
    loud = max(line.amplitude_at_start, line.amplitude_at_end)
    slow = line.name == "undecided" and max(line.frequency_at_start, line.frequency_at_end) < SLOW_BELOW
    enough = loud >= (SLOW_SHARE if slow else LEAST_SHARE)
    return enough and (line.name == "alias" or min(line.frequency_at_start, line.frequency_at_end) <= stretch.highest)


def _fast_name(dataset: Dataset, record: ThrustRecord, stretch: Stretch, track: Track) -> tuple[LineName, str]:
    harmonic = _harmonic(dataset, track)
    if harmonic is not None:
        return "mains", "mains" if harmonic == 1 else f"harmonic {harmonic} of the mains"
    mode = _mode(dataset, record, track.time, track.frequency)
    if mode is not None:
        return "stand mode", f"mode {mode}"
    return "undecided", ""


def _harmonic(dataset: Dataset, track: Track) -> int | None:
    mains = dataset.plan.site.mains
    if mains is None or float(np.ptp(track.frequency)) > MAINS_MOVES:
        return None
    middle = float(np.median(track.frequency))
    number = round(middle / mains.value)
    close = abs(middle - number * mains.value) <= max(MAINS_WITHIN * number * mains.value, 0.5)
    return number if 1 <= number <= HARMONICS and close else None


def mode_course(dataset: Dataset, record: ThrustRecord, time: Array) -> list[tuple[Array, Array]]:
    """Return the least and greatest frequency of each stand mode at instants, as propellant leaves. [Hz]."""
    stand = dataset.stand
    left = np.interp(time, record.time, record.zero.share) * record.weight.value / record.weight_per_mass
    if not stand.tanks_on_cell:
        left = np.zeros_like(left)
    ranges = []
    for mode in stand.modes:
        low = np.full_like(left, mode.value)
        high = low * MODE_RISES if stand.tanks_on_cell else low
        if stand.moving_mass is not None and float(np.max(left, initial=0.0)) < stand.moving_mass.value:
            low = high = mode.value * np.sqrt(stand.moving_mass.value / (stand.moving_mass.value - left))
        ranges.append((low * (1.0 - MODE_WITHIN), high * (1.0 + MODE_WITHIN)))
    return ranges


def _mode(dataset: Dataset, record: ThrustRecord, time: Array, frequency: Array) -> int | None:
    """Return which of the stand's modes a line follows, counted from one."""
    for number, (low, high) in enumerate(mode_course(dataset, record, time), start=1):
        if np.mean((frequency >= low) & (frequency <= high)) >= 0.75:
            return number
    return None


def _against_feed(line: Line, track: Track, chamber: Stretch, manifolds: list[Stretch]) -> Line:
    """Ask every manifold whether it moves with the chamber at this line, while the line is there."""
    best = line
    for manifold in manifolds:
        inside = (chamber.time >= track.start) & (chamber.time <= track.end)
        good = np.isfinite(manifold.value)
        if not np.isfinite(chamber.value[inside]).all() or np.count_nonzero(good) < 16:
            continue
        other = np.interp(chamber.time[inside], manifold.time[good], manifold.value[good])
        loudest = float(track.frequency[int(np.argmax(track.amplitude))])
        value, needed = spectra.coherence_at(chamber.value[inside], other, chamber.rate, loudest)
        if best.coherence is None or value > best.coherence:
            name: LineName = "coherent" if value > needed else "undecided"
            best = replace(line, name=name, source=manifold.channel.tag, coherence=value, coherence_needed=needed)
    return best


def _as_one_of(track: Track, others: list[Track]) -> bool:
    return any(spectra.near(track.frequency, other.frequency_at(track.time), SAME_WITHIN) for other in others)


def _slow_name(
    dataset: Dataset,
    record: ThrustRecord,
    stretch: Stretch,
    track: Track,
    found: list[tuple[Stretch, Track, Line]],
) -> tuple[LineName, str]:
    """Name a line of a slower channel: the same as in a faster one, or the image of one that it cannot hold."""
    matches: list[tuple[float, LineName, str]] = []
    for other, line in ((t, line) for s, t, line in found if s.rate > SLOWER * stretch.rate and line.name != "alias"):
        wanted = other.frequency_at(track.time)
        beyond = bool(np.max(wanted) > stretch.rate / 2.0)
        image = spectra.folded(wanted, stretch.rate) if beyond else wanted
        if spectra.near(track.frequency, image, ALIAS_WITHIN if beyond else SAME_WITHIN):
            # Several may fold to one place, as harmonics of the mains do: the loudest is the likeliest.
            loud = max(line.amplitude_at_start, line.amplitude_at_end)
            matches.append((loud, "alias", line_words(line)) if beyond else (loud, line.name, line.source))
    if matches:
        return max(matches)[1:]
    name, source = _fast_name(dataset, record, stretch, track)
    if name != "undecided":
        return name, source
    mains = dataset.plan.site.mains
    for number in range(1, HARMONICS + 1) if mains is not None else ():
        line_at = number * mains.value if mains is not None else 0.0
        image = spectra.folded(np.full_like(track.time, line_at), stretch.rate)
        if line_at > stretch.rate / 2.0 and spectra.near(track.frequency, image, ALIAS_WITHIN):
            return "alias", f"{line_at:g} Hz (mains, seen by no faster channel)"
    return "undecided", ""


def line_words(line: Line) -> str:
    """Name a line by its frequencies and what it is."""
    first, last = line.frequency_at_start, line.frequency_at_end
    where = f"{last:.0f} Hz" if abs(first - last) < 1.5 else f"{first:.0f} to {last:.0f} Hz"
    what = {"mains": line.source, "stand mode": "stand mode", "coherent": "chamber and feed"}.get(line.name, "")
    return f"{where} ({what})" if what else where


def _line(stretch: Stretch, track: Track, name: LineName, source: str) -> Line:
    frequency = track.frequency_at(stretch.time)
    filled = np.interp(
        stretch.time, stretch.time[np.isfinite(stretch.value)], stretch.value[np.isfinite(stretch.value)]
    )
    at, amplitude = spectra.envelope_of(stretch.time, filled, frequency, block=ENVELOPE_BLOCK)
    inside = (at >= track.start) & (at <= track.end)
    start = track.start
    if inside.any() and track.start > stretch.time[0] + 0.1 * track.length:  # it came up during the burn
        before = amplitude[at < track.start]
        start = spectra.onset(at, amplitude, ONSET * float(np.median(before)) if before.size else 0.0)
    level = np.interp(track.time, *_levels(stretch))
    last = float(track.amplitude[-1])
    if inside.any() and last > GROWS * track.amplitude[0]:  # larger at its end than on the mean of its last part
        last = max(last, float(np.max(amplitude[inside])))
    return Line(
        name=name,
        channel=stretch.channel.tag,
        start=start,
        end=track.end,
        frequency_at_start=float(track.frequency[0]),
        frequency_at_end=float(track.frequency[-1]),
        amplitude_at_start=float(track.amplitude[0] / level[0]),
        amplitude_at_end=last / float(level[-1]),
        source=source,
    )


def _levels(stretch: Stretch) -> tuple[Array, Array]:
    """Return the channel's mean at each end, as a straight line: pressures fall by half in a burn."""
    if stretch.channel.measures == measurands.THRUST:
        return stretch.time[[0, -1]], np.array([stretch.level, stretch.level])
    good = np.isfinite(stretch.value)
    slope, middle = np.polyfit(stretch.time[good] - stretch.time[0], stretch.value[good], 1)
    ends = np.array([middle, middle + slope * (stretch.time[-1] - stretch.time[0])])
    return stretch.time[[0, -1]], np.maximum(ends, 0.1 * stretch.level)


def _curves(stretches: list[Stretch]) -> dict[str, Curve]:
    """Return the amplitude spectrum of each channel over the whole settled burn, in shares of its mean."""
    curves = {}
    for stretch in stretches:
        part = spectra.whole(stretch.time, stretch.value, float(stretch.time[0]), float(stretch.time[-1]), stretch.rate)
        if part is None or stretch.channel.measures == measurands.TANK_PRESSURE:
            continue
        found = spectra.spectrum(part, stretch.rate)
        share = np.sqrt(found.density) / stretch.level
        kept = found.frequency >= spectra.LOWEST * found.resolution
        curves[f"spectrum/{stretch.channel.tag}"] = Curve(
            found.frequency[kept], {"density": np.asarray(share[kept])}, SPECTRAL_UNIT
        )
    return curves
