"""Blowdown of a liquid by its ullage gas: forward model and its sensitivities.

SI, absolute pressures. The gas obeys the local law ln(P/P0) = -(n0 L + c L²), L = ln(V/V0); the liquid leaves
through a fixed CdA against a constant back pressure. No heat transfer is modelled, that is what c stands for,
and nothing is said about the gas that follows the last liquid. Reads no file, clock or setting.
"""

from dataclasses import dataclass

import numpy as np
from scipy.constants import g as standard_gravity
from scipy.interpolate import CubicHermiteSpline

from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

PARAMETERS = ("exponent", "exponent_drift", "log_cda", "opening_time", "start_pressure", "ullage_volume")
"""Order of the columns of a Jacobian."""

PANELS = 128  # of 5 Gauss points each; 64 already reach 1e-10 in pressure where the volume doubles

# Gauss-Legendre points and weights on 0..1, exact to degree 9.
_RULE = np.polynomial.legendre.leggauss(5)
_POINTS, _WEIGHTS = (_RULE[0] + 1.0) / 2.0, _RULE[1] / 2.0


@dataclass(frozen=True, slots=True)
class Head:
    """Liquid column between the ullage and the place where the back pressure is known."""

    start_height: float  # height of the liquid surface above that place at opening [m]
    area: float  # cross-section of the tank, taken as constant [m²]
    gravity: float = standard_gravity  # m/s²

    def height(self, expelled_volume: Array) -> Array:
        """Return the height of the surface after a volume [m³] has left. [m]."""
        return self.start_height - expelled_volume / self.area


@dataclass(frozen=True, slots=True, kw_only=True)
class Discharge:
    """All that decides one blowdown."""

    start_pressure: float  # ullage, absolute, at opening [Pa]
    ullage_volume: float  # at opening [m³]
    exponent: float  # n0, local exponent at opening [-]
    cda: float  # discharge coefficient x area [m²]
    density: float  # liquid [kg/m³]
    back_pressure: float  # absolute [Pa]
    end_volume: float  # of the gas when the liquid is out or the model may stop [m³]
    exponent_drift: float = 0.0  # c; the local exponent is n0 + 2 c L, the chord exponent n0 + c L [-]
    head: Head | None = None
    opening_time: float = 0.0  # instant of mid-stroke of the valve [s]
    stroke: float = 0.0  # duration of the valve's opening, flow area linear in time [s]

    def pressure(self, expelled_volume: Array) -> Array:
        """Return the absolute ullage pressure after a volume [m³] has left. [Pa]."""
        L = np.log1p(expelled_volume / self.ullage_volume)
        return np.asarray(self.start_pressure * np.exp(-(self.exponent + self.exponent_drift * L) * L))

    def driving_pressure(self, expelled_volume: Array) -> Array:
        """Return ullage pressure plus head minus back pressure, a difference. [Pa]."""
        drive = self.pressure(expelled_volume) - self.back_pressure
        if self.head is not None:
            drive = drive + self.density * self.head.gravity * self.head.height(expelled_volume)
        return drive


@dataclass(frozen=True, slots=True)
class Blowdown:
    """One discharge against time. All arrays (N,); not a number after the liquid is out."""

    time: Array  # s
    pressure: Array  # ullage, absolute [Pa]
    volume: Array  # of the gas [m³]
    flow: Array  # of the liquid [m³/s]


@dataclass(frozen=True, slots=True)
class BlowdownJacobian:
    """Derivatives with respect to ``PARAMETERS``, at fixed times. Arrays (N, 6)."""

    pressure: Array
    expelled_volume: Array


def blowdown(
    time: Array,
    *,
    start_pressure: float,
    ullage_volume: float,
    exponent: float,
    exponent_drift: float = 0.0,
    cda: float,
    density: float,
    back_pressure: float,
    head: Head | None = None,
    opening_time: float = 0.0,
    stroke: float = 0.0,
    end_volume: float,
) -> Blowdown:
    r"""Compute pressure, gas volume and flow of a blowdown.

    Parameters
    ----------
    time : (N,) array
        Instants wanted, any order. [s]
    start_pressure, back_pressure : float
        Absolute. [Pa]
    ullage_volume, end_volume : float
        Gas volume at opening and at the end. [m³]
    exponent, exponent_drift : float
        n0 and c of the local law. [-]
    cda : float
        Discharge coefficient x area. [m²]
    density : float
        Of the liquid. [kg/m³]
    head : Head, optional
        Liquid column; without it the head is nil.
    opening_time : float
        Instant at mid-stroke of the valve. [s]
    stroke : float
        Duration of the opening. [s]

    Raises
    ------
    DataError
        The driving pressure is gone before the end volume.
    ValueError
        A value that must be positive is not, or the end volume is not above the ullage volume.

    Notes
    -----
    :math:`t(V) = \int dV / (C_dA \sqrt{2 \Delta P(V) / \rho})` on a fixed grid of volumes, five Gauss points
    per panel; V(t) by cubic Hermite interpolation, whose slope, the flow, is known. A valve that opens slowly
    against a constant back pressure only warps time: t is replaced by the integral of its opening. Agrees with
    the closed forms (to vacuum; to ambient, any n) to 1e-8 where the volume doubles.
    """
    discharge = Discharge(
        start_pressure=start_pressure,
        ullage_volume=ullage_volume,
        exponent=exponent,
        exponent_drift=exponent_drift,
        cda=cda,
        density=density,
        back_pressure=back_pressure,
        head=head,
        opening_time=opening_time,
        stroke=stroke,
        end_volume=end_volume,
    )
    return discharge_history(np.asarray(time, dtype=np.float64), discharge)


def discharge_history(time: Array, discharge: Discharge, *, panels: int = PANELS) -> Blowdown:
    """Compute the same as `blowdown` from one object."""
    curve = _Curve(discharge, panels)
    warped, opening = _warp(time, discharge)
    expelled = np.where(warped > curve.time[-1], np.nan, curve.expelled(warped))
    flow = opening * discharge.cda * np.sqrt(2.0 * discharge.driving_pressure(expelled) / discharge.density)
    return Blowdown(time, discharge.pressure(expelled), discharge.ullage_volume + expelled, flow)


def discharge_sensitivity(
    time: Array, discharge: Discharge, *, panels: int = PANELS
) -> tuple[Array, Array, BlowdownJacobian]:
    r"""Compute pressure [Pa], expelled volume [m³] and their derivatives.

    Unlike a history, the values of the end volume are held after it, so that a search may step over it.

    Notes
    -----
    :math:`\partial P/\partial\theta|_t = \partial P/\partial\theta|_V - (dP/dV)\, Q\, \partial t/\partial\theta|_V`,
    the last factor from the same quadrature.
    """
    curve = _Curve(discharge, panels)
    warped, opening = _warp(time, discharge)
    expelled = curve.expelled(warped)
    moving = np.where(warped < curve.time[-1], 1.0, 0.0)
    flow = moving / curve.inverse_flow(expelled)
    at_volume = _log_pressure_derivatives(discharge, expelled)
    late = curve.time_derivatives(expelled)
    moved = np.empty((time.size, len(PARAMETERS)))
    moved[:, (0, 1, 4, 5)] = -flow[:, None] * late
    moved[:, 2] = flow * warped
    moved[:, 3] = -flow * opening
    pressure = discharge.pressure(expelled)
    volume = discharge.ullage_volume + expelled
    local = discharge.exponent + 2.0 * discharge.exponent_drift * np.log1p(expelled / discharge.ullage_volume)
    change = moved * (-pressure * local / volume)[:, None]
    change[:, (0, 1, 4, 5)] += at_volume * pressure[:, None]
    return pressure, expelled, BlowdownJacobian(change, moved)


class _Curve:
    """Quadrature of one discharge: time and its derivatives on a grid of expelled volumes."""

    def __init__(self, discharge: Discharge, panels: int) -> None:
        for name in ("start_pressure", "ullage_volume", "cda", "density"):
            if not getattr(discharge, name) > 0.0:
                raise ValueError(f"{name} = {getattr(discharge, name)!r} must be positive")
        span = discharge.end_volume - discharge.ullage_volume
        if not span > 0.0:
            raise ValueError(
                f"end volume {discharge.end_volume!r} m3 must be above the ullage volume {discharge.ullage_volume!r} m3"
            )
        self.discharge = discharge
        # Equal steps of ln V: pressure falls alike in each panel, also where the volume grows fourfold.
        self.grid = discharge.ullage_volume * np.expm1(
            np.linspace(0.0, np.log1p(span / discharge.ullage_volume), panels + 1)
        )
        width = np.diff(self.grid)
        points = (self.grid[:-1, None] + width[:, None] * _POINTS).ravel()
        step = np.repeat(width, _POINTS.size)[:, None]
        drive = discharge.driving_pressure(points)
        if not (drive > 0.0).all() or not discharge.driving_pressure(self.grid[-1:])[0] > 0.0:
            gone = discharge.ullage_volume + float(points[np.argmax(~(drive > 0.0))])
            raise DataError(
                f"the driving pressure is gone when the gas fills {gone:.6g} m3, before the end volume of"
                f" {discharge.end_volume:.6g} m3; check start pressure, back pressure and exponent"
            )
        slowness = self.inverse_flow(points)
        self.time = self._integral(slowness[:, None] * step)[:, 0]
        # d(1/Q)/d theta at fixed volume = -(1/Q) / (2 dP) * dP/d theta
        self._late = self._integral(self._late_slope(points, slowness, drive) * step)
        self._volume_of_time = CubicHermiteSpline(self.time, self.grid, 1.0 / self.inverse_flow(self.grid))

    def inverse_flow(self, expelled: Array) -> Array:
        """Return 1/Q of the open valve. [s/m³]."""
        drive = self.discharge.driving_pressure(expelled)
        return np.asarray(np.sqrt(self.discharge.density / (2.0 * drive)) / self.discharge.cda)

    def expelled(self, warped: Array) -> Array:
        """Return the expelled volume at warped times, held outside the grid. [m³]."""
        return np.asarray(self._volume_of_time(np.clip(warped, 0.0, self.time[-1])))

    def time_derivatives(self, expelled: Array) -> Array:
        """Return dt/d theta at fixed volume for the four parameters of the gas. (N, 4)."""
        slope = self._late_slope(self.grid, self.inverse_flow(self.grid), self.discharge.driving_pressure(self.grid))
        return np.asarray(CubicHermiteSpline(self.grid, self._late, slope)(expelled))

    def _late_slope(self, expelled: Array, slowness: Array, drive: Array) -> Array:
        relative = _log_pressure_derivatives(self.discharge, expelled)
        return relative * (-0.5 * slowness * self.discharge.pressure(expelled) / drive)[:, None]

    def _integral(self, values: Array) -> Array:
        """Sum panels from values (panels x 5, K) already multiplied by the step; one row per grid point."""
        panels = values.reshape(-1, _WEIGHTS.size, values.shape[1])
        sums = np.einsum("pgk,g->pk", panels, _WEIGHTS)
        return np.vstack([np.zeros(values.shape[1]), np.cumsum(sums, axis=0)])


def _log_pressure_derivatives(discharge: Discharge, expelled: Array) -> Array:
    """Return d ln P / d (n0, c, P0, V0) at fixed expelled volume. (N, 4)."""
    ratio = expelled / discharge.ullage_volume
    L = np.log1p(ratio)
    by_volume = (discharge.exponent + 2.0 * discharge.exponent_drift * L) * ratio / (1.0 + ratio)
    start = np.full_like(L, 1.0 / discharge.start_pressure)
    return np.column_stack([-L, -L * L, start, by_volume / discharge.ullage_volume])


def _warp(time: Array, discharge: Discharge) -> tuple[Array, Array]:
    """Return the integral of the valve's opening [s] and the opening itself (0..1)."""
    after = time - discharge.opening_time
    if discharge.stroke <= 0.0:
        return np.maximum(after, 0.0), (after > 0.0).astype(np.float64)
    opening = np.clip(after / discharge.stroke + 0.5, 0.0, 1.0)
    return np.where(opening < 1.0, 0.5 * discharge.stroke * opening**2, after), opening
