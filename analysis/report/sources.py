"""Read what the report shows besides results: the record at full rate, and the run before. Writes nothing.

What most reports do not need, the analysis itself, is loaded where it is asked for.
"""

from collections.abc import Mapping

from standbook.analysis.campaign.run_table import campaign_runs
from standbook.analysis.report.content.context import EarlierRun, RunDifference
from standbook.analysis.results.curves import Curve
from standbook.analysis.results.quantities import Measured
from standbook.analysis.results.results import Results
from standbook.daq.config.calibration import Calibration
from standbook.daq.config.campaign import RUNS
from standbook.daq.errors import DataError, StandError
from standbook.daq.run.run_folder import Run


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
    rows = campaign_runs(run.folder.parent.parent)
    before = [row.folder for row in rows]
    before = before[: before.index(run.folder.name)] if run.folder.name in before else []
    alike = [
        row.folder
        for row in rows
        if row.folder in before
        and (row.kind, row.rehearsal) == (run.info.kind, run.info.rehearsal)
        and row.serious is not None
    ]
    if not alike:
        return None
    from standbook.analysis.campaign.comparison import compare_runs

    try:
        found = compare_runs(run.folder.parent / alike[-1], run.folder)
    except StandError:
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
