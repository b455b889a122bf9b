"""When rows were taken and what clock they carry. Seconds after T-0."""

from dataclasses import dataclass

import numpy as np

RATES = (100.0, 200.0, 333.0, 500.0, 800.0, 1000.0, 2000.0, 5000.0)  # [Hz]
KINDS = ("even", "jitter", "whole ms", "host", "lost rows")


@dataclass(frozen=True, slots=True)
class Sampling:
    """How one recorder takes and stamps rows."""

    rate: float  # [Hz]
    kind: str  # one of KINDS
    scatter: float  # of stamps, over the interval: jitter's deviation, median lateness of a host
    lost: float  # share of rows lost
    clock_error: float  # relative: stamps run fast by so much


def taken(law, begin, end):
    """Return the true instants at which rows are taken, evenly. (N,)."""
    return begin + np.arange(int((end - begin) * law.rate) + 1) / law.rate


def stamped(law, random, times):
    """Return the indices of the rows that were kept and the stamps that they carry, never falling."""
    kept = np.arange(times.size)
    if law.lost:
        kept = kept[random.random(kept.size) >= law.lost]
    stamps = times[kept] * (1.0 + law.clock_error)
    interval = 1.0 / law.rate
    if law.kind == "jitter":
        stamps = stamps + law.scatter * interval * random.standard_normal(kept.size)
    elif law.kind == "host":
        stamps = stamps + law.scatter * interval * np.exp(0.8 * random.standard_normal(kept.size))
    elif law.kind == "whole ms":
        stamps = np.floor(1e3 * stamps) / 1e3
    return kept, np.maximum.accumulate(stamps)
