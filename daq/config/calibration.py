"""Read a sensor's calibration: points as taken, the polynomial through them with its covariance, its uncertainties.

``reading = sum of c_k * (signal - pivot)**k`` in the file's reading unit; or the curve of a standard that the sensor
is made to, with its tolerance. A file is never edited, only superseded by one with a new revision.
"""

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, Field, model_validator

from standbook.daq.config.plan import FileName
from standbook.daq.config.platinum import Characteristic
from standbook.daq.config.sensor_kinds import SIGNAL_UNITS
from standbook.daq.config.stand_interaction import StandInteraction
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.quantity import (
    TEMPERATURE_ZERO,
    Duration,
    Quantity,
    Reference,
    Share,
    dimension_of,
    parse_quantity,
    parse_unit,
)

BEYOND = 1e60  # in any unit: squares of more overflow
REFIT_AGREES = 1e-6  # of the span: coefficients in a file must follow from its points
Direction = Literal["up", "down"]
NO_SHARE = Quantity(value=0.0, u=0.0, dimension="share", reference=None, text="0 %")
FEWEST_RUNS, JUDGED_DOF = 3, 2.0  # with fewer runs the scatter between them is judged, as if three had shown it
NOT_NEGATIVE = 1e-4  # of the greatest eigenvalue of a scaled covariance: printed digits
CARRIED = 1.05  # of the highest calibrated reading; beyond it a curve tells no more than "at least"
BELOW_ZERO = 0.05  # of the range; so far below levels that begin at zero or above it, where zeros drift
COVARIANCE_AGREES = (0.8, 1.25)  # of every standard uncertainty that the points give; rounding moves it by 1e-6


@dataclass(frozen=True, slots=True)
class PolynomialFit:
    """Least-squares polynomial about a pivot."""

    coefficients: NDArray[np.float64]  # (K,) rising powers
    covariance: NDArray[np.float64]  # (K, K)
    residual_sd: float
    degrees_of_freedom: int


def fit_polynomial(x: NDArray[np.float64], y: NDArray[np.float64], degree: int, pivot: float = 0.0) -> PolynomialFit:
    r"""Fit ``y = sum c_k (x - pivot)^k`` with equal weights.

    Parameters
    ----------
    x, y : (N,) array
        Signal and reading, any units.
    degree : int
        Highest power.
    pivot : float
        Value of x about which powers are taken; choose the middle of the range.

    Raises
    ------
    DataError
        Too few points, or x does not determine the polynomial.

    Notes
    -----
    Columns are scaled to unit norm before the factorisation: with raw powers the smallest coefficient of a
    load cell's quadratic keeps only six digits. Covariance is :math:`s^2 (X^T X)^{-1}`. Source: [GUM] H.3.
    """
    if x.size < degree + 2:
        raise DataError(f"{x.size} calibration points cannot carry a polynomial of degree {degree} and its scatter")
    if max(np.max(np.abs(x)), np.max(np.abs(y)), abs(pivot)) > BEYOND:
        raise DataError(f"calibration points beyond {BEYOND:g} are no sensor's")
    powers = np.vander(x - pivot, degree + 1, increasing=True)
    norms = np.linalg.norm(powers, axis=0)
    if not np.all(norms > 0.0):
        raise DataError("calibration points do not determine the polynomial: the signal never changes")
    q, r = np.linalg.qr(powers / norms)
    if np.min(np.abs(np.diag(r))) < 1e-10:
        raise DataError("calibration points do not determine the polynomial: too few different signals")
    scaled = np.linalg.solve(r, q.T @ y)
    # One step of refinement recovers the digits that a single factorisation loses.
    scaled += np.linalg.solve(r, q.T @ (y - (powers / norms) @ scaled))
    residual = y - (powers / norms) @ scaled
    dof = x.size - degree - 1
    variance = float(residual @ residual) / dof
    inverse = np.linalg.inv(r)
    covariance = variance * (inverse @ inverse.T) / np.outer(norms, norms)
    return PolynomialFit(scaled / norms, covariance, float(np.sqrt(variance)), dof)


def _known_signal(unit: str) -> str:
    if unit not in SIGNAL_UNITS:
        raise ValueError(f'no kind of sensor gives "{unit}"; signals are in {", ".join(SIGNAL_UNITS)}')
    return unit


class Fit(Document):
    """How the coefficients came from the points."""

    estimator: str
    degree: Literal[1, 2]
    f: float = Field(ge=0.0)  # of a parabola against the line
    p: float = Field(ge=0.0, le=1.0)  # share of straight sensors that exceed it


class ReferenceU(Document):
    """Error of the reference, standard: the same in every repeat, so nothing averages it."""

    of_reading: Share
    of_span: Share = NO_SHARE  # beside it, from level to level
    levels_alike: Share = Quantity(
        value=0.4, u=0.0, dimension="share", reference=None, text="40 %"
    )  # of span: levels that near are off alike
    serial: str = ""


class Found(Document):
    """What the sheet shows of the sensor; for people but for the scatter of its span from run to run."""

    runs: int = Field(ge=1)
    run_span: Share  # relative standard deviation; judged where there are fewer than three runs
    non_linearity: Share | None = None
    hysteresis: Share | None = None
    repeatability: Share | None = None
    static_error_band: Share | None = None
    zero_since: str | None = None  # how far zero moves between calibrations, standard: a part of zero_uncertainty
    zero_return: str | None = None
    creep_30_min: Share | None = None
    zero_by_temperature: str | None = None


class Supersedes(Document):
    """The revision before, and why it is not the last."""

    revision: FileName
    reason: str


class GoodFor(Document):
    """Standard uncertainty of a single reading where the sensor matters most."""

    at: str
    u: str


class Calibration(Document):
    """One revision of one sensor's calibration."""

    tag: FileName
    revision: FileName
    sensor: str
    sensor_serial: str
    date: dt.date
    valid_until: dt.date
    place: str = ""
    reference_standard: str = ""
    reference_serial: str = ""  # of the standard; calibrations that name one share its error
    signal_unit: Annotated[str, AfterValidator(_known_signal)]
    reading_unit: str  # "N", "bar(g)", "degC", ...
    lowest: float  # of the reading, in reading_unit
    highest: float
    pivot: float = 0.0
    coefficients: tuple[float, ...] = ()
    covariance: tuple[tuple[float, ...], ...] = ()
    characteristic: Characteristic | None = None  # in place of coefficients
    reference_uncertainty: Share = NO_SHARE  # of the standard, relative
    zero_uncertainty: float = Field(default=0.0, ge=0.0)  # standard, in reading_unit: zero since then
    hysteresis_uncertainty: Share = NO_SHARE  # of full range
    latency: Duration = Quantity(value=0.0, u=0.0, dimension="time", reference=None, text="0 s")
    stand_interaction: StandInteraction = StandInteraction()
    points: tuple[tuple[float, float, Direction], ...] = ()  # signal, reading, up or down
    sheet: str = ""  # that this was made from
    fit: Fit | None = None
    reference_u: ReferenceU | None = None  # beside reference_uncertainty, which is its share of reading
    found: Found | None = None
    supersedes: Supersedes | None = None
    good_for: GoodFor | None = None

    @model_validator(mode="after")
    def _check(self) -> Self:
        self._check_conversion()
        order = len(self.coefficients)
        if self.valid_until < self.date:
            raise ValueError(f"valid_until {self.valid_until} is before date {self.date}")
        if len(self.covariance) != order or any(len(row) != order for row in self.covariance):
            raise ValueError(f"covariance must be {order} x {order}, as many as coefficients")
        self._check_covariance()
        if not self.lowest < self.highest:
            raise ValueError("lowest must be less than highest")
        parse_unit(self.reading_unit, self.dimension)
        self._check_reference()
        self._check_said()
        if self.fit is not None and self.fit.degree != order - 1:
            raise ValueError(f"fit.degree is {self.fit.degree}, but {order} coefficients are given")
        if self.points:
            self._check_points()
        return self

    def _check_reference(self) -> None:
        split = self.reference_u
        if split is None:
            return
        if not math.isclose(split.of_reading.value, self.reference_uncertainty.value, rel_tol=1e-6, abs_tol=1e-12):
            raise ValueError(
                f'reference_u.of_reading "{split.of_reading.text}" and reference_uncertainty '
                f'"{self.reference_uncertainty.text}" are the same and must not differ'
            )
        if split.serial and split.serial != self.reference_serial:
            raise ValueError("reference_u.serial and reference_serial are the same and must not differ")

    def _check_conversion(self) -> None:
        typed = [name for name in ("coefficients", "covariance", "points", "pivot") if getattr(self, name)]
        if self.characteristic is None and len(self.coefficients) < 2:
            raise ValueError("at least two coefficients are needed, or a characteristic that the sensor is made to")
        if self.characteristic is not None:
            if typed:
                raise ValueError(f"{' and '.join(typed)} cannot stand beside a characteristic; keep one of the two")
            self.characteristic.check(self.signal_unit, self.reading_unit, self.lowest, self.highest)

    def _check_said(self) -> None:
        """Refuse texts that are no readings of this sensor."""
        said = (
            {} if self.found is None else {f"found.{k}": getattr(self.found, k) for k in ("zero_since", "zero_return")}
        )
        if self.good_for is not None:
            said |= {"good_for.at": self.good_for.at, "good_for.u": self.good_for.u}
        for key, text in said.items():
            try:
                _ = text is None or parse_quantity(text, self.dimension)
            except ValueError as error:
                raise ValueError(f"{key}: {error}") from None

    def _check_points(self) -> None:
        signal, reading = (np.array([p[k] for p in self.points], dtype=np.float64) for k in (0, 1))
        try:
            again = fit_polynomial(signal, reading, len(self.coefficients) - 1, self.pivot)
        except DataError as error:
            raise ValueError(str(error)) from None
        reach = np.max(np.abs(signal - self.pivot)) ** np.arange(len(self.coefficients))
        off = np.max(np.abs(again.coefficients - np.array(self.coefficients)) * reach)
        if off > REFIT_AGREES * (self.highest - self.lowest):
            raise ValueError("coefficients do not follow from points; fit them again or correct the points")
        if again.residual_sd > REFIT_AGREES * (self.highest - self.lowest):
            low, high = _covariance_ratio(np.array(self.covariance), again.covariance)
            if low < COVARIANCE_AGREES[0] or high > COVARIANCE_AGREES[1]:
                raise ValueError(
                    f"covariance does not follow from points: it has {low:.2f} to {high:.2f} of the standard "
                    "uncertainties that they give; fit them again"
                )

    def _check_covariance(self) -> None:
        typed = np.array(self.covariance)
        if typed.size == 0:
            return
        if not np.allclose(typed, typed.T, rtol=1e-4, atol=0.0):
            raise ValueError("covariance is not symmetric: the same pair has two values")
        size = np.sqrt(np.abs(np.diag(typed)))
        scaled = typed / np.outer(np.where(size > 0.0, size, 1.0), np.where(size > 0.0, size, 1.0))
        if np.min(np.diag(typed)) < 0.0 or np.min(np.linalg.eigvalsh(scaled)) < -NOT_NEGATIVE:
            raise ValueError("covariance gives some reading a negative variance; fit the points again")

    @property
    def name(self) -> str:
        """File stem, ``LC-1_r04``."""
        return f"{self.tag}_{self.revision}"

    @property
    def dimension(self) -> str:
        """Dimension of the reading, such as ``"pressure"``."""
        return dimension_of(self.reading_unit)

    @property
    def scale(self) -> float:
        """SI value of one reading unit."""
        return parse_unit(self.reading_unit, self.dimension)[0]

    @property
    def reference(self) -> Reference | None:
        """Reference of a pressure reading: absolute, gauge or difference."""
        return parse_unit(self.reading_unit, self.dimension)[1]

    def reading(self, signal: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert a signal, in ``signal_unit``, to a reading in ``reading_unit``."""
        if self.characteristic is not None:
            return self.characteristic.reading(signal)
        value: NDArray[np.float64] = np.polynomial.polynomial.polyval(signal - self.pivot, np.array(self.coefficients))
        return value

    def si_reading(self, signal: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert a signal, in ``signal_unit``, to a reading in SI; gauge stays gauge."""
        reading = self.reading(signal)
        return to_si(reading, self)

    def signal(self, reading: NDArray[np.float64]) -> NDArray[np.float64]:
        """Convert a reading back to a signal, by Newton's method from the straight line."""
        if self.characteristic is not None:
            return self.characteristic.signal(reading)
        c = np.array(self.coefficients)
        slope = c[1:] * np.arange(1, c.size)
        x: NDArray[np.float64] = (np.asarray(reading, dtype=np.float64) - c[0]) / c[1]
        for _ in range(20 if c.size > 2 else 0):
            step = (np.polynomial.polynomial.polyval(x, c) - reading) / np.polynomial.polynomial.polyval(x, slope)
            x = x - step
            if not np.any(np.abs(step) > np.finfo(np.float64).eps * np.abs(x)):
                break
        return x + self.pivot

    @property
    def degrees_of_freedom(self) -> float | None:
        """Runs beyond the first; else points beyond the coefficients that they carry, ``None`` where there are none."""
        if self.found is not None:
            return JUDGED_DOF if self.found.runs < FEWEST_RUNS else float(self.found.runs - 1)
        return float(max(len(self.points) - len(self.coefficients), 1)) if self.points else None

    def slope_u(self) -> float:
        """Relative standard uncertainty of the slope: scatter of the points and the reference standard."""
        return float(np.hypot(self.slope_scatter(), self.reference_uncertainty.value))

    def slope_scatter(self) -> float:
        """Relative standard uncertainty of the slope by the scatter of the points, and of runs where they are told."""
        if self.characteristic is not None:
            return 0.0
        return float(np.hypot(np.sqrt(self.covariance[1][1]) / abs(self.coefficients[1]), self.run_scatter()))

    def run_scatter(self) -> float:
        """Relative standard uncertainty of a later run's span: the runs of the sheet about their mean, and its own."""
        return 0.0 if self.found is None else self.found.run_span.value * math.sqrt(1.0 + 1.0 / self.found.runs)

    def reference_span_u(self) -> float:
        """Return the part of the reference's error that is no share of the reading. [reading_unit]."""
        return 0.0 if self.reference_u is None else self.reference_u.of_span.value * (self.highest - self.lowest)

    def reference_near(self) -> float:
        """Return how near two levels must lie for that part to be alike, its correlation length. [reading_unit]."""
        return 0.0 if self.reference_u is None else self.reference_u.levels_alike.value * (self.highest - self.lowest)

    def reach(self, share: float = 1.0) -> tuple[float, float]:
        """Return between which readings its levels back it, up to a share of the outermost. [reading_unit].

        Infinite for a standard's curve, and for a temperature, whose zero is no end of a scale. A cell is tared in use:
        the weight that rests on it lies on the other side of its zero, and its outermost level counts on either.
        """
        if self.characteristic is not None or self.dimension == "temperature":
            return -math.inf, math.inf
        if self.dimension == "force":
            outermost = share * max(abs(self.lowest), abs(self.highest))
            return -outermost, outermost
        room = BELOW_ZERO * (self.highest - self.lowest)
        low = share * self.lowest if self.lowest < 0.0 else self.lowest - room
        return low, share * self.highest if self.highest > 0.0 else self.highest + room

    def zero_u(self) -> float:
        """Return the standard uncertainty common to all readings, in ``reading_unit``."""
        intercept = self.covariance[0][0] if self.covariance else 0.0
        hysteresis = self.hysteresis_uncertainty.value * (self.highest - self.lowest)
        return math.sqrt(self.zero_uncertainty**2 + intercept + hysteresis**2 + self.reference_span_u() ** 2)

    def tolerance_u(self, reading: float) -> float:
        """Return the standard uncertainty that a tolerance class allows at a reading. [reading_unit].

        Notes
        -----
        Rectangular: half-width over the root of three, [GUM] 4.3.7. Zero and slope are off together, so it is one
        term, not two.
        """
        if self.characteristic is None:
            return 0.0
        return float(self.characteristic.half_width(np.array(reading))) / math.sqrt(3.0)

    def in_date(self, day: dt.date) -> bool:
        """Tell whether the calibration is valid on a day."""
        return self.date <= day <= self.valid_until


def _covariance_ratio(typed: NDArray[np.float64], of_points: NDArray[np.float64]) -> tuple[float, float]:
    """Return the least and greatest ratio of the standard uncertainties that two covariances give any reading.

    Notes
    -----
    Square roots of the eigenvalues of L^-1 C L^-T, where L L^T is the covariance of the points: no unit enters.
    """
    size = np.sqrt(np.diag(of_points))
    root = np.linalg.cholesky(of_points / np.outer(size, size))
    half = np.linalg.solve(root, typed / np.outer(size, size))
    ratios = np.linalg.eigvalsh(np.linalg.solve(root, half.T))
    return float(np.sqrt(max(ratios[0], 0.0))), float(np.sqrt(max(ratios[-1], 0.0)))


def to_si(reading: NDArray[np.float64], calibration: Calibration) -> NDArray[np.float64]:
    """Convert a reading from the calibration's unit into SI; gauge stays gauge."""
    value = reading * calibration.scale
    if calibration.dimension == "temperature":
        value = value + TEMPERATURE_ZERO[calibration.reading_unit]
    return value


def from_si(value: NDArray[np.float64], calibration: Calibration) -> NDArray[np.float64]:
    """Invert :func:`to_si`."""
    if calibration.dimension == "temperature":
        value = value - TEMPERATURE_ZERO[calibration.reading_unit]
    return value / calibration.scale


def read_calibration(path: Path) -> Calibration:
    """Read one calibration; its file name must be ``TAG_REVISION.toml``."""
    calibration = read_document(path, Calibration)
    if path.stem != calibration.name:
        raise ConfigError(f"{path}: holds {calibration.name}; name the file {calibration.name}.toml")
    return calibration
