"""Compute nominal values and 95 % bands of a sampled run, on the time grid of its steps.

SI. The nominal run ends on the grid, at step ``GRID_STEPS``; the grid goes on until 97.5 % of the samples have
ended. Reads no file, clock or setting.
"""

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from standbook.analysis.physics.tank_emptying import Emptying
from standbook.analysis.results.prediction import Band, Scalar, rounded, rounded_number
from standbook.daq.arrays import Array

GRID_STEPS = 160  # over the nominal run: steps of fourth order leave less than 1e-7 of the impulse
MOST_STEPS = 600  # and no more points than this in a prediction
LOW, HIGH = 0.025, 0.975
ROUGH_STEPS = 40  # over the emptying at first flow, to place the grid
_ROUGH = 1e-5  # share of the time by which so few steps may misplace the end; measured 4e-7


class Envelope:
    """Common time grid of a nominal run and its samples."""

    def __init__(self, nominal: Emptying, samples: Emptying) -> None:
        last = max(nominal.end_time[0], float(np.quantile(np.minimum(samples.end_time, samples.time[-1]), HIGH)))
        size = min(int(np.searchsorted(samples.time, last * (1.0 - _ROUGH))) + 1, samples.time.size)
        self.time = rounded(samples.time[:size])
        # The nominal end falls on a step but for the rough run's error, and still flows there.
        self._own_flows = samples.time[:size] <= nominal.end_time[0] * (1.0 + _ROUGH)
        self._flow = samples.time[:size, None] <= samples.end_time
        self._size = size

    def band(
        self,
        nominal: Array,
        samples: Array,
        unit: str,
        *,
        after: tuple[ArrayLike, ArrayLike] | Literal["held"] | None = None,
    ) -> Band:
        """Return one quantity's band.

        Parameters
        ----------
        nominal : (T, 1) array
        samples : (T, S) array
        after : pair, "held", optional
            What nominal and samples are once their liquid is out; by default the model says nothing, and
            a sample that has ended has no part in the band.
        """
        own, size = _fitted(nominal, self._size)[:, 0], self._size
        drawn = _fitted(samples, size)
        if after is None:
            own = np.where(self._own_flows, own, np.nan)
            drawn = np.where(self._flow, drawn, np.nan)
        elif after != "held":
            own = np.where(self._own_flows, own, after[0])
            drawn = np.where(self._flow, drawn, after[1])
        low, high = _quantiles(drawn, (LOW, HIGH))
        return Band(rounded(own), rounded(low), rounded(high), unit)


def scalar(nominal: Array, samples: Array, unit: str) -> Scalar:
    """Return one number's nominal (1,), band, mean and standard deviation of its samples (S,)."""
    low, high = np.quantile(samples, (LOW, HIGH))
    return Scalar(
        nominal=rounded_number(float(nominal[0])),
        low=rounded_number(float(low)),
        high=rounded_number(float(high)),
        mean=rounded_number(float(samples.mean())),
        u=rounded_number(float(samples.std(ddof=1))),
        unit=unit,
    )


def _fitted(values: Array, size: int) -> Array:
    """Cut to ``size`` rows, or repeat the last, which is the end state."""
    missing = size - values.shape[0]
    if missing <= 0:
        return values[:size]
    return np.concatenate([values, np.repeat(values[-1:], missing, axis=0)])


def _quantiles(values: Array, shares: tuple[float, ...]) -> list[Array]:
    """Return quantiles of the finite values of each row; not a number where a row has none."""
    ordered = np.sort(values, axis=1)  # what is not a number sorts last
    last = np.maximum(np.isfinite(values).sum(axis=1) - 1, 0)
    rows = np.arange(values.shape[0])
    found = []
    for share in shares:
        place = share * last
        below = np.floor(place).astype(np.int64)
        above = np.minimum(below + 1, last)
        weight = place - below
        found.append((1.0 - weight) * ordered[rows, below] + weight * ordered[rows, above])
    return found
