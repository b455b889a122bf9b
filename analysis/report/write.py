"""Write the report file of a run folder: the one place in the report that writes."""

import datetime as dt
from dataclasses import replace
from pathlib import Path
from typing import NamedTuple

from standbook.analysis.kinds.registry import analysed_kind
from standbook.analysis.report.collect import context_from_run
from standbook.analysis.report.content.context import ReportContext
from standbook.analysis.report.render import render_report
from standbook.analysis.report.sources import earlier_run, full_rate_windows
from standbook.analysis.results.curves import Curve, at_instant, read_curves
from standbook.analysis.results.results import Results
from standbook.analysis.results.saved_results import CURVES_FILE, read_results
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import CALIBRATIONS
from standbook.daq.config.measurands import THRUST
from standbook.daq.errors import RecordError
from standbook.daq.run.revision import write_page
from standbook.daq.run.run_folder import Run, open_run


def write_report(
    folder: Path, *, now: dt.datetime, revision: str | None = None, for_signature: bool = False, vouched_by: str = ""
) -> Path:
    """Write the report of one analysis revision beside it, as one HTML file.

    Parameters
    ----------
    folder : Path
        A sealed run that was analysed.
    now : datetime
        When the report is written, with its time zone.
    revision : str or None
        The newest when ``None``.
    for_signature : bool
        Demand a report that may be signed.
    vouched_by : str
        Who answers for the other logger of an imported run, and signs for it.

    Raises
    ------
    RecordError
        Not sealed, damaged, not analysed, no such revision; a rehearsal, or an import that nobody vouches for, offered
        for signature; or the disk refuses.
    """
    run = open_run(folder)
    _check_signature(run, for_signature=for_signature, vouched_by=vouched_by)
    page = drawn_from(run, now=now, revision=revision, vouched_by=vouched_by.strip())
    parts = analysed_kind(page.results.kind).page_parts()
    return write_page(page.place, render_report(page.results, page.curves, page.context, parts))


class Drawn(NamedTuple):
    """What a report is drawn from."""

    place: Path  # of the revision
    results: Results
    curves: dict[str, Curve]
    context: ReportContext


def drawn_from(run: Run, *, now: dt.datetime, revision: str | None, vouched_by: str = "") -> Drawn:
    """Read what the report of an opened run is drawn from; as for :func:`write_report`."""
    place, results = read_results(run.folder, revision)
    kept = sorted((place / CALIBRATIONS).glob("*.toml"))
    later = _later_calibrations(run, kept) if kept else {}
    created = now.astimezone(dt.UTC).isoformat(timespec="seconds")
    context = context_from_run(run, results, created=created, later=later, vouched_by=vouched_by)
    context = replace(context, earlier=earlier_run(run))
    curves = read_curves(place / CURVES_FILE)
    if at_instant(THRUST, "start") not in curves:  # an older analysis did not keep them
        curves |= full_rate_windows(run, results, later)
    return Drawn(place, results, curves, context)


def _later_calibrations(run: Run, kept: list[Path]) -> dict[str, Calibration]:
    from standbook.analysis.analyse import later_calibrations  # loads the analysis, which a report seldom needs

    return later_calibrations(run, kept)


def _check_signature(run: Run, *, for_signature: bool, vouched_by: str) -> None:
    """Refuse a rehearsal for signature, and an import that nobody answers for."""
    folder = run.folder
    if for_signature and run.info.rehearsal:
        raise RecordError(
            f"{folder}: this run is a rehearsal; its data are simulated, so there is nothing to sign. "
            "Record the real test, or write the report without --for-signature"
        )
    imported = run.info.source == "imported"
    if for_signature and imported and not vouched_by.strip():
        raise RecordError(
            f"{folder}: its values are another logger's, which this program did not record; name who answers for that "
            'logger and signs for it: --vouched-by "instrumentation lead"'
        )
    if vouched_by and not imported:
        raise RecordError(f"{folder}: was recorded by this program; --vouched-by is for imported runs, leave it out")
