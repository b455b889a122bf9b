"""Nonlinear least squares with an analytic Jacobian, and what makes its answer usable.

No units: residuals are divided by their standard deviations before they come here.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from standbook.daq.arrays import Array

TOLERANCE = 1e-15  # of cost, step and gradient: the search goes on until arithmetic stops it
WORST_CONDITION = 1e10  # of the Jacobian with columns of unit length; beyond it half of the digits are gone
BOUND_SHARE = 1e-6  # of a range; a value this close to its end counts as lying on it


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """A minimum and the facts that decide what it is worth."""

    value: Array  # (K,)
    residual: Array  # (N,) at the minimum
    jacobian: Array  # (N, K) at the minimum
    inverse: Array  # (K, N) pseudo-inverse of the Jacobian: change of the value per change of the data
    covariance: Array  # (K, K) inverse of J'J, for residuals of unit variance
    converged: bool
    covariance_usable: bool
    at_bound: tuple[int, ...]  # indices of values that lie on the end of their range
    evaluations: int

    @property
    def residual_deviation(self) -> float:
        """Return the residual standard deviation, N - K degrees of freedom."""
        freedom = self.residual.size - self.value.size
        return float(np.sqrt(self.residual @ self.residual / freedom)) if freedom > 0 else float("nan")


def nonlinear_least_squares(
    residual: Callable[[Array], Array],
    jacobian: Callable[[Array], Array],
    start: Array,
    *,
    lower: Array | None = None,
    upper: Array | None = None,
    evaluations: int = 2000,
) -> LeastSquares:
    """Minimise the sum of squares of a residual.

    Parameters
    ----------
    residual, jacobian : callable
        Of the values (K,): residual (N,) and its derivatives (N, K).
    start : (K,) array
        Where to begin.
    lower, upper : (K,) array, optional
        Ends of the ranges.
    evaluations : int
        Most calls of ``residual``.

    Notes
    -----
    Trust region with columns scaled by the Jacobian. The covariance comes from the singular values of the
    Jacobian scaled to unit columns, never from J'J itself, which would lose half of the digits.
    """
    low = np.full(start.size, -np.inf) if lower is None else lower
    high = np.full(start.size, np.inf) if upper is None else upper
    found = least_squares(
        residual,
        np.clip(start, low, high),
        jac=jacobian,
        bounds=(low, high),
        method="trf",
        x_scale="jac",
        ftol=TOLERANCE,
        xtol=TOLERANCE,
        gtol=TOLERANCE,
        max_nfev=evaluations,
    )
    J = np.asarray(found.jac, dtype=np.float64)
    length = np.linalg.norm(J, axis=0)
    length[length == 0.0] = 1.0
    U, singular, Vt = np.linalg.svd(J / length, full_matrices=False)
    usable = bool(singular[-1] * WORST_CONDITION > singular[0] > 0.0)
    cut = np.where(singular * WORST_CONDITION > singular[0], singular, np.inf)
    half = Vt.T / cut / length[:, None]
    room = np.where(np.isfinite(high - low), high - low, np.inf)
    near = (found.x - low <= BOUND_SHARE * room) | (high - found.x <= BOUND_SHARE * room)
    near &= np.isfinite(room)
    return LeastSquares(
        value=np.asarray(found.x, dtype=np.float64),
        residual=np.asarray(found.fun, dtype=np.float64),
        jacobian=J,
        inverse=half @ U.T,
        covariance=half @ half.T,
        converged=bool(found.success),
        covariance_usable=usable,
        at_bound=tuple(int(i) for i in np.flatnonzero(near)),
        evaluations=int(found.nfev),
    )
