"""Analyse a run by its kind of test, from a run folder to a new revision in it: the one way into analysis."""

import shutil
from collections.abc import Iterable
from pathlib import Path

from standbook.analysis.dataset.load_run import load_dataset
from standbook.analysis.kinds.registry import analyse
from standbook.analysis.results.curves import write_curves
from standbook.analysis.results.json_codec import to_json
from standbook.analysis.results.results import Results
from standbook.analysis.results.saved_results import CURVES_FILE, RESULTS_FILE
from standbook.daq.config.calibration import Calibration, read_calibration
from standbook.daq.config.campaign import CALIBRATIONS
from standbook.daq.errors import ConfigError
from standbook.daq.run.revision import next_revision, write_revision
from standbook.daq.run.run_folder import Run, open_run


def analyse_run(folder: Path, *, calibrations: Iterable[Path] = (), software: str = "") -> tuple[Path, Results]:
    """Analyse a sealed run into a new revision of its own.

    Parameters
    ----------
    folder : Path
        ``CAMPAIGN/runs/DATE_NUMBER``.
    calibrations : iterable of Path
        Later calibration revisions to use in place of the locked ones; the revision keeps a copy of each.
    software : str
        Name and version, kept in the results.

    Returns
    -------
    folder, results
        Where the revision lies, and what it says.

    Raises
    ------
    RecordError
        The run is not sealed, or damaged.
    ConfigError
        A calibration file is wrong or of no input of this stand.
    DataError
        The record cannot answer.
    """
    run = open_run(folder)
    given = tuple(calibrations)
    later = later_calibrations(run, given)
    revision = next_revision(folder)
    analysis = analyse(load_dataset(run, calibrations=later), revision=revision, software=software)

    def build(place: Path) -> None:
        (place / RESULTS_FILE).write_text(to_json(analysis.results), encoding="utf-8")
        write_curves(place / CURVES_FILE, analysis.curves)
        for path in given:
            (place / CALIBRATIONS).mkdir(exist_ok=True)
            shutil.copyfile(path, place / CALIBRATIONS / path.name)

    return write_revision(folder, revision, build), analysis.results


def later_calibrations(run: Run, paths: Iterable[Path]) -> dict[str, Calibration]:
    """Read calibrations to use in place of the locked ones, by tag, as they apply to the run's counts.

    Raises
    ------
    ConfigError
        A file is wrong, of no input of the stand, or the second of its tag.
    RecordError
        The run is imported and has no counts to calibrate.
    """
    tags = {item.tag for item in run.stand.input}
    found: dict[str, Calibration] = {}
    for path in paths:
        calibration = read_calibration(path)
        if calibration.tag not in tags:
            raise ConfigError(f"{path}: {calibration.tag} is no input of stand {run.stand.name}")
        if calibration.tag in found:
            raise ConfigError(f"{path}: a second calibration of {calibration.tag}; give one")
        found[calibration.tag] = run.for_counts(calibration)
    return found
