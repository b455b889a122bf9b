"""What a reference is off by, as a covariance over levels: the same in every repeat, so no repeat averages it.

Levels and uncertainties in one unit, that of the reading. A covariance is (N, N) over the readings of a sheet.
"""

from collections.abc import Sequence

import numpy as np

from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

ALIKE = 0.4  # of the reference's span: levels that near are off alike; judgement


def gain_covariance(level: Array, share: float) -> Array:
    """Return the covariance of an error that is the same share of every level."""
    return share**2 * np.outer(level, level)


def level_covariance(level: Array, u: float, span: float) -> Array:
    """Return the covariance of an error that changes smoothly from level to level, ``u`` at each."""
    return u**2 * np.exp(-0.5 * (np.subtract.outer(level, level) / (ALIKE * span)) ** 2)


def class_covariances(level: Array, u: float, span: float) -> tuple[Array, Array]:
    """Return both that a class allows where nobody knows the split: all of it gain, all of it from level to level."""
    return gain_covariance(level, u / span), level_covariance(level, u, span)


def stacked_covariance(count: Sequence[int], u: Array) -> Array:
    """Return the covariance of loads stacked from the same weights in one order.

    Parameters
    ----------
    count : sequence of int
        How many weights hang at each reading.
    u : (M,) array
        Standard uncertainty of each weight, independent of the others.
    """
    added = np.concatenate([[0.0], np.cumsum(np.asarray(u) ** 2)])
    return np.asarray(added[np.minimum.outer(count, count)], dtype=np.float64)


def stack_counts(level: Array, weights: Array, *, agrees: float) -> list[int]:
    """Return how many weights hang at each level; each must be the sum of the first few.

    Raises
    ------
    DataError
        A level is no such sum within ``agrees``.
    """
    sums = np.concatenate([[0.0], np.cumsum(weights)])
    found = []
    for one in level:
        nearest = int(np.argmin(np.abs(sums - one)))
        if abs(sums[nearest] - one) > agrees:
            raise DataError(f"{one:g} is not the sum of the first weights; the nearest sum is {sums[nearest]:g}")
        found.append(nearest)
    return found


def coefficient_covariances(weight: Array, covariances: Sequence[Array]) -> tuple[Array, ...]:
    """Carry covariances over readings into the coefficients. (K, K) each."""
    return tuple(weight @ covariance @ weight.T for covariance in covariances)


def reference_u(powers: Array, covariances: Sequence[Array]) -> float:
    """Return the standard uncertainty of a curve by the reference: the larger where the split is not known."""
    return float(np.sqrt(max((max(float(powers @ c @ powers), 0.0) for c in covariances), default=0.0)))
