"""Work a readings sheet out into the next revision of a calibration. Reads and writes no file.

Readings are in the unit of the calibration, signals in that of the sensor's kind.
"""

import datetime as dt
import math
from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.level_fit import (
    FEWEST_RUNS,
    JUDGED_SCATTER,
    SAME_LEVEL,
    LevelFit,
    Levels,
    fit_levels,
    zeros_taken_off,
)
from standbook.analysis.calibration.reading_u import ReadingU, Sources, reading_u
from standbook.analysis.calibration.readings_sheet import ReadingsSheet
from standbook.analysis.calibration.reference_error import coefficient_covariances, reference_u
from standbook.analysis.calibration.sensor_terms import SensorTerms, loop_width, sensor_terms
from standbook.analysis.calibration_sheet.against_last import AgainstLast, against_last
from standbook.analysis.calibration_sheet.applied_levels import AppliedLevels, applied_levels
from standbook.analysis.calibration_sheet.reference_claim import ReferenceClaim, in_unit_of, reference_claim
from standbook.daq.arrays import Array
from standbook.daq.config.calibration import Calibration
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.quantity import dimension_of, in_unit, parse_unit
from standbook.daq.stand_sheets.typed_reading import LevelReading

VALID = dt.timedelta(days=365)  # where the sheet says nothing: twelve months at most, judgement
FOLLOWS = 0.05  # of span, greatest departure of a reading from the curve: judgement
OUTSIDE = 0.005  # of the sensor's range: a level may lie that far beyond its end
RUN_DIFFERS = 3.0  # judged scatters of one run from the mean of the others
GRID = np.linspace(0.2, 1.0, 17)  # of the highest level: readings over which the reference counts as a share of reading
HELD = 25.0  # min that creep is looked at, at least: 30 is usual
APART = 10.0  # K between two zeros at least


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroByTemperature:
    """How zero moves with temperature. [unit of the reading per K]."""

    value: float
    u: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Calibrated:
    """What a sheet gives."""

    sheet: ReadingsSheet
    date: dt.date
    last: Calibration | None
    applied: AppliedLevels
    range: tuple[float, float]  # that the sensor is made for [unit]
    claim: ReferenceClaim
    levels: Levels  # as fitted: zeros taken off run by run where the estimator says so
    raw: Array  # (N,) signals as read
    zeroed: bool  # zeros were taken off run by run
    fit: LevelFit
    sources: Sources
    terms: SensorTerms
    creep: float | None  # in half an hour under the top load [unit]
    zero_by_temperature: ZeroByTemperature | None
    of_reading: float  # standard, relative: what the reference leaves open of a reading as it is used
    of_span: float  # standard, beside it [unit]
    at: float  # where the sensor matters most [unit]
    comparison: AgainstLast | None

    @property
    def unit(self) -> str:
        """Unit of the reading, ``"bar(g)"``."""
        return self.applied.unit

    @property
    def span(self) -> float:
        """Highest calibrated level less the lowest."""
        return self.levels.span

    def reading_u(self, reading: float) -> ReadingU:
        """Return the uncertainty of a later single reading."""
        return reading_u(self.fit, self.sources, reading)

    @property
    def valid_until(self) -> dt.date:
        """Last day of the calibration: as the sheet says, else a year."""
        return self.sheet.valid_until or self.date + VALID

    @property
    def zero_u(self) -> float:
        """Zero since then, creep, column and step of the reference, standard: what moves all readings alike."""
        s, three = self.sources, math.sqrt(3.0)
        runs = self.fit.run_zeros.size
        between = float(np.std(self.fit.run_zeros, ddof=1)) * math.sqrt(1.0 + 1.0 / runs) if runs > 1 else 0.0
        return math.hypot(
            s.zero, s.creep / three, s.temperature / three, s.offset, s.resolution / math.sqrt(12.0), between
        )


def calibrate_sheet(sheet: ReadingsSheet, date: dt.date, last: Calibration | None, name: str) -> Calibrated:
    """Fit a sheet and hold it against the last revision; ``name`` is what messages call the sheet.

    Raises
    ------
    ConfigError
        A key is missing, cannot be used, or the levels do not determine a curve.
    """
    _check_reference_date(sheet, date, name)
    _check_last(sheet, last, name)
    applied = applied_levels(sheet, last, name)
    made_for = _checked_range(sheet, applied, last, name)
    claim = reference_claim(sheet, applied, name)
    raw = _levels(sheet, applied)
    tared = dimension_of(applied.unit) == "force"
    zeroed = tared or parse_unit(applied.unit, dimension_of(applied.unit))[1] == "gauge"
    try:
        levels, zeros = _zeros_off(raw, name) if zeroed else (raw, None)
        fit = fit_levels(levels, zeros=zeros)
    except DataError as error:
        raise ConfigError(f"{name}: run: {error}") from None
    _check_follows(fit, levels, name)
    sources, creep, drift = _sources(sheet, applied, claim, levels, fit, last, tared=tared, name=name)
    of_reading, of_span = _shares(fit, sources, claim, levels)
    return Calibrated(
        sheet=sheet,
        date=date,
        last=last,
        applied=applied,
        range=made_for,
        claim=claim,
        levels=levels,
        raw=raw.signal,
        zeroed=zeroed,
        fit=fit,
        sources=sources,
        terms=sensor_terms(levels, fit),
        creep=creep,
        zero_by_temperature=drift,
        of_reading=of_reading,
        of_span=of_span,
        at=_at(sheet, applied.unit, levels, name),
        comparison=_compared(sheet, last, applied, levels, raw, fit, of=(of_reading, of_span / levels.span)),
    )


def _at(sheet: ReadingsSheet, unit: str, levels: Levels, name: str) -> float:
    """Return where the sensor matters most: as the sheet says, else the highest level."""
    if sheet.good_for is None:
        return float(levels.reading[np.argmax(np.abs(levels.reading))])
    at = in_unit_for(sheet.good_for.at, unit, f"{name}: good_for.at")
    _check_reach(at, levels, name)
    return at


def _compared(
    sheet: ReadingsSheet,
    last: Calibration | None,
    applied: AppliedLevels,
    levels: Levels,
    raw: Levels,
    fit: LevelFit,
    *,
    of: tuple[float, float],
) -> AgainstLast | None:
    if last is None or last.reading_unit != applied.unit:
        return None
    tared = dimension_of(applied.unit) == "force"
    serial = sheet.reference.serial
    return against_last(last, levels, raw.signal, fit, tared=tared, serial=serial, reference=math.hypot(*of))


def in_unit_for(quantity: object, unit: str, where: str) -> float:
    """Return a level in a unit; refuse one of another dimension or pressure reference."""
    value, dimension, reference, text = (getattr(quantity, k) for k in ("value", "dimension", "reference", "text"))
    if dimension != dimension_of(unit) or reference != parse_unit(unit, dimension_of(unit))[1]:
        raise ConfigError(f'{where}: "{text}" is not in the kind of {unit} that the sensor reads')
    return in_unit(value, unit)


def _check_reference_date(sheet: ReadingsSheet, date: dt.date, name: str) -> None:
    until = sheet.reference.valid_until
    if until is not None and until < date:
        raise ConfigError(
            f"{name}: reference.valid_until: {sheet.reference.serial} was in date until {until}, the sheet is of "
            f"{date}; compare the reference first, it may claim nothing"
        )
    if sheet.valid_until is not None and sheet.valid_until < date:
        raise ConfigError(f"{name}: valid_until: {sheet.valid_until} is before the day of the sheet, {date}")


def _check_last(sheet: ReadingsSheet, last: Calibration | None, name: str) -> None:
    if last is None:
        return
    if last.signal_unit != sheet.sensor.signal_unit:
        raise ConfigError(
            f"{name}: sensor.signal_unit: {sheet.sensor.signal_unit}, but {last.name} takes {last.signal_unit}; "
            "correct the sheet, or remove the revision of another sensor"
        )


def _checked_range(
    sheet: ReadingsSheet, applied: AppliedLevels, last: Calibration | None, name: str
) -> tuple[float, float]:
    """Return what the sensor is made for; refuse a level outside of it."""
    if sheet.sensor.range is not None:
        ends = tuple(in_unit_for(end, applied.unit, f"{name}: sensor.range") for end in sheet.sensor.range)
    elif last is not None and last.reading_unit == applied.unit:
        ends = (last.lowest, last.highest)
    else:
        raise ConfigError(
            f"{name}: sensor.range: this key is missing; write what the sensor is made for, "
            'like ["0 bar(g)", "60 bar(g)"]'
        )
    low, high = min(ends), max(ends)
    room = OUTSIDE * (high - low)
    for level, value in zip(sheet.levels, applied.value, strict=True):
        if not low - room - applied.offset_u <= value <= high + room:
            raise ConfigError(
                f'{name}: run: level "{level.text}", {value:.6g} {applied.unit} on the sensor, lies outside of its '
                f"range, {low:g} to {high:g}"
            )
    return low, high


def _check_follows(fit: LevelFit, levels: Levels, name: str) -> None:
    """Refuse signals that have little to do with the levels: nothing of them is a calibration."""
    missed = float(np.max(np.abs(fit.residual))) / levels.span
    if not missed < FOLLOWS:
        worst = int(np.argmax(np.abs(fit.residual)))
        raise ConfigError(
            f"{name}: run {levels.run[worst] + 1:.0f}: the signals do not follow the levels: the curve misses one of "
            f"{levels.reading[worst]:.4g} by {100 * missed:.2g} % of span; compare the sheet with what was written down"
        )


def _check_reach(at: float, levels: Levels, name: str) -> None:
    low, high = float(levels.reading.min()), float(levels.reading.max())
    room = 0.05 * (high - low)
    if not low - room <= at <= high + room:
        raise ConfigError(
            f"{name}: good_for.at: {at:g} lies beyond the levels, {low:g} to {high:g}; a curve is not carried further "
            "than 5 % of its span"
        )


def _levels(sheet: ReadingsSheet, applied: AppliedLevels) -> Levels:
    readings = [(number, reading) for number, run in enumerate(sheet.run) for reading in run.readings]
    typed = np.array([level.value for level in sheet.levels])
    return Levels(
        signal=np.array([reading.signal for _, reading in readings]),
        reading=applied.value,
        run=np.array([float(number) for number, _ in readings]),
        up=np.array([reading.way == "up" for _, reading in readings]),
        zero=np.abs(typed) < 0.5 * SAME_LEVEL * float(np.ptp(typed)),
    )


def _zeros_off(levels: Levels, name: str) -> tuple[Levels, Array]:
    for run in range(levels.runs):
        if not (levels.zero & (levels.run == run)).any():
            raise ConfigError(f"{name}: run {run + 1}: no reading at zero; record one before and after each run")
    return zeros_taken_off(levels)


def _sources(
    sheet: ReadingsSheet,
    applied: AppliedLevels,
    claim: ReferenceClaim,
    levels: Levels,
    fit: LevelFit,
    last: Calibration | None,
    *,
    tared: bool,
    name: str,
) -> tuple[Sources, float | None, ZeroByTemperature | None]:
    typed = sheet.sensor.zero_uncertainty
    zero = in_unit_of(typed, applied.unit, f"{name}: sensor.zero_uncertainty")
    if typed is None and last is not None and last.reading_unit == applied.unit:
        zero = _zero_since(last)
    creep = _creep(sheet, fit, name)
    drift = _zero_by_temperature(sheet, fit, name)
    spread = sheet.sensor.temperature_range
    if spread is not None and drift is None:
        raise ConfigError(f"{name}: sensor.temperature_range: needs zero_at, zeros at two temperatures")
    kelvin = float(spread.text.split()[0]) if spread is not None else 0.0
    sources = Sources(
        reference=coefficient_covariances(fit.weight, claim.covariances),
        tared=tared,
        loop=loop_width(levels, fit.residual),
        low=float(levels.reading.min()),
        high=float(levels.reading.max()),
        creep=abs(creep or 0.0),
        temperature=kelvin * abs(drift.value) if drift is not None else 0.0,
        zero=zero,
        offset=applied.offset_u,
        resolution=claim.resolution,
    )
    return sources, creep, drift


def _zero_since(last: Calibration) -> float:
    """Return how far zero moves by the last revision: alone where it says so, else all that it calls zero."""
    kept = last.found.zero_since if last.found is not None else None
    return last.zero_uncertainty if kept is None else float(kept.split()[0])


def _shares(fit: LevelFit, sources: Sources, claim: ReferenceClaim, levels: Levels) -> tuple[float, float]:
    """Return what the reference leaves open as a share of reading and, where zero stays in, a part beside it."""
    if not sources.tared:
        return claim.of_reading, claim.of_span
    top = float(levels.reading[np.argmax(np.abs(levels.reading))])
    u = [
        reference_u(fit.powers(fit.signal(share * top), tared=True), sources.reference) / abs(share * top)
        for share in GRID
    ]
    return max(u), 0.0


def _creep(sheet: ReadingsSheet, fit: LevelFit, name: str) -> float | None:
    if sheet.creep is None:
        return None
    readings = sheet.creep.readings
    pairs = (readings[:2], readings[2:])
    held = all(one.level.value == other.level.value and _minutes(one, other) >= HELD for one, other in pairs)
    if not held or any(reading.signal_unit != sheet.sensor.signal_unit for reading in readings):
        raise ConfigError(
            f"{name}: creep.readings: two of one load, {HELD:g} min apart or more, then two at zero likewise, in "
            f"{sheet.sensor.signal_unit}"
        )
    top, top_later, zero, zero_later = fit.value(np.array([reading.signal for reading in readings]))
    return float(max(top_later - top, zero - zero_later, key=abs))


def _minutes(one: LevelReading, other: LevelReading) -> float:
    clocks = [dt.datetime.combine(dt.date.min, reading.time) for reading in (one, other)]
    return (clocks[1] - clocks[0]).total_seconds() / 60.0


def _zero_by_temperature(sheet: ReadingsSheet, fit: LevelFit, name: str) -> ZeroByTemperature | None:
    if not sheet.zero_at:
        return None
    kelvin = np.array([temperature.value for temperature, _, _ in sheet.zero_at])
    if np.ptp(kelvin) < APART or any(unit != sheet.sensor.signal_unit for _, _, unit in sheet.zero_at):
        raise ConfigError(f"{name}: zero_at: zeros at temperatures {APART:g} K apart are needed, in signal_unit")
    zero = fit.value(np.array([signal for _, signal, _ in sheet.zero_at]))
    x = kelvin - kelvin.mean()
    slope = float(x @ zero / (x @ x))
    return ZeroByTemperature(value=slope, u=fit.residual_sd / float(np.sqrt(x @ x)))


def run_that_differs(calibrated: Calibrated) -> int | None:
    """Return the number of the run whose span lies apart from the others, from 1; ``None`` where none does."""
    spans = calibrated.fit.run_spans / np.mean(calibrated.fit.run_spans)
    if spans.size < FEWEST_RUNS:
        return None
    apart = [abs(one - float(np.mean(np.delete(spans, k)))) for k, one in enumerate(spans)]
    worst = int(np.argmax(apart))
    limit = RUN_DIFFERS * JUDGED_SCATTER * math.sqrt(1.0 + 1.0 / (spans.size - 1))
    return worst + 1 if apart[worst] > limit else None
