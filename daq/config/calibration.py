"""A calibration: points as taken, the polynomial through them with its covariance, and what it leaves open.

``reading = sum of c_k * (signal - pivot)**k`` in the file's reading unit. A file is never edited, only
superseded by one with a new revision.
"""

import datetime as dt
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import AfterValidator, Field, model_validator

from standbook.daq.config.plan import FileName
from standbook.daq.config.sensor_kinds import SIGNAL_UNITS
from standbook.daq.config.toml_document import Document, read_document
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.quantity import (
    Duration,
    Force,
    ForcePerPressure,
    Number,
    Pressure,
    Quantity,
    Reference,
    Share,
    dimension_of,
    parse_quantity,
    parse_unit,
)

REFIT_AGREES = 1e-6  # of the span: coefficients in a file must follow from its points
Direction = Literal["up", "down"]


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


PULL_AGREES = 0.25  # of their uncertainty: a factor typed beside a pull is rounded, but must follow from it


class Pull(Document):
    """One point of an in-place pull: a reference cell in the thrust line against the stand's own, hoses on."""

    reference: Force  # true force, by the reference cell
    cell: Force  # what the stand's cell read
    line: Pressure = Quantity(0.0, 0.0, "pressure", "gauge", "0 bar(g)")  # mean of the tanks, gauge

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.line.reference != "gauge":
            raise ValueError(f'line "{self.line.text}" must be a gauge pressure, like "31 bar(g)"')
        return self


@dataclass(frozen=True, slots=True)
class PullFit:
    """What a pull says of a stand."""

    factor: float  # true force over cell force
    factor_u: float  # of scatter alone
    line_load: float | None  # [N/Pa]; none: the line pressure was never changed
    line_load_u: float
    residual: float  # standard deviation of the points about it [N]
    highest_force: float  # [N]
    highest_line: float  # gauge [Pa]


def fit_pull(points: tuple[Pull, ...]) -> PullFit:
    r"""Fit factor and hose load to an in-place pull.

    Raises
    ------
    DataError
        Fewer than two points more than unknowns, or the force never changes.

    Notes
    -----
    :math:`R_{cell} = R_0 + F / f + \lambda p` by least squares; the hose load :math:`\lambda` only where p was
    changed by more than a tenth of its greatest. Source: [GUM] H.3.
    """
    force, cell, line = (np.array([getattr(p, name).value for p in points]) for name in ("reference", "cell", "line"))
    columns = [np.ones_like(force), force]
    if line.size and float(np.ptp(line)) > 0.1 * float(np.max(np.abs(line))) > 0.0:
        columns.append(line)
    if force.size < len(columns) + 2:
        raise DataError(f"{force.size} points of a pull cannot carry {len(columns)} unknowns and their scatter")
    design = np.column_stack(columns)
    norms = np.linalg.norm(design, axis=0)
    q, r = np.linalg.qr(design / norms)
    if float(np.ptp(force)) == 0.0 or np.min(np.abs(np.diag(r))) < 1e-6:
        raise DataError("the pull does not determine the factor: force never changes, or only together with the lines")
    solution = np.linalg.solve(r, q.T @ cell)
    variance = float(np.sum((cell - (design / norms) @ solution) ** 2)) / (force.size - len(columns))
    inverse = np.linalg.inv(r)
    u = np.sqrt(variance * np.sum(inverse**2, axis=1)) / norms
    found = solution / norms
    if not found[1] > 0.0:
        raise DataError("the cell reads less as the reference reads more: one of them is reversed")
    hoses = len(columns) == 3
    return PullFit(
        float(1.0 / found[1]),
        float(u[1] / found[1] ** 2),
        float(found[2]) if hoses else None,
        float(u[2]) if hoses else 0.0,
        float(np.sqrt(variance)),
        float(np.max(np.abs(force))),
        float(np.max(line)),
    )


class StandInteraction(Document):
    """What hoses, flexures and alignment do to a load cell in place, lines pressurised.

    Typed as numbers, or as the points of a pull from which the numbers follow.
    """

    factor: Number = Quantity(1.0, 0.0, "number", None, "1")  # true force over cell force
    line_load: ForcePerPressure = Quantity(0.0, 0.0, "force per pressure", None, "0 N/bar")
    alignment: Share = Quantity(0.0, 0.0, "share", None, "0 %")  # standard uncertainty, relative
    pull_reference: Share = Quantity(0.0, 0.0, "share", None, "0 %")  # of the reference cell in the pull, relative
    pull: tuple[Pull, ...] = ()

    @model_validator(mode="before")
    @classmethod
    def _from_pull(cls, values: Any) -> Any:  # noqa: ANN401
        """Fill in what a pull determines and nobody typed."""
        if not isinstance(values, dict) or not values.get("pull") or {"factor", "line_load"} <= values.keys():
            return values
        points = tuple(Pull.model_validate(point) for point in values["pull"])
        reference = values.get("pull_reference", "0 %")
        reference = reference if isinstance(reference, Quantity) else parse_quantity(reference, "share")
        fit = _fitted(points)
        found = dict(values)
        found.setdefault("factor", _factor(fit, reference.value))
        if fit.line_load is not None:
            found.setdefault("line_load", _line_load(fit, reference.value))
        return found

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.factor.value > 0.0:
            raise ValueError(f'factor "{self.factor.text}" must be more than zero: it is true force over cell force')
        if not self.pull:
            return self
        fit = _fitted(self.pull)
        wanted = {"factor": _factor(fit, self.pull_reference.value)}
        if fit.line_load is not None:
            wanted["line_load"] = _line_load(fit, self.pull_reference.value)
        for name, of in wanted.items():
            typed: Quantity = getattr(self, name)
            if abs(typed.value - of.value) > PULL_AGREES * max(of.u, 1e-6 * abs(of.value)):
                raise ValueError(f'{name} "{typed.text}" does not follow from the pull, which gives {of.text}')
            if typed.u < (1.0 - PULL_AGREES) * of.u:
                raise ValueError(f'{name} "{typed.text}" claims less uncertainty than the pull, which gives {of.text}')
        return self

    @property
    def known(self) -> bool:
        """Tell whether anything was typed about the load path."""
        return bool(self.pull) or self.factor.u > 0.0 or self.factor.value != 1.0 or self.line_load.u > 0.0


def _fitted(points: tuple[Pull, ...]) -> PullFit:
    try:
        return fit_pull(points)
    except DataError as error:
        raise ValueError(str(error)) from None


def _factor(fit: PullFit, reference: float) -> Quantity:
    u = float(np.hypot(fit.factor_u, reference * fit.factor))
    return Quantity(fit.factor, u, "number", None, f"{fit.factor:.5f} +/- {u:.5f}")


def _line_load(fit: PullFit, reference: float) -> Quantity:
    value = fit.line_load or 0.0
    u = float(np.hypot(fit.line_load_u, reference * value))
    return Quantity(value, u, "force per pressure", None, f"{value * 1e5:.4f} +/- {u * 1e5:.4f} N/bar")


def _known_signal(unit: str) -> str:
    if unit not in SIGNAL_UNITS:
        raise ValueError(f'no kind of sensor gives "{unit}"; signals are in {", ".join(SIGNAL_UNITS)}')
    return unit


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
    signal_unit: Annotated[str, AfterValidator(_known_signal)]
    reading_unit: str  # "N", "bar(g)", "degC", ...
    lowest: float  # of the reading, in reading_unit
    highest: float
    pivot: float = 0.0
    coefficients: tuple[float, ...] = Field(min_length=2)
    covariance: tuple[tuple[float, ...], ...]
    reference_uncertainty: Share = Quantity(0.0, 0.0, "share", None, "0 %")  # of the standard, relative
    zero_uncertainty: float = Field(default=0.0, ge=0.0)  # standard, in reading_unit: zero since then
    hysteresis_uncertainty: Share = Quantity(0.0, 0.0, "share", None, "0 %")  # of full range
    latency: Duration = Quantity(0.0, 0.0, "time", None, "0 s")
    stand_interaction: StandInteraction = StandInteraction()
    points: tuple[tuple[float, float, Direction], ...] = ()  # signal, reading, up or down

    @model_validator(mode="after")
    def _check(self) -> Self:
        order = len(self.coefficients)
        if self.valid_until < self.date:
            raise ValueError(f"valid_until {self.valid_until} is before date {self.date}")
        if len(self.covariance) != order or any(len(row) != order for row in self.covariance):
            raise ValueError(f"covariance must be {order} x {order}, as many as coefficients")
        if not self.lowest < self.highest:
            raise ValueError("lowest must be less than highest")
        parse_unit(self.reading_unit, self.dimension)
        if self.points:
            self._check_points()
        return self

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
        """Turn a signal, in ``signal_unit``, into a reading in ``reading_unit``."""
        value: NDArray[np.float64] = np.polynomial.polynomial.polyval(signal - self.pivot, np.array(self.coefficients))
        return value

    def signal(self, reading: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn a reading back into a signal, by Newton's method from the straight line."""
        c = np.array(self.coefficients)
        x: NDArray[np.float64] = (np.asarray(reading, dtype=np.float64) - c[0]) / c[1]
        for _ in range(20):
            slope = np.polynomial.polynomial.polyval(x, np.polynomial.polynomial.polyder(c))
            x = x - (np.polynomial.polynomial.polyval(x, c) - reading) / slope
        return x + self.pivot

    def slope_u(self) -> float:
        """Relative standard uncertainty of the slope: scatter of the points and the reference standard."""
        scatter = np.sqrt(self.covariance[1][1]) / abs(self.coefficients[1])
        return float(np.hypot(scatter, self.reference_uncertainty.value))

    def in_date(self, day: dt.date) -> bool:
        """Tell whether the calibration holds on a day."""
        return self.date <= day <= self.valid_until


def read_calibration(path: Path) -> Calibration:
    """Read one calibration; its file name must be ``TAG_REVISION.toml``."""
    calibration = read_document(path, Calibration)
    if path.stem != calibration.name:
        raise ConfigError(f"{path}: holds {calibration.name}; name the file {calibration.name}.toml")
    return calibration
