r"""Fit how hoses, flexures and friction act on a load cell in place, and what one reading of it is worth.

A pull loads the thrust line by known forces, hoses on, lines empty and at working pressure:

    R = R0 + (1/f0 + kappa p) F + lambda p + h d

with the cell's reading R, the true force F [N], the lines' gauge pressure p [Pa] and the direction d, +1 while force
rises and -1 while it falls. Pressurised hoses stiffen: without the product they bias the factor by their whole
stiffening. It is never left out unsaid: what a pull could not show stays as a term with an uncertainty. SI, no file.
"""

import math
from dataclasses import dataclass, field

import numpy as np

from standbook.daq.arrays import Array
from standbook.daq.config.calibration import Calibration
from standbook.daq.errors import DataError
from standbook.daq.stand_sheets.pull_file import BAR, PullFile

NAMES = ("offset", "gain", "stiffening", "line_load", "friction")  # R0 [N], 1/f0, kappa [1/Pa], lambda [N/Pa], h [N]
SEEN = 2.0  # of its uncertainty: from here on the stiffening is called found
CHANGED = 0.1  # of its greatest: a pressure that varied less than this was not changed
UNDETERMINED = 1e-6  # of a column's length that the others leave
UNSEEN_STIFFENING = 0.006 / 31e5  # of the gain, a pascal: limit of hoses never pulled under pressure; judged
UNSEEN_LINE_LOAD = 1.5e-5  # N/Pa: likewise of what their pressure alone pushes; judged, 1.5 N/bar


@dataclass(frozen=True, slots=True, kw_only=True)
class PullPoints:
    """What was read at each step of a pull. Each array (N,)."""

    force: Array  # by the reference [N]
    cell: Array  # what the stand's cell read [N]
    pressure: Array  # of the lines, gauge [Pa]
    direction: Array  # of the last change of force, +1 or -1; see `last_moves`


@dataclass(frozen=True, slots=True, kw_only=True)
class PullFit:
    """The five terms of a pull with their covariance, reference and angle included.

    What was not determined by the points stands in ``not_fitted`` and is said in ``notes``.
    """

    value: Array  # (5,) in the order of NAMES
    covariance: Array  # (5, 5)
    covariance_of_scatter: Array  # (5, 5) of the fit alone
    residual: float  # standard deviation of the points about the fit [N]
    freedom: int  # points less unknowns
    not_fitted: tuple[str, ...]
    highest_force: float  # [N]
    pressure_range: tuple[float, float]  # gauge [Pa]
    notes: tuple[str, ...] = field(default=())

    def of(self, name: str) -> tuple[float, float]:
        """Return a term by its name, and its standard uncertainty."""
        k = NAMES.index(name)
        return float(self.value[k]), math.sqrt(float(self.covariance[k, k]))

    @property
    def stiffening_seen(self) -> bool:
        """Tell whether the stiffening stands out of its uncertainty."""
        value, u = self.of("stiffening")
        return "stiffening" not in self.not_fitted and abs(value) > SEEN * u

    def factor(self, pressure: Array) -> Array:
        """Return true force over cell force at gauge pressures of the lines (N,) [Pa]. (N,) [-]."""
        return np.asarray(1.0 / (self.value[1] + self.value[2] * pressure))

    def factor_covariance(self, pressure: Array) -> Array:
        """Return the covariance of the factor between gauge pressures (N,) [Pa]. (N, N) [-]."""
        slope = self._slope(pressure)
        return np.asarray(slope @ self.covariance @ slope.T)

    def factor_u(self, pressure: Array) -> Array:
        """Return the standard uncertainty of the factor at gauge pressures (N,) [Pa]. (N,) [-]."""
        slope = self._slope(pressure)
        return np.asarray(np.sqrt(np.einsum("ij,jk,ik->i", slope, self.covariance, slope)))

    def mean_factor(self, pressure: Array, weight: Array) -> tuple[float, float]:
        """Return the factor averaged over a burn, by weights such as cell force times step, and its u. [-].

        Parameters
        ----------
        pressure : (N,) array
            Of the lines along the burn, gauge. [Pa]
        weight : (N,) array
            Not all zero.
        """
        share = weight / np.sum(weight)
        slope = share @ self._slope(pressure)
        return float(share @ self.factor(pressure)), math.sqrt(float(slope @ self.covariance @ slope))

    def force(self, reading: Array, pressure: Array, *, zero: float | None = None) -> Array:
        """Return the true force behind cell readings.

        Parameters
        ----------
        reading, pressure : (N,) array
            Of the cell [N]; of the lines at the same instants, gauge [Pa].
        zero : float, optional
            What the cell reads unloaded, lines empty; that of the pull where none is given. [N]
        """
        offset = float(self.value[0]) if zero is None else zero
        return np.asarray((reading - offset - self.value[3] * pressure) * self.factor(pressure))

    def impulse(self, reading: Array, pressure: Array, *, zero: float, step: Array) -> tuple[float, float]:
        """Return the impulse behind cell readings and what the pull leaves open of it: all terms together. [N s].

        Parameters
        ----------
        reading, pressure, zero
            As for :meth:`force`.
        step : (N,) array
            Time that each reading stands for. [s]
        """
        push = self.force(reading, pressure, zero=zero)
        f = self.factor(pressure)
        slope = np.array(
            [0.0, -np.sum(step * push * f), -np.sum(step * push * f * pressure), -np.sum(step * pressure * f), 0.0]
        )
        return float(step @ push), math.sqrt(float(slope @ self.covariance @ slope))

    def _slope(self, pressure: Array) -> Array:
        """Return the derivatives of the factor by the five terms. (N, 5)."""
        slope = np.zeros((pressure.size, len(NAMES)))
        slope[:, 1] = -(self.factor(pressure) ** 2)
        slope[:, 2] = slope[:, 1] * pressure
        return slope


def last_moves(force: Array, *, came_from: float = math.inf) -> Array:
    """Return the direction in which force last changed before each point, in the order of reading. (N,) +1 or -1.

    Parameters
    ----------
    force : (N,) array
        [N]
    came_from : float, optional
        Force before the first point; as a rule it was exercised, and came down to the first. [N]

    Notes
    -----
    A top that is read twice was not yet left: friction still hangs the way it was reached. To call the second reading
    "down" biases the factor by 0.1 % at 3 N of friction in 2 kN (tests/studies/pull.py).
    """
    moves = np.sign(np.diff(force, prepend=came_from))
    for k in np.flatnonzero(moves == 0.0):
        moves[k] = moves[k - 1] if k else -1.0
    return np.asarray(moves)


def fit_pull(points: PullPoints, *, reference_u: float, angle_u: float = 0.0) -> PullFit:
    r"""Fit the five terms to a pull.

    Parameters
    ----------
    points : PullPoints
        Six forces up and down with lines empty and at pressure make 24.
    reference_u : float
        Of the reference, relative, the same in every point: repeats do not average it. [-]
    angle_u : float
        Scale of a two-sided angle between pull and thrust line, as an inclinometer leaves it open. [rad]

    Raises
    ------
    DataError
        Fewer than two points more than unknowns, a force that never changes, or a reversed cell.

    Notes
    -----
    Least squares on columns of unit length, by QR. The reference's gain enters 1/f0 and kappa together and lambda not
    at all. An angle takes :math:`\theta^2 / 2` of every force, on average half its scale squared, which is given back
    to 1/f0 and kappa. Derived; covariance as in [GUM] H.3.
    """
    columns, notes = _columns(points)
    design = np.column_stack([columns[name] for name in columns])
    if points.force.size < design.shape[1] + 2:
        raise DataError(f"{points.force.size} points of a pull cannot carry {design.shape[1]} unknowns and scatter")
    found, inverse, variance = _solved(design, points.cell)
    places = [NAMES.index(name) for name in columns]
    value = np.zeros(len(NAMES))
    value[places] = found
    if not value[1] > 0.0:
        raise DataError("the cell reads less as the reference reads more: one of them is reversed")
    covariance = np.zeros((len(NAMES), len(NAMES)))
    covariance[np.ix_(places, places)] = variance * inverse
    path = np.array([0.0, 1.0, 1.0, 0.0, 0.0])
    value *= 1.0 + path * angle_u**2 / 2.0
    whole = covariance + (reference_u**2 + angle_u**4 / 2.0) * np.outer(path * value, path * value)
    not_fitted = tuple(name for name in NAMES if name not in columns)
    return PullFit(
        value=value,
        covariance=whole + np.diag(_unseen(not_fitted, float(value[1]))),
        covariance_of_scatter=covariance,
        residual=math.sqrt(variance),
        freedom=points.force.size - design.shape[1],
        not_fitted=not_fitted,
        highest_force=float(np.max(np.abs(points.force))),
        pressure_range=(float(np.min(points.pressure)), float(np.max(points.pressure))),
        notes=notes,
    )


def fit_of_pull(pull: PullFile, calibration: Calibration) -> PullFit:
    """Fit a pull's points as a calibration of its cell reads them.

    Raises
    ------
    DataError
        The points do not determine the terms.
    """
    force, signal, line = (np.array([point[k] for point in pull.points], dtype=np.float64) for k in range(3))
    direction = np.array([1.0 if point[3] == "up" else -1.0 for point in pull.points])
    points = PullPoints(force=force, cell=calibration.si_reading(signal), pressure=line * BAR, direction=direction)
    return fit_pull(points, reference_u=pull.reference.u.value, angle_u=pull.angle_u)


def _columns(points: PullPoints) -> tuple[dict[str, Array], tuple[str, ...]]:
    """Choose the terms that the points can carry, and say which they cannot."""
    force, p, d = points.force, points.pressure, points.direction
    columns = {"offset": np.ones_like(force), "gain": force}
    notes = []
    if float(np.ptp(p)) > CHANGED * float(np.max(np.abs(p))) > 0.0:
        columns["stiffening"] = p * force
        columns["line_load"] = p
        if _left_over(columns, "stiffening") < UNDETERMINED:
            del columns["stiffening"]
    if "stiffening" not in columns:
        notes.append(
            "the pull does not show whether hoses stiffen under pressure: its factor holds at the pressure of the pull,"
            f" and {UNSEEN_STIFFENING * 1e7:.3f} % a bar is allowed for; pull through all forces with lines at pressure"
        )
    if "line_load" not in columns:
        notes.append("the line pressure was never changed: what it pushes by itself is not known, 1.5 N/bar allowed")
    if np.any(d > 0.0) and np.any(d < 0.0):
        columns["friction"] = d
    else:
        notes.append("the pull went one way only: friction is inside the offset and the scatter")
    return columns, tuple(notes)


def _left_over(columns: dict[str, Array], name: str) -> float:
    """Return the share of a column's length that the other columns do not make."""
    others = np.column_stack([column / np.linalg.norm(column) for key, column in columns.items() if key != name])
    one = columns[name]
    if not np.any(one):
        return 0.0
    rest = one - others @ np.linalg.lstsq(others, one, rcond=None)[0]
    return float(np.linalg.norm(rest) / np.linalg.norm(one))


def _solved(design: Array, cell: Array) -> tuple[Array, Array, float]:
    """Return the terms, the inverse of the normal matrix and the variance of one reading."""
    lengths = np.linalg.norm(design, axis=0)
    if not np.all(lengths > 0.0):
        raise DataError("the pull does not determine the factor: force never changes")
    q, r = np.linalg.qr(design / lengths)
    if np.min(np.abs(np.diag(r))) < UNDETERMINED:
        raise DataError("the pull does not determine the factor: force never changes, or only together with the lines")
    half = np.linalg.inv(r) / lengths[:, None]
    found = half @ (q.T @ cell)
    rest = cell - design @ found
    return found, half @ half.T, float(rest @ rest) / (cell.size - found.size)


def _unseen(not_fitted: tuple[str, ...], gain: float) -> Array:
    """Return the variance that stands for a term which the points do not carry. (5,)."""
    limit = {"stiffening": UNSEEN_STIFFENING * gain, "line_load": UNSEEN_LINE_LOAD}
    return np.array([limit.get(name, 0.0) ** 2 / 3.0 if name in not_fitted else 0.0 for name in NAMES])
