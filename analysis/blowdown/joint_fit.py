"""Joint fit of exponent, drift, CdA and opening to one discharge: covariance, prediction, cross-check.

SI, absolute pressures. The third step, not the first: CdA is published from the weighed liquid
(`analysis.blowdown.direct_cda`), the exponent from pressure against volume (`analysis.blowdown.exponent`). Never
fits n and CdA to a pressure trace alone: such a fit came out 10 to 190 % wrong in CdA with a residual below the noise.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from standbook.analysis.blowdown.direct_cda import DirectCda, direct_cda
from standbook.analysis.blowdown.exponent import LAW_MISFIT, Exponent, exponent_from_pv
from standbook.analysis.blowdown.record import (
    AveragedDischarge,
    DischargeRecord,
    NoteUncertainties,
    SensorUncertainties,
    StaticPressure,
    averaged_flow,
    static_pressure,
    thinned,
)
from standbook.analysis.blowdown.shifted_flows import ranked, shifted_flows
from standbook.analysis.physics.blowdown import Discharge, discharge_sensitivity
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import BudgetTerm
from standbook.analysis.signal.least_squares import LeastSquares, nonlinear_least_squares
from standbook.analysis.signal.windows import Window, correlation_time, spikes
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

FITTED = ("exponent", "exponent_drift", "cda", "opening_time")
"""Order of values and covariance."""

PANELS = 32  # 4e-9 in pressure where the volume doubles, a thousandth of the noise of a mean
LOWER = (-1.0, -6.0, math.log(0.1), -1.0)  # n0, c, CdA over the direct one (log), opening against the event [s]
UPPER = (8.0, 6.0, math.log(10.0), 1.0)
LAW_FREEDOM = 5.0  # independent points that the law's misfit is worth: it swings two or three times over the flow
UNRESTING = 0.01  # relative u of the start pressure, above which the tank was not at rest
AGREEMENT = 2.0  # larger standard uncertainties that the two CdA may differ by


@dataclass(frozen=True, slots=True, kw_only=True)
class JointFit:
    """Least-squares fit of one discharge."""

    exponent: Measured  # n0 [-]
    drift: Measured  # c [-]
    cda: Measured  # m²
    opening: Measured  # s
    chord: Measured  # n0 + c L_end [-]
    covariance: Array  # (4, 4) in the order of FITTED, statistics and shifted inputs
    correlation: Array  # (4, 4)
    statistical: Array  # (4, 4) share of noise and mass
    budget: Mapping[str, tuple[BudgetTerm, ...]]  # of each of FITTED and of "chord"
    residual_rms: float  # of single samples [Pa]
    correlation_time: float  # of the residual, in samples
    discharge: Discharge  # the fitted curve
    window: Window
    departure: float  # joint minus direct CdA, in the larger of their uncertainties
    facts: Mapping[str, bool]  # what makes the fit valid: all must be true


@dataclass(frozen=True, slots=True, kw_only=True)
class _Problem:
    """Means of one flow, one soft mass, and their standard deviations."""

    flow: AveragedDischarge
    window: Window
    scale: float  # CdA that the search counts from [m²]
    sample_u: float  # of a single sample, correlation included [Pa]
    mass_u: float  # kg

    def discharge(self, value: Array) -> Discharge:
        flow = self.flow
        cda = self.scale * math.exp(float(value[2]))
        opening = flow.opening_time + float(value[3])
        base = Discharge(
            start_pressure=flow.start_pressure,
            ullage_volume=flow.ullage_volume,
            exponent=float(value[0]),
            exponent_drift=float(value[1]),
            cda=cda,
            density=flow.density,
            back_pressure=float(flow.back_pressure[0]),
            end_volume=math.inf,
            head=flow.head,
            opening_time=opening,
        )
        return replace(base, end_volume=_end_volume(base, flow.end_time - opening))

    def used(self) -> NDArray[np.bool_]:
        return self.window.of(self.flow.time)

    def evaluate(self, value: Array) -> tuple[Array, Array]:
        """Return residuals and Jacobian: pressure means in their deviations, then the mass in its own."""
        flow, use = self.flow, self.used()
        time = np.append(flow.time[use], flow.end_time)
        pressure, expelled, by = discharge_sensitivity(time, self.discharge(value), panels=PANELS)
        weight = np.sqrt(flow.count[use]) / self.sample_u
        residual = np.append(
            (pressure[:-1] - flow.pressure[use]) * weight,
            (flow.density * expelled[-1] - flow.expelled_mass) / self.mass_u,
        )
        jacobian = np.vstack(
            [
                by.pressure[:-1, :4] * weight[:, None],
                by.expelled_volume[-1:, :4] * flow.density / self.mass_u,
            ]
        )
        return residual, jacobian

    def solve(self, start: Array) -> LeastSquares:
        last: dict[bytes, tuple[Array, Array]] = {}

        def both(value: Array) -> tuple[Array, Array]:
            key = value.tobytes()
            if key not in last:
                last.clear()
                last[key] = self.evaluate(value)
            return last[key]

        return nonlinear_least_squares(
            lambda value: both(value)[0],
            lambda value: both(value)[1],
            start,
            lower=np.array(LOWER),
            upper=np.array(UPPER),
            evaluations=200,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solved:
    """A fit in (n0, c, ln CdA, t0), and what it is judged by."""

    problem: _Problem
    fit: LeastSquares
    moved: Mapping[str, Array]  # (4,) change by each uncertain input
    direct: DirectCda
    deviation: float  # of the residuals of single samples [Pa]
    correlation_time: float  # of these, in samples
    static: StaticPressure

    def result(self) -> JointFit:
        """Return the same in (n0, c, CdA, t0) with its budget."""
        discharge = self.problem.discharge(self.fit.value)
        L_end = math.log1p(self.problem.flow.expelled_mass / self.problem.flow.density / discharge.ullage_volume)
        to_five = np.vstack([np.eye(4), [1.0, L_end, 0.0, 0.0]])
        to_five[2, 2] = discharge.cda
        covariance = self.fit.covariance + sum((np.outer(m, m) for m in self.moved.values()), np.zeros((4, 4)))
        whole = to_five @ covariance @ to_five.T
        noise = to_five @ self.fit.covariance @ to_five.T
        u = np.sqrt(np.diag(whole))
        n0, c = float(self.fit.value[0]), float(self.fit.value[1])
        departure = (discharge.cda - self.direct.cda) / max(float(u[2]), self.direct.u)
        return JointFit(
            exponent=Measured(n0, float(u[0]), "1"),
            drift=Measured(c, float(u[1]), "1"),
            cda=Measured(discharge.cda, float(u[2]), "m2"),
            opening=Measured(discharge.opening_time, float(u[3]), "s"),
            chord=Measured(n0 + c * L_end, float(u[4]), "1"),
            covariance=whole[:4, :4],
            correlation=whole[:4, :4] / np.outer(u[:4], u[:4]),
            statistical=noise[:4, :4],
            budget=self._budget(to_five, noise),
            residual_rms=self.deviation,
            correlation_time=self.correlation_time,
            discharge=discharge,
            window=self.problem.window,
            departure=departure,
            facts=self._facts(departure),
        )

    def _budget(self, to_five: Array, noise: Array) -> dict[str, tuple[BudgetTerm, ...]]:
        """Share out each result's uncertainty among the inputs, largest first."""
        changes = {source: to_five @ change for source, change in self.moved.items()}
        budget = {}
        for k, name in enumerate((*FITTED, "chord")):
            shares = {source: abs(float(change[k])) for source, change in changes.items()}
            shares["noise and mass"] = math.sqrt(float(noise[k, k]))
            budget[name] = ranked(shares)
        return budget

    def _facts(self, departure: float) -> dict[str, bool]:
        """Say what makes the fit valid."""
        return {
            "converged": self.fit.converged,
            "covariance usable": self.fit.covariance_usable,
            "inside its bounds": not self.fit.at_bound,
            "agrees with the direct CdA": abs(departure) <= AGREEMENT,
            "start pressure known": self.static.u <= UNRESTING * self.static.value,
        }


def joint_fit(
    record: DischargeRecord,
    *,
    sensor: SensorUncertainties,
    notes: NoteUncertainties,
    flow: AveragedDischarge | None = None,
    direct: DirectCda | None = None,
) -> JointFit:
    """Fit (n0, c, CdA, t0) to the block means of pressure and to the weighed mass.

    Parameters
    ----------
    record : FlowRecord
        With static pressure, ullage volume, one back pressure and the weighed mass.
    sensor, notes : SensorTerms, NoteTerms
        What is uncertain; the mass enters as a soft point with its ``mass_u``.
    flow : AveragedDischarge, optional
        The record averaged over its flow, when it is already known.
    direct : DirectCda, optional
        Of the same record, when it is already known.

    Raises
    ------
    DataError
        No amount observable (n and CdA cannot both be had from pressure), no ``mass_u``, no ullage volume, no
        static pressure, or a back pressure that varies.

    Notes
    -----
    Two passes: the residuals of the first, at full rate, give the noise and its correlation time tau; the second
    weighs pressure by sqrt(tau) times the noise, and allows for what the law leaves on a real gas, so that neither
    correlated samples nor a law that is only nearly right outvote the mass. Then each
    uncertain input is shifted by its u and the fit repeated: u² = u²_stat + sum of the changes squared.
    """
    _check_observable(record, notes)
    record = thinned(record)
    flow = flow or averaged_flow(record)
    direct = direct or direct_cda(record, sensor=sensor, notes=notes, flow=flow)
    first_guess = exponent_from_pv(record, sensor=SensorUncertainties(), notes=NoteUncertainties(), flow=flow)
    static = static_pressure(record)
    problem = _Problem(
        flow=replace(flow, start_pressure=static.value),
        window=first_guess.window,
        scale=direct.cda,
        sample_u=max(static.deviation, 1e-9 * static.value),
        mass_u=notes.mass_u,
    )
    fit = problem.solve(np.array([first_guess.start.value, first_guess.drift.value, 0.0, 0.0]))
    deviation, tau = _full_rate_scatter(record, problem, fit)
    problem = replace(problem, sample_u=math.hypot(deviation * math.sqrt(tau), _law_u(problem, first_guess)))
    fit = problem.solve(fit.value)
    return _Solved(
        problem=problem,
        fit=fit,
        moved=_shifts(problem, fit, static, sensor, notes),
        direct=direct,
        deviation=deviation,
        correlation_time=tau,
        static=static,
    ).result()


def _check_observable(record: DischargeRecord, notes: NoteUncertainties) -> None:
    """Refuse a record that pressure and mass together do not determine."""
    if record.expelled_mass is None or not notes.mass_u > 0.0:
        raise DataError(
            "exponent and CdA cannot both be had from a pressure trace alone: give the expelled mass with its"
            " uncertainty"
        )
    if not isinstance(record.back_pressure, float | int):
        raise DataError(
            "a joint fit needs one back pressure, as in a cold flow; with a varying one use CdA from the weighed mass"
        )


def _shifts(
    problem: _Problem, fit: LeastSquares, static: StaticPressure, sensor: SensorUncertainties, notes: NoteUncertainties
) -> dict[str, Array]:
    """Refit with every uncertain input one u higher; the mass is a datum of the fit and so not among them."""
    flow = problem.flow
    flows = dict(shifted_flows(flow, sensor, replace(notes, mass_u=0.0)))
    flows["start pressure (noise)"] = replace(flow, start_pressure=static.value + static.u)
    moved = {}
    for source, shifted in flows.items():
        # The opening is fitted, so its event only starts the search; the window stays on the same means.
        other = replace(problem, flow=replace(shifted, opening_time=flow.opening_time))
        window = Window(float(shifted.time[problem.used()][0]), float(shifted.time[problem.used()][-1]))
        other = replace(other, window=window)
        value = fit.value
        # From a minimum so near, two steps with its own pseudo-inverse are a refit: the error left is that of
        # the curvature times the square of a shift of a percent.
        for _ in range(2):
            value = value - fit.inverse @ (other.evaluate(value)[0] - fit.residual)
        moved[source] = value - fit.value
    return moved


def _full_rate_scatter(record: DischargeRecord, problem: _Problem, fit: LeastSquares) -> tuple[float, float]:
    """Return standard deviation [Pa] and correlation time of the residuals of all samples in the window."""
    inside = problem.window.of(record.time)
    time, pressure = record.time[inside], record.pressure[inside]
    # The curve is smooth: the means' instants carry it, so that six million samples cost no quadrature of their own.
    knots = problem.flow.time[problem.used()]
    model, _, _ = discharge_sensitivity(knots, problem.discharge(fit.value), panels=PANELS)
    residual = pressure - np.interp(time, knots, model)
    residual = residual[~spikes(residual, min(problem.flow.time.size, max(1, residual.size // 50)))]
    return float(np.std(residual)), correlation_time(residual)


def _law_u(problem: _Problem, guess: Exponent) -> float:
    """Return what a single sample must be allowed for the law's misfit, as if it were white. [Pa].

    Ten thousand samples would otherwise outvote the mass in favour of a law that is only nearly right.
    """
    flow = problem.flow
    misfit = LAW_MISFIT * guess.end_log_ratio**2 * float(np.mean(flow.pressure))
    return misfit * math.sqrt(float(flow.count[problem.used()].sum()) / LAW_FREEDOM)


def _end_volume(discharge: Discharge, duration: float) -> float:
    """Return a gas volume that the discharge reaches after ``duration`` or later, short of the end of its drive."""
    drive = float(discharge.driving_pressure(np.zeros(1))[0])
    if not drive > 0.0:
        raise DataError("the static pressure does not stand above the back pressure; check absolute or gauge")
    span = 1.05 * discharge.cda * math.sqrt(2.0 * drive / discharge.density) * max(duration, 1e-3)
    grid = np.linspace(0.0, span, 65)
    gone = np.flatnonzero(discharge.driving_pressure(grid) <= 1e-3 * drive)
    return discharge.ullage_volume + (float(grid[max(gone[0] - 1, 1)]) if gone.size else span)
