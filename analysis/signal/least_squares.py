"""Solve nonlinear least squares with an analytic Jacobian, and check that the result is usable.

No units: residuals are divided by their standard deviations before they come here.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from standbook.daq.arrays import Array

TOLERANCE = 1e-15  # of cost, step and gradient: the search goes on until arithmetic stops it
WORST_CONDITION = 1e10  # of the Jacobian with columns of unit length; beyond it half of the digits are gone
STEP_TOLERANCE = 1e-11  # of the values, by what they move the model; a step below it changes no digit that is used
MOST_STEPS = 20  # after the search; each leaves a few hundredths of the error, as a rule
BOUND_SHARE = 1e-6  # of a range; a value this close to its end counts as lying on it


@dataclass(frozen=True, slots=True, kw_only=True)
class _Linearised:
    """A point of the search with the model's slope there, columns scaled to unit length before they are inverted."""

    value: Array  # (K,)
    residual: Array  # (N,)
    jacobian: Array  # (N, K)
    inverse: Array  # (K, N) pseudo-inverse of the Jacobian
    covariance: Array  # (K, K) inverse of J'J
    usable: bool

    @property
    def step(self) -> Array:
        """Gauss-Newton step from here to where the linearised residual is least. (K,)."""
        return -self.inverse @ self.residual

    def moved(self, change: Array) -> float:
        """Return by how much a change of the values moves the model, its terms added as squares."""
        return float(np.linalg.norm(change * np.linalg.norm(self.jacobian, axis=0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class LeastSquares:
    """A minimum, with the facts that decide whether it is usable."""

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
    Trust region with columns scaled by the Jacobian, then Gauss-Newton steps: the search ends where the cost no longer
    falls in double precision, and the error of the values goes as the root of that. The covariance comes from the
    singular values of the Jacobian scaled to unit columns, never from J'J itself, which would lose half of the digits.
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
    point = _linearised(found.x, found.fun, np.asarray(found.jac, dtype=np.float64))
    point, steps = _refine(point, residual, jacobian, low, high) if found.success else (point, 0)
    room = np.where(np.isfinite(high - low), high - low, np.inf)
    near = (point.value - low <= BOUND_SHARE * room) | (high - point.value <= BOUND_SHARE * room)
    near &= np.isfinite(room)
    return LeastSquares(
        value=point.value,
        residual=point.residual,
        jacobian=point.jacobian,
        inverse=point.inverse,
        covariance=point.covariance,
        converged=bool(found.success),
        covariance_usable=point.usable,
        at_bound=tuple(int(i) for i in np.flatnonzero(near)),
        evaluations=int(found.nfev) + steps,
    )


def _linearised(value: Array, residual: Array, jacobian: Array) -> _Linearised:
    J = np.asarray(jacobian, dtype=np.float64)
    length = np.linalg.norm(J, axis=0)
    length[length == 0.0] = 1.0
    U, singular, Vt = np.linalg.svd(J / length, full_matrices=False)
    cut = np.where(singular * WORST_CONDITION > singular[0], singular, np.inf)
    half = Vt.T / cut / length[:, None]
    return _Linearised(
        value=np.asarray(value, dtype=np.float64),
        residual=np.asarray(residual, dtype=np.float64),
        jacobian=J,
        inverse=half @ U.T,
        covariance=half @ half.T,
        usable=bool(singular[-1] * WORST_CONDITION > singular[0] > 0.0),
    )


def _refine(
    point: _Linearised,
    residual: Callable[[Array], Array],
    jacobian: Callable[[Array], Array],
    low: Array,
    high: Array,
) -> tuple[_Linearised, int]:
    """Take Gauss-Newton steps while each leaves a shorter one to take; return the last point and the evaluations.

    Costs of neighbouring points are equal to the last bit here, so the length of the step is what can be compared.
    """
    for taken in range(MOST_STEPS):
        left = point.moved(point.step)
        value = point.value + point.step
        if left <= STEP_TOLERANCE * point.moved(point.value) or np.any((value < low) | (value > high)):
            return point, taken
        beyond = _linearised(value, residual(value), jacobian(value))
        if not beyond.moved(beyond.step) < left:
            return point, taken + 1
        point = beyond
    return point, MOST_STEPS
