"""What is known of the way from thrust to cell: stand factor and hose load, and how far the pull reached. SI.

Both are calibration data with their own uncertainty and stand in the impulse's budget; what was never measured is
said, since no number can be put to it from the record alone.
"""

import numpy as np

from standbook.analysis.budget.terms import Term
from standbook.analysis.findings.thrust import LOAD_PATH_NOT_MEASURED, PULL_TOO_LOW, PULL_WITHOUT_PRESSURE
from standbook.analysis.results.firing_results import LoadPath
from standbook.analysis.results.quantities import Measured
from standbook.analysis.thrust.thrust_record import NO_RANGE, ThrustRecord
from standbook.daq.findings.finding import Finding

REACHED = 0.5  # of the greatest thrust or hose pressure; a pull below it is carried far
# Of the thrust that hoses and flexures beside a cell may carry where they never were measured, by what the cell is
# calibrated to: a small cell gives way more. Judgement, from stiffnesses of hoses and cells.
SMALL_CELL = 2000.0  # N
NEVER_MEASURED, NEVER_MEASURED_SMALL = 0.02, 0.05
PULL = "pull the stand against a reference cell, hoses connected and pressurised, or hang check weights"


def load_path(record: ThrustRecord) -> LoadPath:
    """Return factor and hose load as they entered the impulse."""
    c = record.cell.calibration.stand_interaction
    return LoadPath(
        factor=Measured(c.factor.value, c.factor.u, "1"),
        line_load=Measured(c.line_load.value, c.line_load.u, "N/Pa"),
        pulls=len(c.pull),
        highest_force=max((point.reference.value for point in c.pull), default=None),
        highest_line=max((point.line.value for point in c.pull), default=None),
    )


def load_path_terms(record: ThrustRecord, impulse: float) -> tuple[Term, ...]:
    """Return what a load path that was never measured may have hidden from an impulse [N*s]: only upwards."""
    if record.cell.calibration.stand_interaction.known or impulse <= 0.0:
        return ()
    most = _share(record) * impulse
    return (Term("hoses and flexures beside the cell, never measured", most=most, removed_by=PULL),)


def _share(record: ThrustRecord) -> float:
    c = record.cell.calibration
    reach = min(c.highest * c.scale, NO_RANGE)
    if reach >= NO_RANGE:  # no range is stated
        reach = float(np.max(record.thrust))
    return NEVER_MEASURED if reach >= SMALL_CELL else NEVER_MEASURED_SMALL


def load_path_findings(record: ThrustRecord) -> list[Finding]:
    """Say what of the load path was not measured, or measured far from where the firing was."""
    tag, c = record.cell.tag, record.cell.calibration.stand_interaction
    if not c.known:
        return [LOAD_PATH_NOT_MEASURED.at(tag, share_percent=100.0 * _share(record))]
    path, said = load_path(record), []
    greatest, hoses = float(np.max(record.thrust)), float(np.max(np.abs(record.hose_pressure)))
    if path.highest_force is not None and path.highest_force < REACHED * greatest:
        said.append(PULL_TOO_LOW.at(tag, highest_force=path.highest_force, greatest=greatest))
    if path.highest_line is not None and hoses > 1e5 and path.highest_line < REACHED * hoses:
        said.append(PULL_WITHOUT_PRESSURE.at(tag, highest_line_bar=path.highest_line / 1e5, hoses_bar=hoses / 1e5))
    return said
