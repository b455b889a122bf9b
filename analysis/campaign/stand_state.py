"""Collect what the files of each test say of its stand: zeros of its check, calibrations, throat, clocks of its boards.

Reads small files of run folders and changes none. Rehearsals and recordings without a plan are left out.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from standbook.analysis.campaign.run_table import RunRow
from standbook.analysis.results.quantities import Measured
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import RUNS
from standbook.daq.errors import StandError
from standbook.daq.quantity import Quantity
from standbook.daq.run.additions import read_additions
from standbook.daq.run.record_summary import read_record_file
from standbook.daq.run.run_folder import RECORD_FILE, RunFiles, read_run_files
from standbook.daq.run.run_progress import SEALED, run_progress
from standbook.daq.stand_sheets.check_file import CheckFile
from standbook.daq.stand_sheets.evidence import read_evidence

ZERO = "zero of "


@dataclass(frozen=True, slots=True, kw_only=True)
class ZeroRead:
    """Reading of a channel with nothing on it, in the check before a run."""

    revision: str  # of the calibration
    departure: float  # from zero, in the zero uncertainty that the calibration states


@dataclass(frozen=True, slots=True, kw_only=True)
class SpanRead:
    """One revision of a calibration against the first of the same sensor."""

    tag: str
    sensor: int  # the first one on this tag is 1; another serial the next
    revision: str
    date: str
    change: float  # of the span, relative
    u: float  # of this revision's span, without what all of them have in common; relative


@dataclass(frozen=True, slots=True, kw_only=True)
class ThroatRead:
    """A diameter of the throat as it was stated."""

    of: str  # "HF-02", or "HF-02 after"
    date: str
    article: str
    diameter: Measured  # [m]


@dataclass(frozen=True, slots=True, kw_only=True)
class StandState:
    """What one run says of its stand; what it does not say is empty."""

    run: str
    date: str
    zeros: Mapping[str, ZeroRead] = field(default_factory=dict)  # by tag
    throats: tuple[ThroatRead, ...] = ()
    clocks: Mapping[str, Measured] = field(default_factory=dict)  # by device, by this run's arrivals alone [ppm]


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignState:
    """What a campaign's tests say of their stands."""

    runs: tuple[StandState, ...]  # in the order of the rows
    spans: tuple[SpanRead, ...]  # in the order of tag, sensor and date
    unreadable: tuple[str, ...] = ()  # one sentence a file


def campaign_state(campaign: Path, rows: Iterable[RunRow]) -> CampaignState:
    """Collect it of all tests among a campaign's runs.

    Parameters
    ----------
    campaign : Path
        Its folder.
    rows : iterable of RunRow
        Its runs; those that cannot be read are named by their row already.
    """
    runs: list[StandState] = []
    calibrations: list[Calibration] = []
    unreadable: list[str] = []
    for row in rows:
        if not row.is_test or row.why:
            continue
        try:
            files = read_run_files(campaign / RUNS / row.folder)
            runs.append(_state(campaign / RUNS / row.folder, row, files))
        except (StandError, OSError) as error:
            unreadable.append(str(error))
            continue
        calibrations += files.calibrations.values()
    return CampaignState(runs=tuple(runs), spans=tuple(spans_of(calibrations)), unreadable=tuple(unreadable))


def _state(folder: Path, row: RunRow, files: RunFiles) -> StandState:
    return StandState(
        run=row.number,
        date=row.date,
        zeros=zeros_of(read_evidence(folder, row.number).check, files.calibrations),
        throats=tuple(_throats(folder, row, files)),
        clocks=_clocks(folder) if run_progress(folder).state == SEALED else {},
    )


def zeros_of(check: CheckFile | None, calibrations: Mapping[str, Calibration]) -> dict[str, ZeroRead]:
    """Return the zeros of a check by tag; none of a practised one, nor where no zero uncertainty is stated."""
    if check is None or check.rehearsal:
        return {}
    found = {}
    for name, value in check.values.items():
        known = calibrations.get(name.removeprefix(ZERO)) if name.startswith(ZERO) else None
        if known is not None and known.zero_uncertainty > 0.0:
            departure = value / (known.scale * known.zero_uncertainty)
            found[known.tag] = ZeroRead(revision=known.revision, departure=departure)
    return found


def _throats(folder: Path, row: RunRow, files: RunFiles) -> Iterator[ThroatRead]:
    if files.plan.engine is None:
        return
    after = read_additions(folder, files.plan).throat_after
    stated: tuple[tuple[str, Quantity | None], ...] = (
        (row.number, files.plan.engine.throat_diameter),
        (f"{row.number} after", after),
    )
    for of, quantity in stated:
        if quantity is not None and quantity.u > 0.0:
            diameter = Measured(quantity.value, quantity.u, quantity.unit)
            yield ThroatRead(of=of, date=row.date, article=row.article, diameter=diameter)


def _clocks(folder: Path) -> dict[str, Measured]:
    """Return the clock rates by device; the stated tolerance, which would pull all of them together, is left out."""
    found = {}
    for name, device in read_record_file(folder / RECORD_FILE).devices.items():
        clock = device.clock
        if clock is not None and clock.hull_ppm is not None and clock.hull_u_ppm:
            found[name] = Measured(clock.hull_ppm, clock.hull_u_ppm, "ppm")
    return found


def spans_of(calibrations: Iterable[Calibration]) -> Iterator[SpanRead]:
    """Hold every revision of each sensor against its first; sensors made to a standard's curve have no span of theirs.

    Notes
    -----
    The span is the rise of the reading over the signals between which the first revision is calibrated. The error of
    the reference moves no difference where all revisions name one serial of it, and is each one's own otherwise.
    """
    sensors: dict[str, dict[str, dict[str, Calibration]]] = {}  # tag, serial, revision
    for c in sorted(calibrations, key=lambda c: (c.tag, c.date, c.revision)):
        if c.characteristic is None:
            sensors.setdefault(c.tag, {}).setdefault(c.sensor_serial, {})[c.revision] = c
    for by_serial in sensors.values():
        for number, revisions in enumerate(by_serial.values(), start=1):
            yield from _spans(number, tuple(revisions.values()))


def _spans(sensor: int, revisions: Sequence[Calibration]) -> Iterator[SpanRead]:
    first = revisions[0]
    ends = first.signal(np.array([first.lowest, first.highest]))
    one_reference = bool(first.reference_serial) and len({c.reference_serial for c in revisions}) == 1
    for c in revisions:
        u = float(np.hypot(c.slope_scatter(), 0.0 if one_reference else c.reference_uncertainty.value))
        if c.signal_unit != first.signal_unit or u == 0.0:
            continue
        before, now = (float(np.diff(one.si_reading(ends))[0]) for one in (first, c))
        yield SpanRead(tag=c.tag, sensor=sensor, revision=c.revision, date=str(c.date), change=now / before - 1.0, u=u)
