"""Sentences about oscillations of a firing. Nothing is said where nothing is there.

Frequencies in Hz, amplitudes as shares of a channel's mean; times in seconds after T-0.
"""

from collections.abc import Iterable, Mapping

from standbook.analysis.findings.firing import (
    ALIASED,
    CHUG,
    CHUG_OR_STAND,
    COMBUSTION_ROUGH,
    LINE_UNEXPLAINED,
    MAINS_HUM,
)
from standbook.analysis.results.firing_results import Line, Stability
from standbook.daq.findings.finding import Finding, Severity
from standbook.daq.quantity import Quantity

CHUG_SHARE = 0.005  # of chamber pressure, from which a shared oscillation is a caution
GROWS = 1.5  # times from first to last, called growth
ROUGH_BELOW = 0.99  # of the burn smooth; less is said


def spectra_findings(found: Stability, mains: Quantity | None, slow: Mapping[str, float]) -> tuple[Finding, ...]:
    """Say what was found: shared oscillation, rough burning, hum, images.

    ``slow`` gives the sampling rate of each channel that shows images. [Hz]
    """
    shared = [line for line in found.lines if line.name == "coherent" and line.channel == found.channel]
    said = [_shared(line, found) for line in shared]
    said += [
        _doubtful(line, found)
        for line in found.lines
        if line.name == "undecided"
        and line.source
        and line.channel == found.channel
        and line.coherence is not None
        and _is_mode(line)
    ]
    said += [
        _alone(line, found)
        for line in found.lines
        if line.name == "undecided" and line.channel == found.channel and not _is_mode(line)
    ]
    if found.smooth_share < ROUGH_BELOW:
        said.append(_rough(found))
    hum = [line for line in found.lines if line.name == "mains"]
    if hum and mains is not None:
        said.append(_hum(hum, found))
    said += [
        _images(tag, rate, [k for k in found.lines if k.channel == tag and k.name == "alias"])
        for tag, rate in slow.items()
    ]
    return tuple(said)


def frequencies(line: Line) -> str:
    """Write where a line is, or from where to where it moves, in Hz."""
    first, last = line.frequency_at_start, line.frequency_at_end
    return f"{last:.0f}" if abs(first - last) < 1.5 else f"{first:.0f} to {last:.0f}"


def limit_words(found: Stability) -> str:
    """Say above which frequency nothing is claimed, and why."""
    why = "corner of its filter" if found.filter_declared else "two fifths of its sampling rate"
    more = (
        ""
        if found.filter_declared
        else ("; no filter is declared in stand.toml, so a line may be the image of one above half that rate")
    )
    return f"Nothing is claimed above {found.highest_frequency:.0f} Hz, the {why} on {found.channel}{more}."


def _is_mode(line: Line) -> bool:
    return line.source == "stand mode or feed"


def _growth(line: Line) -> str:
    first, last = 100.0 * line.amplitude_at_start, 100.0 * line.amplitude_at_end
    if last > GROWS * first:
        return f"growing to {last:.1f} % of the mean at T{line.end:+.1f} s"
    return f"{first:.1f} % of the mean at first, {last:.1f} % at last"


def _shared(line: Line, found: Stability) -> Finding:
    loud = max(line.amplitude_at_start, line.amplitude_at_end)
    severity: Severity = "caution" if loud >= CHUG_SHARE else "note"
    assert line.coherence is not None  # noqa: S101 - it made the name
    return CHUG.at(
        line.channel,
        line.start,
        severity=severity,
        decided_by="a run with a smaller injector or higher tank pressure, same sensors",
        frequencies=frequencies(line),
        growth=_growth(line),
        source=line.source,
        coherence=line.coherence,
        coherence_needed=line.coherence_needed,
        limit_words=limit_words(found),
    )


def _doubtful(line: Line, found: Stability) -> Finding:
    return CHUG_OR_STAND.at(
        line.channel,
        line.start,
        decided_by="a tap on the stand with the chamber sensor recording",
        frequencies=frequencies(line),
        growth=_growth(line),
        limit_words=limit_words(found),
    )


def _alone(line: Line, found: Stability) -> Finding:
    if line.coherence is None:
        why = "no manifold sensor says whether the feed shares it"
    else:
        why = (
            f"{line.source} does not share it (coherence {line.coherence:.2f}, chance reaches "
            f"{line.coherence_needed:.2f})"
        )
    return LINE_UNEXPLAINED.at(
        line.channel,
        line.start,
        frequencies=frequencies(line),
        end=line.end,
        growth=_growth(line),
        why=why,
        limit_words=limit_words(found),
    )


def _rough(found: Stability) -> Finding:
    return COMBUSTION_ROUGH.at(
        found.channel,
        found.greatest_at,
        smooth_limit_percent=100.0 * found.smooth_limit,
        rough_share_percent=100.0 * (1.0 - found.smooth_share),
        greatest_rms_share_percent=100.0 * found.greatest_rms_share,
    )


def _hum(lines: Iterable[Line], found: Stability) -> Finding:
    lines = list(lines)
    loudest = max(lines, key=lambda line: max(line.amplitude_at_start, line.amplitude_at_end))
    share = 100.0 * max(loudest.amplitude_at_start, loudest.amplitude_at_end)
    places = sorted({round(line.frequency_at_end) for line in lines})
    tags = sorted({line.channel for line in lines})
    modes = [line for line in found.lines if line.name == "stand mode"]
    mode = f" {frequencies(modes[0])} Hz on {modes[0].channel} is the stand's mode." if modes else ""
    listed = f"{' and '.join(str(place) for place in places)} Hz on {', '.join(tags)}"
    return MAINS_HUM.at(loudest.channel, listed=listed, share=share, mode=mode)


def _images(tag: str, rate: float, lines: Iterable[Line]) -> Finding:
    lines = list(lines)
    listed = "; ".join(f"{frequencies(line)} Hz of {line.source}" for line in lines)
    first = min(line.start for line in lines)
    return ALIASED.at(tag, first, rate=rate, listed=listed, corner=rate / 4.0)
