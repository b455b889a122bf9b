"""Compare a measured channel with its predicted 95 % band: time inside, and the worst departure.

SI, plain arrays. A comparison says something about foresight only where the prediction was locked before T-0.
"""

from collections.abc import Mapping

import numpy as np

from standbook.analysis.findings.prediction import OUTSIDE_BAND
from standbook.analysis.results.results import Comparison
from standbook.analysis.signal.windows import BLOCK, block_average
from standbook.daq.arrays import Array
from standbook.daq.findings.finding import Finding, Severity

FIRING_SUSPECTS = "the tank exponents, CdA and mixture ratio"
INSIDE_ENOUGH = 0.90  # share of the burn; a band of 95 % is left for a moment now and then
FAR_OUT, MOSTLY_OUT = 2.0, 0.50  # half-widths, share: beyond either one no moment and no bend of the model explains it


def departure(value: Array, nominal: Array, low: Array, high: Array) -> Array:
    """Compute the distance from nominal in band half-widths on that side; beyond 1 is outside."""
    half = np.where(value >= nominal, high - nominal, nominal - low)
    return np.divide(np.abs(value - nominal), half, out=np.full_like(value, np.nan), where=half > 0.0)


def compare(
    time: Array,
    value: Array,
    *,
    predicted_time: Array,
    nominal: Array,
    low: Array,
    high: Array,
    start: float,
    end: float,
) -> Comparison | None:
    """Compare a measured channel with its band between two instants.

    Parameters
    ----------
    time, value : (N,) array
        Instants [s] and samples.
    predicted_time, nominal, low, high : (M,) array
        The band; only where all of it is a number is anything compared.
    start, end : float
        The part to compare, such as the steady burn. [s]

    Returns
    -------
    Comparison or None
        ``None`` where band and record do not overlap.
    """
    known = np.isfinite(nominal) & np.isfinite(low) & np.isfinite(high)
    if np.count_nonzero(known) < 2:
        return None
    start, end = max(start, float(predicted_time[known][0])), min(end, float(predicted_time[known][-1]))
    if end - start < BLOCK:
        return None
    at, mean = block_average(time, value, start=start, end=end)
    band = [np.interp(at, predicted_time[known], column[known]) for column in (nominal, low, high)]
    out = departure(mean, *band)
    seen = np.isfinite(out)
    if not seen.any():
        return None
    worst = int(np.nanargmax(np.where(seen, out, -1.0)))
    return Comparison(
        float(np.mean(out[seen] <= 1.0)), float(out[worst]), float(at[worst]), bool(mean[worst] >= band[0][worst])
    )


def ranked(comparisons: Mapping[str, Comparison]) -> tuple[tuple[str, Comparison], ...]:
    """Rank quantities by their worst departure in band half-widths, farthest first."""
    return tuple(sorted(comparisons.items(), key=lambda pair: (-pair[1].worst_departure, pair[0])))


def departure_findings(
    comparisons: Mapping[str, Comparison], *, locked: bool, part: str = "burn", suspects: str = FIRING_SUSPECTS
) -> list[Finding]:
    """Make a finding for each quantity that left its band, worst first."""
    outside = sorted(
        ((name, c) for name, c in comparisons.items() if c.share_in_band < INSIDE_ENOUGH),
        key=lambda pair: -pair[1].worst_departure,
    )
    kind = "the locked 95 % band" if locked else "a 95 % band calculated afterwards, not locked before T-0"
    return [
        OUTSIDE_BAND.at(
            None,
            c.at,
            severity=_severity(c),
            sentence_name=_sentence_name(name),
            band=kind,
            share_in_band_percent=100.0 * c.share_in_band,
            part=part,
            worst_departure=c.worst_departure,
            suspects=suspects,
        )
        for name, c in outside
    ]


def _severity(c: Comparison) -> Severity:
    return "caution" if c.worst_departure > FAR_OUT or c.share_in_band < MOSTLY_OUT else "note"


def _sentence_name(name: str) -> str:
    quantity, _, tank = name.partition("/")
    words = f"{tank} {quantity}" if tank else quantity
    return words[:1].upper() + words[1:]
