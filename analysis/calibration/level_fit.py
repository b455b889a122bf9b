"""Fit a curve to calibrated levels: plain least squares, a straight line or a parabola, never more.

Signal and reading in any one unit each. What the reference itself is off by is no part of the scatter here.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.special import fdtrc, stdtrit

from standbook.daq.arrays import Array, Mask
from standbook.daq.config.calibration import fit_polynomial

TESTED_AT = 0.05  # share of straight sensors that are called bent
SAME_LEVEL = 0.01  # of the range of the readings; repeats of one level lie closer together
LARGE_LOOP = 2.0  # repeat deviations: beyond it ways up and down are no independent noise
STRAY = 1e-3  # share of sheets in which a sound reading is called stray
FEWEST_RUNS = 3
JUDGED_SCATTER = 4e-4  # of span from run to run where fewer runs than that were made: judgement
JUDGED_DOF = 2.0


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Levels:
    """Readings of one sheet. (N,) each."""

    signal: Array
    reading: Array  # what stood on the sensor
    run: Array  # number of the run, from 0
    up: Mask
    zero: Mask  # nothing stood on it

    @property
    def runs(self) -> int:
        """Return how many there are."""
        return len(np.unique(self.run))

    @property
    def span(self) -> float:
        """Highest level less lowest."""
        return float(np.ptp(self.reading))

    @property
    def level(self) -> Array:
        """Number of each reading's level, from 0 upward. (N,)."""
        order = np.argsort(self.reading, kind="stable")
        new = np.concatenate([[0.0], np.diff(self.reading[order]) > SAME_LEVEL * self.span])
        number = np.empty(order.size)
        number[order] = np.cumsum(new)
        return number


@dataclass(frozen=True, slots=True, kw_only=True)
class DegreeTest:
    """Whether a parabola is worth its coefficient."""

    f: float
    p: float  # share of straight sensors that exceed it
    on_means: bool  # of both ways, since the loop is large

    @property
    def degree(self) -> int:
        """Return the degree to fit."""
        return 2 if self.p < TESTED_AT else 1


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LevelFit:
    """Curve through all levels of all runs."""

    pivot: float
    coefficients: Array  # (K,) rising
    covariance: Array  # (K, K) by the scatter of the points alone
    weight: Array  # (K, N) change of the coefficients by one unit in each reading
    residual: Array  # (N,) curve less reading
    residual_sd: float
    dof: int
    test: DegreeTest
    zero_signal: float
    run_spans: Array  # (R,) of each run's own curve between the same two signals
    run_zeros: Array  # (R,) zero of each run less the mean zero, as a reading

    def value(self, signal: Array) -> Array:
        """Return the curve at signals. (M,)."""
        return np.asarray(np.polynomial.polynomial.polyval(signal - self.pivot, self.coefficients), dtype=np.float64)

    def signal(self, reading: float) -> float:
        """Return the signal at a reading, by Newton's method from the straight line."""
        c, x = self.coefficients, (reading - self.coefficients[0]) / self.coefficients[1]
        for _ in range(20):
            slope = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyder(c))
            x = x - (np.polynomial.polynomial.polyval(x, c) - reading) / slope
        return float(x + self.pivot)

    def powers(self, signal: float, *, tared: bool) -> Array:
        """Return what each coefficient is multiplied by at a signal, zero taken off where that is done in use. (K,)."""
        k = np.arange(self.coefficients.size)
        q = (signal - self.pivot) ** k
        return np.asarray(q - (self.zero_signal - self.pivot) ** k if tared else q, dtype=np.float64)

    @property
    def run_scatter(self) -> float:
        """Scatter of span from run to run, relative standard deviation; judged where there are fewer than three."""
        spans = self.run_spans
        seen = float(np.std(spans, ddof=1) / abs(np.mean(spans))) if spans.size > 1 else 0.0
        return max(seen, JUDGED_SCATTER) if spans.size < FEWEST_RUNS else seen

    @property
    def run_dof(self) -> float:
        """Degrees of freedom behind it."""
        return JUDGED_DOF if self.run_spans.size < FEWEST_RUNS else float(self.run_spans.size - 1)


def zeros_taken_off(levels: Levels) -> tuple[Levels, Array]:
    """Move each run's signals so that its zero lies on the mean zero; return them with each run's zero. (R,)."""
    zeros = np.array([np.mean(levels.signal[levels.zero & (levels.run == r)]) for r in range(levels.runs)])
    moved = levels.signal - zeros[levels.run.astype(np.int64)] + np.mean(zeros)
    return replace(levels, signal=moved), zeros


def degree_test(signal: Array, reading: Array, pivot: float = 0.0, *, degree: int = 1) -> tuple[float, float]:
    """Return F of one degree more, and the share of sensors without it that exceed F."""
    less, more = (fit_polynomial(signal, reading, k, pivot) for k in (degree, degree + 1))
    left = more.residual_sd**2 * more.degrees_of_freedom
    gained = max(less.residual_sd**2 * less.degrees_of_freedom - left, 0.0)
    f = gained / more.residual_sd**2 if more.residual_sd > 0.0 else 0.0
    return f, float(fdtrc(1.0, more.degrees_of_freedom, f))


def choose_degree(levels: Levels, pivot: float) -> DegreeTest:
    """Test a parabola against the line: on all readings, or on the means of both ways where the loop is large."""
    parabola = fit_polynomial(levels.signal, levels.reading, 2, pivot)
    residual = np.polynomial.polynomial.polyval(levels.signal - pivot, parabola.coefficients) - levels.reading
    loop, repeat = _loop(levels, residual), _repeat(levels, residual)
    on_means = loop > LARGE_LOOP * repeat
    signal, reading = _means(levels) if on_means else (levels.signal, levels.reading)
    if signal.size < LEAST_FOR_TEST:
        on_means, signal, reading = False, levels.signal, levels.reading
    f, p = degree_test(signal, reading, pivot)
    return DegreeTest(f=f, p=p, on_means=on_means)


LEAST_FOR_TEST = 5


def fit_levels(levels: Levels, *, zeros: Array | None = None) -> LevelFit:
    r"""Fit all readings of all runs with equal weights.

    Parameters
    ----------
    levels : Levels
        Zeros taken off run by run where the sensor is zeroed in use.
    zeros : (R,) array, optional
        Zero of each run, before that.

    Raises
    ------
    DataError
        The levels do not determine a curve.

    Notes
    -----
    :math:`A = (X^T X)^{-1} X^T` by a scaled factorisation; an error of the reference that has covariance C over the
    readings is :math:`A C A^T` in the coefficients. Source: [GUM] 5.1.2, H.3.
    """
    pivot = float(np.mean([levels.signal.min(), levels.signal.max()]))
    test = choose_degree(levels, pivot)
    fit = fit_polynomial(levels.signal, levels.reading, test.degree, pivot)
    powers = np.vander(levels.signal - pivot, test.degree + 1, increasing=True)
    norms = np.linalg.norm(powers, axis=0)
    weight = np.linalg.pinv(powers / norms) / norms[:, None]
    zero = levels.signal[levels.zero] if levels.zero.any() else np.array([np.min(levels.signal)])
    slope = fit.coefficients[1]
    return LevelFit(
        pivot=pivot,
        coefficients=fit.coefficients,
        covariance=fit.covariance,
        weight=weight,
        residual=powers @ fit.coefficients - levels.reading,
        residual_sd=fit.residual_sd,
        dof=fit.degrees_of_freedom,
        test=test,
        zero_signal=float(np.mean(zero)),
        run_spans=_run_spans(levels, test.degree, pivot),
        run_zeros=np.zeros(levels.runs) if zeros is None else (zeros - np.mean(zeros)) * slope,
    )


def stray_readings(levels: Levels, fit: LevelFit) -> list[tuple[int, float]]:
    """Return readings that lie apart from the curve through all others: number, and distance in their deviations.

    Notes
    -----
    Residuals studentised without the reading itself; one sheet in a thousand without a fault has such a reading.
    """
    powers = np.vander(levels.signal - fit.pivot, fit.coefficients.size, increasing=True)
    left = np.maximum(1.0 - np.einsum("ij,ji->i", powers, fit.weight), 1e-9)
    squares = fit.residual_sd**2 * fit.dof
    if fit.dof < 2 or squares <= 0.0:
        return []
    without = np.sqrt(np.maximum(squares - fit.residual**2 / left, 1e-12 * squares) / (fit.dof - 1))
    distance = np.abs(fit.residual) / (without * np.sqrt(left))
    limit = float(stdtrit(fit.dof - 1, 1.0 - 0.5 * STRAY / levels.signal.size))
    return [(int(k), float(distance[k])) for k in np.flatnonzero(distance > limit)]


def _run_spans(levels: Levels, degree: int, pivot: float) -> Array:
    ends = np.array([levels.signal.min(), levels.signal.max()])
    spans = []
    for run in range(levels.runs):
        own = levels.run == run
        c = fit_polynomial(levels.signal[own], levels.reading[own], degree, pivot).coefficients
        spans.append(float(np.ptp(np.polynomial.polynomial.polyval(ends - pivot, c))))
    return np.array(spans)


def _loop(levels: Levels, residual: Array) -> float:
    """Return the greatest difference of the mean ways up and down at one level."""
    level = levels.level
    greatest = 0.0
    for number in np.unique(level):
        up, down = (residual[(level == number) & way] for way in (levels.up, ~levels.up))
        if up.size and down.size:
            greatest = max(greatest, abs(float(up.mean() - down.mean())))
    return greatest


def _repeat(levels: Levels, residual: Array) -> float:
    """Return the deviation of readings of one level and way from run to run, else of all about the curve."""
    cell = 2.0 * levels.level + levels.up
    groups = [residual[cell == number] for number in np.unique(cell)]
    freedom = sum(group.size - 1 for group in groups)
    if levels.runs < 2 or freedom < 1:
        return float(np.std(residual, ddof=min(3, residual.size - 1)))
    return float(np.sqrt(sum(np.sum((group - group.mean()) ** 2) for group in groups) / freedom))


def _means(levels: Levels) -> tuple[Array, Array]:
    """Return the mean of both ways at each level of each run."""
    cell = levels.run * (levels.level.max() + 1.0) + levels.level
    kept = [cell == number for number in np.unique(cell)]
    return tuple(np.array([float(np.mean(of[one])) for one in kept]) for of in (levels.signal, levels.reading))  # type: ignore[return-value]
