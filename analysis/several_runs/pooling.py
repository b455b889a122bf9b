r"""Pool one quantity over several runs: what is each run's own, what scatters between runs, what all have in common.

.. math:: y_i = \mu + b_i + e_i + c

with own errors e (u_i), scatter between runs b (tau) and a common error c (u_c), such as the reference's or the
scale's, which no number of runs averages away. tau by Paule and Mandel on the own variances alone; its interval by
Hartung and Knapp with the factor held at one or above, as for few and unequal studies. The common part is added to it
in square with a factor of its own: one set of degrees of freedom for both would make the interval narrower than
without.

tau is after Paule & Mandel (1982), the modified interval after Röver, Knapp & Friede (2015), both from memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtri, stdtrit

from standbook.daq.errors import DataError

FEWEST = 2
FEWEST_FOR_SCATTER = 3  # from here on a scatter between runs is quoted
LEVEL = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class Pooled:
    """One quantity over n runs, in its own unit."""

    value: float
    u_own: float  # of the mean, what is not common
    u: float  # with the common error
    dof: float  # of u_own; the common part is known as well as it is stated
    half_width: float  # of the two-sided interval at LEVEL
    between: float  # standard deviation between runs, beyond what their own errors explain
    runs: int

    @property
    def quotes_scatter(self) -> bool:
        """Tell whether enough runs stand behind the scatter between them."""
        return self.runs >= FEWEST_FOR_SCATTER


def between_runs(values: Sequence[float], u_own: Sequence[float]) -> float:
    """Return the standard deviation between runs by Paule and Mandel's condition.

    Parameters
    ----------
    values, u_own : (N,) sequence
        Of the runs, and their own standard uncertainties, each above zero; same unit.

    Notes
    -----
    The scatter at which the weighted sum of squares about the weighted mean equals N - 1; zero where it is below that
    without any.
    """
    y, own = _checked(values, u_own)

    def excess(variance: float) -> float:
        weight = 1.0 / (own**2 + variance)
        mean = np.sum(weight * y) / np.sum(weight)
        return float(np.sum(weight * (y - mean) ** 2)) - (y.size - 1)

    if excess(0.0) <= 0.0:
        return 0.0
    top = float(np.sum((y - np.mean(y)) ** 2)) + float(np.max(own)) ** 2
    while excess(top) > 0.0:
        top *= 2.0
    return math.sqrt(float(brentq(excess, 0.0, top, xtol=1e-15 * top, rtol=1e-12)))


def pooled(values: Sequence[float], u_own: Sequence[float], u_common: float = 0.0) -> Pooled:
    """Pool runs of one configuration.

    Parameters
    ----------
    values, u_own : (N,) sequence
        Of the runs, and their own standard uncertainties without what is common; same unit.
    u_common : float
        Standard uncertainty of what moves all of them alike; never divided by N.

    Raises
    ------
    DataError
        Fewer than two runs, or an own uncertainty that is not above zero.
    """
    y, own = _checked(values, u_own)
    between = between_runs(values, u_own)
    weight = 1.0 / (own**2 + between**2)
    mean = float(np.sum(weight * y) / np.sum(weight))
    dof = y.size - 1
    spread = float(np.sum(weight * (y - mean) ** 2)) / dof
    u_mean = math.sqrt(max(1.0, spread) / float(np.sum(weight)))
    own_half = float(stdtrit(dof, 0.5 + LEVEL / 2.0)) * u_mean
    return Pooled(
        value=mean,
        u_own=u_mean,
        u=math.hypot(u_mean, u_common),
        dof=dof,
        half_width=math.hypot(own_half, float(ndtri(0.5 + LEVEL / 2.0)) * u_common),
        between=between,
        runs=y.size,
    )


def _checked(values: Sequence[float], u_own: Sequence[float]) -> tuple[np.ndarray, np.ndarray]:
    y, own = np.asarray(values, dtype=float), np.asarray(u_own, dtype=float)
    if y.size < FEWEST:
        raise DataError(f"{y.size} run: two at least are pooled")
    if y.shape != own.shape or not np.all(own > 0.0) or not np.all(np.isfinite(y)):
        raise DataError("each run needs a number and an uncertainty of its own above zero to be pooled")
    return y, own
