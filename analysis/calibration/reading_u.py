"""The uncertainty of one later reading of a calibrated sensor, term by term. One unit, that of the reading."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from standbook.analysis.calibration.level_fit import LevelFit
from standbook.analysis.calibration.reference_error import reference_u
from standbook.daq.arrays import Array

TWO_SIDED = 0.975  # quantile of an interval that covers 95 %


@dataclass(frozen=True, slots=True, kw_only=True)
class UTerm:
    """One source."""

    source: str
    u: float  # standard
    dof: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingU:
    """Uncertainty of one reading."""

    reading: float
    terms: tuple[UTerm, ...]  # largest first

    @property
    def u(self) -> float:
        """Combined standard uncertainty."""
        return math.hypot(*(term.u for term in self.terms))

    @property
    def dof(self) -> float:
        r"""Effective degrees of freedom by Welch and Satterthwaite, :math:`u^4 / \sum u_i^4 / \nu_i`. [GUM] G.4.1."""
        spread = sum(term.u**4 / term.dof for term in self.terms)
        return self.u**4 / spread if spread > 0.0 else math.inf

    @property
    def coverage_factor(self) -> float:
        """Factor of Student's distribution that covers 95 %."""
        return float(stdtrit(min(self.dof, 1e6), TWO_SIDED))

    @property
    def expanded(self) -> float:
        """Half-width of the interval that covers 95 %."""
        return self.coverage_factor * self.u


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Sources:
    """What a reading is uncertain by, beside the curve itself."""

    reference: tuple[Array, ...]  # (K, K) of the coefficients; the larger counts where there are two
    tared: bool  # zero is taken off in use
    loop: float = 0.0  # width of the loop in its middle
    low: float = 0.0  # ends of the calibrated range, where the loop is closed
    high: float = 1.0
    creep: float = 0.0  # in half an hour under load, limits
    temperature: float = 0.0  # zero by temperature in use, limits
    zero: float = 0.0  # since then, standard; nothing where zero is taken off
    offset: float = 0.0  # common to all levels, standard: head, barometer
    resolution: float = 0.0  # step of the reference's own scale


def reading_u(fit: LevelFit, sources: Sources, reading: float) -> ReadingU:
    r"""Return the uncertainty of a later single reading.

    Notes
    -----
    .. math:: u^2 = (s_{run} x)^2 (1 + 1/R) + q^T (A C_{ref} A^T + C_{fit}) q + h(x)^2/3
                    + creep^2/3 + (TC\,\Delta T)^2/3 + u_{zero}^2 + resolution^2/12

    with R runs behind the scatter :math:`s_{run}` of their spans, R - 1 degrees of freedom; q are the powers of the
    signal, less those at zero where zero is taken off in use; h is half the loop, closed at both ends.
    """
    q = fit.powers(fit.signal(reading), tared=sources.tared)
    runs = fit.run_spans.size
    above = 1.0 + 1.0 / runs
    moved = reading if sources.tared else reading - float(fit.value(np.array([fit.zero_signal]))[0])
    x = min(max((reading - sources.low) / (sources.high - sources.low), 0.0), 1.0)
    zeros = 0.0 if sources.tared or runs < 2 else float(np.std(fit.run_zeros, ddof=1)) * math.sqrt(above)
    three, twelve = math.sqrt(3.0), math.sqrt(12.0)
    return ReadingU(
        reading=reading,
        terms=_largest_first(
            (
                UTerm(source="reference", u=reference_u(q, sources.reference)),
                UTerm(source="from run to run", u=abs(moved) * fit.run_scatter * math.sqrt(above), dof=fit.run_dof),
                UTerm(source="zero from run to run", u=zeros, dof=max(runs - 1.0, 1.0)),
                UTerm(source="scatter of the levels", u=curve_u(fit.covariance, q), dof=float(fit.dof)),
                UTerm(source="hysteresis", u=2.0 * sources.loop * x * (1.0 - x) / three),
                UTerm(source="creep", u=sources.creep / three),
                UTerm(source="zero by temperature", u=0.0 if sources.tared else sources.temperature / three),
                UTerm(source="zero drift since then", u=0.0 if sources.tared else sources.zero),
                UTerm(source="column and barometer", u=0.0 if sources.tared else sources.offset),
                UTerm(source="reading of the reference", u=sources.resolution / twelve),
            )
        ),
    )


def curve_u(covariance: Array, powers: Array) -> float:
    """Return the standard uncertainty of a curve by the covariance of its coefficients. Source: [GUM] H.3.4."""
    return math.sqrt(max(float(powers @ covariance @ powers), 0.0))


def _largest_first(terms: Iterable[UTerm]) -> tuple[UTerm, ...]:
    return tuple(sorted((term for term in terms if term.u > 0.0), key=lambda term: -term.u))
