"""Which cause explains what was observed: each one's predicted signature, with its spread, held against the record.

Plain arrays, no subject: what the observables and causes are, and in which units, is the caller's. A cause that is
not on the list cannot be found; `Diagnosis.unexplained` tells when none on the list will do.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, logsumexp

from standbook.daq.arrays import Array

SIGNATURE_SHARE = 0.15  # of an effect, by which a signature computed with a simple model may be off, standard
FINE = 6  # steps between two sizes of a cause, and two healthy states, at which the likelihood is summed
ALARM = 3.5  # natural logarithm of how many times better the causes explain it than health does
UNLIKELY = 1e-4  # chance of a misfit as large, below which not even the best cause explains the record


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Signature:
    """What one cause would do to the observables, by its size and by the state of health it meets."""

    name: str
    sizes: Array  # (G,) rising, in the cause's own unit
    predicted: Array  # (G, H, D)
    healthy: Array  # (H, D) the same without the cause
    state_weight: Array  # (H,) prior of the states of health, summing to one
    doubt: float = SIGNATURE_SHARE  # share of the effect by which it may be off, standard
    covariance: Array | None = None  # (D, D) in place of that of health, where the cause frees a part of it


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Ranked:
    """One cause as it came out."""

    name: str
    share: float  # of the probability of all causes, alike before the run
    gain: float  # natural logarithm of how many times better it explains the record than health does
    size: float  # mean over what the record leaves possible
    size_u: float
    expected: Array  # (D,) observables at its best point
    misfit: float  # squared distance from the record there, in units of the covariance


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Diagnosis:
    """All causes, best first, against health."""

    observed: Array  # (D,)
    healthy: Array  # (D,) mean over the states of health
    u: Array  # (D,) standard deviation of the observables in health
    gain: float  # of all causes together, alike before the run
    misfit: float  # of health at its best point
    causes: tuple[Ranked, ...]

    @property
    def alarm(self) -> bool:
        """Tell whether something is wrong."""
        return self.gain > ALARM

    @property
    def unexplained(self) -> bool:
        """Tell whether something is wrong that no cause on the list explains."""
        best = min([self.misfit, *(cause.misfit for cause in self.causes)])
        return bool(chdtrc(max(self.observed.size, 1), best) < UNLIKELY)


def diagnose(
    observed: Array, covariance: Array, healthy: Array, weight: Array, causes: Sequence[Signature]
) -> Diagnosis:
    r"""Rank causes by how well each explains the observed departures.

    Parameters
    ----------
    observed : (D,) array
        What the record shows.
    covariance : (D, D) array
        Of the observables in health, for one state of health: noise, calibration, notes, the model's own misfit.
    healthy : (H, D) array
        Predicted observables in each state of health, such as more or less heat taken up by the gas.
    weight : (H,) array
        Prior of those states, summing to one.
    causes : sequence of Signature
        At least one.

    Notes
    -----
    The likelihood of a cause is the mean over its sizes and over the states of health of the normal density of the
    observed departure, :math:`\sum_{g,h} w_g w_h N(y; f_{gh}, \Sigma + \mathrm{diag}(\epsilon (f_{gh} - f_{0h}))^2)`:
    a cause that could have shown itself in many ways earns less by the one that was seen. Between the sizes
    and states given, signatures are interpolated.
    """
    base = _refined(healthy[np.newaxis])[0]
    own = _refined(weight[np.newaxis, :, np.newaxis])[0, :, 0]
    own /= own.sum()
    of_health = _log_density(observed, covariance, base, np.zeros_like(base))
    log_health = float(logsumexp(of_health, b=own))
    ranked = [_ranked(observed, covariance, cause, log_health) for cause in causes]
    total = float(logsumexp([cause.gain for cause in ranked])) - math.log(len(ranked))
    shares = np.exp(np.array([cause.gain for cause in ranked]) - total) / len(ranked)
    told = [
        Ranked(
            name=c.name,
            share=float(share),
            gain=c.gain,
            size=c.size,
            size_u=c.size_u,
            expected=c.expected,
            misfit=c.misfit,
        )
        for c, share in zip(ranked, shares, strict=True)
    ]
    mean = own @ base
    spread = own @ (base - mean) ** 2
    return Diagnosis(
        observed=observed,
        healthy=mean,
        u=np.sqrt(np.diag(covariance) + spread),
        gain=total,
        misfit=float(_distance(observed, covariance, base, np.zeros_like(base))[0].min()),
        causes=tuple(sorted(told, key=lambda cause: -cause.share)),
    )


def _ranked(observed: Array, covariance: Array, cause: Signature, log_health: float) -> Ranked:
    predicted = _refined(cause.predicted)
    effect = predicted - _refined(cause.healthy[np.newaxis])
    sizes = _refined(cause.sizes[:, np.newaxis, np.newaxis])[:, 0, 0]
    states = _refined(cause.state_weight[np.newaxis, :, np.newaxis])[0, :, 0]
    covariance = covariance if cause.covariance is None else cause.covariance
    weight = np.outer(np.full(sizes.size, 1.0 / sizes.size), states / states.sum())
    flat = predicted.reshape(-1, observed.size)
    doubt = cause.doubt * effect.reshape(flat.shape)
    density = _log_density(observed, covariance, flat, doubt)
    log_likelihood = float(logsumexp(density, b=weight.ravel()))
    after = (np.exp(density - density.max()) * weight.ravel()).reshape(weight.shape)
    by_size = after.sum(axis=1) / after.sum()
    size = float(by_size @ sizes)
    best = int(np.argmax(density))
    distance, _ = _distance(observed, covariance, flat[best : best + 1], doubt[best : best + 1])
    return Ranked(
        name=cause.name,
        share=0.0,
        gain=log_likelihood - log_health,
        size=size,
        size_u=math.sqrt(float(by_size @ (sizes - size) ** 2)),
        expected=flat[best],
        misfit=float(distance[0]),
    )


def _refined(values: Array) -> Array:
    """Interpolate (G, H, D) in straight lines along its first two axes."""
    for axis in (0, 1):
        number = values.shape[axis]
        if number < 2:
            continue
        at = np.linspace(0.0, number - 1.0, FINE * (number - 1) + 1)
        low = np.minimum(at.astype(np.int64), number - 2)
        share = (at - low).reshape([-1 if k == axis else 1 for k in range(values.ndim)])
        values = np.take(values, low, axis=axis) * (1.0 - share) + np.take(values, low + 1, axis=axis) * share
    return values


def _log_density(observed: Array, covariance: Array, predicted: Array, doubt: Array) -> Array:
    distance, log_volume = _distance(observed, covariance, predicted, doubt)
    return np.asarray(-0.5 * distance - log_volume)


def _distance(observed: Array, covariance: Array, predicted: Array, doubt: Array) -> tuple[Array, Array]:
    """Return squared distances (N,) and half the logarithms of the covariances' determinants (N,)."""
    scale = np.sqrt(np.diag(covariance))  # so that pascal and seconds do not spoil the factorisation
    whole = covariance / np.outer(scale, scale) + np.einsum("nd,de->nde", (doubt / scale) ** 2, np.eye(scale.size))
    factor = np.linalg.cholesky(whole)
    miss = np.linalg.solve(factor, ((observed - predicted) / scale)[..., np.newaxis])[..., 0]
    log_volume = np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1) + float(np.log(scale).sum())
    return np.sum(miss**2, axis=1), log_volume
