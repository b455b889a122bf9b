"""Exponent of the ullage gas from pressure against volume, once the liquid that left is known.

SI, absolute pressures. The law fitted is local, ln(P/P0) = -(n0 L + c L²) with L = ln(V/V0): a single slope is
0.02 high and hides what the gas does.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

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
from standbook.analysis.blowdown.shifted_flows import changes, ranked
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import BudgetTerm
from standbook.analysis.signal.windows import Window, block_means, correlation_time, effective_sample_size
from standbook.daq.arrays import Array
from standbook.daq.errors import DataError

LAW_MISFIT = 0.0025  # x L_end²: relative rms that start and drift leave on real gas, 0.04 % at r = 1.5, 0.3 % at r = 3
TRUSTED = 1e4  # block means that a start without noise counts as
LONGER_LAW = (0.5, 0.9)  # L_end from which on the chord's law has four and five terms


@dataclass(frozen=True, slots=True, kw_only=True)
class Exponent:
    """Polytropic exponent of one discharge. [-]."""

    start: Measured  # n0
    drift: Measured  # c
    chord: Measured  # joins start and end, -ln(P_end/P0) / L_end; n0 + c L_end but for the law's own misfit
    covariance: Array  # (2, 2) of start and drift
    end_log_ratio: float  # L_end, ln of end volume over start volume; of a tank run dry, of that at the first gas
    correlation_with_ullage_volume: float | None  # of the chord
    budget: tuple[BudgetTerm, ...]  # of the chord, largest first
    start_pressure: Measured  # absolute, noise only [Pa]
    residual_rms: float  # of the block means [Pa]
    misfit: float  # the same without what noise makes of it, over the mean pressure
    usual_misfit: float  # what start and drift leave of a real gas
    window: Window


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Line:
    """The fit of one flow: n0, c, chord, and what is left."""

    value: Array  # (3,)
    L_end: float
    residual: Array  # of the block means, from start and drift [Pa]
    inverse: Array  # (3, B): change of the value per change of one mean [1/Pa]
    longer: Array  # residual of the longer law that the chord comes from [Pa]
    terms: int  # of that law

    def noise(self) -> Array:
        """Return the covariance that the scatter of the means gives. (3, 3)."""
        scatter = np.array([_scatter(self.residual, 2)] * 2 + [_scatter(self.longer, self.terms)])
        return self.inverse @ self.inverse.T * np.outer(scatter, scatter)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fitting:
    """What of a flow the laws are fitted to."""

    window: Window
    law_end: float  # where the chord ends [s]
    cda: float | None  # known from elsewhere where no mass was weighed [m²]
    trust: float = TRUSTED  # block means that the static start counts as: slow noise may be off there by more


def exponent_from_pv(
    record: DischargeRecord,
    *,
    sensor: SensorUncertainties,
    notes: NoteUncertainties,
    flow: AveragedDischarge | None = None,
    cda: Measured | None = None,
) -> Exponent:
    r"""Fit the exponent's start and drift to pressure against gas volume.

    Parameters
    ----------
    record : FlowRecord
        With ullage volume, at least 1 s of still record before opening, and a weighed mass.
    flow : AveragedDischarge, optional
        The record averaged over its flow, when it is already known.
    cda : Measured, optional
        A flow coefficient known from elsewhere; used only where no mass was weighed. [m²]

    Raises
    ------
    DataError
        No ullage volume, neither mass nor CdA, or no static pressure.

    Notes
    -----
    :math:`V(t) = V_0 + C_dA \int \sqrt{2 \Delta P / \rho}\, dt`, where CdA of the weighed mass makes the last
    volume the weighed one; then a straight-line problem in n0 and c through the static start. Each uncertain input
    is shifted through the whole of it, CdA included.
    """
    known = _cda_needed(record, cda)
    record = thinned(record)
    static = static_pressure(record)
    flow = replace(flow or averaged_flow(record), start_pressure=static.value)
    fitting = _trusting(_fitting_of(record, known), flow, static)
    line = _fit(flow, fitting)
    moved = changes(lambda of: _fit(of, _ending_with(fitting, flow, of)).value, flow, sensor, notes)
    raised = replace(flow, start_pressure=static.value + static.u)
    moved["start pressure (noise)"] = _fit(raised, fitting).value - line.value
    if known is not None:
        moved["CdA"] = _fit(flow, replace(fitting, cda=known.value + known.u)).value - line.value
    noise = line.noise()
    covariance = noise + sum(np.outer(change, change) for change in moved.values())
    u = np.sqrt(np.diag(covariance))
    start, drift, chord = (Measured(float(line.value[k]), float(u[k]), "1") for k in range(3))
    by_volume = moved.get("ullage volume")
    shares = {source: abs(float(change[2])) for source, change in moved.items()}
    rms = float(np.sqrt(np.mean(line.residual**2)))
    beyond_noise = math.sqrt(max(rms**2 - _resting_variance(record, static, float(np.mean(flow.count))), 0.0))
    return Exponent(
        start=start,
        drift=drift,
        chord=chord,
        covariance=covariance[:2, :2],
        end_log_ratio=line.L_end,
        correlation_with_ullage_volume=None if by_volume is None else float(by_volume[2] / u[2]),
        budget=ranked({**shares, "noise and misfit": float(np.sqrt(noise[2, 2]))}),
        start_pressure=Measured(static.value, static.u, "Pa"),
        residual_rms=rms,
        misfit=beyond_noise / float(np.mean(flow.pressure)),
        usual_misfit=LAW_MISFIT * line.L_end**2,
        window=fitting.window,
    )


def _cda_needed(record: DischargeRecord, cda: Measured | None) -> Measured | None:
    """Return the CdA that stands for a mass that nobody weighed; refuse a record without either, or without volume."""
    if record.ullage_volume is None or not record.ullage_volume > 0.0:
        raise DataError(f"ullage volume is {record.ullage_volume!r} m3: an exponent needs it; weigh the fill")
    if record.expelled_mass is not None:
        return None
    if cda is None:
        raise DataError("an exponent needs the amount that left: weigh the liquid, or give a CdA known from elsewhere")
    return cda


def _fitting_of(record: DischargeRecord, cda: Measured | None) -> _Fitting:
    """Fit between the valve's strokes; a tank that runs dry is read up to the first gas, and its chord ends there."""
    law_end = record.end_time if record.law_end is None else min(record.law_end, record.end_time)
    window = Window(record.opening_time + record.stroke, min(record.end_time - record.stroke, law_end))
    return _Fitting(window=window, law_end=law_end, cda=None if cda is None else cda.value)


def _trusting(fitting: _Fitting, flow: AveragedDischarge, static: StaticPressure) -> _Fitting:
    """Let the static start count as its own scatter deserves beside that of a first fit."""
    first = _fit(flow, fitting)
    trust = _scatter(first.longer, first.terms) / max(static.u, 1e-9 * static.value)
    return replace(fitting, trust=trust)


def _ending_with(fitting: _Fitting, flow: AveragedDischarge, other: AveragedDischarge) -> _Fitting:
    """Move the chord's end with the end of a flow whose inputs were shifted."""
    return replace(fitting, law_end=fitting.law_end + other.end_time - flow.end_time)


def _resting_variance(record: DischargeRecord, static: StaticPressure, count: float) -> float:
    """Return the variance that noise alone may well give means of ``count`` samples, from the tank at rest. [Pa²].

    Taken from such means themselves: slow noise averages less than its correlation time, guessed from few seconds,
    says. Two standard deviations of the estimate are added, so that good luck at rest is no misfit later.
    """
    inside = static.window.of(record.time)
    blocks = int(np.count_nonzero(inside) / count)
    if blocks < 10:
        return static.deviation**2 * static.correlation_time / count
    means = block_means(record.time[inside], record.pressure[inside], blocks)
    at = means.time - static.window.end
    residual = means.value - np.polyval(np.polyfit(at, means.value, 1), at)
    worth = max(effective_sample_size(residual), 4.0)
    return float(residual @ residual) / (blocks - 2) * (1.0 + 2.0 * math.sqrt(2.0 / worth))


def _fit(flow: AveragedDischarge, fitting: _Fitting) -> _Line:
    """Fit the laws through the static start."""
    window, cda = fitting.window, fitting.cda
    total, partial = flow.drive_integral()
    end = flow.left() / flow.density if cda is None else cda * math.sqrt(2.0 / flow.density) * total
    L = np.log1p(end / flow.ullage_volume * partial / total)
    at = np.concatenate([[flow.opening_time], flow.time, [flow.end_time]])
    share = float(np.interp(fitting.law_end, at, np.concatenate([[0.0], partial, [total]]))) / total
    use = window.of(flow.time)
    if use.sum() < 10:
        raise DataError(
            f"the valve was fully open for {max(window.end - window.start, 0.0):.2f} s: too short for an exponent"
        )
    pressure, L = flow.pressure[use], L[use]
    weight = pressure * np.sqrt(flow.count[use] / flow.count.mean())  # so that residuals are pascal
    target = np.append(np.log(pressure / flow.start_pressure) * weight, 0.0)
    start = flow.start_pressure * min(fitting.trust, TRUSTED)

    def solved(terms: int) -> tuple[Array, Array]:
        powers = -np.column_stack([L**k for k in range(1, terms + 1)]) * weight[:, None]
        design = np.column_stack([np.vstack([powers, np.zeros(terms)]), np.append(weight, start)])
        inverse = np.linalg.pinv(design)
        return inverse[:-1], (target - design @ (inverse @ target))[:-1]

    two, residual = solved(2)
    L_end = math.log1p(share * end / flow.ullage_volume)
    # More terms for the end alone: start and drift bend too little there and leave the chord 0.005 high, or 0.03
    # where the gas grows threefold.
    terms = 3 + sum(L_end > limit for limit in LONGER_LAW)
    more, rest = solved(terms)
    rows = np.vstack([two, L_end ** np.arange(terms) @ more])
    return _Line(value=rows @ target, L_end=L_end, residual=residual, inverse=rows[:, :-1], longer=rest, terms=terms)


def _scatter(residual: Array, terms: int) -> float:
    """Return the deviation of one block mean as if all were independent, correlation included. [Pa].

    A fit eats its share of the independent samples, of which a correlated record holds few, and of their correlation
    with it: both are given back.
    """
    tau = correlation_time(residual)
    eaten = min(terms * tau / residual.size, 0.5)
    return math.sqrt(float(residual @ residual) / residual.size * tau) / (1.0 - eaten)
