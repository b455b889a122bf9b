"""Model how hoses, flexures and alignment act on a load cell in place: typed, or fitted to an in-place pull.

A pull sets a reference cell in the thrust line against the stand's own cell, hoses on.
"""

import math
from dataclasses import dataclass
from typing import Any, Self

import numpy as np
from pydantic import model_validator

from standbook.daq.config.toml_document import Document
from standbook.daq.errors import DataError
from standbook.daq.quantity import Angle, Force, ForcePerPressure, Number, Pressure, Quantity, Share, parse_quantity

GREATEST_ANGLE = math.radians(10.0)  # a cell that far off its thrust is mounted wrongly
BEYOND = 1e60  # N or Pa: squares of more overflow
PULL_AGREES = 0.25  # of their uncertainty: a factor typed beside a pull is rounded, but must follow from it


class Pull(Document):
    """One point of an in-place pull: a reference cell in the thrust line against the stand's own, hoses on."""

    reference: Force  # true force, by the reference cell
    cell: Force  # what the stand's cell read
    line: Pressure = Quantity(
        value=0.0, u=0.0, dimension="pressure", reference="gauge", text="0 bar(g)"
    )  # mean of the tanks, gauge

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.line.reference != "gauge":
            raise ValueError(f'line "{self.line.text}" must be a gauge pressure, like "31 bar(g)"')
        return self


@dataclass(frozen=True, slots=True, kw_only=True)
class PullFit:
    """Stand factor and line load fitted to a pull."""

    factor: float  # true force over cell force
    factor_u: float  # of scatter alone
    line_load: float | None  # [N/Pa]; none: the line pressure was never changed
    line_load_u: float
    residual: float  # standard deviation of the points about it [N]
    highest_force: float  # [N]
    highest_line: float  # gauge [Pa]


def fit_pull(points: tuple[Pull, ...]) -> PullFit:
    r"""Fit stand factor and line load to an in-place pull.

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
    if max(np.max(np.abs(values), initial=0.0) for values in (force, cell, line)) > BEYOND:
        raise DataError(f"a pull beyond {BEYOND:g} N is none")
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
        factor=float(1.0 / found[1]),
        factor_u=float(u[1] / found[1] ** 2),
        line_load=float(found[2]) if hoses else None,
        line_load_u=float(u[2]) if hoses else 0.0,
        residual=float(np.sqrt(variance)),
        highest_force=float(np.max(np.abs(force))),
        highest_line=float(np.max(line)),
    )


class StandInteraction(Document):
    """Effect of hoses, flexures and alignment on a load cell in place, lines pressurised.

    Typed as numbers, or as the points of a pull from which the numbers follow.
    """

    factor: Number = Quantity(
        value=1.0, u=0.0, dimension="number", reference=None, text="1"
    )  # true force over cell force
    line_load: ForcePerPressure = Quantity(
        value=0.0, u=0.0, dimension="force per pressure", reference=None, text="0 N/bar"
    )
    alignment: Share = Quantity(
        value=0.0, u=0.0, dimension="share", reference=None, text="0 %"
    )  # standard uncertainty, relative, of what an angle between thrust and cell hides; or the angle itself:
    angle: Angle | None = None  # scale of a half-normal one, as an inclinometer leaves it open
    pull_reference: Share = Quantity(
        value=0.0, u=0.0, dimension="share", reference=None, text="0 %"
    )  # of the reference cell in the pull, relative
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
        if self.angle is not None and not 0.0 < self.angle.value < GREATEST_ANGLE:
            raise ValueError(f'angle "{self.angle.text}" must lie between 0 and 10 deg: it is thrust against cell')
        if self.angle is not None and self.alignment.value > 0.0:
            raise ValueError("angle and alignment say the same; keep one of the two")
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
    return Quantity(value=fit.factor, u=u, dimension="number", reference=None, text=f"{fit.factor:.5f} +/- {u:.5f}")


def _line_load(fit: PullFit, reference: float) -> Quantity:
    value = fit.line_load or 0.0
    u = float(np.hypot(fit.line_load_u, reference * value))
    return Quantity(
        value=value,
        u=u,
        dimension="force per pressure",
        reference=None,
        text=f"{value * 1e5:.4f} +/- {u * 1e5:.4f} N/bar",
    )
