"""Read what the report shows besides results: the record at full rate, and the run before. Writes nothing.

What most reports do not need, the analysis itself, is loaded where it is asked for.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from standbook.analysis.report.content.context import EarlierRun, RunDifference
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import RUNS
from standbook.daq.errors import DataError, StandError
from standbook.daq.run.run_folder import Run, RunInfo, read_run_info

if TYPE_CHECKING:
    from standbook.analysis.campaign.comparison import RunComparison


def full_rate_windows(run: Run, results: Results, calibrations: Mapping[str, Calibration]) -> dict[str, Curve]:
    """Return every sample about start and stop of the thrust, by the steps of the analysis; none without an impulse.

    Parameters
    ----------
    calibrations : mapping of tag to Calibration
        Those that the analysis used in place of the run's own.
    """
    if results.impulse is None:
        return {}
    from standbook.analysis.dataset.load_run import load_dataset
    from standbook.analysis.firing.firing_curves import full_rate_curves
    from standbook.analysis.kinds.static_fire import thrust_and_burn

    dataset = load_dataset(run, calibrations=calibrations)
    try:
        return full_rate_curves(dataset, *thrust_and_burn(dataset))
    except DataError:  # an older analysis saw thrust where this program sees none
        return {}


def earlier_run(run: Run) -> EarlierRun | None:
    """Hold a run against the one of its kind before it in the campaign; ``None`` where none is analysed."""
    if run.folder.parent.name != RUNS:
        return None
    found = next(filter(None, (_compared(before, run.folder) for before in _runs_before(run))), None)
    if found is None:
        return None
    return EarlierRun(
        name=found.first,
        differences=tuple(
            RunDifference(
                name=line.name,
                before=line.first,
                now=line.second,
                difference=Measured(line.difference.value, line.difference.u, line.unit),
                bound=line.bound,
                says=line.difference.says,
                because=line.because,
            )
            for line in found.lines
        ),
        changes=found.changes,
    )


def _runs_before(run: Run) -> list[Path]:
    """Return the runs of the same kind before one, the newest first; of each only its identity is read."""
    found: list[tuple[str, str, Path]] = []
    own = _place(run.folder, run.info)
    for folder in run.folder.parent.iterdir():
        if _day(folder) > _day(run.folder) or folder.name.startswith("."):
            continue
        try:
            info = read_run_info(folder)
        except (StandError, OSError):
            continue
        place = _place(folder, info)
        if (info.kind, info.rehearsal) == (run.info.kind, run.info.rehearsal) and place < own:
            found.append((*place, folder))
    return [folder for *_, folder in sorted(found, reverse=True)]


def _place(folder: Path, info: RunInfo) -> tuple[str, str]:
    """Return what runs are ordered by: the day in the name, then the instant at which they began."""
    return _day(folder), info.created_utc


def _day(folder: Path) -> str:
    return folder.name.partition("_")[0]


def _compared(before: Path, folder: Path) -> "RunComparison | None":
    from standbook.analysis.campaign.comparison import compare_runs

    try:
        return compare_runs(before, folder)
    except (StandError, OSError):
        return None
