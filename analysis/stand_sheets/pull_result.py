"""Fit a pull with a calibration of its cell, and say what came of it. Reads and writes no file."""

import datetime as dt
from dataclasses import dataclass

import numpy as np

from standbook.analysis.calibration.pull_fit import NAMES, PullFit, fit_of_pull, last_moves
from standbook.analysis.report.content.number_format import two_digits
from standbook.analysis.stand_checks.check import surely_seen
from standbook.analysis.stand_sheets.pull_sheet import PullSheet
from standbook.daq.config.calibration import Calibration
from standbook.daq.errors import ConfigError, DataError
from standbook.daq.stand_sheets.pull_file import BAR, PullFile, PullReference

# SI value of one unit that people read: N; none; of the gain, a bar; N a bar; N
SHOWN = {
    "offset": (1.0, "N"),
    "gain": (1.0, ""),
    "stiffening": (1.0 / BAR, "/bar"),
    "line_load": (1.0 / BAR, "N/bar"),
    "friction": (1.0, "N"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulled:
    """A pull and its fit."""

    file: PullFile
    fit: PullFit
    sentences: tuple[str, ...]  # the result first
    complete: bool  # every term was determined


def pull_of_sheet(sheet: PullSheet, day: dt.date, calibration: Calibration, *, written: str, name: str) -> Pulled:
    """Fit a sheet with the cell's calibration.

    Parameters
    ----------
    sheet : PullSheet
        Read and checked.
    day : date
        Of the pull.
    calibration : Calibration
        Of the pulled cell.
    written : str
        Path of the sheet from the campaign's folder.
    name : str
        What messages call the sheet.

    Raises
    ------
    ConfigError
        The calibration is of another signal, or the points do not determine the terms.
    """
    if calibration.signal_unit != sheet.sensor.signal_unit:
        raise ConfigError(
            f"{name}: sensor.signal_unit: {sheet.sensor.signal_unit}, but {calibration.name} takes "
            f"{calibration.signal_unit}"
        )
    if calibration.sensor_serial != sheet.sensor.serial:
        raise ConfigError(
            f"{name}: sensor.serial: {sheet.sensor.serial}, but {calibration.name} is of {calibration.sensor_serial}; "
            "correct the one that is not mounted"
        )
    points = []
    for run in sheet.run:
        moves = last_moves(np.array([reading.level.value for reading in run.readings]))
        points += [
            (r.level.value, r.signal, run.line.value / BAR, "up" if move > 0.0 else "down")
            for r, move in zip(run.readings, moves, strict=True)
        ]
    draft = PullFile(
        tag=sheet.tag,
        date=day,
        sheet=written,
        calibration=calibration.name,
        signal_unit=sheet.sensor.signal_unit,
        reference=PullReference(
            what=sheet.reference.what, serial=sheet.reference.serial, u=sheet.reference.certificate_u
        ),
        angle=sheet.angle if sheet.angle.value > 0.0 else None,
        terms={},
        covariance=(),
        points=tuple(points),
    )
    try:
        fit = fit_of_pull(draft, calibration)
    except DataError as error:
        raise ConfigError(f"{name}: run: {error}") from None
    covariance = tuple(tuple(float(v) for v in row) for row in fit.covariance)
    file = draft.model_copy(update={"terms": _terms(fit), "covariance": covariance})
    return Pulled(file=file, fit=fit, sentences=pull_sentences(file, fit), complete=not fit.not_fitted)


def _terms(fit: PullFit) -> dict[str, str]:
    """Write each term as people read it; one that was not determined is zero, with the doubt that stands for it."""
    texts = {}
    for name in NAMES:
        factor, unit = SHOWN[name]
        value, u = fit.of(name)
        texts[name] = f"{value / factor:.6g} +/- {two_digits(u / factor)} {unit}".strip()
    return texts


def pull_sentences(file: PullFile, fit: PullFit) -> tuple[str, ...]:
    """Say factor, stiffening and how far the pull reached."""
    low, high = fit.pressure_range
    factors = []
    for p in (low, high) if high > low else (high,):
        value, u = float(fit.factor(np.array([p]))[0]), float(fit.factor_u(np.array([p]))[0])
        factors.append(f"{value:.4f} +/- {two_digits(u)} at {p / BAR:.3g} bar(g)")
    u = float(fit.factor_u(np.array([high]))[0])
    said = [f"{file.tag}: true force over cell force is {', '.join(factors)}, up to {fit.highest_force:,.0f} N."]
    load, load_u = (v * BAR for v in fit.of("line_load"))
    said.append(f"Lines push by themselves {load:+.2f} +/- {two_digits(load_u)} N a bar.")
    said.append(
        f"Surely seen: a factor that is {100 * surely_seen(u):.2g} % off; u holds {file.reference.serial}'s "
        f"{100 * file.reference.u.value:.2g} %, which no repeat averages."
    )
    if "stiffening" not in fit.not_fitted and not fit.stiffening_seen:
        said.append("The stiffening under pressure is not seen above its u; it stays in, with that u.")
    return (*said, *(f"REVIEW: {note}" for note in fit.notes))
