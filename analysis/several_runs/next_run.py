r"""Bound the next run of a configuration by those that were made, with a scatter assumed until enough runs show theirs.

Everything in shares of the level, such as impulse over predicted impulse. Prior: mean as predicted with u_prior,
scatter s_0 with nu_0 degrees of freedom, combined with n runs as for a normal distribution of unknown mean and
variance:

.. math::
    \kappa_0 = (s_0/u_{prior})^2,\quad \kappa = \kappa_0 + n,\quad \nu = \nu_0 + n

    \nu s^2 = \nu_0 s_0^2 + \sum (x_i - \bar x)^2 + \frac{\kappa_0 n}{\kappa}(\bar x - x_0)^2

This is the conjugate analysis of a normal distribution, a textbook result; the prior's numbers are judgement.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import nctdtrit, ndtri, stdtrit

from standbook.daq.errors import DataError

LEVEL = 0.95  # one-sided
SCATTER = 0.015  # from run to run, share of the level; assumed until runs show theirs
SCATTER_DOF = 1.0  # how firmly that is believed
OWN_DOF = 10.0  # the same where at least OWN_RUNS firings of this crew's hardware stand behind it
OWN_RUNS = 4
PREDICTED_U = 0.06  # of a locked prediction's level, relative


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """Level and run-to-run scatter of a configuration as known after n runs, in shares."""

    level: float
    scatter: float  # from run to run, one standard deviation
    weight: float  # runs that the level is worth
    dof: float
    runs: int

    @property
    def margin(self) -> float:
        """One-sided bound of the next run above the level, share of it."""
        factor = float(stdtrit(self.dof, LEVEL))
        return factor * self.scatter * math.sqrt(1.0 + 1.0 / self.weight)

    def margin_with(self, *others: float) -> float:
        """Return the same with further standard uncertainties of what is planned for the next run, in shares."""
        own = self.scatter * math.sqrt(1.0 + 1.0 / self.weight)
        return float(stdtrit(self.dof, LEVEL)) * math.hypot(own, *others)


def scatter_after(
    shares: Sequence[float], *, predicted: float = 1.0, scatter: float = SCATTER, dof: float = SCATTER_DOF
) -> Scatter:
    """Combine what is assumed with what was measured.

    Parameters
    ----------
    shares : (N,) sequence
        Each run over its own prediction at its own load, one at least.
    predicted : float
        What the prediction says of them.
    scatter, dof : float
        Assumed run-to-run scatter and its degrees of freedom.

    Raises
    ------
    DataError
        No run, or one that is no number.
    """
    x = np.asarray(shares, dtype=float)
    if x.size == 0 or not np.all(np.isfinite(x)):
        raise DataError("no firing of this configuration to start from")
    n, mean = x.size, float(np.mean(x))
    prior = (scatter / PREDICTED_U) ** 2
    weight, freedom = prior + n, dof + n
    squares = dof * scatter**2 + float(np.sum((x - mean) ** 2)) + prior * n / weight * (mean - predicted) ** 2
    return Scatter(
        level=(prior * predicted + n * mean) / weight,
        scatter=math.sqrt(squares / freedom),
        weight=weight,
        dof=freedom,
        runs=n,
    )


def prediction_factor(runs: int, level: float = LEVEL) -> float:
    """Return the multiple of the sample's deviation that bounds the next run above the mean, one-sided."""
    return float(stdtrit(_several(runs) - 1, level)) * math.sqrt(1.0 + 1.0 / runs)


def tolerance_factor(runs: int, share: float = 0.95, confidence: float = 0.95) -> float:
    """Return the multiple that bounds a share of all further runs with a confidence, one-sided (noncentral t)."""
    root = math.sqrt(_several(runs))
    return float(nctdtrit(runs - 1, root * ndtri(share), confidence)) / root


def _several(runs: int) -> int:
    if runs < 2:
        raise DataError(f"{runs} run: two at least show a scatter")
    return runs
